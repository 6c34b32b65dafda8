"""Where does a slurred arpeggio catch?

Every transition between two notes is measured by itself: the gap in the level, the time of the
change, how far the pitch overshoots, and a foreign pitch between. Clicks and gaps at the same
place on reed after reed belong to the instrument; those of one reed, common practice says, to
blades that are not equal. Times in s or ms as named, levels in dB, pitch in Hz and cents.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.answer import Answer, number_text
from reedlab.errors import CallError, RecordError
from reedlab.measure.attempts import find_attempts
from reedlab.measure.notes import Note, note_list
from reedlab.measure.quality import quality
from reedlab.measure.recording import Recording, read_recording
from reedlab.measure.slur_notes import Named, slurred_notes
from reedlab.measure.transitions import GONE_DB, Prepared, Transition, prepared, transition
from reedlab.schema.pitch import A4_HZ, nearest_note

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLUMNS = (
    "attempt",
    "number",
    "from_note",
    "to_note",
    "at_s",
    "slur_gap_ms",
    "dip_db",
    "change_ms",
    "overshoot_cents",
    "foreign_note",
    "foreign_hz",
    "foreign_ms",
    "smoothness",
)
#: A disturbance of this length makes a transition as rough as it can be told.
ROUGH_MS = 100.0
#: From here on a transition is called smooth.
SMOOTH = 0.8
#: An overshoot from here on is told in words.
OVERSHOOT_CENTS = 15.0
#: With so many transitions broken the notes were tongued.
TONGUED_SHARE = 0.8


@dataclass(frozen=True)
class Slur(Answer):
    """The transitions of a slur; made by :func:`slur`.

    Attributes
    ----------
    table : DataFrame
        One row a transition: ``attempt``, ``number`` in it, ``from_note``, ``to_note``,
        ``at_s``, ``slur_gap_ms`` (width of the dip in level at half its depth in dB),
        ``dip_db`` (its depth below the softer note), ``change_ms`` (from the moment at
        which the old note is left by 50 cents to that from which the new one stays within
        50 cents), ``overshoot_cents`` (not a number where the new note lasts less than about
        0.3 s), ``foreign_note, foreign_hz, foreign_ms`` (what stands between and is neither),
        ``smoothness`` (see :func:`slur`).
    recording : Recording
    a4_hz : float
        Tuning.
    """

    recording: Recording | None = field(default=None, repr=False)
    a4_hz: float = A4_HZ

    @property
    def slur_gap_ms(self) -> float:
        """The longest gap, as the tests table records it."""
        return float(self.table["slur_gap_ms"].max())

    @property
    def worst(self) -> "pd.Series[Any]":
        """The row of the least smooth transition; of equal ones the longest gap."""
        order = ["smoothness", "slur_gap_ms", "dip_db"]
        return self.table.sort_values(order, ascending=[True, False, False]).iloc[0]

    def _say(self) -> str:
        count, rough = len(self.table), int((self.table["smoothness"] < SMOOTH).sum())
        if not rough:
            return (
                f"{_counted(count)} and none catches: the longest gap is "
                f"{self.slur_gap_ms:.0f} ms, the slowest change of pitch "
                f"{self.table['change_ms'].max():.0f} ms."
            )
        row = self.worst
        where = f" of attempt {row['attempt']}" if self.table["attempt"].nunique() > 1 else ""
        return (
            f"{row['from_note']} to {row['to_note']}{where}, at {row['at_s']:.1f} s: "
            f"{fault_text(row)}. {'It' if rough == 1 else f'This is the worst of {rough} that'} "
            f"{'alone catches' if rough == 1 else 'catch'}, of {_counted(count)}."
        )

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw pitch and level over time, the transitions marked and the worst named."""
        from reedlab.measure.slur_picture import draw_slur

        return draw_slur(self, ax)


