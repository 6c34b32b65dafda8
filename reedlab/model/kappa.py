"""Agreement on categories beyond chance: kappa of two ratings, and of many raters.

Kappa has no unit: 1 is perfect, 0 what chance gives, below 0 less than chance. Where
only one category is in use it is undefined, and is given as missing with the reason.
"""

from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.stats import t as t_distribution

from reedlab.errors import CallError, ModelError, RecordError, listed, unknown_name

WEIGHTS = ("none", "linear", "squared")
#: Of a large-sample interval.
Z = 1.959963984540054


class Kappa(NamedTuple):
    """One kappa.

    Attributes
    ----------
    estimate, std_error, conf_low, conf_high : float
        With its 95 % interval, cut at -1 and 1; missing where undefined.
    n_units : int
        Things rated that it rests on.
    left_out : tuple
        Things without a full set of ratings.
    cautions : tuple of str
    """

    estimate: float
    std_error: float
    conf_low: float
    conf_high: float
    n_units: int
    left_out: tuple
    cautions: tuple[str, ...]


def cohen_kappa(
    first: pd.Series, second: pd.Series, levels: Sequence = (), weights: str = "none"
) -> Kappa:
    """Measure the agreement of two ratings of the same things.

    Parameters
    ----------
    first, second : Series
        One rating a thing, indexed by the thing; matched by index.
    levels : sequence, optional
        From the lowest to the highest; needed for weights if the ratings are words.
    weights : {"none", "linear", "squared"}
        How much a near miss counts. Levels that are numbers are as far apart as the
        numbers, levels in words one step each; levels that nobody used change nothing
        for numbers and keep their step for words.

    Returns
    -------
    Kappa

    Raises
    ------
    CallError
        For unknown weights, weights on words without levels, or things that do not match.
    RecordError
        For a rating that is not among the levels.
    ModelError
        If no thing has both ratings.

    Notes
    -----
    With weights of disagreement v and shares p: 1 - sum(v p) / sum(v p_row p_column).
    Large-sample standard error; with few things the interval is rough.

    References
    ----------
    Cohen (1960), Educational and Psychological Measurement 20, 37-46; Cohen (1968),
    Psychological Bulletin 70, 213-220; standard errors: Fleiss, Cohen & Everitt (1969),
    Psychological Bulletin 72, 323-327. Computed by statsmodels.

    Examples
    --------
    >>> first = pd.Series(["yes"] * 25 + ["no"] * 25)
    >>> second = pd.Series(["yes"] * 20 + ["no"] * 5 + ["yes"] * 10 + ["no"] * 15)
    >>> round(cohen_kappa(first, second).estimate, 3)
    0.4
    """
    if weights not in WEIGHTS:
        raise unknown_name("weights", weights, WEIGHTS)
    for name, ratings in (("first", first), ("second", second)):
        twice = ratings.index[ratings.index.duplicated()].unique()
        if len(twice):
            raise CallError(f"'{name}' has more than one rating of {listed(twice)}.")
    pairs = pd.DataFrame({"first": first, "second": second}).astype(object)
    used = pairs.dropna()
    left_out = tuple(pairs.index.difference(used.index, sort=False))
    if used.empty:
        raise ModelError("Nothing has both ratings, so their agreement is unknown.")
    levels = _levels([*used["first"], *used["second"]], levels, ordered=weights != "none")
    place = {level: at for at, level in enumerate(levels)}
    counts = np.zeros((len(levels), len(levels)))
    np.add.at(counts, (used["first"].map(place).to_list(), used["second"].map(place).to_list()), 1)
    caution = _one_category(counts)
    if (counts.sum(0) + counts.sum(1) > 0).sum() == 1:
        return _without_interval(np.nan, len(used), left_out, caution)
    estimate, std_error = _kappa(counts, _distances(levels, weights))
    cautions = [caution] if caution else []
    low, high = max(estimate - Z * std_error, -1.0), min(estimate + Z * std_error, 1.0)
    if not std_error > 1e-12:
        low = high = std_error = np.nan
        if not caution:
            cautions.append("The two ratings agree (or differ) throughout: that gives no interval.")
    return Kappa(estimate, std_error, low, high, len(used), left_out, tuple(cautions))


