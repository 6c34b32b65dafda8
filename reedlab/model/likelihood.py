"""The likelihood of ordered levels, with or without one random intercept.

The chance of level j or below is logistic(threshold_j - eta - sd * z), with z
standard normal and shared by the rows of a group. The integral over z is adaptive
Gauss-Hermite quadrature, centred at each group's own mode. Two levels are the
logistic model. Everything is on the logit scale.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit, log_expit, logsumexp

#: Quadrature nodes of a group: ten settle five digits of modest spreads, thirty three of a
#: spread of 7 (share .94).
NODES = 30


@dataclass(frozen=True)
class OrderedRows:
    """Rows with an ordered response, in the order of their groups.

    Attributes
    ----------
    codes : ndarray of int, shape (n,)
        Level of each row, 0 to n_levels - 1, every level used.
    X : ndarray, shape (n, p)
        Coded columns without the constant, which the thresholds replace.
    starts : ndarray of int, shape (g,)
        Where each group begins.
    n_levels : int
    """

    codes: np.ndarray
    X: np.ndarray
    starts: np.ndarray
    n_levels: int

    def loglik(self, thresholds: np.ndarray, slopes: np.ndarray, sd: float) -> float:
        """Marginal log-likelihood; minus infinity where the thresholds are out of order."""
        return self.loglik_and_slope(thresholds, slopes, sd)[0]

    def loglik_and_slope(
        self, thresholds: np.ndarray, slopes: np.ndarray, sd: float
    ) -> tuple[float, np.ndarray]:
        """Marginal log-likelihood and its slope in thresholds, slopes and sd, shape (t + p + 1,).

        The slope is that of the integral, not of its quadrature: the two differ by less
        than the quadrature's own error.
        """
        if (np.diff(thresholds) <= 0).any():
            return -np.inf, np.zeros(len(thresholds) + len(slopes) + 1)
        edges = np.concatenate([[-np.inf], thresholds, [np.inf]])
        eta = self.X @ slopes
        above = (edges[self.codes + 1] - eta)[:, None]
        below = (edges[self.codes] - eta)[:, None]
        if sd == 0:
            loglik, z, weight = float(_row(above, below).sum()), np.zeros((1, 1)), np.ones((1, 1))
            shift = z
        else:
            centre, spread = self._modes(above, below, sd)
            node, log_weight = _rule()
            z = centre + np.sqrt(2) * spread * node
            shift = sd * self._to_rows(z)
            inside = self._to_groups(_row(above - shift, below - shift)) - z**2 / 2 + log_weight
            total = logsumexp(inside, axis=1, keepdims=True)
            loglik = float((total + np.log(spread / np.sqrt(np.pi))).sum())
            z, weight = self._to_rows(z), self._to_rows(np.exp(inside - total))
        up, down = expit(below - shift), expit(shift - above)
        with np.errstate(over="ignore"):
            gap = 1 / np.expm1(above - below)
        at_upper = (weight * (down + gap)).sum(axis=1)
        at_lower = (weight * (up + gap)).sum(axis=1)
        cuts = self.n_levels - 1
        by_level = np.bincount(self.codes, at_upper, self.n_levels)[:cuts]
        by_level -= np.bincount(self.codes, at_lower, self.n_levels)[1:]
        toward = weight * (up - down)
        slope = [by_level, self.X.T @ toward.sum(axis=1), [(toward * z).sum()]]
        return loglik, np.concatenate(slope)

    def _modes(
        self, above: np.ndarray, below: np.ndarray, sd: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Mode of each group's z and its spread there, each shape (g, 1).

        The log density is concave: Newton steps, halved into the bracket where they leave it.
        """
        reach = sd * np.diff(np.append(self.starts, len(self.codes)))[:, None] + 1.0
        low, high, z = -reach, reach, np.zeros((len(self.starts), 1))
        for _ in range(200):
            shift = sd * self._to_rows(z)
            up, down = expit(below - shift), expit(shift - above)
            slope = sd * self._to_groups(up - down) - z
            bend = sd**2 * self._to_groups(up * (1 - up) + down * (1 - down)) + 1
            low, high = np.where(slope > 0, z, low), np.where(slope > 0, high, z)
            ahead = z + slope / bend
            ahead = np.where((ahead > low) & (ahead < high), ahead, (low + high) / 2)
            settled = np.abs(ahead - z).max() < 1e-10
            z = ahead
            if settled:
                break
        return z, 1 / np.sqrt(bend)

    def _to_rows(self, by_group: np.ndarray) -> np.ndarray:
        sizes = np.diff(np.append(self.starts, len(self.codes)))
        return np.repeat(by_group, sizes, axis=0)

    def _to_groups(self, by_row: np.ndarray) -> np.ndarray:
        return np.add.reduceat(by_row, self.starts, axis=0)


@dataclass(frozen=True)
class Peak:
    """A maximum of the likelihood.

    Attributes
    ----------
    thresholds, slopes : ndarray
    sd : float
        Spread of the group effects, 0 at the boundary.
    loglik : float
    covariance : ndarray, shape (t + p, t + p)
        Of thresholds and slopes, from the observed information (that of sd included
        where it is estimated and not at the boundary).
    flat : bool
        The likelihood hardly bends in some direction: an estimate without end.
    """

    thresholds: np.ndarray
    slopes: np.ndarray
    sd: float
    loglik: float
    covariance: np.ndarray
    flat: bool


#: Information below this, in columns of unit variance, means an estimate without end.
FLAT = 1e-3
#: The search for the spread begins here, on the logit scale.
START = 0.7
#: A spread below this is reported as zero if the likelihood at zero is as high.
NO_SPREAD = 1e-3


