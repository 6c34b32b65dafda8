"""Shares of the total variance, with intervals that fit few groups.

The interval of a share profiles the restricted likelihood: for each value of the
share all other components are fitted again, and the interval holds the values that
lie within 1.92 of the maximum. A component at zero has an interval that begins
there. With the share of one component held at s, that component is s / (1 - s)
times the sum of the others, so the profile is itself a variance-component fit.
"""

from collections.abc import Callable

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from reedlab.model.comparisons import EDGE
from reedlab.model.kernel import Tied
from reedlab.model.mixed import MixedFit
from reedlab.model.questions import LinearFit
from reedlab.model.reml import top
from reedlab.model.threads import one_thread

#: Where the root is this near to the edge, a cubic takes it there.
NEAR = 0.3
#: A share nearer to 0 or 1 than this is at the bound.
NONE = 1e-4
#: Newton decrement at which the profile is high enough. A looser one stops short of the top where
#: the likelihood is nearly flat, and moved ends by 0.05.
ENOUGH = 1e-3


@one_thread
def variance_shares(fit: LinearFit) -> pd.DataFrame:
    """Share of each group and of the residual in the sum of all components.

    Parameters
    ----------
    fit : LinearFit
        With at least one group.

    Returns
    -------
    DataFrame
        ``source, variance, share, conf_low, conf_high`` (shares 0 to 1, 95 % intervals),
        the groups in their order, then the residual. Intervals are missing for fits of
        so many random effects that another library made them.

    Notes
    -----
    Coverage is measured in tests/model/test_shares.py.

    References
    ----------
    Profile likelihood: Venzon & Moolgavkar (1988), Applied Statistics 37, 87-94.

    Examples
    --------
    >>> from reedlab.model import fit_mixed
    >>> table = pd.DataFrame({"y": [1.0, 2, 5, 6, 2, 3, 9, 8], "tube": list("aabbccdd")})
    >>> variance_shares(fit_mixed("y ~ 1", table, ["tube"])).round(2)["share"].tolist()
    [0.95, 0.05]
    """
    if not isinstance(fit, MixedFit):
        return _without_limits(fit)
    theta = fit.fits.theta[0]
    share = theta / theta.sum()
    order = [*range(1, len(theta)), 0]
    profile = _Profile(fit)
    limits = [profile.limits(k) for k in order]
    return pd.DataFrame(
        {
            "source": [*fit.groups, "residual"],
            "variance": theta[order] * fit.scale**2,
            "share": share[order],
            "conf_low": [low for low, _ in limits],
            "conf_high": [high for _, high in limits],
        }
    )


def _without_limits(fit: LinearFit) -> pd.DataFrame:
    variances = pd.Series(fit.variances)
    table = pd.DataFrame({"source": variances.index, "variance": variances.to_numpy()})
    table["share"] = table["variance"] / table["variance"].sum()
    return table.assign(conf_low=np.nan, conf_high=np.nan)


class _Profile:
    """The restricted likelihood as a function of one share."""

    def __init__(self, fit: MixedFit) -> None:
        Q = np.linalg.solve(fit.R.T, fit.fixed.X.T).T
        residual = fit.fixed.y - Q @ (Q.T @ fit.fixed.y)
        self.y = (residual / fit.scale)[:, None]
        self.mean_square = float(np.mean(self.y**2))
        self.kernel = fit.kernel
        self.theta = fit.fits.theta[0]
        self.best = float(fit.fits.moments.loglik[0])
        self.covariance = np.linalg.inv(fit.fits.moments.expected[0])

    def limits(self, k: int) -> tuple[float, float]:
        """Ends of the interval of share k."""
        share = float(self.theta[k] / self.theta.sum())
        # First guesses: the standard error by the expected information, on the logit scale.
        slope = self._gradient(k)
        width = EDGE * float(np.sqrt(slope @ self.covariance @ slope))
        root = self._root(k)
        pace = width / EDGE
        if not NONE < share < 1 - NONE:
            low, high = share - width, share + width
        else:
            middle, reach = logit(share), width / (share * (1 - share))
            low, high = float(expit(middle - reach)), float(expit(middle + reach))
        return _end(root, share, -pace, low, 0.0), _end(root, share, pace, high, 1.0)

    def _gradient(self, k: int) -> np.ndarray:
        """Slope of share k by the variances."""
        return (np.eye(len(self.theta))[k] - self.theta[k] / self.theta.sum()) / self.theta.sum()

    def _root(self, k: int) -> Callable[[float], tuple[float, float]]:
        """Root of twice the drop of the log likelihood, and its slope, at a value of share k."""
        K = len(self.theta)
        others = np.delete(np.eye(K), k, axis=0)
        slope = self._gradient(k)
        along = self.covariance @ slope / (slope @ self.covariance @ slope)
        now = self.theta[k] / self.theta.sum()

        def root(share: float) -> tuple[float, float]:
            A = others + share / (1 - share) * np.eye(K)[k]
            # Begin where the others would go if the likelihood were a parabola, but not near
            # zero, from where a climb is slow.
            ahead = self.theta + along * (share - now)
            least = np.maximum(0.3 * self.theta, NONE * self.theta.sum())
            start = others @ np.maximum(ahead, least) / self.mean_square
            phi, data = top(Tied(self.kernel, A), self.y, start, ENOUGH)
            there = self.kernel.slopes(phi @ A, data)
            drop = float(np.sqrt(max(0.0, 2 * (self.best - there.loglik[0]))))
            # At the top of the others the slope is that of component k alone.
            score = there.score[0, k]
            return drop, float(-score * phi.sum() / (1 - share) ** 2 / max(drop, NONE))

        return root


def _end(
    root: Callable[[float], tuple[float, float]],
    share: float,
    pace: float,
    guess: float,
    bound: float,
) -> float:
    """Where the root meets the edge on the way from the estimate to a bound, or the bound.

    `root` gives the root and its slope at a share; `pace` is the change of the share by
    the root at the estimate. Between known points the share is a cubic in the root.
    """
    last = min(max(bound, NONE), 1 - NONE)
    if abs(share - bound) < NONE:
        return bound
    inner = (0.0, share, pace)
    outer = last
    for _ in range(40):
        # Stay between what is known to be inside and outside the interval.
        low, high = sorted((inner[1] + 0.02 * (outer - inner[1]), outer))
        guess = min(max(guess, low), high)
        drop, slope = root(guess)
        if drop <= EDGE and guess == last:
            return bound
        there = (drop, guess, 1 / slope if slope else 0.0)
        # On flat ground, as of very few readings, there is no curve to follow.
        climbs = slope * pace > 0 and drop > inner[0]
        found = _between(inner, there) if climbs else (inner[1] + guess) / 2
        if abs(drop - EDGE) < NEAR:
            return min(max(found, min(share, bound)), max(share, bound))
        if drop < EDGE:
            inner = there
        else:
            outer = guess
        guess = found
    return guess


def _between(one: tuple[float, float, float], other: tuple[float, float, float]) -> float:
    """Share where the root is at the edge, by the cubic through two points and their slopes."""
    (r0, s0, d0), (r1, s1, d1) = one, other
    h = r1 - r0
    t = (EDGE - r0) / h
    return (
        s0 * (1 + 2 * t) * (1 - t) ** 2
        + s1 * t**2 * (3 - 2 * t)
        + h * d0 * t * (1 - t) ** 2
        + h * d1 * t**2 * (t - 1)
    )
