"""How far the rows of a design reach: where a prediction is no longer interpolation.

A point lies within reach if its leverage is no larger than the largest of the rows that
were made: within the smallest ellipsoid of the leverage that holds them all. So the
corner of two ranges that was never tried lies outside, though each value was tried.
"""

from dataclasses import dataclass

import numpy as np

#: Leverages are compared with this tolerance.
TOLERANCE = 1e-9


@dataclass(frozen=True)
class Reach:
    """The rows of a design, by their coded columns.

    Attributes
    ----------
    rows : ndarray, shape (n, q)
        One row a thing that was made; without the mean.
    """

    rows: np.ndarray

    def leverage(self, points: np.ndarray) -> np.ndarray:
        """Leverage of points, shape (m, q), over the rows and the mean; shape (m,).

        Directions in which the rows do not vary at all count as infinitely far.

        References
        ----------
        Belsley, Kuh & Welsch (1980), Regression diagnostics, section 2.1; the largest
        leverage as limit of interpolation: Weisberg (2005), Applied linear regression,
        section 8.1.

        Examples
        --------
        >>> reach = Reach(np.array([[-1.0], [0.0], [1.0]]))
        >>> reach.leverage(np.array([[0.0], [1.0]])).round(3).tolist()
        [0.333, 0.833]
        """
        middle = self.rows.mean(axis=0)
        _, values, directions = np.linalg.svd(self.rows - middle, full_matrices=False)
        varied = values > TOLERANCE * max(values.max(initial=0.0), 1.0)
        gap = np.atleast_2d(points) - middle
        along = gap @ directions[varied].T
        beside = np.linalg.norm(gap - along @ directions[varied], axis=1)
        found = 1 / len(self.rows) + np.sum((along / values[varied]) ** 2, axis=1)
        return np.where(beside > TOLERANCE * (1 + np.abs(gap).max(initial=0.0)), np.inf, found)

    def holds(self, points: np.ndarray) -> np.ndarray:
        """Say of points, shape (m, q), whether they lie within reach; shape (m,).

        Examples
        --------
        >>> reach = Reach(np.array([[-1.0, -1], [0, 0], [1, 1], [-0.5, -0.4]]))
        >>> reach.holds(np.array([[0.5, 0.5], [1.0, -1.0]])).tolist()
        [True, False]
        """
        return self.leverage(points) <= self.leverage(self.rows).max() + TOLERANCE
