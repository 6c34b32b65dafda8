"""What a table of power says, in words; nothing here is known but the table."""

from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from reedlab.answer import counted, number_text, percent_text
from reedlab.plan.strength.rows import AIM
from reedlab.study.plans import records

#: Fewer error degrees of freedom than this are worth a caution.
FEW_DF = 5
MANY_TERMS = (
    "Each power is that of the term's own test at the 5 % level; drivers() corrects for the number "
    "of factors looked at and so finds somewhat fewer."
)


def of_layout(row: Mapping[str, Any], levels: int, most: int) -> str:
    """Say the power of a layout with one factor; `most` is how far the search went."""
    things = f"{row['stratum']}s"
    between = f"two levels given to {things}"
    if levels > 2:
        between = f"the two ends of {levels} levels given to {things}"
    return (
        f"A difference of {number_text(row['effect'])} between {between} would be found in "
        f"{_hundred(row)} of 100 such batches ({size(row)}; {_df(row)}); "
        f"{_eight_of_ten(row, most)}."
    )


def of_batch(table: pd.DataFrame, labels: Mapping[str, str], most: int) -> str:
    """Say the power of a batch, term by term."""
    parts = []
    for row in records(table):
        name = f"{labels[row['term']]} (given to {row['stratum']}s"
        if row["den_df"] == 0:
            parts.append(f"{name}) cannot be judged by this batch")
        else:
            parts.append(
                f"{name}, {_df(row)}) in {_hundred(row)} of 100; {_eight_of_ten(row, most)}"
            )
    first = records(table)[0]
    return (
        f"In batches like this one ({size(first)}) a difference of "
        f"{number_text(first['effect'])} would be found: {'. '.join(parts)}."
    )


def of_keeping(table: pd.DataFrame, labels: Mapping[str, str]) -> str:
    """Say the power for keep rates, term by term; without labels there is one."""
    parts = []
    for row in records(table):
        low, high = percent_text(row["keep_low"]), percent_text(row["keep_high"])
        name = f"{labels[row['term']]}, {low} to {high} kept" if labels else f"{low} to {high} kept"
        tries = f"{10 * row['power']:.0f} of 10 tries" if row["power"] >= 0.05 else "hardly any try"
        text = f"{name}: this batch would show it in {tries}"
        if row["power"] < AIM:
            if pd.isna(row["needed"]):
                text += "; not even many times as many reeds make it 8 of 10"
            else:
                text += f"; about {row['needed']:.0f} times as many reeds are needed for 8 of 10"
        parts.append(text)
    advice = ""
    if (table["power"] < AIM).any():
        advice = " Use the crow or the rating as the response, or pool batches."
    return f"{'. '.join(parts)}.{advice}"


def few_df(table: pd.DataFrame, labels: Mapping[str, str]) -> Iterable[str]:
    """Warn of tests that hardly know their own error."""
    for row in records(table):
        if 0 < row["den_df"] < FEW_DF:
            name = labels.get(row["term"], "")
            yield (
                f"{f'{name}: ' if name else ''}only {_df(row)}: the test hardly knows its own "
                f"error, and little can be found; more {row['stratum']}s help most."
            )


def size(row: Mapping[str, Any]) -> str:
    """Say how large the batch is: "8 tubes, 24 reeds"."""
    counts = [counted(row["n_tubes"], "tube"), counted(row["n_reeds"], "reed")]
    if row["n_lots"] > 1:
        counts.insert(0, counted(row["n_lots"], "lot"))
    if row["n_tests"] > row["n_reeds"]:
        counts.append(counted(row["n_tests"] / row["n_reeds"], "session"))
    return ", ".join(counts)


def _hundred(row: Mapping[str, Any]) -> str:
    return f"{100 * row['power']:.0f}"


def _df(row: Mapping[str, Any]) -> str:
    df = float(row["den_df"])
    text = f"{df:.0f}" if abs(df - round(df)) < 0.05 else f"{df:.1f}"
    return f"{text} error degree{'' if text == '1' else 's'} of freedom"


def _eight_of_ten(row: Mapping[str, Any], most: int) -> str:
    only = "only " if row["power"] >= AIM else ""
    if pd.isna(row["smallest_effect"]):
        return "8 of 10 is out of reach"
    text = f"8 of 10 needs {only}a difference of {number_text(row['smallest_effect'], 2)}"
    batches = row["needed_unit"] == "batches"
    noun, plural = ("such batch", "es") if batches else (row["needed_unit"].removesuffix("s"), "s")
    if pd.isna(row["needed"]):
        return f"{text} or more than {most} {noun}{plural}"
    if batches and row["needed"] == 1:
        return text
    return f"{text} or {row['needed']:.0f} {noun}{'' if row['needed'] == 1 else plural}"