def slur(
    path: str | Path | Recording,
    notes: str | Sequence[str] | None = None,
    a4_hz: float = A4_HZ,
) -> Slur:
    """Measure every transition of a slurred line.

    Parameters
    ----------
    path : str, Path or Recording
        May hold several attempts, each of them the whole line.
    notes : str or sequence of str, optional
        The notes that were played, at sounding pitch, e.g. ``"C3 E3 G3 C4"``. Left out,
        the notes are those that are found.
    a4_hz : float
        Tuning, in Hz.

    Returns
    -------
    Slur

    Raises
    ------
    CallError
        If `notes` holds what is no note, or fewer than two.
    RecordError
        If the file cannot be used, no slur of two notes is in it, or fewer than half of
        the notes that were asked for.

    Notes
    -----
    ``smoothness`` is 1 less the longest disturbance, in tenths of a second, and not below
    0. The disturbance is the time of the change, or the gap if that is longer; a gap counts
    in proportion to its depth, in full from 15 dB on. It is a scale for comparing, without
    a source.

    A dip of less than 3 dB is no gap. Nothing that is shorter than a period of the lower
    note can be seen in the level, nor named as a pitch unless it lasts two. A glide is no
    foreign pitch, and is told one or two periods of the lower note too short. An overshoot
    that dies away in 60 ms is told about a quarter too small, for it is gone while it is
    being heard. A dip cannot be told deeper than the noise of the room. A phone that saves
    space (AAC) may sound a note up to 23 ms before it begins, and a gap is told so much shorter.

    Examples
    --------
    >>> from reedlab.demo.sound import Transition, slur_sound
    >>> import tempfile
    >>> faults = [Transition(), Transition(gap_ms=60, dip_db=20)]
    >>> sound = slur_sound(notes=["C3", "F3", "A3"], transitions=faults)
    >>> slur(sound.write(Path(tempfile.mkdtemp()) / "slur.wav"), "C3 F3 A3").sentence
    'F3 to A3, at 1.9 s: 62 ms gap, 20 dB deep. It alone catches, of 2 transitions.'
    """
    wanted = None if notes is None else _line(notes, a4_hz)
    recording = path if isinstance(path, Recording) else read_recording(path)
    attempts = find_attempts(recording)
    rows: list[dict[str, Any]] = []
    cautions = [*recording.cautions, *attempts.cautions]
    refused: dict[int, RecordError] = {}
    sound = prepared(recording)
    for number, span_s in enumerate(attempts, start=1):
        try:
            named, said = slurred_notes(recording, span_s, wanted, a4_hz)
        except RecordError as error:
            refused[number] = error
            continue
        found = _rows(number, named, sound, a4_hz)
        rows += found
        judged = quality(recording, *span_s)
        deep = [row for row in found if row["dip_db"] > judged.snr_db]
        cautions += [*said, *_tongued(found), *judged.cautions, *map(_lost_in_noise, deep)]
    if not rows:
        raise next(iter(refused.values()))
    cautions += [f"Attempt {number} is left out: {error}" for number, error in refused.items()]
    return Slur(
        question=f"Where does the slur in {recording.path.name} catch?",
        table=pd.DataFrame(rows)[[*COLUMNS]],
        cautions=tuple(dict.fromkeys(cautions)),
        rows_used=len(rows),
        left_out=pd.DataFrame(
            [(recording.path.name, number, str(error)) for number, error in refused.items()],
            columns=["file", "attempt", "fault"],
        ),
        recording=recording,
        a4_hz=a4_hz,
    )


def fault_text(row: "pd.Series[Any]") -> str:
    """Say in words what is wrong with a transition."""
    parts = []
    if row["slur_gap_ms"] > 0:
        parts.append(f"{row['slur_gap_ms']:.0f} ms gap, {number_text(row['dip_db'], 2)} dB deep")
    if row["foreign_note"]:
        lasting = f"a foreign {row['foreign_note']} for {row['foreign_ms']:.0f} ms"
        parts.append(f"with {lasting}" if parts else lasting)
    if not parts:
        parts.append(f"the pitch takes {row['change_ms']:.0f} ms to change")
    if row["overshoot_cents"] >= OVERSHOOT_CENTS:
        parts.append(f"then {row['overshoot_cents']:.0f} cents too far")
    return ", ".join(parts)


def _line(notes: str | Sequence[str], a4_hz: float) -> tuple[str, ...]:
    wanted = note_list(notes, a4_hz)
    if len(wanted) < 2:
        raise CallError(f"notes holds {wanted[0]} alone; a slur needs two notes or more.")
    return wanted


def _rows(attempt: int, named: Named, sound: Prepared, a4_hz: float) -> list[dict[str, Any]]:
    return [
        {"attempt": attempt, "number": number, **_row(old, new, sound, a4_hz)}
        for number, (old, new) in enumerate(pairwise(named), start=1)
    ]


def _row(
    old: tuple[str, Note], new: tuple[str, Note], sound: Prepared, a4_hz: float
) -> dict[str, Any]:
    found = transition(sound, old[1], new[1])
    foreign = "" if np.isnan(found.foreign_hz) else nearest_note(found.foreign_hz, a4_hz)[0]
    return {
        "from_note": old[0],
        "to_note": new[0],
        "at_s": sum(found.change_s) / 2,
        "slur_gap_ms": 1000 * (found.gap_s[1] - found.gap_s[0]),
        "dip_db": found.dip_db,
        "change_ms": 1000 * (found.change_s[1] - found.change_s[0]),
        "overshoot_cents": found.overshoot_cents,
        "foreign_note": foreign,
        "foreign_hz": found.foreign_hz,
        "foreign_ms": found.foreign_ms,
        "smoothness": _smoothness(found),
    }


def _smoothness(found: Transition) -> float:
    gap_ms = 1000 * (found.gap_s[1] - found.gap_s[0]) * min(1.0, found.dip_db / GONE_DB)
    change_ms = 1000 * (found.change_s[1] - found.change_s[0])
    return max(0.0, 1 - max(gap_ms, change_ms) / ROUGH_MS)


def _tongued(rows: list[dict[str, Any]]) -> Iterator[str]:
    broken = [row for row in rows if row["dip_db"] >= GONE_DB]
    if len(broken) >= TONGUED_SHARE * len(rows) and len(rows) > 2:
        yield (
            f"{len(broken)} of {len(rows)} transitions are broken, so the notes seem to have been "
            "tongued; play them slurred, in one breath."
        )


def _lost_in_noise(row: dict[str, Any]) -> str:
    return (
        f"From {row['from_note']} to {row['to_note']} the level falls into the noise of the room; "
        f"the dip may be deeper than {row['dip_db']:.0f} dB."
    )


def _counted(count: int) -> str:
    return f"{count} transition{'' if count == 1 else 's'}"
