"""Ordered or two-valued responses of rows that share a group.

One random intercept on the logit scale: how far groups differ beyond what the
terms explain. Its share of the latent variance says how much of the variation is
the group's; a spread of zero is an answer.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.optimize import brentq

from reedlab.errors import ModelError
from reedlab.model.comparisons import EDGE
from reedlab.model.likelihood import OrderedRows, Peak, climb, height
from reedlab.model.link import LinkFit, ordered_part, require_finite, standard_rows

#: Variance of the standard logistic distribution, the rows' own on the latent scale.
LOGISTIC = np.pi**2 / 3
#: A profile still inside the interval at this share has no upper end below 1.
NEARLY_ALL = 0.99


@dataclass(frozen=True)
class LinkMixedFit(LinkFit):
    """A cumulative-link model with one random intercept.

    Attributes
    ----------
    group : str
        The column whose levels share an intercept.
    n_groups : int
    sd : float
        Standard deviation of the group effects, logit scale; 0 at the boundary.
    """

    group: str
    n_groups: int
    sd: float
    rows: OrderedRows
    peak: Peak

    @property
    def singular(self) -> bool:
        """True if the groups differ no more than chance: sd is 0."""
        return self.sd == 0

    @cached_property
    def share(self) -> pd.DataFrame:
        """Share of the latent variance that is the group's.

        Returns
        -------
        DataFrame
            One row: source (the group), share = sd^2 / (sd^2 + pi^2 / 3), conf_low, conf_high
            (95 %, profile likelihood; 0 or 1 where the profile has no end before).
        """
        share = _share_of(self.sd)

        def drop(at: float) -> float:
            below = self.loglik - height(self.rows, _sd_of(at), self.peak)
            return np.sqrt(2 * max(below, 0.0)) - EDGE

        low = 0.0
        if share > 0 and drop(0.0) > 0:
            low = float(brentq(drop, 0.0, share, xtol=1e-4))
        high, inner = 1.0, share
        for outer in (*(share + (NEARLY_ALL - share) * np.array([0.3, 0.6, 0.85])), NEARLY_ALL):
            if outer > inner and drop(outer) > 0:
                high = float(brentq(drop, inner, outer, xtol=1e-4))
                break
            inner = outer
        return pd.DataFrame(
            {"source": [self.group], "share": [share], "conf_low": [low], "conf_high": [high]}
        )


def fit_link_mixed(
    formula: str, data: pd.DataFrame, group: str, levels: Sequence | None = None
) -> LinkMixedFit:
    """Fit an ordered or two-valued response with a random intercept for each group.

    Parameters
    ----------
    formula : str
        ``"response ~ terms"``, fixed terms only.
    data : DataFrame
        Rows with a missing value, that of the group included, are left out and listed.
    group : str
        Column whose levels share an intercept.
    levels : sequence, optional
        As in :func:`reedlab.model.link.fit_ordinal`.

    Returns
    -------
    LinkMixedFit
        Coefficients are conditional on the group: larger than those averaged over groups.
        For a True/False response they are log odds of True, and the only threshold is minus
        the constant.

    Raises
    ------
    CallError
        For an order of levels that is not known.
    ModelError
        For fewer than two groups, one row a group, groups that are each all of one level, or
        an effect without a finite estimate.

    Notes
    -----
    Adaptive Gauss-Hermite quadrature with 30 nodes a group. Standard errors come from the
    observed information of all parameters. Matches R's lme4 (9 nodes) on cbpp and R's
    ordinal (10 nodes) on wine; see tests/model/test_link.py.

    References
    ----------
    Pinheiro & Bates (1995), Journal of Computational and Graphical Statistics 4, 12-35;
    Tutz & Hennevogl (1996), Computational Statistics & Data Analysis 22, 537-557.

    Examples
    --------
    >>> table = pd.DataFrame({"tube": list("aaaabbbbcccc"), "kept": [1, 1, 1, 0] * 3})
    >>> fit = fit_link_mixed("kept ~ 1", table, group="tube")
    >>> fit.sd, fit.singular, round(fit.thresholds["estimate"][0], 4) == round(-np.log(3), 4)
    (0.0, True, np.True_)
    """
    part, used, cautions = ordered_part(formula, data, levels, (group,))
    names, codes = np.unique(part.data[group].astype(str), return_inverse=True)
    if len(names) < 2:
        raise ModelError(f"'{group}' has one level only ({names[0]}): no spread among groups.")
    if len(names) == len(codes):
        raise ModelError(
            f"Each '{group}' has one row only: its own effect cannot be told from chance."
        )
    if all(len(np.unique(part.y[codes == place])) == 1 for place in range(len(names))):
        raise ModelError(
            f"All rows of each '{group}' have the same {part.response}: the spread among groups "
            "has no finite estimate. Compare the groups as single units."
        )
    rows, back = standard_rows(part, codes)
    peak = climb(rows)
    require_finite(part, used, peak)
    thresholds, slopes, covariance = back(peak)
    return LinkMixedFit(
        part,
        used,
        cautions,
        thresholds,
        slopes,
        covariance,
        peak.loglik,
        group=group,
        n_groups=len(names),
        sd=peak.sd,
        rows=rows,
        peak=peak,
    )


def _share_of(sd: float) -> float:
    return float(sd**2 / (sd**2 + LOGISTIC))


def _sd_of(share: float) -> float:
    return float(np.sqrt(LOGISTIC * share / (1 - share)))
