"""Is the low register even and in tune?

Notes played one after the other, tongued or slurred: pitch against equal temperament, level
and brightness of each, and how much they differ. Cents, Hz, dB re a full-scale sine, seconds.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reedlab.answer import Answer
from reedlab.errors import RecordError
from reedlab.measure.edges import Edge, find_edges
from reedlab.measure.levels import SILENCE_DB, level_track
from reedlab.measure.notes import (
    EDGE_SHARE,
    Alignment,
    Match,
    Note,
    find_notes,
    match_notes,
    note_list,
    require_match,
)
from reedlab.measure.pitches import CEILING_HZ, FLOOR_HZ
from reedlab.measure.quality import MOST_CLIPPED, quality, small_share
from reedlab.measure.quiet import find_quiet
from reedlab.measure.recording import Recording, read_recording
from reedlab.measure.spectrum import WINDOW_S, partials
from reedlab.schema.pitch import A4_HZ, nearest_note, note_hz

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: The list widens the limits of the pitch but never narrows them: a note below the floor would
#: be heard as one of its partials, one above the ceiling as a note octaves lower.
BELOW, ABOVE = 0.86, 1.16
#: A register is made of at least so many notes.
FEWEST = 2
#: A note has a beginning of its own if the level comes up to it by so much, dB.
SPOKEN_DB = 10.0
#: How far around a note its beginning and end are looked for, seconds.
AROUND_S = 0.3
#: All notes this much too high or low: the tuning that was asked for is not the one played.
OFF_TUNE_CENTS = 15.0
#: Notes whose median is shorter were not held, or are syllables of speech, seconds.
HELD_S = 0.4

COLUMNS = (
    "note",
    "found",
    "fault",
    "hz",
    "cents",
    "level_db",
    "centroid_hz",
    "start_s",
    "end_s",
    "attack_ms",
)


@dataclass(frozen=True)
class Register(Answer):
    """How even and how well in tune a row of notes is; made by :func:`register`.

    Attributes
    ----------
    table : DataFrame
        One row a note, in the order of playing:

        ``note`` (asked for; without a list the nearest), ``found`` (the nearest to what
        sounds), ``fault`` (empty, missing, extra, other octave or other note); ``hz``,
        ``cents`` (above ``note`` in equal temperament; of a note in another octave, one too
        many or another one: above ``found``); ``level_db`` (re full scale), ``centroid_hz``
        (mean frequency of the partials weighted by power: brightness); ``start_s, end_s``;
        ``attack_ms`` (not a number where a note is slurred to the one before).
    """

    a4_hz: float = A4_HZ

    @property
    def low_evenness_cents(self) -> float:
        """Standard deviation of cents over the notes that are as asked for; 0 is even."""
        return self._spread("cents")

    @property
    def level_spread_db(self) -> float:
        """Standard deviation of the level over those notes."""
        return self._spread("level_db")

    @property
    def centroid_spread_hz(self) -> float:
        """Standard deviation of the centroid over those notes."""
        return self._spread("centroid_hz")

    def _spread(self, column: str) -> float:
        return float(self._right[column].std(ddof=1))

    @property
    def _right(self) -> pd.DataFrame:
        return self.table[self.table["fault"] == ""]

    def _say(self) -> str:
        right = self._right
        ordered = right.sort_values("cents")
        low, high = ordered.iloc[0], ordered.iloc[-1]
        mean = right["cents"].mean()
        return (
            f"{len(right)} notes, on average {_off(mean)} at A4 = {self.a4_hz:g} Hz; they differ "
            f"by {self.low_evenness_cents:.1f} cents (standard deviation), from {low['note']} "
            f"{_off(low['cents'])} to {high['note']} {_off(high['cents'])}; levels differ by "
            f"{self.level_spread_db:.1f} dB, brightness by {self.centroid_spread_hz:.0f} Hz."
        )

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw cents and level note by note."""
        from reedlab.measure.register_picture import note_by_note

        return note_by_note(self.table, self.a4_hz, ax)


