"""The stopping rule in words: the line for the bench card, the finding, what to be wary of.

A crow is told as the note that a tuner shows and cents; other measures in their own unit.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from reedlab.analyse.recipe_text import joined
from reedlab.analyse.stopping_judged import ALL, RULE, SAVED, STOPPED, THROWN, Judged
from reedlab.analyse.stopping_rows import shown
from reedlab.analyse.stopping_stages import FIRST
from reedlab.answer import counted, number_text
from reedlab.schema import Response, nearest_note, note_hz
from reedlab.study import Settings

Row = Mapping[Any, Any] | pd.Series
FINISH_ALL = "finish every reed"
#: What each method rests on, in a few words.
BASIS = {
    "spared": "put right by the spared reeds",
    "Begg & Greenes": "put right as if only what is measured at the stage decided who was stopped",
    "naive": "all were finished",
}


def stage_words(at: str) -> str:
    """Write a stage in a sentence.

    Examples
    --------
    >>> stage_words("first test"), stage_words("day 3")
    ('the first test', 'day 3')
    """
    return f"the {FIRST}" if at == FIRST else at


def rule_text(judged: Judged, settings: Settings) -> str:
    """Write the rule in one line."""
    if judged.by_line:
        seen = joined([_name(measure) for measure in judged.rows.measures])
        return f"stop if the chance of a keeper, by {seen}, is below {100 * judged.learnt.line:g} %"
    parts: list[str] = []
    for measure, cut in zip(judged.rows.measures, judged.learnt.cuts, strict=True):
        if np.isfinite(cut):
            values = judged.rows.at_stage[measure.name]
            parts.append(f"{_name(measure)} is {_beyond(measure, float(cut), values, settings)}")
    return f"stop if {' or '.join(parts)}" if parts else FINISH_ALL


def said(table: pd.DataFrame, at: str, rule: str, sure: float) -> str:
    """Write the finding in one or two sentences."""
    stage = stage_words(at)
    method = table["method"].iloc[0]
    first = {row["term"]: row for row in table.to_dict("records") if row["method"] == method}
    finishing = first[ALL]
    base = f"{finishing['evidence']}, {counted(finishing['n_reeds'], 'reed')}"
    if finishing["n_tubes"]:
        base += f", {counted(finishing['n_tubes'], 'tube')}"
    if rule == FINISH_ALL:
        return (
            f"At {stage} no cut saves work worth a word: {rule}, at {_number(finishing)} "
            f"({_limits(finishing)}) minutes a keeper ({base})."
        )
    saved, thrown = first[SAVED], first[THROWN]
    if pd.isna(thrown["estimate"]):
        return (
            f"At {stage}, {rule}: this stops {_number(first[STOPPED])} % of the reeds. No reed "
            f"that it stops was ever finished, so what it saves for each keeper and how many "
            f"keepers it throws away is not known ({base})."
        )
    naive = ""
    if method != "naive":
        other = table[(table["term"] == THROWN) & (table["method"] == "naive")].iloc[0]
        naive = f"; of the finished reeds alone it would seem {_number(other)} %"
    return (
        f"At {stage}, {rule}: this stops {_number(first[STOPPED])} % of the reeds and takes "
        f"{_number(first[RULE])} minutes a keeper instead of {_number(finishing)}, "
        f"{_fewer(saved)}. It throws away {_number(thrown)} % of the keepers "
        f"({_limits(thrown)}; {BASIS[method]}{naive}). {_how_sure(saved, sure, method)} ({base})."
    )


def cautions(judged: Judged, at: str, method: str, *, picked: bool) -> tuple[str, ...]:
    """Say what must be known before the rule is used."""
    rows = judged.rows
    fate = rows.reeds["fate"].value_counts()
    stopped, spared = int(fate.get("stopped", 0)), int(fate.get("spared", 0))
    texts = []
    if stopped and not spared:
        texts.append(
            f"{counted(stopped, 'reed')} were stopped early and none was spared: how many of "
            "them would have been keepers cannot be known from this record. The figures hold only "
            "if nothing but what is measured at the stage told the maker to stop; draw reeds to "
            "finish all the same with plan.spare."
        )
    elif stopped:
        stand = "stands" if spared == 1 else "stand"
        texts.append(
            f"{counted(spared, 'spared reed')} {stand} for {stopped + spared} that were to be "
            "stopped early: the intervals are as wide as that makes them. plan.spare draws more."
        )
        if at not in (FIRST, rows.order[0]):
            texts.append(
                "The record does not say at which stage a spared reed would have been stopped; "
                "each stands for those stopped here and later."
            )
    if judged.learnt.stops_some:
        texts.append(
            f"Each tube's reeds are judged by {'a line' if judged.by_line else 'cuts'} learnt from "
            "the other tubes; the rule in words is learnt from all."
        )
    if picked:
        texts.append(
            "The measures were picked on these same reeds, which flatters the figures a little; "
            "predictors=[...] says beforehand which to go by."
        )
    if len(rows.left_out):
        reasons = rows.left_out["fault"].value_counts()
        listed = "; ".join(f"{count} × {fault}" for fault, count in reasons.items())
        texts.append(f"{counted(len(rows.left_out), 'reed')} not used: {listed}.")
    return (*texts, *rows.cautions)


def cut_label(judged: Judged) -> str:
    """Write what the axis of the leading measure's cuts shows, or that of the chance."""
    if judged.by_line:
        return "chance of a keeper, %"
    measure = judged.rows.measures[0]
    name = _name(measure).removeprefix("the ")
    if measure.direction == "target":
        name = f"{name}, away from the target"
    return f"{name}, {measure.unit}" if measure.unit else name


