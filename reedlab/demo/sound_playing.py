"""From pitch and level to a finished sound: what all invented sounds have in common.

Times in s, pitches in Hz, levels in dB re a full-scale sine. Attacks and releases are even
in amplitude; a sound begins and ends with half a second in which nothing is played.
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from reedlab.demo.sound_room import Room, amplitude, in_room, noise, slow
from reedlab.demo.sound_truth import NoteTruth, StepTruth, WholeTruth
from reedlab.demo.sound_voice import Playing
from reedlab.errors import CallError
from reedlab.schema import note_hz

RATE_HZ = 44_100
LEAD_S = 0.5
RELEASE_S = 0.05

#: As steadily as a machine, in a quiet room.
STEADY = Playing()
QUIET = Room()

_LABEL = b"Invented sound: nobody played it.\0"


@dataclass(frozen=True)
class Sound:
    """An invented sound and what is true of it.

    Attributes
    ----------
    samples : array of shape (n,)
        Full scale is 1.
    rate_hz : int
    truth : CrowTruth, HairpinTruth, SlurTruth, RegisterTruth or WholeTruth
    noise_db : float
        Level of the background noise; minus infinity in a dry sound.
    """

    samples: np.ndarray
    rate_hz: int
    truth: StepTruth | WholeTruth
    noise_db: float

    @property
    def duration_s(self) -> float:
        """Length of the sound."""
        return len(self.samples) / self.rate_hz

    @property
    def clipped_share(self) -> float:
        """Share of the samples that lie at full scale, 0 to 1."""
        return float(np.mean(np.abs(self.samples) >= 1))

    def write(self, path: str | Path) -> Path:
        """Write a WAV file of 16 bits and one channel that calls itself invented.

        Parameters
        ----------
        path : str or Path

        Returns
        -------
        Path
        """
        whole = np.round(np.clip(self.samples, -1, 1) * 32767).astype("<i2").tobytes()
        shape = struct.pack("<HHLLHH", 1, 1, self.rate_hz, 2 * self.rate_hz, 2, 16)
        label = b"INFO" + _chunk(b"ICMT", _LABEL)
        parts = _chunk(b"fmt ", shape) + _chunk(b"data", whole) + _chunk(b"LIST", label)
        Path(path).write_bytes(_chunk(b"RIFF", b"WAVE" + parts))
        return Path(path)


def clock(length_s: float, rate_hz: int) -> np.ndarray:
    """Return the times of the samples."""
    return np.arange(round(length_s * rate_hz)) / rate_hz


def played_hz(
    rng: np.random.Generator, rate_hz: int, hz: np.ndarray, t: np.ndarray, playing: Playing
) -> np.ndarray:
    """Add vibrato, drift and unsteadiness to a pitch."""
    moved = playing.vibrato_cents * np.sin(2 * np.pi * playing.vibrato_hz * t)
    moved += playing.drift_cents * (t - t[0]) / (t[-1] - t[0])
    moved += playing.wobble_cents * slow(rng, rate_hz, len(t))
    return np.asarray(hz * 2 ** (moved / 1200))


def wobble_db(rng: np.random.Generator, rate_hz: int, count: int, playing: Playing) -> np.ndarray:
    """Return the unsteadiness of the level."""
    return playing.wobble_db * slow(rng, rate_hz, count)


def window(
    t: np.ndarray, start_s: float, attack_s: float, end_s: float, release_s: float
) -> np.ndarray:
    """Return 1 within start and end, even slopes there, 0 outside."""
    rising = (t - start_s) / attack_s if attack_s > 0 else (t >= start_s) * 1.0
    return np.asarray(np.clip(np.minimum(rising, (end_s - t) / release_s), 0.0, 1.0))


def breath(
    rng: np.random.Generator,
    rate_hz: int,
    t: np.ndarray,
    span_s: tuple[float, float],
    level_db: np.ndarray | float,
) -> np.ndarray:
    """Return breath noise between two moments."""
    hiss = amplitude(level_db) * noise(rng, rate_hz, len(t), "breath")
    return np.asarray(hiss * window(t, span_s[0], 0.01, span_s[1], RELEASE_S))


def recorded(
    rng: np.random.Generator,
    rate_hz: int,
    dry: np.ndarray,
    truth: StepTruth | WholeTruth,
    room: Room | None,
) -> Sound:
    """Record a dry sound in a room, or keep it dry."""
    if room is None:
        return Sound(dry, rate_hz, truth, -np.inf)
    samples, noise_db = in_room(rng, rate_hz, dry, room)
    return Sound(samples, rate_hz, truth, noise_db)


def notes_in_turn(
    notes: Sequence[str],
    error_cents: float | Sequence[float],
    level_db: float | Sequence[float],
    note_s: float,
    gap_s: float,
) -> tuple[NoteTruth, ...]:
    """Return notes of equal length one after the other, each with its error and level."""
    errors = _each("error_cents", error_cents, len(notes))
    levels = _each("level_db", level_db, len(notes))
    starts = [round(LEAD_S + place * (note_s + gap_s), 9) for place in range(len(notes))]
    return tuple(
        NoteTruth(
            note, note_hz(note) * 2 ** (error / 1200), error, level, start, round(start + note_s, 9)
        )
        for note, error, level, start in zip(notes, errors, levels, starts, strict=True)
    )


def same_length(name: str, given: Sequence[object], wanted: int, why: str) -> None:
    """Refuse a list that does not fit the notes."""
    if len(given) != wanted:
        raise CallError(f"{name} has {len(given)} entries; it must have {wanted}, {why}.")


def _each(name: str, given: float | Sequence[float], count: int) -> list[float]:
    if isinstance(given, int | float):
        return [float(given)] * count
    same_length(name, given, count, "one for each note")
    return [float(one) for one in given]


def _chunk(name: bytes, body: bytes) -> bytes:
    """Return a chunk of a RIFF file, filled up to an even length."""
    return name + struct.pack("<L", len(body)) + body + b"\0" * (len(body) % 2)
