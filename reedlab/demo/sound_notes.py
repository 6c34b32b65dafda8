"""Invented notes in turn: slurred with faults in the joins, or tongued with errors of pitch.

Errors in cents at A4 = 440 Hz, levels in dB re a full-scale sine.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from reedlab.demo.sound_playing import (
    LEAD_S,
    QUIET,
    RATE_HZ,
    RELEASE_S,
    STEADY,
    Sound,
    breath,
    clock,
    notes_in_turn,
    played_hz,
    recorded,
    same_length,
    window,
    wobble_db,
)
from reedlab.demo.sound_room import Room
from reedlab.demo.sound_truth import (
    EDGE_MS,
    OVERSHOOT_MS,
    NoteTruth,
    RegisterTruth,
    SlurTruth,
    Transition,
)
from reedlab.demo.sound_voice import Playing, voice

ARPEGGIO = ("F2", "C3", "F3", "A3", "C4", "F4", "C4", "A3", "F3", "C3", "F2")
LOW_REGISTER = ("F2", "E2", "E♭2", "D2", "C2", "B♭1")


def slur_sound(
    seed: int = 1,
    *,
    notes: Sequence[str] = ARPEGGIO,
    error_cents: float | Sequence[float] = 0.0,
    level_db: float = -20.0,
    note_s: float = 0.7,
    transitions: Sequence[Transition] | None = None,
    playing: Playing = STEADY,
    room: Room | None = QUIET,
    rate_hz: int = RATE_HZ,
) -> Sound:
    """Play notes slurred, each giving over to the next with the faults that are given.

    Parameters
    ----------
    seed : int
    notes : sequence of str
    error_cents : float or sequence of float
        By how much each note is sharp.
    level_db : float
    note_s : float
        Length of each note.
    transitions : sequence of Transition, optional
        One fewer than notes; left out, none has a fault.
    playing : Playing
    room : Room or None
    rate_hz : int

    Returns
    -------
    Sound
        With a :class:`SlurTruth`.

    Examples
    --------
    >>> slur = slur_sound(notes=["C3", "F3"], transitions=[Transition(gap_ms=40, dip_db=20)])
    >>> slur.truth.changes_s
    (1.2,)
    """
    given = [Transition()] * (len(notes) - 1) if transitions is None else list(transitions)
    same_length("transitions", given, len(notes) - 1, "one fewer than the notes")
    rng = np.random.default_rng(seed)
    played = notes_in_turn(notes, error_cents, level_db, note_s, 0.0)
    changes = tuple(note.end_s for note in played[:-1])
    end_s = played[-1].end_s
    t = clock(end_s + LEAD_S, rate_hz)
    hz = np.full(len(t), played[0].hz)
    level = np.full(len(t), float(level_db))
    for at_s, (old, new), change in zip(changes, pairwise(played), given, strict=True):
        hz = _changed(hz, t, at_s, old, new, change)
        edge_s = min(EDGE_MS, change.gap_ms) / 1000
        away_s = np.abs(t - at_s) - change.gap_ms / 2000
        if change.gap_ms > 0:
            level -= change.dip_db * np.clip(0.5 - away_s / edge_s, 0, 1)
    hz = played_hz(rng, rate_hz, hz, t, playing)
    level = level + wobble_db(rng, rate_hz, len(t), playing)
    dry = voice(rng, rate_hz, hz, level) * window(t, LEAD_S, 0.05, end_s, RELEASE_S)
    dry += breath(rng, rate_hz, t, (LEAD_S, end_s), playing.breath_db)
    truth = SlurTruth(notes=played, changes_s=changes, transitions=tuple(given), end_s=end_s)
    return recorded(rng, rate_hz, dry, truth, room)


def register_sound(
    seed: int = 1,
    *,
    notes: Sequence[str] = LOW_REGISTER,
    error_cents: float | Sequence[float] = 0.0,
    level_db: float | Sequence[float] = -20.0,
    note_s: float = 1.0,
    gap_s: float = 0.2,
    attack_ms: float = 50.0,
    playing: Playing = STEADY,
    room: Room | None = QUIET,
    rate_hz: int = RATE_HZ,
) -> Sound:
    """Play tongued notes of known pitch and level, with silence between.

    Parameters
    ----------
    seed : int
    notes : sequence of str
    error_cents, level_db : float or sequence of float
        Of each note.
    note_s, gap_s : float
        Length of each note and of the silence between two.
    attack_ms : float
        In which the amplitude of each note rises evenly from nothing.
    playing : Playing
        A drift runs over each note anew.
    room : Room or None
    rate_hz : int

    Returns
    -------
    Sound
        With a :class:`RegisterTruth`.

    Examples
    --------
    >>> low = register_sound(notes=["D2", "B♭1"], error_cents=[-10, 15], room=None)
    >>> [(note.note, round(note.hz, 2)) for note in low.truth.notes]
    [('D2', 72.99), ('B♭1', 58.78)]
    """
    rng = np.random.default_rng(seed)
    played = notes_in_turn(notes, error_cents, level_db, note_s, gap_s)
    dry = np.zeros(len(clock(played[-1].end_s + LEAD_S, rate_hz)))
    for note in played:
        first = round(note.start_s * rate_hz)
        t = clock(note_s, rate_hz)
        hz = played_hz(rng, rate_hz, np.full(len(t), note.hz), t, playing)
        level = note.level_db + wobble_db(rng, rate_hz, len(t), playing)
        tone = voice(rng, rate_hz, hz, level)
        tone += breath(rng, rate_hz, t, (0.0, note_s), playing.breath_db)
        dry[first : first + len(t)] += tone * window(t, 0.0, attack_ms / 1000, note_s, RELEASE_S)
    return recorded(rng, rate_hz, dry, RegisterTruth(played, attack_ms), room)


def _changed(
    hz: np.ndarray,
    t: np.ndarray,
    at_s: float,
    old: NoteTruth,
    new: NoteTruth,
    change: Transition,
) -> np.ndarray:
    """Return the pitch with the new note from this moment on, its faults included."""
    foreign_s = change.foreign_ms / 1000 if change.foreign_hz else 0.0
    since_s = t - at_s - foreign_s
    beyond = change.overshoot_cents * np.exp(-1000 * np.maximum(since_s, 0) / OVERSHOOT_MS)
    arrived = new.hz * 2 ** (np.sign(new.hz - old.hz) * beyond / 1200)
    after = np.where(since_s >= 0, arrived, change.foreign_hz or new.hz)
    return np.where(t >= at_s, after, hz)