def register(
    path: str | Path | Recording, notes: str | Sequence[str] | None = None, a4_hz: float = A4_HZ
) -> Register:
    """Measure a row of notes: pitch, level and brightness of each, and how even they are.

    Parameters
    ----------
    path : str, Path or Recording
        A recording of the notes, each held for half a second or more.
    notes : str or sequence of str, optional
        The notes in the order of playing, at sounding pitch: ``"F2 E2 Eb2 D2 C2 Bb1"``.
        Left out, each found note counts as the nearest one.
    a4_hz : float
        Tuning of A4.

    Returns
    -------
    Register

    Raises
    ------
    RecordError
        If the recording cannot be read, is clipped, holds fewer than two notes, or fewer than
        half of those asked for.
    CallError
        For a list that holds what is no note.

    Notes
    -----
    A note is a steady pitch of at least 0.1 s; its pitch is the mean in cents, its level the
    median over its middle three fifths. Found notes are matched with the list by dynamic
    programming. Evenness is the standard deviation (n - 1) over notes that are as asked for.
    It takes equal temperament for even: a player who tempers on purpose is not uneven.

    The trap: levels of different notes depend on where the microphone stands, for each note
    leaves the instrument elsewhere, and on the room. Compare reeds in one place.

    References
    ----------
    ISO 16:1975 (A4 = 440 Hz).

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from reedlab.demo.sound import register_sound
    >>> low = register_sound(notes=["D2", "C2"], error_cents=[-10, 15])
    >>> with TemporaryDirectory() as folder:
    ...     found = register(low.write(Path(folder) / "low.wav"), "D2 C2")
    >>> found.table["cents"].round().tolist(), round(found.low_evenness_cents)
    ([-10.0, 15.0], 18)
    """
    wanted = None if notes is None else note_list(notes, a4_hz)
    recording = path if isinstance(path, Recording) else read_recording(path)
    found = find_notes(recording, *_limits(recording, wanted, a4_hz))
    alignment = _aligned(found, wanted, recording.path.name, a4_hz)
    judged = quality(recording, max(found[0].start_s, 0.0), found[-1].end_s)
    if judged.clipped_share > MOST_CLIPPED:
        raise RecordError(
            f"{recording.path.name}: {small_share(judged.clipped_share)} of the samples are "
            "clipped, so levels and brightness are not to be used; turn the recorder down and "
            "record again."
        )
    edges = dict(zip(found, _note_edges(recording, found), strict=True))
    rows = [_row(recording, match, edges, a4_hz) for match in alignment.matches]
    table = pd.DataFrame(rows, columns=[*COLUMNS])
    return Register(
        question="Is the low register even and in tune?",
        table=table,
        cautions=(
            *recording.cautions,
            *judged.cautions,
            *(alignment.cautions if wanted else ()),
            *_short_cautions(found),
            *_tuning_cautions(table, a4_hz),
            "Levels are relative to the recorder's full scale, and differ from note to note with "
            "the place of the microphone: compare reeds recorded in one place.",
        ),
        rows_used=int((table["fault"] == "").sum()),
        a4_hz=a4_hz,
    )


def _limits(
    recording: Recording, wanted: Sequence[str] | None, a4_hz: float
) -> tuple[float, float]:
    hz = [note_hz(name, a4_hz) for name in wanted or ()]
    floor = min([FLOOR_HZ, *(BELOW * each for each in hz)])
    ceiling = max([CEILING_HZ, *(ABOVE * each for each in hz)])
    return floor, min(ceiling, recording.rate_hz / 2)


def _aligned(
    found: Sequence[Note], wanted: Sequence[str] | None, name: str, a4_hz: float
) -> Alignment:
    if wanted is None:
        wanted = [nearest_note(note.hz, a4_hz)[0] for note in found]
    alignment = match_notes(found, wanted, a4_hz)
    require_match(alignment, found, name, a4_hz)
    right = sum(not match.fault for match in alignment.matches)
    if right < FEWEST:
        raise RecordError(
            f"{name} holds {right} of the notes; evenness needs at least {FEWEST}, better six."
        )
    return alignment


