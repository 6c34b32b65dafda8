"""One recording of the page: measured, with what is shown of it.

The measures are those of :mod:`reedlab.measure`, with the tuning and target of the study.
Of the running pitch and level a few hundred points are kept for the picture. Hz, dB re a
full-scale sine, seconds from the beginning.
"""

from collections import Counter
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reedlab.answer import number_text
from reedlab.measure import Recording, read_recording
from reedlab.measure.kinds import FILLS, measured, numbers
from reedlab.measure.levels import level_track
from reedlab.measure.pitches import HELD_LEAP_COST, HELD_STEP_S, pitch_track
from reedlab.measure.steps import LIST_OF
from reedlab.measure.thinned import thinned
from reedlab.measure.traces import standing_octaves
from reedlab.schema import A4_HZ, RESPONSES, nearest_note, note_hz
from reedlab.study import Study

#: The number that stands largest.
FIRST = {
    "crow": "crow_hz",
    "hairpin": "dynamic_range_db",
    "slur": "slur_gap_ms",
    "register": "low_evenness_cents",
}
#: Points of a trace: as many as a small picture can show.
POINTS = 360
#: Notes that are named beside the pitch, those that stand longest.
NAMED = 6


@dataclass(frozen=True)
class Heard:
    """What one recording says.

    Attributes
    ----------
    numbers : dict of str to float
        By the columns of the tests table; only what could be told.
    headline, beside : str
        The largest number with its unit, and what stands smaller beside it.
    sentence : str
    cautions : tuple of str
    trace : dict
        ``time_s``, ``pitch_hz`` and ``level_db`` (lists of equal length, None where there is
        nothing), ``band_hz`` (target of the crow, or empty), ``marks`` (when it settled),
        ``notes`` (names and Hz).
    """

    numbers: dict[str, float]
    headline: str
    beside: str
    sentence: str
    cautions: tuple[str, ...]
    trace: dict[str, Any]


def hear(study: Study, kind: str, path: Path, session_id: str) -> Heard:
    """Measure a recording of one step of the test.

    Parameters
    ----------
    study : Study
    kind : {"crow", "hairpin", "slur", "register"}
    path : Path
    session_id : str
        Its tuning counts.

    Returns
    -------
    Heard

    Raises
    ------
    RecordError, ModelError
        If the recording cannot be used, or what was asked for is not in it.
    """
    recording = read_recording(path)
    a4_hz = study.tuning_hz(session_id)
    answer = measured(kind, recording, **_asked(study, kind, a4_hz))
    found = {name: value for name, value in numbers(kind, answer).items() if np.isfinite(value)}
    headline, beside = _headline(study, kind, found, a4_hz)
    trace = _trace(recording, kind, a4_hz)
    if kind == "crow":
        trace |= {
            "band_hz": [round(hz, 2) for hz in study.settings.crow_band_hz],
            "marks": [round(float(at), 3) for at in answer.table["settle_s"].dropna()],
        }
    return Heard(found, headline, beside, answer.sentence, answer.cautions, trace)


@cache
def get_ready() -> None:
    """Load what listens, so that the first recording is measured as quickly as the second."""
    time_s = np.arange(8000) / 8000
    tone = Recording(Path("silent"), 0.1 * np.sin(2 * np.pi * 340 * time_s), 8000.0)
    measured("crow", tone)
    _trace(tone, "crow", A4_HZ)


def number_lines(study: Study, found: dict[str, float]) -> list[dict[str, str]]:
    """Return numbers as they are read: label, text and unit."""
    lines = []
    for name, value in found.items():
        label, unit = words_for(study, name)
        lines.append({"label": label, "text": number_text(value, 4), "unit": unit})
    return lines


def words_for(study: Study, name: str) -> tuple[str, str]:
    """Return the label and unit of a measured number."""
    known = {one.name: one for one in (*RESPONSES, *study.settings.responses)}
    if name in known:
        return known[name].label, known[name].unit
    return name.replace("_", " "), ""


def _asked(study: Study, kind: str, a4_hz: float) -> dict[str, Any]:
    """Return what a measure of that kind is asked with."""
    settings = study.settings
    if kind == "hairpin":
        return {}
    if kind == "crow":
        return {"a4_hz": a4_hz, "instrument": settings.instrument, "target": settings.crow_target}
    fills = set(FILLS[kind])
    lines = [step.notes for step in settings.protocol if fills & set(step.fills)]
    # Fewer notes than a line has only say how far it goes.
    notes = next((line for line in lines if len(line) >= LIST_OF), None)
    return {"a4_hz": a4_hz, "notes": notes}


def _headline(study: Study, kind: str, found: dict[str, float], a4_hz: float) -> tuple[str, str]:
    name = FIRST[kind]
    if name not in found:
        return "–", "no number could be told"
    label, unit = words_for(study, name)
    if kind != "crow":
        return f"{number_text(found[name])} {unit}".strip(), label
    note, off = nearest_note(found[name], a4_hz)
    return (
        f"{found[name]:.1f} Hz",
        f"{note} {'+' if off >= 0 else ''}{number_text(round(off), 2)} cents",
    )


def _trace(recording: Recording, kind: str, a4_hz: float) -> dict[str, Any]:
    light = thinned(recording)
    time_s, level_db = level_track(light)
    # Of a crow both were heard while it was measured, and are not heard again.
    asked = {"step_s": HELD_STEP_S, "leap_cost": HELD_LEAP_COST} if kind == "crow" else {}
    track = pitch_track(light, **asked)
    octaves = standing_octaves(track)
    at = np.linspace(time_s[0], time_s[-1], min(POINTS, len(time_s)))
    # The nearest step, for between two notes there is nothing to interpolate.
    near = np.clip(np.searchsorted(track.time_s, at), 0, len(track.time_s) - 1)
    return {
        "time_s": _numbers(at, 3),
        "pitch_hz": _numbers(2.0 ** octaves[near], 2),
        "level_db": _numbers(np.interp(at, time_s, level_db), 1),
        "band_hz": [],
        "marks": [],
        "notes": _notes(octaves[np.isfinite(octaves)], a4_hz),
    }


def _notes(octaves: NDArray[np.float64], a4_hz: float) -> list[dict[str, Any]]:
    names = Counter(nearest_note(float(hz), a4_hz)[0] for hz in 2.0 ** octaves[::4])
    return [
        {"name": name, "hz": round(note_hz(name, a4_hz), 2)} for name, _ in names.most_common(NAMED)
    ]


def _numbers(values: NDArray[np.float64], digits: int) -> list[float | None]:
    return [round(float(value), digits) if np.isfinite(value) else None for value in values]
