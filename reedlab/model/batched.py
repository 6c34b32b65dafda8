"""The kernel of designs in which groups cross unevenly; many responses at once.

The group of most levels is absorbed: by itself it parts the rows into a few strata, one for
each number of rows a level has, in which its variance and the residual's are diagonal. The
other groups are columns beside X, with variances of their own, and enter by Woodbury's
identity. So all that is needed are weighted sums of one small cross-product a stratum, as large
as the other groups and X together: sessions and tubes, where reeds are absorbed.

Likelihood and moments at given variances stand in batched_at.py.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TypeVar

import numpy as np
from scipy import sparse

from reedlab.model.basis import ZERO
from reedlab.model.batched_at import At
from reedlab.model.moments import Moments, Projected, Slopes

Many = TypeVar("Many", Slopes, Moments)

#: Numbers held at once in the arrays of a call; with more they leave the processor's own memory.
MOST_HELD = 400_000


@dataclass(frozen=True)
class Absorbed:
    """A design with one group absorbed; made by :meth:`of`.

    Attributes
    ----------
    at : int
        Place of the absorbed group's variance, from 1; the residual's is 0.
    N : ndarray, shape (n, k + p)
        Columns of the other groups, then X.
    level : ndarray of int, shape (n,)
        Level of the absorbed group of each row.
    weight : ndarray, shape (levels, C)
        One over the level's rows, in the stratum to which the level belongs; the first
        stratum, what is left within levels, has none.
    d, m : ndarray, shape (C,)
        What the absorbed variance adds to each stratum, and its dimensions.
    F : ndarray, shape (C, k + p, k + p)
        Cross-products of N in each stratum.
    groups : dict of int to slice
        By the place of the other groups' variances, their columns of N.
    components, effects, spare : int
        Number of variances; dimensions of all groups' effects; those outside them and X.
    """

    at: int
    N: np.ndarray
    level: np.ndarray
    weight: np.ndarray
    d: np.ndarray
    m: np.ndarray
    F: np.ndarray
    groups: dict[int, slice]
    components: int
    effects: int
    spare: int

    @classmethod
    def of(cls, X: np.ndarray, codes: Sequence[np.ndarray]) -> "Absorbed":
        """Take X with orthonormal columns and one integer code array a group, two or more."""
        sizes = [int(code.max()) + 1 for code in codes]
        at = int(np.argmax(sizes))
        others = [place for place in range(len(codes)) if place != at]
        ends = np.cumsum([sizes[place] for place in others]).tolist()
        groups = {
            1 + place: slice(end - sizes[place], end)
            for place, end in zip(others, ends, strict=True)
        }
        Z = np.hstack([np.eye(sizes[place])[codes[place]] for place in others])
        N, level = np.hstack([Z, X]), codes[at]
        rows = np.bincount(level, minlength=sizes[at])
        counts, which = np.unique(rows, return_inverse=True)
        weight = np.zeros((len(rows), 1 + len(counts)))
        weight[np.arange(len(rows)), 1 + which] = 1 / rows
        m = np.array([len(X) - len(rows), *np.bincount(which)], dtype=float)
        sums = _sums(level, N, len(rows))
        within = N - (sums / rows[:, None])[level]
        F = np.array([within.T @ within, *(_crossed(sums, part) for part in weight.T[1:])])
        # What the absorbed group leaves of the others, and of them and X together.
        effects = len(rows) + _rank(F[0][: Z.shape[1], : Z.shape[1]])
        spare = len(X) - len(rows) - _rank(F[0])
        d = np.array([0.0, *counts])
        return cls(at + 1, N, level, weight, d, m, F, groups, 1 + len(codes), effects, spare)

    @property
    def outside(self) -> np.ndarray:
        """What each variance gives to the directions outside all groups, shape (K,)."""
        return np.eye(self.components)[0]

    @property
    def columns(self) -> int:
        """How many columns of N are the other groups'."""
        return max(part.stop for part in self.groups.values())

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.N)

    def roots(self, theta: np.ndarray) -> np.ndarray:
        """Standard deviation of each of these columns' effects, (B, K) to (B, k)."""
        found = np.empty((len(theta), self.columns))
        for place, part in self.groups.items():
            found[:, part] = np.sqrt(theta[:, place, None])
        return found

    def solve(self, theta: np.ndarray, r: np.ndarray) -> np.ndarray:
        """V^-1 r for one theta (K,) and one vector (n,)."""
        Z, root = self.N[:, : self.columns], self.roots(theta[None])[0]

        def alone(columns: np.ndarray) -> np.ndarray:
            """The inverse of what the strata's own variances make, times columns."""
            weights = 1 / (theta[0] + theta[self.at] * self.d) - 1 / theta[0]
            sums = _sums(self.level, columns, len(self.weight))
            return columns / theta[0] + ((self.weight @ weights)[:, None] * sums)[self.level]

        inner = np.eye(len(root)) + root[:, None] * (Z.T @ alone(Z)) * root
        effects = root * np.linalg.solve(inner, root * (Z.T @ alone(r[:, None]))[:, 0])
        return alone((r - Z @ effects)[:, None])[:, 0]

    def project(self, Y: np.ndarray) -> Projected:
        """Reduce responses (n, B) to N'y (B, C, k + p) and y'y (B, C) by stratum."""
        levels = len(self.weight)
        columns, sums = _sums(self.level, self.N, levels), _sums(self.level, Y, levels)
        within = Y - (self.weight.sum(axis=1)[:, None] * sums)[self.level]
        f = [within.T @ self.N, *(_crossed(sums, part, columns) for part in self.weight.T[1:])]
        return np.stack(f, axis=1), np.column_stack(
            [np.sum(within**2, axis=0), (sums**2).T @ self.weight[:, 1:]]
        )

    def loglik(self, theta: np.ndarray, data: Projected) -> np.ndarray:
        """Restricted log likelihood without its constant, shape (B,)."""
        parts = [At(self, t, f, yy).loglik for t, f, yy in self._chunks(theta, data)]
        return np.concatenate(parts)

    def slopes(self, theta: np.ndarray, data: Projected) -> Slopes:
        """Score and information at theta, shape (B, K)."""
        return _joined([At(self, *part).slopes() for part in self._chunks(theta, data)])

    def moments(self, theta: np.ndarray, data: Projected) -> Moments:
        """All moments at theta, shape (B, K)."""
        return _joined([At(self, *part).moments() for part in self._chunks(theta, data)])

    def _chunks(self, theta: np.ndarray, data: Projected) -> list[tuple[np.ndarray, ...]]:
        size = max(1, MOST_HELD // (10 * self.F.shape[1] ** 2))
        starts = range(0, len(theta), size)
        return [tuple(a[s : s + size] for a in (theta, *data)) for s in starts]


def _rank(cross: np.ndarray) -> int:
    """Rank of columns from their cross-products; nothing of any is rank 0."""
    values = np.linalg.eigvalsh(cross)
    return int(np.sum(values > ZERO * max(1.0, values[-1])))


def _sums(level: np.ndarray, columns: np.ndarray, levels: int) -> np.ndarray:
    """Sum of each column over the rows of each level."""
    place = (level, np.arange(len(level)))
    return sparse.csr_array((np.ones(len(level)), place), shape=(levels, len(level))) @ columns


def _crossed(sums: np.ndarray, weight: np.ndarray, others: np.ndarray | None = None) -> np.ndarray:
    """Cross-products of two sets of sums a level, with the levels' weights."""
    here = weight > 0
    right = (sums if others is None else others)[here]
    return (sums[here] * weight[here, None]).T @ right


def _joined(parts: list[Many]) -> Many:
    """Put what several responses have together."""
    if len(parts) == 1:
        return parts[0]
    names = [field.name for field in fields(parts[0])]
    return type(parts[0])(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in names)
    )
