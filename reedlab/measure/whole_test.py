"""A whole test in one recording: each played step found, and measured by its own measure.

The steps are those of the protocol, in order, with quiet between. Each measure sees only its
own part of the recording. The answer is one row of the tests table, beside the parts' answers.
Units are in the names of the columns; times in s from the beginning of the recording.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.answer import Answer, number_text
from reedlab.errors import CallError, ModelError, RecordError
from reedlab.measure.kinds import FILLS, NUMBERS, measured, numbers
from reedlab.measure.recording import Recording, read_recording
from reedlab.measure.steps import LIST_OF, Heard, assign, hear, part_of
from reedlab.schema import Step
from reedlab.schema.pitch import A4_HZ
from reedlab.study.settings import Settings

if TYPE_CHECKING:
    from matplotlib.axes import Axes

STEP_COLUMNS = ("step", "kind", "start_s", "end_s", "part_s", "fault")
#: The numbers in words, with their units.
WORDS = {
    "crow_hz": ("crow", "Hz"),
    "dynamic_range_db": ("dynamic range", "dB"),
    "attack_ms": ("attack", "ms"),
    "slur_gap_ms": ("longest slur gap", "ms"),
    "low_evenness_cents": ("low-register spread", "cents"),
}


@dataclass(frozen=True)
class WholeTest(Answer):
    """One row of the tests table; made by :func:`whole_test`.

    Attributes
    ----------
    table : DataFrame
        One row: ``file``, ``crow_hz, crow_cents, soft_db, loud_db, dynamic_range_db,
        attack_ms, slur_gap_ms`` (the longest), ``low_evenness_cents``; not a number where
        the step was not found or could not be measured.
    steps : DataFrame
        One row a played step of the protocol: ``step``, ``kind``, ``start_s, end_s`` of its
        sound, ``part_s`` (where its part begins, quiet included; all three not a number where
        it was not found), ``fault`` (empty if it was measured).
    parts : mapping of str to Answer
        The answers of the steps that were measured, by the names of the steps. Their times, also
        those in faults and cautions, count from ``part_s``.
    recording : Recording
    """

    steps: pd.DataFrame = field(default_factory=pd.DataFrame)
    parts: Mapping[str, Answer] = field(default_factory=dict)
    recording: Recording | None = field(default=None, repr=False)

    def _say(self) -> str:
        row = self.table.iloc[0]
        told = [
            f"{words} {number_text(row[name])} {unit}"
            for name, (words, unit) in WORDS.items()
            if pd.notna(row[name])
        ]
        missing = self.steps.loc[self.steps["start_s"].isna(), "step"].tolist()
        count = len(self.steps)
        found = f"{count - len(missing)} of {count} steps found: {', '.join(told)}."
        return found + (f" Not found: {', '.join(missing)}." if missing else "")

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw pitch and level of the recording, with the steps named."""
        from reedlab.measure.whole_test_picture import draw_test

        return draw_test(self, ax)


