"""The table of a drift: one row a question, each with its effect, interval and test.

Trend: change of the response for 30 days of the season, whatever it comes from.
Weather: change for a step of humidity and of temperature, each given the other and the
trend. Both by the model that `drivers` uses: sessions, reeds, tubes and lots as random
terms, so that a day counts once however many reeds it tested. Change point and alarms
come from the chart. P values of all rows are corrected together (Holm).
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from reedlab.analyse.drift_chart import Chart
from reedlab.analyse.drift_frame import DAYS, WEATHER, Dated
from reedlab.analyse.effects import effects_table, fit_factors
from reedlab.analyse.frame import Frame
from reedlab.analyse.keeping import keeping_table
from reedlab.analyse.strata import judged
from reedlab.answer import percent_text
from reedlab.errors import ModelError
from reedlab.model.comparisons import holm
from reedlab.schema import FACTORS, FEW, Factor
from reedlab.study import Study

COLUMNS = (
    *("term", "contrast", "estimate", "std_error", "df", "conf_low", "conf_high", "unit"),
    *("statistic", "p_value", "p_adjusted", "n_tubes", "n_reeds", "n_tests", "evidence"),
)
TREND, STEP, ALARMS = "trend", "change point", "alarms"
#: Days that a trend is told for.
TREND_DAYS = 30.0
#: A weather that is missing in more than this share of the rows is not looked at.
TOO_SPARSE = 0.4


def drift_rows(study: Study, rows: Dated, made: Chart) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Make the table of all questions, and what to know of those that have no answer."""
    frame = rows.frame
    binary = frame.response.kind == "binary"
    stratum = "session" if "session_id" in frame.data else "reed"
    trend = Factor(DAYS, (), stratum, "days", TREND, "numeric", TREND_DAYS)
    weather, notes = _weather_factors(study, frame, stratum)
    tables = [_chart_rows(rows, made)]
    if frame.data[DAYS].notna().any():
        found, told = _fitted(frame, [trend])
        tables.insert(0, found)
        notes = [*told, *notes]
        if weather:
            found, told = _fitted(frame, [trend, *weather])
            tables.append(found[found["term"] != TREND])
            notes += [text for text in told if text not in notes]
    table = pd.concat([part for part in tables if len(part)], ignore_index=True)
    counts = {f"n_{stratum}s": frame.units(stratum) for stratum in ("tube", "reed")}
    table = table.assign(
        unit="percentage points" if binary else frame.response.unit,
        p_adjusted=holm(table["p_value"].to_numpy()),
        n_tests=len(frame.data) if frame.response.table == "tests" else 0,
        evidence="observed",
        **counts,
    )
    return table[[*COLUMNS]], tuple(notes)


def _weather_factors(study: Study, frame: Frame, stratum: str) -> tuple[list[Factor], list[str]]:
    """Weather that can be looked at, as factors, and why the rest cannot."""
    known = {factor.name: factor for factor in (*FACTORS, *study.settings.factors)}
    factors, notes = [], []
    for name in WEATHER:
        label = known[name].label
        if name not in frame.data or frame.data[name].isna().all():
            notes.append(f"No {label} is recorded on the days before: its effect cannot be told.")
            continue
        gaps = float(frame.data[name].isna().mean())
        if gaps > TOO_SPARSE:
            notes.append(f"{label}: missing before {percent_text(gaps)} of the rows; not examined.")
        else:
            factors.append(replace(known[name], stratum=stratum))
    return factors, notes


def _fitted(frame: Frame, factors: Sequence[Factor]) -> tuple[pd.DataFrame, list[str]]:
    """Rows of some numbers examined together; none, and the reason, if they cannot be."""
    names = [factor.name for factor in factors]
    data = frame.data.dropna(subset=names)
    if "lot_id" in data and data["lot_id"].nunique() < FEW:
        # As blocks so few lots would take the season's change out, for they follow one another.
        data = data.drop(columns="lot_id")
    lost = len(frame.data) - len(data)
    what = " and ".join(factor.label for factor in factors)
    gaps = " or ".join(f.label for f in factors if frame.data[f.name].isna().any())
    told = f"{what}: {lost} of {len(frame.data)} rows have no {gaps} and do not count."
    notes = [told.replace(f"no {TREND}", "no day")] if lost else []
    kept = [factor for factor in factors if data[factor.name].nunique() > 1]
    notes += [
        f"{factor.label} is the same throughout; its effect cannot be told."
        for factor in factors
        if factor not in kept
    ]
    asked = replace(frame, data=data, factors=tuple(kept), cautions=())
    try:
        asked, chosen = judged(asked)
        fit, asked = fit_factors(asked, chosen)
        if asked.response.kind == "binary":
            table, more = keeping_table(asked, chosen, fit)
        else:
            table, more = effects_table(fit, asked.factors), ()
    except ModelError as error:
        return pd.DataFrame(columns=["term"]), [*notes, f"{what}: {' '.join(str(error).split())}"]
    table["term"] = table["term"].replace(DAYS, TREND)
    return table, [*notes, *more, *(text for text in asked.cautions if "one row only" not in text)]


def _chart_rows(rows: Dated, made: Chart) -> pd.DataFrame:
    """Rows of the change point and of the point furthest out, in the response's unit."""
    scale = 100 if rows.frame.response.kind == "binary" else 1
    limits, step = made.limits, made.step
    away = limits.level - made.centre
    reach = np.where(away < 0, limits.width_low, limits.width_high)
    furthest = int(np.argmax(np.abs(away) / made.sd / reach))
    estimate, sd = away[furthest], made.sd[furthest]
    found = pd.DataFrame(
        {
            "term": [STEP, ALARMS],
            "contrast": [_onwards(rows.points[step.place]), rows.points[furthest]],
            "estimate": [step.estimate, estimate],
            "std_error": [step.std_error, sd],
            "df": np.nan,
            "conf_low": [step.conf_low, estimate - limits.width_high * sd],
            "conf_high": [step.conf_high, estimate + limits.width_low * sd],
            "statistic": [step.statistic, abs(estimate) / sd],
            "p_value": [step.p_value, limits.p_value],
        }
    )
    numbers = ["estimate", "std_error", "conf_low", "conf_high"]
    found[numbers] *= scale
    if scale == 100:
        found[["conf_low", "conf_high"]] = found[["conf_low", "conf_high"]].clip(-100, 100)
    return found


def _onwards(point: str) -> str:
    return point if point.startswith("from ") else f"from {point} on"
