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
from scipy.stats import chi2

from reedlab.model.mixed import MixedFit
from reedlab.model.reml import fit_reml
from reedlab.model.threads import one_thread

#: Square root of twice the drop of the log likelihood at the ends of a 95 % interval.
EDGE = float(np.sqrt(chi2.ppf(0.95, 1)))
#: How near the root must come to the edge; 0.02 moves an end by about 1 % of its distance.
NEAR = 0.02
#: A share nearer to 0 or 1 than this is at the bound.
NONE = 1e-4


@one_thread
def variance_shares(fit: MixedFit) -> pd.DataFrame:
    """Share of each group and of the residual in the sum of all components.

    Parameters
    ----------
    fit : MixedFit
        With at least one group.

    Returns
    -------
    DataFrame
        ``source, variance, share, conf_low, conf_high`` (shares 0 to 1, 95 % intervals),
        the groups in their order, then the residual.

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
    theta = fit.fits.theta[0]
    share = theta / theta.sum()
    order = [*range(1, len(theta)), 0]
    profile = _Profile(fit)
    limits = [profile.limits(k, float(share[k])) for k in order]
    return pd.DataFrame(
        {
            "source": [*fit.groups, "residual"],
            "variance": theta[order] * fit.scale**2,
            "share": share[order],
            "conf_low": [low for low, _ in limits],
            "conf_high": [high for _, high in limits],
        }
    )


class _Profile:
    """The restricted likelihood as a function of one share."""

    def __init__(self, fit: MixedFit) -> None:
        Q = np.linalg.solve(fit.R.T, fit.fixed.X.T).T
        residual = fit.fixed.y - Q @ (Q.T @ fit.fixed.y)
        self.y = (residual / fit.scale)[:, None]
        self.kernel = fit.kernel
        self.theta = fit.fits.theta[0]
        self.best = float(fit.fits.moments.loglik[0])

    def limits(self, k: int, share: float) -> tuple[float, float]:
        rest = np.delete(self.theta, k)

        def root(s: float) -> float:
            """Root of twice the drop of the log likelihood at share s."""
            tied = self.kernel.tied(k, s / (1 - s))
            # Begin where the others keep their proportions, none quite at zero.
            start = (1 - s) * np.maximum(rest / rest.sum(), NONE) if rest.any() else None
            drop = self.best - float(fit_reml(tied, self.y, start).moments.loglik[0])
            return float(np.sqrt(max(0.0, 2 * drop)))

        return _end(root, share, 0.0), _end(root, share, 1.0)


def _end(root: Callable[[float], float], share: float, bound: float) -> float:
    """Where the root meets the edge between the estimate and a bound; the bound if nowhere."""
    inner, f_inner = share, 0.0
    outer = min(max(bound, NONE), 1 - NONE)
    if abs(share - bound) < NONE or (f_outer := root(outer)) <= EDGE:
        return bound
    for _ in range(40):
        # The root is nearly linear in the share near the estimate, and steep at the bound.
        way = (EDGE - f_inner) / (f_outer - f_inner) if f_outer < 3 * EDGE else 0.4
        guess = inner + (outer - inner) * min(max(way, 0.1), 0.9)
        f = root(guess)
        if abs(f - EDGE) < NEAR:
            break
        if f < EDGE:
            inner, f_inner = guess, f
        else:
            outer, f_outer = guess, f
    return guess
