"""The notes of a slur by name: those of the list, or those that are found.

A slip on the way from note to note is no note of its own: it belongs to the transition. What
is no slurred playing is refused. Hz, cents and seconds.
"""

from collections.abc import Sequence
from dataclasses import replace

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
#: What is shorter than this share of the usual note is a slip on the way to one.
SLIP_SHARE = 0.4
#: In playing, at least this share of the sound is standing notes; in speech it is not.
LEAST_STANDING = 0.7

Named = list[tuple[str, Note]]


def slurred_notes(
    part: Recording, wanted: Sequence[str] | None, a4_hz: float
) -> tuple[Named, tuple[str, ...]]:
    """Return the notes of one attempt with their names, and what is not as asked for.

    Parameters
    ----------
    part : Recording
        From the beginning of the attempt to its end.
    wanted : sequence of str or None
    a4_hz : float

    Returns
    -------
    list of (str, Note)
    tuple of str

    Raises
    ------
    RecordError
        If fewer than two notes are in it, fewer than half of those asked for, or hardly any
        note that stands.
    """
    cautions: tuple[str, ...] = ()
    if wanted is None:
        notes = find_notes(part)
        # Above the usual ceiling a note is heard too low, but above half of it.
        if max(note.hz for note in notes) > CEILING_HZ / 2:
            notes = find_notes(part, ceiling_hz=min(HIGHEST_HZ, part.rate_hz / 2))
        named = _as_found(notes, a4_hz)
    else:
        pitches = [note_hz(name, a4_hz) for name in wanted]
        ceiling_hz = min(max(pitches) * ABOVE, part.rate_hz / 2)
        notes = find_notes(part, min(pitches) / BELOW, ceiling_hz)
        named, cautions = _as_asked(notes, wanted, part.path.name, a4_hz)
    _check_standing(notes, part)
    if len(named) < 2:
        raise RecordError(
            f"{part.path.name} holds one note only, {named[0][0]}; a slur needs two notes or more "
            "in one breath."
        )
    return named, cautions


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


def _check_standing(notes: Sequence[Note], part: Recording) -> None:
    standing = sum(note.end_s - note.start_s for note in notes) / part.duration_s
    if standing < LEAST_STANDING:
        raise RecordError(
            f"In {part.path.name} only {percent_text(standing)} of the sound is notes that stand, "
            "so it is no slur: it may be speech, or a tongued or very fast line."
        )