def whole_test(
    path: str | Path | Recording,
    protocol: Sequence[Step] | None = None,
    a4_hz: float = A4_HZ,
    instrument: str = "bassoon",
    target: str | Sequence[str] | None = None,
) -> WholeTest:
    """Measure a whole test that was recorded in one go.

    Parameters
    ----------
    path : str, Path or Recording
        The played steps in the order of the protocol, with half a second of quiet between
        them, better more.
    protocol : sequence of Step, optional
        As in a study's settings; left out, that of the instrument.
    a4_hz : float
        Tuning, in Hz.
    instrument : str
        As in :data:`reedlab.schema.INSTRUMENTS`.
    target : str or (str, str), optional
        Another crow target than the instrument's.

    Returns
    -------
    WholeTest

    Raises
    ------
    CallError
        For a protocol without a step that is played.
    RecordError
        If the file cannot be used, or none of the steps is in it.

    Notes
    -----
    A step is measured by what it fills in the tests table. Sounds are given to steps by their
    order and their notes: one long note near the crow's target, one long note on the
    hairpin's, a line of three notes and more that leaps, low notes. Three or more notes in a
    step are the list that its line is matched with; fewer only say where it ends. A step that
    was played out of its order is not found. Of two steps that fill the same column the later
    one counts.

    Examples
    --------
    >>> from reedlab.demo.sound import whole_test_sound
    >>> sound = whole_test_sound()
    >>> found = whole_test(Recording(Path("invented.wav"), sound.samples, sound.rate_hz))
    >>> found.table[["crow_hz", "dynamic_range_db", "slur_gap_ms"]].round(0).values.tolist()
    [[341.0, 20.0, 62.0]]
    """
    settings = Settings(
        instrument,
        a4_hz=a4_hz,
        crow_target=() if target is None else target,
        protocol=tuple(protocol or ()),
    )
    steps = _played(settings.protocol)
    recording = path if isinstance(path, Recording) else read_recording(path)
    heard = hear(recording)
    found = assign(heard, steps, settings.crow_band_hz, a4_hz)
    if not any(found):
        raise RecordError(
            f"{recording.path.name} holds none of the steps "
            f"{', '.join(step.name for _, step in steps)}; play them in this order, with a "
            "second of quiet between."
        )
    parts: dict[str, Answer] = {}
    row: dict[str, float] = dict.fromkeys(NUMBERS, np.nan)
    told: list[tuple[Any, ...]] = []
    for (kind, step), sounds in zip(steps, found, strict=True):
        if not sounds:
            told.append((step.name, kind, np.nan, np.nan, np.nan, "it was not found"))
            continue
        part, part_s = part_of(recording, sounds)
        fault = ""
        try:
            parts[step.name] = measured(kind, part, **_asked(kind, step, settings))
            row |= numbers(kind, parts[step.name])
        except (RecordError, ModelError) as error:
            fault = str(error)
        told.append((step.name, kind, sounds[0].start_s, sounds[-1].end_s, part_s, fault))
    if not parts:
        faults = "; ".join(f"{name}: {fault}" for name, *_, fault in told)
        raise RecordError(f"{recording.path.name} holds no step that can be measured. {faults}")
    table = pd.DataFrame(told, columns=[*STEP_COLUMNS])
    return WholeTest(
        question=f"What does the test in {recording.path.name} say?",
        table=pd.DataFrame([{"file": recording.path.name} | row]),
        cautions=(*recording.cautions, *_cautions(table, parts, heard, found)),
        rows_used=len(parts),
        left_out=_left_out(table, recording.path.name),
        steps=table,
        parts=parts,
        recording=recording,
    )


def _played(protocol: Sequence[Step]) -> list[tuple[str, Step]]:
    """Return the steps that are played, each with the kind of measure that it asks for."""
    played = [
        (kind, step)
        for step in protocol
        for kind, fills in FILLS.items()
        if set(fills) & set(step.fills)
    ]
    if not played:
        raise CallError(
            f"The protocol has no step that a recording fills; such a step fills one of "
            f"{', '.join(NUMBERS)}."
        )
    return played


def _asked(kind: str, step: Step, settings: Settings) -> dict[str, Any]:
    if kind == "crow":
        target = settings.crow_target
        return {"a4_hz": settings.a4_hz, "instrument": settings.instrument, "target": target}
    if kind == "hairpin":
        return {}
    notes = step.notes if len(step.notes) >= LIST_OF else None
    return {"notes": notes, "a4_hz": settings.a4_hz}


def _cautions(
    steps: pd.DataFrame,
    parts: Mapping[str, Answer],
    heard: Sequence[Heard],
    found: Sequence[Sequence[Heard]],
) -> list[str]:
    cautions = [
        f"The step '{row['step']}' "
        + ("was not found." if np.isnan(row["start_s"]) else f"was not measured: {row['fault']}")
        for row in steps.to_dict("records")
        if row["fault"]
    ]
    given = sum(len(sounds) for sounds in found)
    if given < len(heard):
        lost = [sound for sound in heard if not any(sound in sounds for sounds in found)]
        places = ", ".join(f"{sound.start_s:.1f} s" for sound in lost)
        cautions.append(
            f"No step was seen in what sounds at {places}; the steps are looked for in the order "
            "of the protocol."
        )
    cautions += [f"{name}: {text}" for name, answer in parts.items() for text in answer.cautions]
    return cautions


def _left_out(steps: pd.DataFrame, file: str) -> pd.DataFrame:
    faulty = steps[steps["fault"] != ""]
    return pd.DataFrame({"file": file, "step": faulty["step"], "fault": faulty["fault"]})
