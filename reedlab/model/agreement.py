"""How far judges agree: the six intraclass correlations, each named for what it says.

Absolute agreement asks whether judges give the same number, consistency only
whether they give the same order and distances. Coefficients have no unit; 1 is
perfect, and chance can push them below 0.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import f as f_distribution

from reedlab.errors import ModelError, RecordError, listed, unknown_name

#: What each coefficient says, with its symbol in McGraw & Wong (1996).
COEFFICIENTS = (
    "single rating, absolute agreement, other judges for each target (ICC 1,1)",
    "single rating, absolute agreement, same judges (ICC A,1)",
    "single rating, consistency, same judges (ICC C,1)",
    "mean of the judges, absolute agreement, other judges for each target (ICC 1,k)",
    "mean of the judges, absolute agreement, same judges (ICC A,k)",
    "mean of the judges, consistency, same judges (ICC C,k)",
)


@dataclass(frozen=True)
class Agreement:
    """Six intraclass correlations.

    Attributes
    ----------
    table : DataFrame
        term (which coefficient, in words), estimate, conf_low, conf_high (95 %), statistic
        (F of no agreement), num_df, den_df, p_value.
    n_targets, n_judges : int
        What the table rests on.
    left_out : DataFrame
        Columns target and fault: targets without a rating by every judge.
    cautions : tuple of str
        Which targets were left out, and how many were used.
    """

    table: pd.DataFrame
    n_targets: int
    n_judges: int
    left_out: pd.DataFrame
    cautions: tuple[str, ...]


def intraclass(data: pd.DataFrame, target: str, judge: str, value: str) -> Agreement:
    """Measure the agreement of judges who each rated every target once.

    Parameters
    ----------
    data : DataFrame
        One row a rating.
    target, judge, value : str
        Columns: what was rated, by whom, and the number given.

    Returns
    -------
    Agreement

    Raises
    ------
    CallError
        For a column that is not there.
    RecordError
        If a judge rated a target twice (both named), or a rating is not a number.
    ModelError
        If fewer than two judges or complete targets remain, or the judges agree exactly,
        so that no interval can be made.

    Notes
    -----
    With T, J and E the mean squares of targets, judges and residual and W that within
    targets, n targets and k judges: single ratings are (T-W)/(T+(k-1)W),
    (T-E)/(T+(k-1)E+k(J-E)/n) and (T-E)/(T+(k-1)E). Targets without a rating by every judge are
    left out and named. Shrout & Fleiss (1979) call the six (1,1), (2,1), (3,1), (1,k), (2,k)
    and (3,k). Computed here because pingouin, which gives the same figures, averages a rating
    given twice in silence and rounds its limits to two decimals.

    References
    ----------
    McGraw & Wong (1996), Psychological Methods 1, 30-46; Shrout & Fleiss (1979),
    Psychological Bulletin 86, 420-428. Validated against both and pingouin.

    Examples
    --------
    >>> table = pd.DataFrame([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6]])
    >>> ratings = table.stack().rename_axis(["reed", "player"]).rename("rating").reset_index()
    >>> found = intraclass(ratings, "reed", "player", "rating")
    >>> found.table.estimate.round(3).tolist()
    [0.134, 0.261, 0.637, 0.382, 0.586, 0.875]
    """
    wide, cautions = _one_rating_each(data, target, judge, value)
    gaps = wide.isna()
    short = gaps.any(axis=1)
    faults = [f"no rating by {listed(wide.columns[row])}" for row in gaps[short].to_numpy()]
    left_out = pd.DataFrame({"target": wide.index[short], "fault": faults})
    used = wide[~short]
    if len(left_out):
        named = "; ".join(
            f"{target} {row.target} left out ({row.fault})" for row in left_out.itertuples()
        )
        cautions.append(f"{named}: {len(used)} of {len(wide)} used.")
    _require_enough(used, target, judge)
    return Agreement(_coefficients(used), len(used), used.shape[1], left_out, tuple(cautions))


def _one_rating_each(
    data: pd.DataFrame, target: str, judge: str, value: str
) -> tuple[pd.DataFrame, list[str]]:
    """Lay ratings out as targets by judges; a rating given twice is an error."""
    for name in (target, judge, value):
        if name not in data.columns:
            raise unknown_name("column", name, map(str, data.columns))
    unknown = data[[target, judge]].isna().any(axis=1)
    cautions = [
        f"Row {label} left out: {target if pd.isna(row[target]) else judge} missing."
        for label, row in data[unknown].iterrows()
    ]
    ratings = data[~unknown]
    if not pd.api.types.is_numeric_dtype(ratings[value]):
        raise RecordError(f"The ratings in '{value}' are not numbers in every row.")
    twice = ratings[ratings.duplicated([target, judge])]
    if len(twice):
        pairs = "; ".join(f"{t} by {j}" for t, j in zip(twice[target], twice[judge], strict=True))
        raise RecordError(
            f"Rated more than once ({target} by {judge}): {pairs}. Keep one rating of each, or "
            "average them on purpose first."
        )
    wide = ratings.pivot(index=target, columns=judge, values=value).astype(float)  # noqa: PD010
    return wide, cautions


def _require_enough(used: pd.DataFrame, target: str, judge: str) -> None:
    for count, name in ((len(used), target), (used.shape[1], judge)):
        if count < 2:
            raise ModelError(f"Agreement needs two of '{name}' at least; there are {count}.")
    ratings = used.to_numpy()
    means = ratings.mean(axis=1, keepdims=True) + ratings.mean(axis=0) - ratings.mean()
    if np.ptp(ratings) == 0:
        raise ModelError("All ratings are the same: agreement cannot be told from indifference.")
    if np.abs(ratings - means).max() <= 1e-12 * np.abs(ratings).max():
        raise ModelError(
            f"Once each {judge}'s own mean is taken out, all agree exactly (consistency 1): "
            "there is no disagreement from which an interval could be made."
        )


def _coefficients(used: pd.DataFrame) -> pd.DataFrame:
    ratings = used.to_numpy()
    n, k = ratings.shape
    centred = ratings - ratings.mean()
    of_target, of_judge = centred.mean(axis=1), centred.mean(axis=0)
    rest = centred - of_target[:, None] - of_judge
    T = k * (of_target @ of_target) / (n - 1)
    J = n * (of_judge @ of_judge) / (k - 1)
    E = (rest * rest).sum() / ((n - 1) * (k - 1))
    W = ((centred - of_target[:, None]) ** 2).sum() / (n * (k - 1))
    one_way = _single(T / W, n - 1, n * (k - 1), k)
    consistent = _single(T / E, n - 1, (n - 1) * (k - 1), k)
    agreed = _absolute(T, J, E, n, k)
    singles = np.array([one_way, agreed, consistent])
    # The mean of k judges: Spearman & Brown's formula takes each figure along, down to its pole;
    # a lower limit beyond that says nothing.
    spread = 1 + (k - 1) * singles
    means = np.where(spread > 0, k * singles / np.where(spread > 0, spread, 1), -np.inf)
    figures = np.vstack([singles, means])
    statistic, den_df = [T / W, T / E, T / E], [n * (k - 1), (n - 1) * (k - 1), (n - 1) * (k - 1)]
    return pd.DataFrame(
        {
            "term": COEFFICIENTS,
            "estimate": figures[:, 0],
            "conf_low": figures[:, 1],
            "conf_high": figures[:, 2],
            "statistic": statistic * 2,
            "num_df": n - 1,
            "den_df": den_df * 2,
            "p_value": f_distribution.sf(statistic, n - 1, den_df).tolist() * 2,
        }
    )


def _single(F: float, num_df: int, den_df: int, k: int) -> list[float]:
    """Coefficient and limits from an F ratio of targets to error."""
    low = F / f_distribution.ppf(0.975, num_df, den_df)
    high = F * f_distribution.ppf(0.975, den_df, num_df)
    return [(value - 1) / (value + k - 1) for value in (F, low, high)]


def _absolute(T: float, J: float, E: float, n: int, k: int) -> list[float]:
    """Absolute agreement of the same judges, limits by Satterthwaite's df (McGraw & Wong)."""
    estimate = (T - E) / (T + (k - 1) * E + k * (J - E) / n)
    of_judge = k * estimate / (n * (1 - estimate))
    of_error = 1 + k * estimate * (n - 1) / (n * (1 - estimate))
    df = (of_judge * J + of_error * E) ** 2 / (
        (of_judge * J) ** 2 / (k - 1) + (of_error * E) ** 2 / ((n - 1) * (k - 1))
    )
    # Below zero the two parts work against each other, and could leave less than the judges alone.
    df = max(df, k - 1)
    f_low = f_distribution.ppf(0.975, n - 1, df)
    f_high = f_distribution.ppf(0.975, df, n - 1)
    noise = k * J + (k * n - k - n) * E
    # With few degrees of freedom a quantile can be beyond all numbers: its limits are known.
    low = n * (T / f_low - E) / (noise + n * T / f_low)
    high = n * (T - E / f_high) / (noise / f_high + n * T)
    return [estimate, low, high]
