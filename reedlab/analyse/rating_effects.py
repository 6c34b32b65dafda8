"""Effects on a rating: log odds of a higher one, and what that means in ratings.

One row a contrast for the log odds ratio, then one for each cut of the scale: by how
many percentage points more ratings are at least so high. Both come from one
cumulative-link model with the players' own levels in it, judged by the things to which
a factor's levels were given (reedlab.model.link_groups says how).
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reedlab.analyse.effects import effects_table, formula, step_of
from reedlab.analyse.frame import Frame, ordered_levels
from reedlab.analyse.strata import Layout
from reedlab.model.comparisons import holm
from reedlab.model.link import one_sided
from reedlab.model.link_groups import GroupedLinkFit, fit_link_groups
from reedlab.schema import Factor

LOG_ODDS, POINTS = "log odds", "percentage points"
#: The player as a factor, where players are few enough for each to have a level of its own.
PLAYER = Factor("player_id", kind="categorical", label="player")
#: A p value of proportional odds below this, corrected for the cuts and factors, is told.
UNEVEN = 0.05


def fit_ratings(frame: Frame, chosen: Layout) -> GroupedLinkFit:
    """Fit the cumulative-link model of a frame's factors and blocks."""
    return fit_link_groups(formula(frame, chosen), frame.data, chosen.groups)


def rating_name(frame: Frame, place: float) -> str:
    """Write a level as the maker does, from the number that a frame holds for it."""
    levels = frame.response.levels
    words = any(isinstance(level, str) for level in levels)
    return str(levels[int(place) - 1]) if words else f"{place:g}"


def at_least(frame: Frame, place: float) -> str:
    """Write "4 or higher", or the highest level alone."""
    name = rating_name(frame, place)
    return name if place == _declared(frame)[-1] else f"{name} or higher"


def middle_cut(frame: Frame) -> float:
    """Find the level at which "at least so high" parts the ratings most nearly in halves."""
    values = frame.data[frame.response.name]
    cuts = np.unique(values)[1:]
    share = np.array([(values >= cut).mean() for cut in cuts])
    return float(cuts[np.argmin(np.abs(share - 0.5))])


def rating_table(frame: Frame, fit: GroupedLinkFit) -> pd.DataFrame:
    """One row a contrast and cut: term, contrast, level, estimate and interval, tests."""
    factors = [*frame.factors, *([PLAYER] if "player_id" in fit.fixed.terms else [])]
    odds = effects_table(fit, factors).drop(columns="share")
    cuts = [rating_name(frame, level) for level in fit.levels[1:]]
    rows = []
    for factor in factors:
        own = odds[odds["term"] == factor.name]
        ends = _ends(fit, factor)
        for row, (low, high) in zip(own.to_dict("records"), ends, strict=True):
            rows.append(row | {"level": "", "unit": LOG_ODDS})
            changes = np.array([row["estimate"], row["conf_low"], row["conf_high"]])
            found = fit.chance_difference(factor.name, low, high, changes)
            for level, (estimate, below, above) in zip(cuts, 100 * found.T, strict=True):
                points = {"estimate": estimate, "conf_low": below, "conf_high": above}
                rows.append(row | points | {"std_error": np.nan, "level": level, "unit": POINTS})
    return pd.DataFrame(rows)


def adjusted(table: pd.DataFrame, factors: Sequence[Factor]) -> pd.Series:
    """Correct the p values of the factors by Holm's method; the player's has none."""
    tests = table.drop_duplicates("term").set_index("term")["p_value"]
    tests = tests[[factor.name for factor in factors]]
    return table["term"].map(pd.Series(holm(tests.to_numpy()), index=tests.index))


def scale_cautions(frame: Frame, fit: GroupedLinkFit) -> list[str]:
    """Say which levels nobody gave, which effect has no end, and which is not even."""
    told = []
    unused = [rating_name(frame, place) for place in _declared(frame) if place not in fit.levels]
    what = frame.response.label
    if len(fit.levels) == 2:
        used = " and ".join(rating_name(frame, level) for level in fit.levels)
        told.append(f"{what}: only {used} were given, so it is as good as a yes or no.")
    elif unused:
        told.append(f"{what}: nobody gave {', '.join(unused)}.")
    if fit.endless:
        told.append(_endless(frame, fit))
    return told + _uneven(frame, fit)


def coded_value(fit: GroupedLinkFit, factor: Factor, value: object) -> np.ndarray:
    """Coded columns of a factor at one value, shape (k,)."""
    if factor.kind == "numeric":
        return np.array([value], dtype=float)
    at = np.argmax((fit.fixed.data[factor.name] == value).to_numpy(dtype=bool))
    return fit.fixed.X[at, fit.fixed.terms[factor.name]]


def _declared(frame: Frame) -> list[float]:
    levels = frame.response.levels
    if any(isinstance(level, str) for level in levels):
        return [float(place) for place in range(1, len(levels) + 1)]
    return [float(level) for level in levels]


def _ends(fit: GroupedLinkFit, factor: Factor) -> list[tuple[np.ndarray, np.ndarray]]:
    """From where to where each contrast of a factor goes, coded, in the order of its rows."""
    values = fit.fixed.data[factor.name]
    if factor.kind == "numeric":
        middle, half = float(values.mean()), step_of(factor, values) / 2
        return [(np.array([middle - half]), np.array([middle + half]))]
    first, *others = (
        coded_value(fit, factor, level)
        for level in ordered_levels(factor, fit.fixed.levels[factor.name])
    )
    return [(first, other) for other in others]


def _endless(frame: Frame, fit: GroupedLinkFit) -> str:
    labels = {f.name: f.label for f in (*frame.factors, PLAYER)}
    ends = [
        f"all {count} ratings with {labels.get(name, name)} {value} are {rating_name(frame, level)}"
        for name, value, level, count in one_sided(fit.fixed, fit.codes, fit.levels)
    ]
    why = "; ".join(ends) or "the factors part high ratings from low ones without overlap"
    return (
        f"{frame.response.label}: {why}, so that the odds have no end. The figures are the first "
        "step from no difference: the tests hold, but the differences are larger than told."
    )


def _uneven(frame: Frame, fit: GroupedLinkFit) -> list[str]:
    """Name the factor whose effect is not the same all along the scale, if there is one."""
    labels = {factor.name: factor.label for factor in (*frame.factors, PLAYER)}
    found = fit.uneven()
    found = found[found["term"].isin(labels)].sort_values("p_adjusted")
    first = found.drop_duplicates("term")
    first = first.assign(p_value=holm(first["p_adjusted"].to_numpy()))
    return [
        f"{labels[row['term']]}: its effect is not the same all along the scale, and differs most "
        f"at {at_least(frame, row['level'])}: one log odds ratio does not tell it, so compare the "
        "ratings as given."
        for row in first[first["p_value"] < UNEVEN].to_dict("records")
    ]