def _note_edges(
    recording: Recording, found: Sequence[Note]
) -> list[tuple[Edge | None, Edge | None]]:
    """Return the beginning and end of each note; None where it is slurred to its neighbour."""
    time_s, level_db = level_track(recording, "A")
    quiet = find_quiet(recording).quiet
    noise = float(np.median(level_db[quiet])) if quiet.any() else SILENCE_DB
    parted = [_dip(time_s, level_db, a, b) > SPOKEN_DB for a, b in pairwise(found)]
    middles = [(a.end_s + b.start_s) / 2 for a, b in pairwise(found)]
    bounds = [found[0].start_s - AROUND_S, *middles, found[-1].end_s + AROUND_S]
    edges = []
    for place, note in enumerate(found):
        within = bounds[place], bounds[place + 1]
        begins, ends = find_edges(recording, note.hz, note.start_s, note.end_s, noise, within)
        first, last = place == 0, place == len(found) - 1
        edges.append(
            (
                begins if first or parted[place - 1] else None,
                ends if last or parted[place] else None,
            )
        )
    return edges


def _dip(
    time_s: NDArray[np.float64], level_db: NDArray[np.float64], one: Note, other: Note
) -> float:
    """Return by how much the level falls between two notes."""
    between = level_db[(time_s >= one.end_s) & (time_s <= other.start_s)]
    softer = min(
        float(np.median(level_db[(time_s >= note.start_s) & (time_s <= note.end_s)]))
        for note in (one, other)
    )
    return softer - float(between.min()) if len(between) else 0.0


def _row(
    recording: Recording,
    match: Match,
    edges: dict[Note, tuple[Edge | None, Edge | None]],
    a4_hz: float,
) -> dict[str, object]:
    note = match.found
    if note is None:
        return {"note": match.wanted, "found": "", "fault": match.fault}
    name, off = nearest_note(note.hz, a4_hz)
    begins, ends = edges[note]
    return {
        "note": match.wanted,
        "found": name,
        "fault": match.fault,
        "hz": note.hz,
        "cents": off if match.fault else match.cents,
        "level_db": note.level_db,
        "centroid_hz": _centroid_hz(recording, note),
        "start_s": begins.silent_s if begins else note.start_s,
        "end_s": ends.silent_s if ends else note.end_s,
        "attack_ms": begins.length_ms if begins else np.nan,
    }


def _centroid_hz(recording: Recording, note: Note) -> float:
    edge = EDGE_SHARE * (note.end_s - note.start_s)
    from_s, to_s = note.start_s + edge, note.end_s - edge
    count = max(int((to_s - from_s) / (WINDOW_S / 2)), 1)
    at = from_s + (to_s - from_s) * (np.arange(count) + 0.5) / count
    return float(np.median(partials(recording, at, np.full(count, note.hz)).centroid_hz))


def _tuning_cautions(table: pd.DataFrame, a4_hz: float) -> Iterator[str]:
    mean = table.loc[table["fault"] == "", "cents"].mean()
    if abs(mean) > OFF_TUNE_CENTS:
        yield (
            f"All notes together are {_off(mean)} at A4 = {a4_hz:g} Hz; if the instrument was "
            f"tuned otherwise, give its a4_hz (here about {a4_hz * 2 ** (mean / 1200):.0f})."
        )


def _short_cautions(found: Sequence[Note]) -> Iterator[str]:
    usual = float(np.median([note.end_s - note.start_s for note in found]))
    if usual < HELD_S:
        yield (
            f"The notes last {usual:.2f} s only, so this may be speech, or a line played fast; "
            "hold each for half a second or more."
        )


def _off(cents: float) -> str:
    if abs(cents) < 0.05:
        return "in tune"
    return f"{abs(cents):.1f} cents {'sharp' if cents > 0 else 'flat'}"
