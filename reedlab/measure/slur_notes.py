"""The notes of a slur by name: those of the list, or those that are found.

A slip on the way from note to note is no note of its own: it belongs to the transition. What
is no slurred playing is refused. Hz, cents and seconds.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from reedlab.answer import percent_text
from reedlab.errors import RecordError
from reedlab.measure.notes import STEP_CENTS, Note, find_notes, match_notes, require_match
from reedlab.measure.pitches import CEILING_HZ
from reedlab.measure.recording import Recording
from reedlab.schema.pitch import cents, nearest_note, note_hz

#: Notes are looked for so far below and above the list: an octave too high is a common slip.
BELOW, ABOVE = 1.26, 2.1
#: Without a list they may lie as high as this; no reed is asked for more than A6.
HIGHEST_HZ = 2000.0
#: In a quick line so much stands of a note, between the windows that reach into the next; in s.
SHORTEST_S = 0.07
#: What is shorter than this share of the usual note is a slip on the way to one.
SLIP_SHARE = 0.4
#: In playing, at least this share of the sound is standing notes; in speech it is not.
LEAST_STANDING = 0.7
#: Longer without any note, and something else than a slur is going on, in s.
LONGEST_LAPSE_S = 1.5

#: An attempt that is this share of its recording is looked for in the whole.
MOST_OF_IT = 0.7

Named = list[tuple[str, Note]]


def slurred_notes(
    recording: Recording,
    span_s: tuple[float, float],
    wanted: Sequence[str] | None,
    a4_hz: float,
) -> tuple[Named, tuple[str, ...]]:
    """Return the notes of one attempt with their names, and what is not as asked for.

    Parameters
    ----------
    recording : Recording
    span_s : (float, float)
        Where the attempt begins and ends in it.
    wanted : sequence of str or None
    a4_hz : float

    Returns
    -------
    list of (str, Note)
        Their times count from the beginning of the recording.
    tuple of str

    Raises
    ------
    RecordError
        If fewer than two notes are in it, fewer than half of those asked for, or hardly any
        note that stands.
    """
    notes = _found(recording, span_s, wanted, a4_hz)
    file = recording.path.name
    cautions: tuple[str, ...] = ()
    if wanted is None:
        named = _as_found(notes, a4_hz)
    else:
        named, cautions = _as_asked(notes, wanted, file, a4_hz)
    _check_standing(notes, span_s[1] - span_s[0], file)
    if len(named) < 2:
        raise RecordError(
            f"{file} holds one note only, {named[0][0]}; a slur needs two notes or more in one "
            "breath."
        )
    return named, cautions


def _found(
    recording: Recording,
    span_s: tuple[float, float],
    wanted: Sequence[str] | None,
    a4_hz: float,
) -> list[Note]:
    """Find the notes near those of the list, or if they are others, wherever they are."""
    part, begins_s = replace(recording, samples=recording.part(*span_s)), span_s[0]
    if part.duration_s > MOST_OF_IT * recording.duration_s:
        # Of the whole much has been heard already.
        part, begins_s = recording, 0.0
    notes = _near_list(part, wanted, a4_hz) if wanted is not None else []
    if not notes:
        notes = find_notes(part, shortest_s=SHORTEST_S)
        # Above the usual ceiling a note is heard too low, but above half of it.
        if max(note.hz for note in notes) > CEILING_HZ / 2:
            notes = find_notes(
                part, ceiling_hz=min(HIGHEST_HZ, part.rate_hz / 2), shortest_s=SHORTEST_S
            )
    return [
        replace(note, start_s=begins_s + note.start_s, end_s=begins_s + note.end_s)
        for note in notes
    ]


def _near_list(part: Recording, wanted: Sequence[str], a4_hz: float) -> list[Note]:
    """Return the notes between the limits of the list; none if they are not those of the list."""
    pitches = [note_hz(name, a4_hz) for name in wanted]
    ceiling_hz = min(max(max(pitches) * ABOVE, CEILING_HZ), part.rate_hz / 2)
    try:
        notes = find_notes(part, min(pitches) / BELOW, ceiling_hz, SHORTEST_S)
    except RecordError:
        return []
    # Other notes are heard octaves off between these limits, and would be named wrong.
    return notes if match_notes(notes, wanted, a4_hz).right_share >= 0.5 else []


def _as_found(notes: Sequence[Note], a4_hz: float) -> Named:
    """Name the notes that were found, without the slips between them."""
    usual = float(np.median([note.end_s - note.start_s for note in notes]))
    named: Named = []
    for note in notes:
        if note.end_s - note.start_s < SLIP_SHARE * usual:
            continue
        if named and _same(note, named[-1][1]):
            # One note that was interrupted leads nowhere else.
            named[-1] = (named[-1][0], replace(named[-1][1], end_s=note.end_s))
            continue
        named.append((nearest_note(note.hz, a4_hz)[0], note))
    return named


def _as_asked(
    notes: Sequence[Note], wanted: Sequence[str], file: str, a4_hz: float
) -> tuple[Named, tuple[str, ...]]:
    """Name the notes by the list, without slips that are not in it."""
    alignment = match_notes(notes, wanted, a4_hz)
    require_match(alignment, notes, file, a4_hz)
    usual = float(np.median([note.end_s - note.start_s for note in notes]))
    kept: Named = []
    slips = set()
    for match in alignment.matches:
        note = match.found
        if note is None:
            continue
        if match.fault == "extra" and note.end_s - note.start_s < SLIP_SHARE * usual:
            slips.add(match)
            continue
        if match.fault == "extra" and kept and _same(note, kept[-1][1]):
            kept[-1] = (kept[-1][0], replace(kept[-1][1], end_s=note.end_s))
            continue
        kept.append((nearest_note(note.hz, a4_hz)[0] if match.fault else match.wanted, note))
    told = replace(alignment, matches=tuple(m for m in alignment.matches if m not in slips))
    return kept, told.cautions


def _same(note: Note, other: Note) -> bool:
    return abs(cents(note.hz, other.hz)) <= STEP_CENTS


def _check_standing(notes: Sequence[Note], length_s: float, file: str) -> None:
    standing = sum(note.end_s - note.start_s for note in notes) / length_s
    if standing < LEAST_STANDING:
        raise RecordError(
            f"In {file} only {percent_text(standing)} of the sound is notes that stand, so it is "
            "no slur: it may be speech, or a tongued or very fast line."
        )
    for note, following in pairwise(notes):
        if following.start_s - note.end_s > LONGEST_LAPSE_S:
            raise RecordError(
                f"In {file} no note stands from {note.end_s:.1f} to {following.start_s:.1f} s, so "
                "it is no slur; play it in one breath, in a quiet room."
            )
