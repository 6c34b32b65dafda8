"""The words of a drift: sentence and cautions, made from table and points."""

from collections.abc import Sequence

import pandas as pd

from reedlab.analyse.drift_frame import WEATHER, plural
from reedlab.analyse.drift_rows import ALARMS, STEP, TREND
from reedlab.analyse.evidence import LEVEL
from reedlab.answer import counted, number_text, p_text
from reedlab.schema import Response

LABELS = {
    TREND: "trend",
    STEP: "change point",
    ALARMS: "furthest point",
    "relative_humidity_pct": "relative humidity",
    "temperature_c": "temperature",
}


def drift_sentence(
    table: pd.DataFrame,
    points: pd.DataFrame,
    response: Response,
    division: str,
    lag_days: Sequence[float],
) -> str:
    """Say whether the season drifts, with the strongest signs and the chart's alarms."""
    what = f"the share of reeds {response.label}" if response.kind == "binary" else response.label
    over = f"Over {len(points)} {plural(division)} {what}"
    strong = table[table["p_adjusted"] < LEVEL]
    looks = counted(len(table), "look")
    if len(strong) and strong["term"].isin(WEATHER).all():
        opening = f"{over} shows no drift beyond chance in {looks}, but goes along with the weather"
    elif len(strong):
        opening = f"{over} drifts beyond chance (corrected for {looks})"
    else:
        opening = f"{over} shows no drift beyond chance in {looks}; the nearest"
        strong = table.nsmallest(1, "p_value")
    told = "; ".join(_effect(row, lag_days) for row in strong.to_dict("records"))
    alone = ALARMS not in set(strong["term"]) or opening.endswith("nearest")
    return f"{opening}: {told}. {_alarms(points, response, alone=alone)}"


def _effect(row: dict, lag_days: Sequence[float]) -> str:
    when = f" {_lag_text(lag_days)}" if row["term"] in WEATHER else ""
    unit = f" {row['unit']}" if row["unit"] else ""
    low, high = number_text(row["conf_low"]), number_text(row["conf_high"])
    count = counted(row["n_reeds"], "reed")
    if row["n_tests"]:
        count = f"{counted(row['n_tests'], 'test')} of {count}"
    return (
        f"{LABELS[row['term']]} {row['contrast']}{when}: "
        f"{number_text(row['estimate'])}{unit} (95 % {low} to {high}, p {_p(row['p_adjusted'])}; "
        f"{row['evidence']}, {count})"
    )


def _lag_text(lag_days: Sequence[float]) -> str:
    low, high = (f"{days:g}" for days in lag_days)
    if low == high:
        return "on the day" if low == "0" else f"{counted(float(low), 'day')} before"
    return f"over the day and the {high} before" if low == "0" else f"{low} to {high} days before"


def _p(value: float) -> str:
    text = p_text(value)
    return text if text.startswith("<") else f"= {text}"


def _alarms(points: pd.DataFrame, response: Response, *, alone: bool) -> str:
    outside = points[points["outside"]]
    judged = "share" if response.kind == "binary" else "moving average"
    if outside.empty:
        return f"The {judged} stays within its limits at all {len(points)} points."
    names = ", ".join(outside["level"].head(3))
    more = f" and {len(outside) - 3} more" if len(outside) > 3 else ""
    opening = f"Taken alone, the {judged}" if alone else f"The {judged}"
    return (
        f"{opening} is outside its limits at {len(outside)} of {len(points)} points: {names}{more}."
    )


def drift_cautions(response: Response, lots: int, by: str | None, lost: int) -> Sequence[str]:
    """What holds for every drift of such a record."""
    cautions = [
        "Days were not assigned by chance: whatever else changed with the season (cane, tools, "
        "habits) goes along with trend, change point and weather.",
        "The limits, and the search for a change point, each give a false alarm in 5 % of steady "
        "seasons, however many points there are.",
    ]
    if lots > 1 and by != "lot":
        cautions.append(
            f"{lots} lots were used in turn: a lot that differs looks like a drift; by='lot' "
            "compares them."
        )
    if response.kind == "ordinal":
        cautions.append(
            f"{response.label} is a scale of ordered levels, taken here as evenly spaced numbers."
        )
    if lost:
        cautions.append(f"{counted(lost, 'row')} of the record could not be used: see left_out.")
    return cautions
