"""The crow against one target: cents that were reckoned differently never stand together.

Cents depend on the target and on the tuning of A4 (of the session, else of the study). Where
the studies do not agree in both, they are reckoned anew from the pitch in Hz, or stay out.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import pandas as pd

from reedlab.errors import listed
from reedlab.schema import cents_from_band, note_hz
from reedlab.study.pooling.mapping import PoolMapping, notes_of
from reedlab.study.pooling.part import Part

CENTS, HERTZ = "tests.crow_cents", "tests.crow_hz"


def crow_clashes(parts: Sequence[Part]) -> Iterator[tuple[str, str, str]]:
    """Say against what the studies reckoned their cents, if it was not the same."""
    against = {part.name: reckoned_against(part) for part in parts if part.has(CENTS)}
    every = {one for found in against.values() for one in found}
    if len(every) > 1:
        told = "; ".join(f"{name} {listed(found)}" for name, found in against.items())
        yield (
            CENTS,
            f"it is reckoned against different pitches ({told}); crow_hz can give it anew",
            "crow.target",
        )


def reckoned_against(part: Part) -> list[str]:
    """Targets and tunings of a study's cents, in words; of anew reckoned ones the new one."""
    if part.against:
        return [part.against]
    target = _words(*part.study.settings.crow_target)
    rows = part.tables["tests"][part.values(CENTS).notna()]
    sessions = rows["session_id"].unique() if "session_id" in rows else [None]
    tunings = {part.study.tuning_hz(session) for session in sessions}
    return [f"{target} at A4 = {a4:g} Hz" for a4 in sorted(tunings)]


def _words(low: str, high: str) -> str:
    return low if low == high else f"{low}-{high}"


def reckoned_anew(part: Part, mapping: PoolMapping) -> Part:
    """Reckon the cents of a study against the mapping's target, from the pitch in Hz."""
    if not mapping.crow or CENTS not in part.columns:
        return part
    low, high = notes_of(mapping.crow["target"])
    a4 = float(mapping.crow["a4_hz"])
    band = note_hz(low, a4), note_hz(high, a4)
    tests = part.tables["tests"]
    hertz = tests["crow_hz"] if HERTZ in part.columns else pd.Series(float("nan"), tests.index)
    cents = hertz.map(lambda hz: cents_from_band(hz, *band) if hz > 0 else float("nan"))
    return replace(
        part,
        tables={**part.tables, "tests": tests.assign(crow_cents=cents.astype("float64"))},
        against=f"{_words(low, high)} at A4 = {a4:g} Hz",
    )


def lost_cents(part: Part) -> int:
    """How many tests of a study have cents of their own but none that could be reckoned anew."""
    if CENTS not in part.columns:
        return 0
    before = part.study.tables["tests"][part.typed[CENTS]].notna()
    return int((before & part.values(CENTS).isna()).sum())
