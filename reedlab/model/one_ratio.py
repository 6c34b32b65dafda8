"""REML and Kenward-Roger tests of thousands of responses where a single ratio decides.

With one grouping factor of equal groups the error falls into two strata, within groups and
between them. In the basis that makes the columns' share of either stratum diagonal, restricted
likelihood is a function of one number, the variance within over that between, and every matrix
of the Kenward-Roger method is diagonal. So all responses are fitted and tested by a few dozen
passes over arrays of one number a response and column, without any matrix of its own.

The results are those of reml.py and inference.py (`bounded=False`), which say what they mean.
Variances are in the square of the responses' unit.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from reedlab.model.inference import FLOOR, matched_moments
from reedlab.model.moments import Projected
from reedlab.model.strata import Strata

#: Steps of Newton's method at most; halving the bracket alone would be done by then.
MOST_STEPS = 80
#: A step of the logarithm of the ratio below this is the last: the next would be of its square.
STEP = 1e-5
#: Logarithm of the smallest ratio that is looked at: groups that vary 10^13 times as much.
LOWEST = -30.0
#: A column whose share of a stratum is below this is wholly in the other.
NOTHING = 1e-10


@dataclass(frozen=True)
class OneRatio:
    """A design of two strata; made by :meth:`of`.

    Attributes
    ----------
    turn : ndarray, shape (p, p)
        From the kernel's columns to those of the diagonal basis.
    between : ndarray, shape (p, 1)
        Share of each such column in the stratum between groups, 0 to 1.
    m : ndarray, shape (2,)
        Dimensions within and between.
    size : float
        How often the group's variance counts between groups: rows of a group.
    """

    turn: np.ndarray
    between: np.ndarray
    m: np.ndarray
    size: float

    @classmethod
    def of(cls, kernel: object) -> "OneRatio | None":
        """Turn a kernel into one ratio; None where it has other than two variances and strata."""
        if not isinstance(kernel, Strata) or kernel.d.shape != (2, 2):
            return None
        share, turn = np.linalg.eigh(kernel.XX[1])
        share = np.where(share < NOTHING, 0.0, np.where(share > 1 - NOTHING, 1.0, share))
        return cls(turn, share[:, None], kernel.m.astype(float), float(kernel.d[1, 1]))

    def fit(self, data: Projected) -> "RatioFits":
        """Fit responses that the kernel has projected."""
        Xy, yy = data
        x0, x1 = self.turn.T @ Xy.transpose(1, 2, 0)
        y0, y1 = yy.T
        share = self.between[:, 0]
        # A column within one stratum takes its part of that stratum's squares, whatever the ratio.
        own0, own1, mixed = share == 0, share == 1, (share > 0) & (share < 1)
        search = _Search(
            self.between[mixed],
            (self.m[0] - own0.sum(), self.m[1] - own1.sum()),
            np.concatenate(
                [
                    x0[mixed],
                    x1[mixed],
                    [y0 - np.sum(x0[own0] ** 2, axis=0), y1 - np.sum(x1[own1] ** 2, axis=0)],
                ]
            ),
        )
        return self._at(search.highest(), x0, x1, y0, y1)

    def _at(
        self, ratio: np.ndarray, x0: np.ndarray, x1: np.ndarray, y0: np.ndarray, y1: np.ndarray
    ) -> "RatioFits":
        part = 1 - self.between
        a = part + ratio * self.between
        beta = (x0 + ratio * x1) / a
        within = y0 - np.sum(beta * (2 * x0 - beta * part), axis=0)
        apart = y1 - np.sum(beta * (2 * x1 - beta * self.between), axis=0)
        apart *= ratio
        residual = (within + apart) / (self.m.sum() - len(a))
        squares = (within / residual, apart / residual)
        return RatioFits(self, ratio, residual, beta, ratio * self.between / a, 1 / a, squares)


@dataclass(frozen=True)
class _Search:
    """The ratio within / between, 0 to 1, of greatest restricted likelihood.

    Attributes
    ----------
    between : ndarray, shape (k, 1)
        Shares of the columns that lie in both strata.
    m : tuple of float
        Dimensions of either stratum less the columns that lie in it alone.
    parts : ndarray, shape (2 k + 2, B)
        X'y of these columns within and between, then what the others leave of y'y.
    """

    between: np.ndarray
    m: tuple[float, float]
    parts: np.ndarray

    def highest(self) -> np.ndarray:
        """Find it by Newton's method on its logarithm, kept within a bracket."""
        t = np.zeros(self.parts.shape[1])
        # Where the likelihood still rises at a ratio of 1, groups differ less than by chance.
        running = np.flatnonzero(self._slope(t, self.parts)[0] < 0)
        parts = self.parts[:, running]
        here = np.log(self._from_mean_squares(parts))
        low, high = np.full(len(running), LOWEST), np.zeros(len(running))
        for _ in range(MOST_STEPS):
            if not len(running):
                break
            slope, bend = self._slope(here, parts)
            rises = slope > 0
            low, high = np.where(rises, here, low), np.where(rises, high, here)
            hill = bend < 0
            newton = slope / np.where(hill, -bend, np.inf)
            last = hill & (np.abs(newton) <= STEP)
            there = here + newton
            inside = hill & (there > low) & (there < high)
            there = np.where(inside | last, np.minimum(there, 0.0), (low + high) / 2)
            t[running] = there
            going = np.flatnonzero(~last & (high - low > STEP * STEP))
            running, here = running[going], there[going]
            low, high, parts = low[going], high[going], parts[:, going]
        return np.exp(t)

    def _from_mean_squares(self, parts: np.ndarray) -> np.ndarray:
        """Where to begin: the mean square within over that between, each fitted by itself."""
        k = len(self.between)
        within = parts[-2] - np.sum(parts[:k] ** 2 / (1 - self.between), axis=0)
        between = parts[-1] - np.sum(parts[k:-2] ** 2 / self.between, axis=0)
        within /= max(self.m[0] - k, 1.0)
        between /= max(self.m[1] - k, 1.0)
        ratio = within / np.where(between > 0, between, 1.0)
        return np.clip(ratio, np.exp(LOWEST / 2), 0.999)

    def _slope(self, t: np.ndarray, parts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """First and second derivative of the likelihood by t, the ratio's logarithm."""
        k, w = len(self.between), np.exp(t)
        x0, x1, y0, y1 = parts[:k], parts[k:-2], parts[-2], parts[-1]
        free = sum(self.m) - k
        moved = w * self.between
        a = moved + (1 - self.between)
        h = x0 + w * x1
        beta = h / a
        left = x1 - beta * self.between
        quad = y0 + w * y1 - np.sum(beta * h, axis=0)
        w = w / quad
        first = w * (y1 - np.sum(beta * (x1 + left), axis=0))
        second = -2 * w * np.exp(t) * np.sum(left * left / a, axis=0)
        share = moved / a
        own = share.sum(axis=0)
        slope = (self.m[1] - own - free * first) / 2
        bend = -(own - np.sum(share * share, axis=0) + free * (second - first**2 + first)) / 2
        return slope, bend


@dataclass(frozen=True)
class RatioFits:
    """Fits of B responses of two strata; made by :meth:`OneRatio.fit`.

    Attributes
    ----------
    design : OneRatio
    ratio : ndarray, shape (B,)
        Variance within groups over that of a stratum between them; 1 where groups differ by
        chance alone.
    residual : ndarray, shape (B,)
    beta, share, phi : ndarray, shape (p, B)
        In the diagonal basis: coefficients, the share of their information that comes from
        between groups, and their variances in units of the residual's.
    squares : tuple of ndarray, shape (B,)
        Sums of squares left in either stratum, in units of its variance.
    """

    design: OneRatio
    ratio: np.ndarray
    residual: np.ndarray
    beta: np.ndarray
    share: np.ndarray
    phi: np.ndarray
    squares: tuple[np.ndarray, np.ndarray]

    @property
    def theta(self) -> np.ndarray:
        """Variances of the residual and of the groups, none below zero, shape (B, 2)."""
        group = self.residual * (1 / self.ratio - 1) / self.design.size
        return np.stack([self.residual, group], axis=1)

    def test(self, L: np.ndarray, shift: np.ndarray) -> "Moved":
        """Test L b = 0, L of shape (q, p), for coefficients moved by any multiple of a shift (p,).

        Both are for the kernel's columns.
        """
        q, turned = len(L), L @ self.design.turn
        pairs = (turned[:, None] * turned[None]).reshape(q * q, -1)

        def crossed(diagonal: np.ndarray) -> np.ndarray:
            return (pairs @ diagonal).T.reshape(-1, q, q)

        # Kenward & Roger's M, by stratum, is this and what it lacks of the identity.
        between = _solved(crossed(self.phi), crossed(self.phi * self.share))
        one = np.einsum("bii->b", between)
        two = one**2 if q == 1 else np.einsum("bij,bji->b", between, between)
        W00, W01, W11 = (2 * part for part in self._inverse)
        A1 = W00 * (q - one) ** 2 + 2 * W01 * (q - one) * one + W11 * one**2
        A2 = W00 * (q - 2 * one + two) + 2 * W01 * (one - two) + W11 * two
        scale, den_df = matched_moments(A1, A2, q)
        scale /= q * self.residual
        estimate, moved = (turned @ self.beta).T, L @ shift
        both = np.stack([estimate, np.broadcast_to(moved, estimate.shape)], axis=2)
        by = _solved(crossed(self._covariance), both)
        a = np.einsum("bi,bi->b", estimate, by[:, :, 0])
        return Moved(a * scale, by[:, :, 0] @ moved * scale, by[:, :, 1] @ moved * scale, q, den_df)

    @cached_property
    def _covariance(self) -> np.ndarray:
        """Variances that the free test takes, in the diagonal basis and units of the residual's."""
        (W00, W01, W11), share = self._inverse, self.share
        # Kenward & Roger (1997), eq. 3-4, where the two strata share all information.
        enlarged = 1 + 4 * share * (1 - share) * (W00 + W11 - 2 * W01)
        outside = self.ratio >= 1
        # One scoring step without the bound, from where both strata are equal.
        between, (m0, m1) = share[:, outside], self.design.m
        W00, W01, W11 = W00[outside], W01[outside], W11[outside]
        gap0 = self.squares[0][outside] - (m0 - np.sum(1 - between, axis=0))
        gap1 = self.squares[1][outside] - (m1 - between.sum(axis=0))
        free0, free1 = 1 + W00 * gap0 + W01 * gap1, 1 + W01 * gap0 + W11 * gap1
        enlarged[:, outside] = np.maximum(free0 * (1 - between) + free1 * between, FLOOR)
        return self.phi * enlarged

    @cached_property
    def _inverse(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Inverse of twice the expected information of the strata's variances, in units of each."""
        m0, m1 = self.design.m
        own, both = self.share.sum(axis=0), np.sum(self.share**2, axis=0)
        e00, e01, e11 = m0 - len(self.share) + both, own - both, m1 - 2 * own + both
        whole = e00 * e11 - e01**2
        return e11 / whole, -e01 / whole, e00 / whole


@dataclass(frozen=True)
class Moved:
    """F is a + 2 b z + c z^2 where the coefficients are moved by z shifts; each (B,)."""

    a: np.ndarray
    b: np.ndarray
    c: np.ndarray
    num_df: int
    den_df: np.ndarray


def _solved(matrices: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Solve for each response; a single equation by division, which is far quicker."""
    return right / matrices if matrices.shape[1] == 1 else np.linalg.solve(matrices, right)
