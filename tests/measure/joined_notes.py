"""Slurs joined of real bassoon notes, so that what stands between them is known.

The notes are those of real_notes.py, each with the same RMS level; their swell, noise and
unsteadiness stay as they were played. Times in s or ms as named, levels in dB.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.measure.real_notes import NOTES, decoded, real_notes

RATE_HZ = 44_100
LEAD_S = 0.5
#: Notes go over into each other within this time, and a dip has edges as steep.
FADE_S, EDGE_S = 0.006, 0.004
#: From here on a recorded note stands.
STANDS_S = 0.9


@dataclass(frozen=True)
class Join:
    """What stands between two notes: a dip evenly about the change, or another note."""

    gap_ms: float = 0.0
    dip_db: float = 0.0
    foreign: str = ""
    foreign_ms: float = 0.0


def random_line(rng: np.random.Generator, count: int, joins: Sequence[Join]) -> tuple:
    """Return that many notes, no two alike in a row, and the joins between them."""
    line = [str(rng.choice(NOTES))]
    while len(line) < count:
        note = str(rng.choice(NOTES))
        if note != line[-1]:
            line.append(note)
    drawn = [joins[int(place)] for place in rng.integers(0, len(joins), count - 1)]
    pairs = zip(drawn, line, line[1:], strict=False)
    return line, [Join() if join.foreign in pair else join for join, *pair in pairs]


def joined(
    line: Sequence[str], joins: Sequence[Join], note_s: float, rng: np.random.Generator
) -> tuple[np.ndarray, list[float]]:
    """Return the samples at RATE_HZ, half a second of quiet before and after, and the changes."""
    order, changes, at_s = [(line[0], note_s)], [], note_s
    for note, join in zip(line[1:], joins, strict=True):
        changes.append(at_s)
        between = [(join.foreign, join.foreign_ms / 1000)] if join.foreign else []
        order += [*between, (note, note_s)]
        at_s += note_s + join.foreign_ms / 1000
    sound = np.zeros(round((at_s + FADE_S) * RATE_HZ) + 1)
    at_s = 0.0
    for note, length_s in order:
        piece = _piece(note, length_s + FADE_S, rng)
        first = round(at_s * RATE_HZ)
        sound[first : first + len(piece)] += piece
        at_s += length_s
    t = np.arange(len(sound)) / RATE_HZ
    changes = [at_s + FADE_S / 2 for at_s in changes]
    for at_s, join in zip(changes, joins, strict=True):
        away_s = np.abs(t - at_s) - join.gap_ms / 2000
        sound *= 10 ** (-join.dip_db * np.clip(0.5 - away_s / EDGE_S, 0, 1) / 20)
    sound *= np.clip(np.minimum(t, t[-1] - t) / 0.05, 0, 1)
    quiet = np.zeros(round(LEAD_S * RATE_HZ))
    whole = np.concatenate([quiet, sound, quiet])
    return whole + rng.normal(size=len(whole)) * 2e-5, [at_s + LEAD_S for at_s in changes]


def _piece(note: str, length_s: float, rng: np.random.Generator) -> np.ndarray:
    samples = decoded(real_notes()[note])[0][:, 0]
    first = round((STANDS_S + rng.uniform(0, 0.6)) * RATE_HZ)
    piece = samples[first : first + round(length_s * RATE_HZ)]
    fade = np.sin(np.linspace(0, np.pi / 2, round(FADE_S * RATE_HZ)))
    piece = 0.07 * piece / np.sqrt(np.mean(piece**2))
    piece[: len(fade)] *= fade
    piece[-len(fade) :] *= fade[::-1]
    return piece