def climb(rows: OrderedRows, sd: float | None = None) -> Peak:
    """Maximise the likelihood over thresholds, slopes and, if `sd` is None, the spread.

    Columns are expected centred and of unit variance, so that one tolerance fits all.
    """
    cuts = rows.n_levels - 1
    below = np.cumsum(np.bincount(rows.codes, minlength=rows.n_levels))[:-1] / len(rows.codes)
    start = np.concatenate([np.log(below / (1 - below)), np.zeros(rows.X.shape[1])])

    def natural(free: np.ndarray) -> float:
        spread = free[-1] if sd is None else sd
        return rows.loglik(free[:cuts], free[cuts : cuts + rows.X.shape[1]], abs(spread))

    at = _ascend(rows, start if sd is not None else np.append(start, START), sd)
    at = _polish(natural, at)
    if sd is None and abs(at[-1]) < NO_SPREAD:
        at_zero = climb(rows, 0.0)
        if at_zero.loglik >= natural(at) - 1e-7:
            return at_zero
    information = -_curvature(natural, at)
    values = np.linalg.eigvalsh(information)
    flat = bool(values[0] < FLAT)
    width = cuts + rows.X.shape[1]
    covariance = np.full((width, width), np.nan)
    if not flat:
        covariance = np.linalg.inv(information)[:width, :width]
    found_sd = abs(float(at[-1])) if sd is None else sd
    return Peak(at[:cuts], at[cuts:width], found_sd, natural(at), covariance, flat)


def height(rows: OrderedRows, sd: float, near: Peak) -> float:
    """Highest log-likelihood with the spread held at `sd`, sought from a peak nearby."""
    # Effects given the group grow with the spread (Zeger, Liang & Albert 1988: the factor
    # 0.346 for a variance of 1), so a start that grows saves half the steps.
    grown = np.sqrt((1 + 0.346 * sd**2) / (1 + 0.346 * near.sd**2))
    at = _ascend(rows, grown * np.append(near.thresholds, near.slopes), sd)
    return rows.loglik(at[: rows.n_levels - 1], at[rows.n_levels - 1 :], sd)


def _ascend(rows: OrderedRows, start: np.ndarray, sd: float | None) -> np.ndarray:
    """Quasi-Newton over log increments of the thresholds, which keeps them in order."""
    cuts, width = rows.n_levels - 1, rows.n_levels - 1 + rows.X.shape[1]

    def goal(free: np.ndarray) -> tuple[float, np.ndarray]:
        steps = np.exp(np.clip(free[1:cuts], -50, 50))
        thresholds = free[0] + np.concatenate([[0], np.cumsum(steps)])
        spread = free[-1] if sd is None else sd
        loglik, slope = rows.loglik_and_slope(thresholds, free[cuts:width], abs(spread))
        slope[-1] *= np.sign(spread)
        onward = np.cumsum(slope[:cuts][::-1])[::-1]  # a step moves all thresholds above it
        slope[:cuts] = onward * np.concatenate([[1], steps])
        return -loglik, -slope[: len(free)]

    first = np.concatenate([start[:1], np.log(np.diff(start[:cuts])), start[cuts:]])
    found = minimize(goal, first, jac=True, method="BFGS", options={"gtol": 1e-4, "maxiter": 500})
    steps = np.exp(np.clip(found.x[1:cuts], -50, 50))
    thresholds = found.x[0] + np.concatenate([[0], np.cumsum(steps)])
    return np.concatenate([thresholds, found.x[cuts:]])


def _polish(natural: Callable[[np.ndarray], float], at: np.ndarray) -> np.ndarray:
    """Newton steps on the quadrature itself, to the last digits."""
    for _ in range(20):
        slope, bend = _slope(natural, at), _curvature(natural, at)
        if np.linalg.eigvalsh(-bend)[0] < FLAT:
            return at
        step = np.linalg.solve(-bend, slope)
        if natural(at + step) < natural(at) - 1e-9:
            return at
        at = at + step
        if np.abs(step).max() < 1e-6:
            return at
    return at


def _slope(function: Callable[[np.ndarray], float], at: np.ndarray) -> np.ndarray:
    steps = np.eye(len(at)) * 1e-5
    return np.array([(function(at + s) - function(at - s)) / 2e-5 for s in steps])


def _curvature(function: Callable[[np.ndarray], float], at: np.ndarray) -> np.ndarray:
    """Matrix of second derivatives, by central differences of fourth order in all."""
    coarse, fine = (_second(function, at, step) for step in (2e-3, 1e-3))
    return (4 * fine - coarse) / 3


def _second(function: Callable[[np.ndarray], float], at: np.ndarray, size: float) -> np.ndarray:
    n, middle, steps = len(at), function(at), np.eye(len(at)) * size
    one = np.array([function(at + s) + function(at - s) for s in steps])
    bend = np.diag(one - 2 * middle)
    for i in range(n):
        for j in range(i):
            both = steps[i] + steps[j]
            cross = (function(at + both) + function(at - both) - one[i] - one[j]) / 2 + middle
            bend[i, j] = bend[j, i] = cross
    return bend / size**2


@cache
def _rule() -> tuple[np.ndarray, np.ndarray]:
    """Gauss-Hermite nodes, and log weights freed of the factor exp(-node^2)."""
    node, weight = np.polynomial.hermite.hermgauss(NODES)
    return node, np.log(weight) + node**2


def _row(above: np.ndarray, below: np.ndarray) -> np.ndarray:
    """Log chance of lying between two edges, kept exact in both tails."""
    return log_expit(above) + log_expit(-below) + np.log1p(-np.exp(below - above))