def _beyond(measure: Response, cut: float, values: pd.Series, settings: Settings) -> str:
    """Write what lies beyond a cut; of a target, on the sides on which reeds lie."""
    edge = shown(measure, cut)
    lower = measure.direction == "lower"
    if measure.kind == "binary":
        return "yes" if lower else "no"
    if measure.kind == "ordinal":
        level = int(np.ceil(edge) if lower else np.floor(edge))
        text = str(level)
        if any(isinstance(each, str) for each in measure.levels):
            text = f"'{measure.levels[level - 1]}'"
        return f"{text} or {'more' if lower else 'less'}"
    if measure.direction != "target":
        side = "below" if measure.direction == "higher" else "above"
        return f"{side} {number_text(edge)} {measure.unit}".strip()
    target = measure.target or 0.0
    sides = {
        "above": (values > target + edge).any(),
        "below": (values < target - edge).any(),
    }
    used = [side for side, seen in sides.items() if seen] or list(sides)
    return " or ".join(f"{side} {_away(measure, side, edge, settings)}" for side in used)


def _away(measure: Response, side: str, edge: float, settings: Settings) -> str:
    """Write a value so far above or below the target."""
    signed = edge if side == "above" else -edge
    value = (measure.target or 0.0) + signed
    if measure.name != "crow_cents":
        return f"{number_text(value)} {measure.unit}".strip()
    low, high = settings.crow_target
    a4_hz = settings.a4_hz
    from_hz = note_hz(high if value >= 0 else low, a4_hz)
    note, cents = nearest_note(from_hz * 2 ** (value / 1200), a4_hz)
    if round(cents) == 0:
        return note
    return f"{note} {'+' if cents > 0 else '−'} {abs(round(cents))} cents"


def _name(measure: Response) -> str:
    return "the crow" if measure.name == "crow_cents" else f"the {measure.label}"


def _how_sure(row: Row, sure: float, method: str) -> str:
    chance = f"the chance is {'over 99' if sure > 0.99 else number_text(round(100 * sure), 2)} %"
    if row["conf_low"] > 0:
        text = f"it is better than finishing every reed: {chance}"
    elif row["conf_high"] < 0:
        text = f"it is worse than finishing every reed: {chance} that it is better"
    else:
        text = f"that it is better than finishing every reed is not sure: {chance}"
    # Without spared reeds nothing in the record can bear out what the figures rest on.
    return f"If that holds, {text}" if method == "Begg & Greenes" else text[0].upper() + text[1:]


def _number(row: Row) -> str:
    return "an endless number of" if np.isinf(row["estimate"]) else _text(row["estimate"])


def _fewer(row: Row) -> str:
    """Write what is saved with its interval; what is not saved as more."""
    saved, low, high = (row[name] for name in ("estimate", "conf_low", "conf_high"))
    if saved >= 0:
        return f"{_text(saved)} fewer (95 % {_text(low)} to {_text(high)})"
    return f"{_text(-saved)} more (95 % {_text(-high)} to {_text(-low)})"


def _text(value: float) -> str:
    if np.isinf(value):
        return "without end" if value > 0 else "minus without end"
    return "?" if np.isnan(value) else number_text(round(value), 5)


def _limits(row: Row) -> str:
    return f"95 % {_text(row['conf_low'])} to {_text(row['conf_high'])}"