def fleiss_kappa(data: pd.DataFrame, target: str, value: str) -> Kappa:
    """Measure the agreement of many raters, who need not be the same for every thing.

    Parameters
    ----------
    data : DataFrame
        One row a rating; missing ratings are left out.
    target, value : str
        Columns: the thing rated and the category given.

    Returns
    -------
    Kappa

    Raises
    ------
    CallError
        For a column that is not there.
    ModelError
        If fewer than two things have the same number, two or more, of ratings.

    Notes
    -----
    Order among the categories is not used. Things with another number of ratings than
    most are left out and named. The interval is a t interval by Gwet's linearised
    variance; the better known standard error (Fleiss, Nee & Landis 1979) holds only if
    there is no agreement at all.

    References
    ----------
    Fleiss (1971), Psychological Bulletin 76, 378-382 (computed by statsmodels); Gwet
    (2008), British Journal of Mathematical and Statistical Psychology 61, 29-48.

    Examples
    --------
    >>> data = pd.DataFrame({"reed": [1, 1, 2, 2, 3, 3, 4, 4], "fate": list("kkkddddd")})
    >>> round(fleiss_kappa(data, "reed", "fate").estimate, 3)
    0.467
    """
    for name in (target, value):
        if name not in data.columns:
            raise unknown_name("column", name, map(str, data.columns))
    rated = data[[target, value]].dropna()
    per_unit = rated.groupby(target, observed=True).size()
    # The commonest number of ratings; of two alike, the larger.
    votes = Counter(per_unit[per_unit > 1])
    raters = max(votes, key=lambda number: (votes[number], number), default=0)
    used = per_unit.index[per_unit == raters]
    if len(used) < 2:
        raise ModelError(
            "Agreement of several raters needs two things at least that were rated equally often, "
            "twice or more."
        )
    left_out = tuple(index for index in data[target].dropna().unique() if index not in set(used))
    rated = rated[rated[target].isin(used)]
    counts = pd.crosstab(rated[target], rated[value]).to_numpy()
    if counts.shape[1] == 1:
        caution = _same(rated[value].iloc[0])
        return _without_interval(np.nan, len(used), left_out, caution)
    estimate, std_error = _fleiss(counts)
    if not std_error > 1e-12:
        caution = "All raters agree throughout: this gives no interval."
        return _without_interval(estimate, len(used), left_out, caution)
    reach = float(t_distribution.ppf(0.975, len(used) - 1)) * std_error
    low, high = max(estimate - reach, -1.0), min(estimate + reach, 1.0)
    return Kappa(estimate, std_error, low, high, len(used), left_out, ())


def _without_interval(estimate: float, n_units: int, left_out: tuple, caution: str) -> Kappa:
    return Kappa(estimate, np.nan, np.nan, np.nan, n_units, left_out, (caution,))


def _levels(given: Sequence, levels: Sequence, *, ordered: bool) -> list:
    """Levels from the lowest to the highest; any order will do where none is used."""
    present = list(dict.fromkeys(given))
    if len(levels):
        strangers = [level for level in present if level not in set(levels)]
        if strangers:
            raise RecordError(
                f"Not among the levels: {listed(strangers)}. The levels are {listed(levels)}."
            )
        return list(levels)
    if all(isinstance(level, int | float | np.number) for level in present):
        return sorted(present)
    if ordered:
        raise CallError(
            f"The levels {listed(sorted(map(str, present)))} are words, and words have no order of "
            "their own: name them from the lowest to the highest."
        )
    return present


def _distances(levels: Sequence, weights: str) -> np.ndarray:
    """Weight of each disagreement, 0 to 1."""
    if weights == "none":
        return 1.0 - np.eye(len(levels))
    numbers = all(isinstance(level, int | float | np.number) for level in levels)
    at = np.array(levels if numbers else range(len(levels)), dtype=float)
    apart = np.abs(at[:, None] - at) / (at.max() - at.min())
    return apart if weights == "linear" else apart**2


def _kappa(counts: np.ndarray, distances: np.ndarray) -> tuple[float, float]:
    from statsmodels.stats.inter_rater import cohens_kappa

    # Rounding can take a variance of nought below it, and the library warns of its root.
    with np.errstate(all="ignore"):
        found = cohens_kappa(counts, weights=distances)
    return float(found.kappa), float(np.sqrt(max(float(found.var_kappa), 0.0)))


def _one_category(counts: np.ndarray) -> str:
    """Say that one of the two used one category only."""
    rows, columns = (counts.sum(1) > 0).sum(), (counts.sum(0) > 0).sum()
    if rows > 1 and columns > 1:
        return ""
    if rows == columns == 1 and np.trace(counts) > 0:
        return (
            "Both gave every thing the same category: kappa is undefined, for chance alone would "
            "agree as well."
        )
    who = "Both ratings use" if rows == columns else "One of the two uses"
    return f"{who} a single category: kappa is 0 or below whatever the other says."


def _same(category: object) -> str:
    return (
        f"All ratings are '{category}': kappa is undefined, for chance alone would agree as well."
    )


def _fleiss(counts: np.ndarray) -> tuple[float, float]:
    from statsmodels.stats.inter_rater import fleiss_kappa as of_statsmodels

    estimate = float(of_statsmodels(counts))
    n, raters = len(counts), counts.sum(1)[0]
    overall = counts.sum(0) / counts.sum()
    chance = float(overall @ overall)
    agreed = (counts * (counts - 1)).sum(1) / (raters * (raters - 1))
    of_unit = (agreed - chance) / (1 - chance)
    shifted = (counts @ overall / raters - chance) / (1 - chance)
    moved = of_unit - 2 * (1 - estimate) * shifted
    return estimate, float(np.sqrt(((moved - estimate) ** 2).sum() / (n * (n - 1))))
