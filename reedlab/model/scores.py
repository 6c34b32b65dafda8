"""What a randomisation test rests on: scores of columns, studentised within their stratum.

The score of a column is its sum with the response, rows of a whole plot weighted as alike
as they are, the columns of the other terms taken out of it. It is compared with the
variation that the other terms leave, so that the statistic is ordered like the F test of
the term's stratum: that of plot means for a term that is the same within every plot. The
response moves as it is, so that the test is exact where no term does anything; being
studentised it holds its level where others do (Anderson & Legendre 1999).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from reedlab.errors import InestimableTermError

#: Rows of a plot are never taken to be more alike than this.
MOST_ALIKE = 0.95
#: Less than this share is nothing but rounding.
LEAST_LEFT = 1e-8
#: By so much a 1 of a plot of ones weighs less than another.
TRIFLE = 1e-7


@dataclass(frozen=True)
class Score:
    """The test of some columns, for one response.

    Attributes
    ----------
    base : ndarray, shape (n, p)
        Columns of all terms, weighted; they move with the treatments.
    response : ndarray, shape (n,)
        Stays with the rows; blocks and covariates are taken out.
    own : ndarray, shape (p, q)
        What of the base is tested: the columns less what the others say of them.
    axes : ndarray, shape (p, d)
        What of the base the other terms of the stratum are, orthonormal.
    spread : ndarray, shape (q, q)
        What the scores vary like.
    total : float
        Sum of squares of the weighted response in the term's stratum.
    plain : bool
        Whether the response is the same for every term.
    """

    base: np.ndarray
    response: np.ndarray
    own: np.ndarray
    axes: np.ndarray
    spread: np.ndarray
    total: float
    plain: bool

    @property
    def weights(self) -> np.ndarray:
        """What the rows weigh in the scores, shape (n, q)."""
        return self.base @ self.own

    def statistic(self, sums: np.ndarray) -> np.ndarray:
        """The statistic of arrangements, shape (m,), from sums of base times response (p, m)."""
        scores = self.own.T @ sums
        form = np.einsum("qm,qm->m", scores, np.linalg.solve(self.spread, scores))
        return form / self.left(sums)

    def left(self, sums: np.ndarray) -> np.ndarray:
        """Share of the variation that the other terms leave in each arrangement, shape (m,)."""
        if self.total <= 0 or not self.axes.shape[1]:
            return np.ones(sums.shape[1])
        explained = np.sum((self.axes.T @ sums) ** 2, axis=0)
        return np.maximum(1 - explained / self.total, LEAST_LEFT)


@dataclass(frozen=True)
class Terms:
    """Terms over rows in whole plots, and one response.

    Attributes
    ----------
    y : ndarray, shape (n,)
        NaN where a row gave none.
    planned, made : mapping of str to ndarray, shape (n, q)
    plot : ndarray of int, shape (n,)
    blocks : ndarray, shape (n, b)
        Columns that no shuffle changes, the mean among them.
    beside : ndarray, shape (n, g)
        Columns that stay with the rows.
    """

    y: np.ndarray
    planned: Mapping[str, np.ndarray]
    made: Mapping[str, np.ndarray]
    plot: np.ndarray
    blocks: np.ndarray
    beside: np.ndarray

    def score(self, term: str, column: int | None = None) -> Score:
        """Score a term, or one of its columns with the others allowed for.

        Raises
        ------
        InestimableTermError
            If nothing tells it from the others.
        """
        base, places = self._base
        here = places[term] if column is None else places[term][[column]]
        rest = np.setdiff1d(np.arange(base.shape[1]), here)
        effects = np.linalg.lstsq(base[:, rest], base[:, here], rcond=None)[0]
        own = np.zeros((base.shape[1], len(here)))
        own[here, np.arange(len(here))] = 1.0
        own[rest] = -effects
        left = base @ own
        size = max(float(np.linalg.norm(self.planned[term])), 1.0)
        if np.linalg.matrix_rank(left, tol=LEAST_LEFT * size) < len(here):
            raise InestimableTermError(f"Nothing tells the effect of {term} from the others.", term)
        response = self._untied(self.response(term, column))
        steady = Whitening(self.plot, self.alike)
        mean = self._means(response) if self.whole[term] else response
        total = residual(steady(mean[:, None]), steady(self.blocks))
        return Score(
            steady(base),
            response,
            own,
            self._axes(term, rest),
            left.T @ left,
            float(np.sum(total**2)),
            self._plain,
        )

    def even(self, term: str) -> bool:
        """Whether what is inside the plots has no bearing on a term that belongs to plots."""
        weights = self.score(term).weights
        means = np.stack([self._means(column) for column in weights.T], axis=1)
        return bool(np.allclose(weights, means, atol=LEAST_LEFT * np.abs(weights).max()))

    def column(self, term: str, column: int) -> np.ndarray:
        """One column of a term as made, zero where the response is missing, shape (n,)."""
        return np.where(np.isfinite(self.y), self.made[term][:, column], 0.0)

    @cached_property
    def whole(self) -> dict[str, bool]:
        """Whether a term is the same within every plot."""
        _, first, code = np.unique(self.plot, return_index=True, return_inverse=True)
        return {term: bool(np.all(X[first][code] == X)) for term, X in self.planned.items()}

    @cached_property
    def alike(self) -> float:
        """How alike rows of a plot are, 0 to MOST_ALIKE; no shuffle changes it."""
        used = np.isfinite(self.y)
        known = np.hstack([self.blocks, self.beside])[used]
        return alike_share(residual(self.y[used], known), self.plot[used])

    @cached_property
    def fitted(self) -> np.ndarray:
        """The response that blocks, covariates and all terms as made let expect, shape (n,)."""
        outside, b = self._fitted
        known = {"outside": outside, **self.made}
        return np.sum([known[name] @ effects for name, effects in b.items()], axis=0)

    @cached_property
    def _plain(self) -> bool:
        """Whether no row is missing and all were made as planned."""
        alike = all(self.planned[term] is self.made[term] for term in self.planned)
        return alike and bool(np.isfinite(self.y).all())

    @cached_property
    def _base(self) -> tuple[np.ndarray, dict[str, np.ndarray]]:
        """Columns of all terms, weighted and free of blocks; the places of each term."""
        steady = Whitening(self.plot, self.alike)
        base = residual(steady(np.hstack([*self.planned.values()])), steady(self.blocks))
        widths = [X.shape[1] for X in self.planned.values()]
        places = np.split(np.arange(base.shape[1]), np.cumsum(widths)[:-1])
        return base, dict(zip(self.planned, places, strict=True))

    def _axes(self, term: str, rest: np.ndarray) -> np.ndarray:
        """Mix the columns in `rest` that lie in a term's stratum into orthonormal ones, (p, d)."""
        base, places = self._base
        outer = [name for name in places if self.whole[name] or not self.whole[term]]
        here = np.intersect1d(rest, np.concatenate([places[name] for name in outer]))
        _, s, turned = np.linalg.svd(base[:, here], full_matrices=False)
        sound = s > LEAST_LEFT * s.max(initial=1.0)
        axes = np.zeros((base.shape[1], int(sound.sum())))
        axes[here] = turned[sound].T / s[sound]
        return axes

    def response(self, term: str, column: int | None = None) -> np.ndarray:
        """Take blocks and covariates out of the response.

        Where rows are missing, or others were made than planned, the other terms count as
        planned: what they were made is taken out and what was planned is put in.
        """
        used = np.isfinite(self.y)
        outside, b = self._fitted
        left = np.where(used, self.y, 0.0) - used * (outside @ b["outside"])
        for name, effects in b.items():
            if name == "outside":
                continue
            columns = np.arange(self.made[name].shape[1])
            if name == term:
                columns = np.delete(columns, columns if column is None else column)
            swapped = self.planned[name] - used[:, None] * self.made[name]
            left = left + swapped[:, columns] @ effects[columns]
        return left

    def _untied(self, response: np.ndarray) -> np.ndarray:
        """Of 1 and 0, let ones of plots that have few weigh a trifle more: fewer ties are left."""
        used = np.isfinite(self.y)
        if not np.isin(self.y[used], (0.0, 1.0)).all():
            return response
        return response - TRIFLE * np.where(used, self.y * self._means(self.y == 1), 0.0)

    @cached_property
    def _fitted(self) -> tuple[np.ndarray, dict[str, np.ndarray]]:
        """Columns of blocks and covariates, and the effects of these and of all terms as made."""
        used = np.isfinite(self.y)
        outside = np.hstack([self.blocks, self.beside])
        parts = {"outside": outside, **self.made}
        steady = Whitening(self.plot[used], self.alike)
        known = steady(np.hstack([*parts.values()])[used])
        b = np.linalg.lstsq(known, steady(self.y[used, None])[:, 0], rcond=None)[0]
        ends = np.cumsum([part.shape[1] for part in parts.values()])[:-1]
        return outside, dict(zip(parts, np.split(b, ends), strict=True))

    def _means(self, values: np.ndarray) -> np.ndarray:
        """Mean of each plot, given to all of its rows."""
        code = np.unique(self.plot, return_inverse=True)[1]
        return (np.bincount(code, values) / np.bincount(code))[code]


