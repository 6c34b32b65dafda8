"""Limits of agreement: how far two ways of reading the same things may lie apart.

Differences are first minus second, in the unit of the readings. The limits hold 95 %
of the differences between single readings, also where the readings were repeated.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import linregress
from scipy.stats import t as t_distribution

from reedlab.errors import ModelError, RecordError, unknown_name

#: Of the normal distribution: 95 % lie within so many standard deviations.
Z = 1.959963984540054
#: Differences that go with the size of what is read, by a p below this, are pointed out.
TREND = 0.05


@dataclass(frozen=True)
class AgreementLimits:
    """Limits of agreement; made by :func:`agreement_limits`.

    Attributes
    ----------
    table : DataFrame
        Three rows, ``term`` mean difference, lower limit, upper limit, with ``estimate,
        std_error, df, conf_low, conf_high`` (95 %).
    sd : float
        Standard deviation of the differences of single readings.
    differences : DataFrame
        Index: the thing read; ``mean`` of the two and ``difference``.
    left_out : tuple
        Things read by one of the two only.
    cautions : tuple of str
    """

    table: pd.DataFrame
    sd: float
    differences: pd.DataFrame
    left_out: tuple
    cautions: tuple[str, ...]


def agreement_limits(
    data: pd.DataFrame, unit: str, rater: str, value: str, first: object, second: object
) -> AgreementLimits:
    """Estimate the limits of agreement of two raters.

    Parameters
    ----------
    data : DataFrame
        One row a reading, without gaps; rows of one unit and rater are repeats.
    unit, rater, value : str
        Columns.
    first, second
        The two raters.

    Returns
    -------
    AgreementLimits

    Raises
    ------
    CallError
        For a column that is not there.
    RecordError
        If one of the two has no reading.
    ModelError
        If fewer than three things were read by both, or all differences are the same.

    Notes
    -----
    Mean difference -/+ 1.96 s. Where a thing was read m times by a rater with repeat
    variance w, the means of its readings vary too little, and (1 - 1/m) w is added to
    the variance of the differences (1/m averaged over the things). Standard error of
    a limit by the delta method, its interval from t on n - 1. Differences should not grow
    with the size of what is read; where they do, a caution says so.

    References
    ----------
    Bland & Altman (1986), Lancet 327, 307-310; Bland & Altman (1999), Statistical Methods
    in Medical Research 8, 135-160 (standard errors, section 2; repeats, section 5).

    Examples
    --------
    >>> data = pd.DataFrame({
    ...     "reed": list("abcd") * 2, "phone": ["P"] * 4 + ["Q"] * 4,
    ...     "cents": [3.0, 9, -4, 0, 1, 10, -7, -2],
    ... })
    >>> agreement_limits(data, "reed", "phone", "cents", "P", "Q").table.estimate.round(2).tolist()
    [1.5, -1.89, 4.89]
    """
    for name in (unit, rater, value):
        if name not in data.columns:
            raise unknown_name("column", name, map(str, data.columns))
    one, other = (
        data[data[rater] == who].groupby(unit, observed=True)[value].agg(["mean", "var", "count"])
        for who in (first, second)
    )
    for who, cells in ((first, one), (second, other)):
        if cells.empty:
            raise RecordError(f"There is no reading by '{who}'.")
    both = one.index.intersection(other.index)
    left_out = tuple(one.index.symmetric_difference(other.index))
    n = len(both)
    if n < 3:
        raise ModelError(
            f"Limits of agreement of {first} and {second} need three things at least that both "
            f"read; there are {n}."
        )
    one, other = one.loc[both], other.loc[both]
    difference = one["mean"] - other["mean"]
    if np.ptp(difference) <= 1e-12 * np.abs(one["mean"]).max():
        raise ModelError(
            f"{first} and {second} differ by {difference.iloc[0]:g} throughout: there is no spread "
            "from which limits could be made."
        )
    variance, wobble = _single_readings(difference, one, other)
    pairs = pd.DataFrame({"mean": (one["mean"] + other["mean"]) / 2, "difference": difference})
    return AgreementLimits(
        table=_table(difference, variance, wobble),
        sd=float(np.sqrt(variance)),
        differences=pairs,
        left_out=left_out,
        cautions=_trend(pairs, first, second),
    )


def _single_readings(
    difference: pd.Series, one: pd.DataFrame, other: pd.DataFrame
) -> tuple[float, float]:
    """Variance of differences of single readings, and the variance of that estimate."""
    variance = float(difference.var(ddof=1))
    wobble = 2 * variance**2 / (len(difference) - 1)
    for cells in (one, other):
        df = int((cells["count"] - 1).sum())
        if df:
            within = float((cells["var"].fillna(0) * (cells["count"] - 1)).sum() / df)
            missing = 1 - float((1 / cells["count"]).mean())
            variance += missing * within
            wobble += missing**2 * 2 * within**2 / df
    return variance, wobble


def _table(difference: pd.Series, variance: float, wobble: float) -> pd.DataFrame:
    n, middle, sd = len(difference), float(difference.mean()), float(np.sqrt(variance))
    of_middle = float(difference.var(ddof=1)) / n
    of_limit = of_middle + Z**2 * wobble / (4 * variance)
    table = pd.DataFrame(
        {
            "term": ["mean difference", "lower limit", "upper limit"],
            "estimate": [middle, middle - Z * sd, middle + Z * sd],
            "std_error": np.sqrt([of_middle, of_limit, of_limit]),
            "df": n - 1,
        }
    )
    reach = float(t_distribution.ppf(0.975, n - 1)) * table["std_error"]
    return table.assign(conf_low=table["estimate"] - reach, conf_high=table["estimate"] + reach)


def _trend(pairs: pd.DataFrame, first: object, second: object) -> tuple[str, ...]:
    """Say so if the difference goes with the size of what is read."""
    if np.ptp(pairs["mean"]) == 0:
        return ()
    trend = linregress(pairs["mean"], pairs["difference"])
    if trend.pvalue >= TREND:
        return ()
    return (
        f"The difference {first} − {second} changes by {trend.slope:.3g} for each unit of what is "
        "read: one pair of limits does not fit all sizes.",
    )
