"""The notes of a line, slurred or tongued: stretches of steady pitch, and which was meant.

A note is at least 0.1 s of one pitch. Found notes are set beside the list that was asked for
by the cheapest way of explaining one by the other, so that one note too many does not shift
all that follow. Pitch in Hz and cents, levels in dB re a full-scale sine, times in seconds.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isnan
from statistics import median

import numpy as np
from numpy.typing import NDArray

from reedlab.errors import CallError, RecordError, listed
from reedlab.measure.levels import level_track
from reedlab.measure.pitches import CEILING_HZ, FLOOR_HZ, HELD_STEP_S, pitch_track
from reedlab.measure.recording import Recording
from reedlab.measure.thinned import light_weighted
from reedlab.schema.pitch import A4_HZ, cents, nearest_note, note_hz

#: A new note begins where the pitch leaves the old one by more than half a semitone and some.
STEP_CENTS = 60.0
#: The old pitch is the median over so long, seconds.
RECENT_S = 0.1
#: Shorter is a slip on the way to a note, no note.
SHORTEST_S = 0.1
#: A lapse of at most this length within one pitch does not part it in two, seconds ...
LAPSE_S = 0.06
#: ... unless the level falls by so much in it, dB: then the tongue did.
TONGUED_DB = 6.0
#: Softer than this below the loud notes is room and reverberation, dB (A-weighted).
BELOW_DB = 30.0
#: Pitch and level of a note are those of its middle; so much is left out at either end.
EDGE_SHARE = 0.2

#: What it costs to explain a line: a note left out, one put in, another one instead, one in
#: another octave. A wrong note is cheaper than leaving out one and putting in another.
MISSING, EXTRA, OTHER, OCTAVE = 1.0, 1.0, 1.5, 1.2


@dataclass(frozen=True)
class Note:
    """A stretch of steady pitch; made by :func:`find_notes`.

    Attributes
    ----------
    start_s, end_s : float
        First and last moment at which the pitch is heard.
    hz : float
        Pitch of its middle: the mean in cents, for the median of a vibrato that is cut in the
        middle of a swing lies further off.
    level_db : float
        Median level of its middle.
    strength : float
        How well the period repeats itself there, 0 to 1.
    """

    start_s: float
    end_s: float
    hz: float
    level_db: float
    strength: float


@dataclass(frozen=True)
class Match:
    """One note that was asked for, found, or both.

    Attributes
    ----------
    wanted : str
        The note that was asked for; empty for one too many.
    found : Note or None
        None if it was not found.
    cents : float
        By how much the found note is above the wanted one; not a number unless both are there.
    fault : {"", "missing", "extra", "other octave", "other note"}
    """

    wanted: str
    found: Note | None
    cents: float
    fault: str


@dataclass(frozen=True)
class Alignment:
    """Found notes beside wanted ones, in order; made by :func:`match_notes`."""

    matches: tuple[Match, ...]
    a4_hz: float = A4_HZ

    @property
    def right_share(self) -> float:
        """Share of the wanted notes that were found, 0 to 1."""
        wanted = [match for match in self.matches if match.wanted]
        return sum(not match.fault for match in wanted) / len(wanted)

    @property
    def cautions(self) -> tuple[str, ...]:
        """One sentence for each note that is not as asked for."""
        places = np.cumsum([bool(match.wanted) for match in self.matches])
        pairs = zip(self.matches, places, strict=True)
        return tuple(
            _fault_text(match, int(place), self.a4_hz) for match, place in pairs if match.fault
        )


def find_notes(
    recording: Recording,
    floor_hz: float = FLOOR_HZ,
    ceiling_hz: float = CEILING_HZ,
    shortest_s: float = SHORTEST_S,
) -> list[Note]:
    """Return the notes of a recording, first to last.

    Parameters
    ----------
    recording : Recording
    floor_hz, ceiling_hz : float
        Lowest and highest pitch to look for, in Hz. A note outside is not left out: one below
        the floor is heard as one of its partials, one above the ceiling octaves too low.
    shortest_s : float
        Length of the shortest note.

    Returns
    -------
    list of Note

    Raises
    ------
    RecordError
        If no pitch stands so long.

    Notes
    -----
    The window of the pitch is three periods of the floor long, so a change of note is smeared
    over that time: half of it on either side. A pitch that comes back after a lapse of up to
    0.06 s is the same note, unless the level dipped by 6 dB meanwhile.

    Examples
    --------
    >>> from pathlib import Path
    >>> t = np.arange(8000) / 8000
    >>> line = np.concatenate([0.3 * np.sin(2 * np.pi * hz * t) for hz in (220.0, 247.0)])
    >>> [round(note.hz) for note in find_notes(Recording(Path("line.wav"), line, 8000))]
    [220, 247]
    """
    track = pitch_track(recording, floor_hz, ceiling_hz, HELD_STEP_S)
    at, db = level_track(light_weighted(recording))
    loudness = np.interp(track.time_s, at, db)
    heard = np.isfinite(track.hz) & (loudness > np.percentile(db, 95) - BELOW_DB)
    height = np.where(heard, 1200 * np.log2(track.hz), np.nan)
    runs = _steady_runs(height, track.time_s, shortest_s)
    runs = _mended(runs, height, loudness, track.time_s)
    if not runs:
        raise RecordError(
            f"{recording.path.name} holds no note of at least {shortest_s:g} s between "
            f"{floor_hz:.0f} and {ceiling_hz:.0f} Hz; check that it is the right recording."
        )
    at, db = level_track(recording, "Z")
    level_db = np.interp(track.time_s, at, db)
    return [_note(run, track.time_s, track.hz, level_db, track.strength) for run in runs]


def match_notes(found: Sequence[Note], wanted: Sequence[str], a4_hz: float = A4_HZ) -> Alignment:
    """Set found notes beside the list of those asked for, in order.

    Parameters
    ----------
    found : sequence of Note
    wanted : sequence of str
        Names of notes; see :func:`note_list`.
    a4_hz : float

    Returns
    -------
    Alignment

    Notes
    -----
    Dynamic programming: the cheapest row of notes that are right, in another octave, other
    than asked for, missing, or too many. A short note is the likelier to be one too many.

    Examples
    --------
    >>> found = [Note(0, 1, 87.5, -20, 0.9), Note(1, 2, 147.0, -20, 0.9)]
    >>> for match in match_notes(found, ["F2", "E2", "D2"]).matches:
    ...     print(match.wanted, match.fault or round(match.cents, 1))
    F2 3.8
    E2 missing
    D2 other octave
    """
    targets = [note_hz(name, a4_hz) for name in wanted]
    lengths = [note.end_s - note.start_s for note in found]
    usual = float(np.median(lengths)) if lengths else 1.0
    extra = [EXTRA * (0.5 + 0.5 * min(length / usual, 1)) for length in lengths]
    apart = [[cents(note.hz, target) for note in found] for target in targets]
    cost = np.zeros((len(targets) + 1, len(found) + 1))
    cost[1:, 0] = MISSING * np.arange(1, len(targets) + 1)
    cost[0, 1:] = np.cumsum(extra)
    for i, row in enumerate(apart):
        for j, off in enumerate(row):
            ways = (cost[i, j] + _pairing(off)[0], cost[i, j + 1] + MISSING, cost[i + 1, j])
            cost[i + 1, j + 1] = min(ways[0], ways[1], ways[2] + extra[j])
    return Alignment(_traced(cost, apart, found, wanted), a4_hz)


def note_list(notes: str | Sequence[str], a4_hz: float = A4_HZ) -> tuple[str, ...]:
    """Return the names in a list of notes, written as text or given one by one.

    Raises
    ------
    CallError
        If it is empty, or names what is no note: all of them at once.

    Examples
    --------
    >>> note_list("F2 E2, Eb2")
    ('F2', 'E2', 'Eb2')
    """
    if not isinstance(notes, str | Iterable):
        raise CallError(f"notes is {notes!r}; write the notes in order, e.g. 'F2 E2 Eb2'.")
    names = re.split(r"[\s,;]+", notes.strip(" ,;\n\t")) if isinstance(notes, str) else [*notes]
    names = [name for name in names if name]
    if not names:
        raise CallError("notes is empty; write the notes in order, e.g. 'F2 E2 Eb2', or leave out.")
    wrong = []
    for name in names:
        try:
            note_hz(name, a4_hz)
        except (CallError, AttributeError):
            wrong.append(f"'{name}'")
    if wrong:
        raise CallError(
            f"notes holds {listed(wrong)}, no note; write letter and octave, e.g. E2, Bb1 or F#2."
        )
    return tuple(names)


def require_match(alignment: Alignment, found: Sequence[Note], name: str, a4_hz: float) -> None:
    """Refuse a recording in which fewer than half of the wanted notes are found."""
    if alignment.right_share >= 0.5:
        return
    heard = " ".join(nearest_note(note.hz, a4_hz)[0] for note in found)
    wanted = " ".join(match.wanted for match in alignment.matches if match.wanted)
    raise RecordError(
        f"{name} holds {heard}, but {wanted} was asked for; give the notes that were played, at "
        "sounding pitch, or name the right recording."
    )


def _steady_runs(
    height: NDArray[np.float64], time_s: NDArray[np.float64], shortest_s: float
) -> list[tuple[int, int]]:
    """Return (first, last) of all stretches of one pitch that are long enough."""
    step = time_s[1] - time_s[0] if len(time_s) > 1 else shortest_s
    recent, shortest = round(RECENT_S / step), shortest_s / step
    heights = height.tolist()
    runs, first = [], None
    for place, value in enumerate(heights):
        if first is not None:
            # Not a number compares false: a lapse ends the run too.
            if abs(value - median(heights[max(first, place - recent) : place])) <= STEP_CENTS:
                continue
            runs.append((first, place - 1))
        first = None if isnan(value) else place
    if first is not None:
        runs.append((first, len(heights) - 1))
    return [(first, last) for first, last in runs if last - first + 1 >= shortest]


def _mended(
    runs: list[tuple[int, int]],
    height: NDArray[np.float64],
    level_db: NDArray[np.float64],
    time_s: NDArray[np.float64],
) -> list[tuple[int, int]]:
    """Join stretches of one pitch that only a lapse of the method parts."""
    mended: list[tuple[int, int]] = []
    for first, last in runs:
        if mended:
            start, end = mended[-1]
            near = abs(np.nanmedian(height[first : last + 1]) - np.nanmedian(height[start:end]))
            loud = min(np.median(level_db[start:end]), np.median(level_db[first:last]))
            dip = loud - level_db[end : first + 1].min()
            if time_s[first] - time_s[end] <= LAPSE_S and near <= STEP_CENTS and dip < TONGUED_DB:
                mended[-1] = (start, last)
                continue
        mended.append((first, last))
    return mended


def _note(
    run: tuple[int, int],
    time_s: NDArray[np.float64],
    hz: NDArray[np.float64],
    level_db: NDArray[np.float64],
    strength: NDArray[np.float64],
) -> Note:
    first, last = run
    edge = round(EDGE_SHARE * (last - first))
    middle = slice(first + edge, last + 1 - edge)
    return Note(
        start_s=float(time_s[first]),
        end_s=float(time_s[last]),
        hz=float(2 ** np.nanmean(np.log2(hz[middle]))),
        level_db=float(np.median(level_db[middle])),
        strength=float(np.median(strength[middle])),
    )


def _pairing(off: float) -> tuple[float, str]:
    """Return what it costs to take a note for the wanted one, and its fault."""
    if abs(off) <= STEP_CENTS:
        return abs(off) / 100 / 2, ""
    within = abs(off - 1200 * round(off / 1200))
    return (OCTAVE, "other octave") if within <= STEP_CENTS else (OTHER, "other note")


def _traced(
    cost: NDArray[np.float64],
    apart: list[list[float]],
    found: Sequence[Note],
    wanted: Sequence[str],
) -> tuple[Match, ...]:
    matches: list[Match] = []
    i, j = len(wanted), len(found)
    while i or j:
        if i and j:
            off = apart[i - 1][j - 1]
            price, fault = _pairing(off)
            if np.isclose(cost[i, j], cost[i - 1, j - 1] + price):
                i, j = i - 1, j - 1
                matches.append(Match(wanted[i], found[j], off, fault))
                continue
        if i and np.isclose(cost[i, j], cost[i - 1, j] + MISSING):
            i -= 1
            matches.append(Match(wanted[i], None, float("nan"), "missing"))
        else:
            j -= 1
            matches.append(Match("", found[j], float("nan"), "extra"))
    return tuple(reversed(matches))


def _fault_text(match: Match, place: int, a4_hz: float) -> str:
    if match.found is None:
        return f"Note {place} of the list, {match.wanted}, was not found."
    heard, at = nearest_note(match.found.hz, a4_hz)[0], match.found.start_s
    if match.fault == "extra":
        return f"A note near {heard} at {at:.1f} s is not in the list."
    apart = f"{match.cents:+.0f} cents".replace("-", "−")
    if match.fault == "other octave":
        octaves = abs(round(match.cents / 1200))
        much = "an octave" if octaves == 1 else f"{octaves} octaves"
        apart = f"{much} too {'high' if match.cents > 0 else 'low'}"
    return (
        f"Note {place} of the list is {match.wanted}, but {heard} sounds at {at:.1f} s ({apart})."
    )
