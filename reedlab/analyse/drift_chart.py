"""The chart of a season: what is judged at each point, and the limits of a steady season.

Measurements: the levels of the points by one mixed model with tubes, reeds, sessions and
players as random terms, stages (and few players) held; judged is their moving average.
The variances are those within the points, so that a drift does not widen its own limits;
where a point holds too few sessions, the variation between sessions is that within
longer spans. Lots are no random term: a lot that differs shows as a drift. Yes or no:
the plain share of each point, with binomial limits widened for tubes that share fates.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.analyse.drift_frame import ENOUGH_SESSIONS, MOMENT, POINT, SPAN, Dated, plural
from reedlab.analyse.strata import NAMES, random_keys
from reedlab.answer import counted
from reedlab.errors import InestimableTermError, ModelError
from reedlab.model import LinearFit, fit_mixed
from reedlab.model.control import (
    Limits,
    Step,
    averaging,
    largest_step,
    moving_average,
    season_limits,
    shares_about,
)
from reedlab.model.design import quoted
from reedlab.model.steady import (
    about_common,
    averages_of,
    hidden_correlation,
    levels_of,
    likely_correlations,
    normal_draws,
    yes_draws,
)
from reedlab.schema import FEW

#: With fewer degrees of freedom the limits would be anything.
FEWEST_DF = 2


@dataclass(frozen=True)
class Chart:
    """A season's points with their limits, in the response's unit (of yes and no percent).

    Attributes
    ----------
    points : DataFrame
        level (name of the point), moment, observed, average, limit_low, limit_high,
        outside, n_reeds, n_tests.
    centre : float
    limits : Limits
    sd : ndarray, shape (T,)
        Of what is judged.
    step : Step
    cautions : tuple of str
    """

    points: pd.DataFrame
    centre: float
    limits: Limits
    sd: np.ndarray
    step: Step
    cautions: tuple[str, ...]


def chart(rows: Dated) -> Chart:
    """Make the chart of one response.

    Raises
    ------
    ModelError
        If nothing varies, or the variation within the points cannot be told.
    """
    data, response = rows.frame.data, rows.frame.response
    if data[response.name].nunique() < 2:
        raise _constant(rows)
    if response.kind == "binary":
        return _chart_of_shares(rows)
    groups, blocks, notes = _layout(rows)
    levels, covariance, df, more = _levels(rows, groups, blocks)
    if not df >= FEWEST_DF:
        units = counted(rows.frame.units("tube"), "tube")
        raise ModelError(
            f"{response.label}: {len(data)} rows of {units} leave too little to judge "
            f"{len(levels)} {plural(rows.division)} by; record on, or choose longer ones."
        )
    centre, deviations, covariance = about_common(levels, covariance)
    draws = normal_draws(covariance, df)
    W = averaging(len(levels))
    sd = np.sqrt(np.diag(W @ covariance @ W.T))
    limits = season_limits(moving_average(levels, centre), centre, sd, draws @ W.T)
    step = largest_step(deviations, covariance, draws)
    return Chart(
        _points(rows, levels, limits.level, limits), centre, limits, sd, step, (*notes, *more)
    )


def _constant(rows: Dated) -> ModelError:
    data, response = rows.frame.data, rows.frame.response
    value = data[response.name].iloc[0]
    if response.kind == "binary":
        what = response.label if value else f"not {response.label}"
        return ModelError(
            f"All {len(data)} decided rows are {what}: there is no change of their share to see."
        )
    return ModelError(
        f"{response.label} is the same ({value:g}) in all {len(data)} rows: nothing drifts."
    )


def _layout(rows: Dated) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Random terms, blocks and cautions; lots are neither."""
    data = rows.frame.data
    groups, notes = random_keys(data, [key for key in NAMES if key != "lot_id"])
    blocks = [key for key in groups if key == "player_id" and data[key].nunique() < FEW]
    if "stage" in data and data["stage"].nunique() > 1:
        blocks.append("stage")
    return tuple(key for key in groups if key not in blocks), tuple(blocks), notes


def _levels(
    rows: Dated, groups: Sequence[str], blocks: Sequence[str]
) -> tuple[np.ndarray, np.ndarray, float, tuple[str, ...]]:
    """Levels of the points, their covariance, its degrees of freedom, and cautions."""
    data = rows.frame.data
    try:
        if "session_id" in groups and not _sessions_within(data):
            return _averages(rows, groups, blocks)
        fit, _, notes = _fitted(rows, [POINT], blocks, groups)
        table, covariance, df = levels_of(fit, POINT)
    except ModelError as error:
        raise ModelError(
            f"{rows.frame.response.label}: the {plural(rows.division)} cannot be judged. {error}"
        ) from None
    place = pd.Index(table["level"]).get_indexer(list(rows.points))
    levels = table["estimate"].to_numpy()[place]
    return levels, covariance[np.ix_(place, place)], float(np.nanmedian(df)), notes


def _sessions_within(data: pd.DataFrame) -> bool:
    """Say whether the points hold sessions enough to tell how much sessions differ."""
    return bool(data.groupby(POINT)["session_id"].nunique().median() >= ENOUGH_SESSIONS)