@dataclass(frozen=True)
class Whitening:
    """Takes out of each row so much of its plot's mean that rows are no longer alike.

    Parameters
    ----------
    plot : ndarray, shape (n,)
    alike : float
        Correlation of rows of a plot, 0 to below 1.
    """

    plot: np.ndarray
    alike: float

    def __call__(self, columns: np.ndarray) -> np.ndarray:
        """Return the columns, shape (n, k), so weighted; doing so twice multiplies by V^-1."""
        code, size = self._plots
        sums = np.zeros((len(size), columns.shape[1]))
        np.add.at(sums, code, columns)
        part = 1 - np.sqrt((1 - self.alike) / (1 - self.alike + self.alike * size))
        return columns - (part / size)[code, None] * sums[code]

    @cached_property
    def _plots(self) -> tuple[np.ndarray, np.ndarray]:
        _, code, size = np.unique(self.plot, return_inverse=True, return_counts=True)
        return code, size


def alike_share(residual: np.ndarray, plot: np.ndarray) -> float:
    """Estimate how alike rows of a plot are, by the analysis of variance of one layer.

    Examples
    --------
    >>> alike_share(np.array([1.0, 1.0, -1.0, -1.0]), np.array([0, 0, 1, 1]))
    0.95
    """
    _, code, size = np.unique(plot, return_inverse=True, return_counts=True)
    n, plots = len(residual), len(size)
    if plots in (1, n):
        return 0.0
    means = np.bincount(code, residual) / size
    within = float(np.sum((residual - means[code]) ** 2) / (n - plots))
    between = float(np.sum(size * (means - residual.mean()) ** 2) / (plots - 1))
    usual = (n - np.sum(size**2) / n) / (plots - 1)
    excess = max(0.0, (between - within) / usual)
    return min(MOST_ALIKE, excess / (excess + within)) if excess else 0.0


def residual(values: np.ndarray, known: np.ndarray) -> np.ndarray:
    """What known columns leave of values by least squares."""
    return values - known @ np.linalg.lstsq(known, values, rcond=None)[0]
