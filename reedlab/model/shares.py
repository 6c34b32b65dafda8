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
from scipy.stats import chi2

from reedlab.model.kernel import Tied
from reedlab.model.mixed import MixedFit
from reedlab.model.questions import LinearFit
from reedlab.model.reml import highest
from reedlab.model.threads import one_thread

#: Square root of twice the drop of the log likelihood at the ends of a 95 % interval.
EDGE = float(np.sqrt(chi2.ppf(0.95, 1)))
#: Where the root is this near to the edge it is taken as a straight line.
NEAR = 0.2
#: A share nearer to 0 or 1 than this is at the bound.
NONE = 1e-4
#: Newton decrement at which the profile is high enough: the step that follows it gains the rest.
ENOUGH = 0.05


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
    [0.96, 0.04]
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
        if not NONE < share < 1 - NONE:
            return _end(root, share, share - width, 0.0), _end(root, share, share + width, 1.0)
        middle, reach = logit(share), width / (share * (1 - share))
        low, high = float(expit(middle - reach)), float(expit(middle + reach))
        return _end(root, share, low, 0.0), _end(root, share, high, 1.0)

    def _gradient(self, k: int) -> np.ndarray:
        """Slope of share k by the variances."""
        return (np.eye(len(self.theta))[k] - self.theta[k] / self.theta.sum()) / self.theta.sum()

    def _root(self, k: int) -> Callable[[float], float]:
        """Root of twice the drop of the log likelihood as a function of share k."""
        K = len(self.theta)
        others = np.delete(np.eye(K), k, axis=0)
        slope = self._gradient(k)
        along = self.covariance @ slope / (slope @ self.covariance @ slope)
        now = self.theta[k] / self.theta.sum()

        def root(share: float) -> float:
            tied = Tied(self.kernel, others + share / (1 - share) * np.eye(K)[k])
            # Begin where the others would go if the likelihood were a parabola, but not near
            # zero, from where a climb is slow.
            ahead = self.theta + along * (share - now)
            least = np.maximum(0.3 * self.theta, NONE * self.theta.sum())
            start = others @ np.maximum(ahead, least) / self.mean_square
            return float(np.sqrt(max(0.0, 2 * (self.best - highest(tied, self.y, start, ENOUGH)))))

        return root


def _end(root: Callable[[float], float], share: float, guess: float, bound: float) -> float:
    """Where the root meets the edge on the way from the estimate to a bound, or the bound."""
    last = min(max(bound, NONE), 1 - NONE)
    if abs(share - bound) < NONE:
        return bound
    inner, f_inner = share, 0.0
    outer, f_outer = last, np.inf
    for _ in range(40):
        # Stay between what is known to be inside and outside the interval.
        low, high = sorted((inner + 0.02 * (outer - inner), outer))
        guess = min(max(guess, low), high)
        f = root(guess)
        if f <= EDGE and guess == last:
            return bound
        if abs(f - EDGE) < NEAR:
            return inner + (guess - inner) * (EDGE - f_inner) / (f - f_inner)
        # The root is nearly linear in the share near the estimate, and steep at the bound.
        if f < EDGE:
            inner, f_inner = guess, f
        else:
            outer, f_outer = guess, f
        known = inner + (outer - inner) * (EDGE - f_inner) / (f_outer - f_inner)
        guess = share + (guess - share) * EDGE / max(f, 0.1) if np.isinf(f_outer) else known
    return guess