def _averages(
    rows: Dated, groups: Sequence[str], blocks: Sequence[str]
) -> tuple[np.ndarray, np.ndarray, float, tuple[str, ...]]:
    """The same for points that are sessions, judged by how sessions of a month differ."""
    spans, sessions = rows.frame.data[SPAN].nunique(), rows.frame.units("session")
    within = [SPAN] if 1 < spans <= sessions / ENOUGH_SESSIONS else []
    fit, held, notes = _fitted(rows, within, blocks, groups)
    if within and held != tuple(blocks):
        # What is held matters more than the months: players may have had one each.
        within = []
        fit, held, notes = _fitted(rows, within, blocks, groups)
    levels, covariance = averages_of(fit, held, rows.codes)
    return levels, covariance, float(max(1, sessions - (spans if within else 1))), notes


def _fitted(
    rows: Dated, terms: Sequence[str], blocks: Sequence[str], groups: Sequence[str]
) -> tuple[LinearFit, tuple[str, ...], tuple[str, ...]]:
    """Fit the terms with those blocks that they do not contain; the blocks, and cautions."""
    held, notes = [*blocks], []
    while True:
        try:
            fit = fit_mixed(_formula(rows, [*terms, *held]), rows.frame.data, groups)
        except InestimableTermError as error:
            if error.term not in held:
                raise
            held.remove(error.term)
            what = NAMES.get(error.term, error.term)
            notes.append(
                f"{what} and {rows.division} changed together: differences between {what}s are not "
                "taken out, and may be what shows."
            )
        else:
            if "player_id" in held:
                notes.append(
                    "Players are held: a change that came with another player does not show."
                )
            return fit, tuple(held), tuple(notes)


def _formula(rows: Dated, terms: Sequence[str]) -> str:
    return f"{quoted(rows.frame.response.name)} ~ {' + '.join(map(quoted, terms)) or '1'}"


def _chart_of_shares(rows: Dated) -> Chart:
    data, response = rows.frame.data, rows.frame.response
    codes, yes = rows.codes, data[response.name].to_numpy()
    sizes = np.bincount(codes).astype(float)
    counts = np.bincount(codes, weights=yes)
    share, binomial = shares_about(counts, sizes)
    groups, alike, notes = _alike(rows)
    hidden = {name: _hidden(share, alike[name], groups[name], codes) for name in groups}
    draws = yes_draws(codes, int(yes.sum()), hidden, groups) / sizes - share
    sd = binomial * np.sqrt(_widened(codes, groups, alike))
    limits = season_limits(counts / sizes, share, sd, draws)
    step = largest_step(counts / sizes - share, np.cov(draws.T), draws)
    average = moving_average(limits.level, share)
    points = _points(rows, limits.level, average, limits)
    percent = ["observed", "average", "limit_low", "limit_high"]
    points[percent] = (100 * points[percent]).clip(0, 100)
    return Chart(points, share, limits, sd, step, notes)


def _hidden(share: float, alike: float, group: np.ndarray, codes: np.ndarray) -> np.ndarray:
    """Correlations of hidden scores within a group that are about equally likely."""
    likely = likely_correlations(alike, group.max() + 1, len(group), codes.max() + 1)
    return np.array([hidden_correlation(share, value) for value in likely])


def _alike(rows: Dated) -> tuple[dict[str, np.ndarray], dict[str, float], tuple[str, ...]]:
    """Groups of rows, the correlation of fates within each, and what to know of it."""
    data, label = rows.frame.data, rows.frame.response.label
    own = ("lot_id", "session_id") if rows.division == "session" else ("lot_id",)
    names, notes = random_keys(data, [key for key in NAMES if key not in own])
    if not names:
        return {}, {}, notes
    try:
        fit = fit_mixed(_formula(rows, [POINT]), data, names)
    except ModelError as error:
        raise ModelError(
            f"{label}: the {plural(rows.division)} cannot be judged. {error}"
        ) from None
    total = sum(fit.variances.values())
    alike = {name: max(0.0, fit.variances[name] / total) for name in names}
    codes = {name: pd.factorize(data[name])[0] for name in names}
    told = [
        f"Fates within a {NAMES[name]} go together (correlation {value:.2f}); the limits allow "
        "for it."
        for name, value in alike.items()
        if value > 0
    ]
    return codes, alike, (*notes, *told)


def _widened(
    codes: np.ndarray, groups: Mapping[str, np.ndarray], alike: Mapping[str, float]
) -> np.ndarray:
    """How many times the binomial variance each point's share has (Kish 1965)."""
    sizes = np.bincount(codes).astype(float)
    factor = np.ones(len(sizes))
    for name, group in groups.items():
        cells = np.zeros((len(sizes), group.max() + 1))
        np.add.at(cells, (codes, group), 1)
        factor += alike[name] * ((cells**2).sum(axis=1) / sizes - 1)
    return factor


def _points(rows: Dated, observed: np.ndarray, average: np.ndarray, limits: Limits) -> pd.DataFrame:
    data = rows.frame.data
    found = data.groupby(POINT)
    names = list(rows.points)
    reeds = found["reed_id"].nunique() if "reed_id" in data else found.size() * 0
    tests = found.size() * (rows.frame.response.table == "tests")
    return pd.DataFrame(
        {
            "level": names,
            "moment": found[MOMENT].mean().reindex(names).to_numpy(),
            "observed": observed,
            "average": average,
            "limit_low": limits.low,
            "limit_high": limits.high,
            "outside": limits.outside,
            "n_reeds": reeds.reindex(names).to_numpy(),
            "n_tests": tests.reindex(names).to_numpy(),
        }
    )
