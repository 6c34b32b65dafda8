"""Pitch arithmetic: note names, frequencies in Hz, intervals in cents.

A4 is 440 Hz unless the study says otherwise (ISO 16:1975); octaves change at C, C4 is
middle C. Equal temperament throughout: 1200 cents to the octave.
"""

import math
import re

from reedlab.errors import CallError

A4_HZ = 440.0

_SEMITONE = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ACCIDENTAL = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}
_NOTE = re.compile(r"([A-Ga-g])([#♯b♭]?)(-?\d+)")
_SHARP_NAMES = ("C", "C♯", "D", "E♭", "E", "F", "F♯", "G", "A♭", "A", "B♭", "B")
_A4_NUMBER = 57  # semitones above C0


def note_hz(note: str, a4_hz: float = A4_HZ) -> float:
    """Return the frequency of a note.

    Parameters
    ----------
    note : str
        Letter, optional sharp (``#`` or ``♯``) or flat (``b`` or ``♭``), octave.
    a4_hz : float
        Tuning of A4, in Hz.

    Returns
    -------
    float
        Frequency in Hz.

    Raises
    ------
    CallError
        If it is not a note name, or the tuning is not above 0.

    Examples
    --------
    >>> round(note_hz("B♭1"), 4), round(note_hz("F4"), 4)
    (58.2705, 349.2282)
    """
    match = _NOTE.fullmatch(note.strip())
    if match is None:
        raise CallError(f"'{note}' is not a note; write letter and octave, e.g. E4, Bb1 or F#4.")
    _positive("a4_hz", a4_hz)
    letter, accidental, octave = match.groups()
    number = 12 * int(octave) + _SEMITONE[letter.upper()] + _ACCIDENTAL[accidental]
    return a4_hz * 2.0 ** ((number - _A4_NUMBER) / 12)


def cents(hz: float, reference_hz: float) -> float:
    """Return how far a frequency lies above another, in cents.

    Examples
    --------
    >>> round(cents(442, 440), 4)
    7.8514
    """
    _positive("hz", hz)
    _positive("reference_hz", reference_hz)
    return 1200 * math.log2(hz / reference_hz)


def cents_from_band(hz: float, low_hz: float, high_hz: float) -> float:
    """Return how far a frequency lies outside a band, in cents; 0 inside it.

    Below the band the distance to its lower edge is negative; above it the distance
    to its upper edge is positive. A single target is a band with equal edges.

    Examples
    --------
    >>> low, high = note_hz("E4"), note_hz("F4")
    >>> cents_from_band(340, low, high), round(cents_from_band(note_hz("F#4"), low, high))
    (0.0, 100)
    """
    if low_hz > high_hz:
        raise CallError(f"The band {low_hz:g} to {high_hz:g} Hz is upside down.")
    return min(cents(hz, low_hz), 0.0) + max(cents(hz, high_hz), 0.0)


def nearest_note(hz: float, a4_hz: float = A4_HZ) -> tuple[str, float]:
    """Return the nearest note and how far the frequency lies above it, in cents.

    Examples
    --------
    >>> name, off = nearest_note(270)
    >>> name, round(off, 1)
    ('C♯4', -45.5)
    """
    _positive("hz", hz)
    _positive("a4_hz", a4_hz)
    number = round(12 * math.log2(hz / a4_hz)) + _A4_NUMBER
    name = f"{_SHARP_NAMES[number % 12]}{number // 12}"
    return name, cents(hz, note_hz(name, a4_hz))


def _positive(name: str, value: float) -> None:
    if not value > 0 or math.isinf(value):
        raise CallError(f"{name} is {value}; a frequency must be above 0 Hz.")
