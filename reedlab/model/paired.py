"""Before and after on the same things: the mean change and how large it is.

Two standardised sizes go by one name elsewhere and differ a hundredfold; here each
has its own. Changes are after minus before, in the unit of the readings.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.stats import t as t_distribution

from reedlab.errors import CallError, ModelError, listed


class PairedDifference(NamedTuple):
    """The mean change over pairs, after minus before.

    Attributes
    ----------
    estimate, std_error, conf_low, conf_high : float
        Mean change, its standard error and 95 % t interval, in the readings' unit.
    df : int
        Pairs less one.
    statistic, p_value : float
        t and its two-sided p.
    d_z : float
        Mean change over the standard deviation of the changes: how steady it is.
    d_av : float
        Mean change over the root of the mean of the two variances, before and after: how
        large it is beside the spread among the things themselves.
    left_out : tuple
        Index labels of pairs with a missing reading.
    """

    estimate: float
    std_error: float
    df: int
    conf_low: float
    conf_high: float
    statistic: float
    p_value: float
    d_z: float
    d_av: float
    left_out: tuple


def paired_difference(before: pd.Series, after: pd.Series) -> PairedDifference:
    """Estimate the mean change of things read twice.

    Parameters
    ----------
    before, after : Series
        One reading a thing, indexed by the thing; matched by index, whatever the order.

    Returns
    -------
    PairedDifference

    Raises
    ------
    CallError
        If the two do not speak of the same things, or one names a thing twice.
    ModelError
        If fewer than two pairs are complete, or every change is the same.

    Notes
    -----
    ``d_z`` serves to plan a paired comparison, ``d_av`` to say how much a change matters;
    they are equal only if the two readings' correlation is one half.

    References
    ----------
    Cumming (2012), Understanding the New Statistics, chapter 11 (d_av); Lakens (2013),
    Frontiers in Psychology 4, 863 (both). The t test equals scipy's ttest_rel.

    Examples
    --------
    >>> found = paired_difference(pd.Series([100, 200, 300, 400]), pd.Series([101, 202, 303, 404]))
    >>> round(found.estimate, 1), found.df, round(found.d_z, 3), round(found.d_av, 4)
    (2.5, 3, 1.936, 0.0193)
    """
    for name, readings in (("before", before), ("after", after)):
        twice = readings.index[readings.index.duplicated()].unique()
        if len(twice):
            raise CallError(f"'{name}' has more than one reading of {listed(twice)}.")
    strangers = before.index.symmetric_difference(after.index)
    if len(strangers):
        raise CallError(f"No pair for {listed(strangers)}: read before or after only.")
    pairs = pd.DataFrame({"before": before, "after": after}).astype(float)
    complete = pairs.dropna()
    left_out = tuple(pairs.index.difference(complete.index))
    n = len(complete)
    if n < 2:
        raise ModelError(f"A paired difference needs two complete pairs at least; there are {n}.")
    change = (complete["after"] - complete["before"]).to_numpy()
    estimate, spread = float(change.mean()), float(change.std(ddof=1))
    if spread <= 1e-14 * float(np.abs(complete.to_numpy()).max()):
        raise ModelError(
            f"All {n} changes are the same ({estimate:g}): there is no spread to judge it by."
        )
    std_error = spread / n**0.5
    reach = float(t_distribution.ppf(0.975, n - 1)) * std_error
    statistic = estimate / std_error
    return PairedDifference(
        estimate=estimate,
        std_error=std_error,
        df=n - 1,
        conf_low=estimate - reach,
        conf_high=estimate + reach,
        statistic=statistic,
        p_value=float(2 * t_distribution.sf(abs(statistic), n - 1)),
        d_z=estimate / spread,
        d_av=estimate / float(np.sqrt(complete.var(ddof=1).mean())),
        left_out=left_out,
    )
