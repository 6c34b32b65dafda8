"""The room and the recorder: background noise, hum, clipping; and noise of any colour.

Levels are RMS levels in dB re a full-scale sine; samples are float64 with full scale 1.
"""

from dataclasses import dataclass

import numpy as np

from reedlab.errors import CallError, unknown_name

_LOWEST_HZ = 20.0  # of pink noise


@dataclass(frozen=True)
class Room:
    """What the recording adds to the playing.

    Attributes
    ----------
    snr_db : float
        RMS of all that sounds over RMS of the background noise.
    colour : str
        Of that noise, ``white`` or ``pink``.
    hum_hz : float
        50 or 60, with two overtones.
    hum_db : float or None
        Level of the hum; None is no hum.
    gain_db : float
        Turns the recording up (never down) before it is cut off at full scale: clipping.
    """

    snr_db: float = 60.0
    colour: str = "pink"
    hum_hz: float = 50.0
    hum_db: float | None = None
    gain_db: float = 0.0


def noise(rng: np.random.Generator, rate_hz: int, count: int, colour: str) -> np.ndarray:
    """Return noise with the RMS level 0 dB: ``white``, ``pink`` or ``breath`` (a broad hiss)."""
    hz = np.fft.rfftfreq(count, 1 / rate_hz)
    shapes = {
        "white": np.ones_like(hz),
        "pink": np.where(hz < _LOWEST_HZ, 0.0, 1 / np.sqrt(np.maximum(hz, _LOWEST_HZ))),
        "breath": np.exp(-((np.log2(np.maximum(hz, 1) / 1500) / 1.2) ** 2)),
    }
    if colour not in shapes:
        raise unknown_name("noise", colour, shapes)
    drawn = np.fft.rfft(rng.standard_normal(count))
    shaped = np.fft.irfft(drawn * shapes[colour], count)
    return np.asarray(shaped / np.sqrt(2 * np.mean(shaped**2)))


def slow(rng: np.random.Generator, rate_hz: int, count: int) -> np.ndarray:
    """Return slow random unsteadiness (about 3 Hz), mean 0 and standard deviation 1."""
    knots = max(int(np.ceil(count / rate_hz * 6)) + 2, 4)
    drawn = rng.standard_normal(knots)
    smooth = np.interp(np.linspace(0, knots - 1, count), np.arange(knots), drawn)
    return np.asarray((smooth - smooth.mean()) / smooth.std())


def in_room(
    rng: np.random.Generator, rate_hz: int, dry: np.ndarray, room: Room
) -> tuple[np.ndarray, float]:
    """Put a sound into a room; return it with the level in dB of the background noise.

    The level of all that sounds is taken over the parts within 60 dB of the loudest.
    """
    if room.gain_db < 0:
        raise CallError(f"gain_db is {room.gain_db}; a recording is turned up by 0 dB or more.")
    sounding = np.abs(dry) > np.abs(dry).max() / 1000
    noise_db = level_of(dry[sounding]) - room.snr_db
    heard = dry + amplitude(noise_db) * noise(rng, rate_hz, len(dry), room.colour)
    if room.hum_db is not None:
        angle = 2 * np.pi * room.hum_hz * np.arange(len(dry)) / rate_hz
        parts = (1.0, 0.5, 0.3)
        hum = np.sum([a * np.sin(k * angle) for k, a in enumerate(parts, start=1)], axis=0)
        heard = heard + amplitude(room.hum_db) * hum / np.sqrt(np.sum(np.square(parts)))
    return np.clip(heard * amplitude(room.gain_db), -1.0, 1.0), noise_db + room.gain_db


def level_of(samples: np.ndarray) -> float:
    """Return the RMS level in dB re a full-scale sine.

    Examples
    --------
    >>> round(level_of(0.1 * np.sin(np.arange(10_000))), 2)
    -20.0
    """
    return float(10 * np.log10(2 * np.mean(np.square(samples))))


def amplitude(level_db: np.ndarray | float) -> np.ndarray:
    """Return the amplitude of a sine of that level.

    Examples
    --------
    >>> amplitude(np.array([0.0, -20.0, -np.inf])).tolist()
    [1.0, 0.1, 0.0]
    """
    return np.asarray(10.0 ** (np.asarray(level_db) / 20))
