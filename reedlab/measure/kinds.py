"""The measures of a recording by name, and what each of them gives for the tests table.

The one place that knows which columns of the tests table a measure fills. Units are in the
names of the columns.
"""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from reedlab.answer import Answer
from reedlab.errors import unknown_name
from reedlab.measure.recording import Recording

#: What each measure fills in the tests table.
FILLS: Mapping[str, tuple[str, ...]] = {
    "crow": ("crow_hz", "crow_cents"),
    "hairpin": ("soft_db", "loud_db", "dynamic_range_db", "attack_ms"),
    "slur": ("slur_gap_ms",),
    "register": ("low_evenness_cents",),
}
#: A whole test fills all of them.
NUMBERS = tuple(name for names in FILLS.values() for name in names)
KINDS = (*FILLS, "test")

_LEVELS = ("soft_db", "loud_db", "dynamic_range_db")


def measured(kind: str, sound: str | Path | Recording, **asked: Any) -> Answer:
    """Measure one recording.

    Parameters
    ----------
    kind : {"crow", "hairpin", "slur", "register", "test"}
    sound : str, Path or Recording
    **asked
        As the measure of that kind takes them.

    Returns
    -------
    Answer
    """
    return measure_of(kind)(sound, **asked)


def measure_of(kind: str) -> Callable[..., Answer]:
    """Return the function that measures a kind, or say which kinds there are."""
    if kind not in KINDS:
        raise unknown_name("kind of recording", kind, KINDS)
    # Each is loaded when it is needed: together they load everything that listens.
    if kind == "crow":
        from reedlab.measure.crow import crow

        return crow
    if kind == "hairpin":
        from reedlab.measure.hairpin import hairpin

        return hairpin
    if kind == "slur":
        from reedlab.measure.slur import slur

        return slur
    if kind == "register":
        from reedlab.measure.register import register

        return register
    from reedlab.measure.whole_test import whole_test

    return whole_test


def numbers(kind: str, answer: Any) -> dict[str, float]:
    """Return what an answer gives for the tests table.

    Parameters
    ----------
    kind : str
    answer : Answer
        Of that kind.

    Returns
    -------
    dict of str to float
        By the names of the columns; not a number where it could not be told.

    Notes
    -----
    Of several attempts the middle one by `crow_hz` or `dynamic_range_db` (the lower of two
    middle ones), and the longest gap. Levels of a recorder that seems to have changed its
    gain are not given.
    """
    table = answer.table
    if kind == "test":
        return {name: float(table[name].iloc[0]) for name in NUMBERS}
    if kind == "slur":
        return {"slur_gap_ms": float(table["slur_gap_ms"].max())}
    if kind == "register":
        return {"low_evenness_cents": float(answer.low_evenness_cents)}
    row = _middle(table, {"crow": "crow_hz", "hairpin": "dynamic_range_db"}[kind])
    found = {name: float(row[name]) for name in FILLS[kind]}
    if kind == "hairpin" and row["gain_suspected"]:
        found |= dict.fromkeys(_LEVELS, np.nan)
    return found


def _middle(table: pd.DataFrame, by: str) -> "pd.Series[Any]":
    ordered = table.sort_values(by, na_position="last")
    told = int(table[by].notna().sum())
    return ordered.iloc[max(told - 1, 0) // 2]
