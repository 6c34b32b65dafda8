"""A smooth curve of few degrees of freedom: the natural cubic spline.

Cubic between its knots, straight beyond the outer ones, so that its ends do not run off
where there are few rows. The columns are centred and of order one, for a linear model to
take; units are those of the response by standard steps of the variable.
"""

from dataclasses import dataclass

import numpy as np

from reedlab.errors import CallError, ModelError


@dataclass(frozen=True)
class NaturalSpline:
    """The columns of a natural cubic spline; made by :func:`natural_spline`.

    Attributes
    ----------
    knots : ndarray, shape (K,)
        The outer ones included; K - 1 columns.
    """

    knots: np.ndarray

    @property
    def df(self) -> int:
        """Number of columns."""
        return len(self.knots) - 1

    def columns(self, x: np.ndarray) -> np.ndarray:
        """Columns at x, shape (n, df); the first is x itself, scaled.

        References
        ----------
        Hastie, Tibshirani & Friedman (2009), The Elements of Statistical Learning,
        section 5.2.1 (truncated powers).
        """
        low, width = self.knots[0], self.knots[-1] - self.knots[0]
        at, knots = (np.asarray(x, dtype=float) - low) / width, (self.knots - low) / width
        cubes = np.maximum(at[:, None] - knots[None], 0) ** 3
        slopes = (cubes[:, :-1] - cubes[:, -1:]) / (knots[-1] - knots[:-1])
        return np.column_stack([at, slopes[:, :-1] - slopes[:, -1:]])


def natural_spline(x: np.ndarray, df: int) -> NaturalSpline:
    """Choose knots for values x: the outer ones at the extremes, inner ones at quantiles.

    Parameters
    ----------
    x : ndarray, shape (n,)
    df : int
        1 is a straight line.

    Raises
    ------
    ModelError
        If the values are too few for so many degrees of freedom.

    Examples
    --------
    >>> natural_spline(np.array([0.0, 1, 2, 3, 10]), 2).knots.tolist()
    [0.0, 2.0, 10.0]
    """
    if df < 1:
        raise CallError(f"A curve has one degree of freedom at least, not {df}.")
    values = np.unique(x)
    knots = np.unique(np.quantile(values, np.linspace(0, 1, df + 1)))
    if len(values) <= df or len(knots) <= df:
        raise ModelError(
            f"{len(values)} different values are too few for a curve of {df} degrees of freedom."
        )
    return NaturalSpline(knots)
