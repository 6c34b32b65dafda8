"""Invented slurs of known truth, measured: how far each number is off, by condition.

Every transition of a line has another fault; each fault comes to each place in its turn.
"""

from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from reedlab.demo.sound import Playing, Room, Sound, Transition, slur_sound
from reedlab.measure.notes import note_list
from reedlab.measure.recording import Recording
from reedlab.measure.slur import slur
from reedlab.schema import note_hz
from tests.measure import degrade

#: Steps of a tone to more than three octaves, from B♭1 to C5.
LINE = note_list("B♭1 F2 C3 F3 F2 G2 A2 C3 E3 G3 C4 A3 C4 E4 A4 F4 C4 F3 C3 C5 B♭1 C2 F2 D2")
FAULTS = (
    Transition(),
    Transition(gap_ms=40, dip_db=20),
    Transition(gap_ms=80, dip_db=12),
    Transition(foreign_hz=155.6, foreign_ms=90),
    Transition(gap_ms=80, dip_db=30),
    Transition(overshoot_cents=20),
    Transition(gap_ms=150, dip_db=30),
    Transition(gap_ms=40, dip_db=6),
    Transition(foreign_hz=311.1, foreign_ms=40),
    Transition(gap_ms=150, dip_db=6),
    Transition(overshoot_cents=40),
    Transition(gap_ms=84, dip_db=10, foreign_hz=415.3, foreign_ms=60),
    Transition(gap_ms=40, dip_db=30),
)
#: How many turns until each fault has been at each place.
TURNS = len(FAULTS)
UNSTEADY = Playing(vibrato_cents=3, wobble_cents=2, wobble_db=0.2)
PLAYED: dict[str, tuple[Room, Playing]] = {
    "quiet": (Room(60), Playing()),
    "noise": (Room(25), UNSTEADY),
    "hum": (Room(50, hum_db=-55.0), UNSTEADY),
    "vibrato": (Room(50), Playing(vibrato_cents=15, wobble_cents=3, wobble_db=0.4)),
    "clipped": (Room(50), UNSTEADY),
    "M4A": (Room(50), Playing()),
    "MP3": (Room(50), Playing()),
    "Opus": (Room(50), Playing()),
    "8 kHz": (Room(50), Playing()),
}
#: What saves space smears the beginning of a note over a block, up to so many ms before it.
CODED = {"M4A": 23.2, "MP3": 26.1, "Opus": 20.0}


def recording(sound: Sound) -> Recording:
    return Recording(Path("slur.wav"), sound.samples, sound.rate_hz)


def written(sound: Sound, how: str, folder: Path) -> Path:
    """Write a sound as its condition says."""
    asked = (sound.samples, sound.rate_hz)
    if how == "M4A":
        return degrade.m4a(*asked, folder / "slur.m4a", 64_000)
    if how == "MP3":
        return degrade.mp3(*asked, folder / "slur.mp3", 64_000)
    if how == "Opus":
        return degrade.ogg(*asked, folder / "slur.ogg", 48_000)
    if how == "8 kHz":
        return degrade.wav_8_khz(*asked, folder / "slur.wav")
    if how == "clipped":
        return degrade.clipped(*asked, folder / "slur.wav", 2.0)
    return sound.write(folder / "slur.wav")


def measured(how: str, turns: Iterable[int], folder: Path) -> pd.DataFrame:
    """Return what was found for each transition, with what is true of it beside it."""
    return pd.concat([_turn(how, turn, folder) for turn in turns], ignore_index=True)


def _turn(how: str, turn: int, folder: Path) -> pd.DataFrame:
    room, playing = PLAYED[how]
    faults = [FAULTS[(5 * place + turn) % len(FAULTS)] for place in range(len(LINE) - 1)]
    sound = slur_sound(
        turn + 1, notes=LINE, transitions=faults, room=room, playing=playing, note_s=0.6
    )
    found = slur(written(sound, how, folder), LINE).table
    assert same_names(found, LINE)
    truth = pd.DataFrame(
        {
            "gap": [fault.gap_ms for fault in faults],
            "dip": [fault.dip_db for fault in faults],
            "change": [
                max(fault.foreign_ms, fault.gap_ms if fault.dip_db >= 15 else 0) for fault in faults
            ],
            "overshoot": [fault.overshoot_cents for fault in faults],
            "put_hz": [fault.foreign_hz or np.nan for fault in faults],
            "put_ms": [fault.foreign_ms for fault in faults],
        }
    )
    return pd.concat([found, truth], axis=1)


def judged(grid: pd.DataFrame) -> pd.DataFrame:
    """Return bias, spread, usual (median) and worst error of every number."""
    # A foreign pitch within 150 cents of a note is none.
    names = zip(grid["from_note"], grid["to_note"], strict=True)
    near = [
        min(abs(1200 * np.log2(hz / note_hz(name))) for name in pair) < 160
        for hz, pair in zip(grid["put_hz"], names, strict=True)
    ]
    foreign = grid[(grid["put_ms"] > 0) & ~np.array(near)]
    gaps, over = grid[grid["gap"] > 0], grid[grid["overshoot"] > 0]
    told = foreign[foreign["foreign_note"] != ""]
    errors = {
        "gap, ms": gaps["slur_gap_ms"] - gaps["gap"],
        "gap where none is, ms": grid.loc[grid["gap"] == 0, "slur_gap_ms"],
        "dip, dB": gaps["dip_db"] - gaps["dip"],
        "change, ms": grid["change_ms"] - grid["change"],
        "overshoot, share": over["overshoot_cents"] / over["overshoot"],
        "overshoot where none is": grid.loc[grid["overshoot"] == 0, "overshoot_cents"],
        "foreign missed": foreign["foreign_note"].eq("").astype(float),
        "foreign where none is": grid["foreign_note"].ne("")[grid["put_ms"] == 0].astype(float),
        "foreign, cents": 1200 * np.log2(told["foreign_hz"] / told["put_hz"]),
        "foreign, ms": told["foreign_ms"] - told["put_ms"],
    }
    rows = [
        (name, len(off), off.mean(), off.std(), off.abs().median(), off.abs().max())
        for name, off in errors.items()
    ]
    columns = ["number", "n", "bias", "spread", "usual", "worst"]
    return pd.DataFrame(rows, columns=columns).set_index("number")


def same_names(found: pd.DataFrame, notes: Sequence[str]) -> bool:
    """Tell whether the transitions of a table are those of a line."""
    pairs = list(zip(found["from_note"], found["to_note"], strict=True))
    return pairs == list(pairwise(notes))
