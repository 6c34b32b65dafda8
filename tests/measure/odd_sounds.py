"""Sounds that are no crow, and some that are one in disguise; made of formulas, seeded.

Each function returns samples of shape (n,) at RATE_HZ with full scale 1.
"""

import numpy as np
from scipy.signal import lfilter

RATE_HZ = 44_100


def clock(length_s: float = 3.0) -> np.ndarray:
    return np.arange(round(length_s * RATE_HZ)) / RATE_HZ


def tone(hz: float | np.ndarray, length_s: float = 3.0, partials: int = 7) -> np.ndarray:
    """Steady partials that fall by 9 dB an octave; the pitch may be given for each sample."""
    turn = np.cumsum(np.broadcast_to(hz, clock(length_s).shape)) / RATE_HZ
    return 0.05 * sum(np.sin(2 * np.pi * k * turn + k) / k**1.5 for k in range(1, partials + 1))


def coloured(colour: float, length_s: float = 3.0, seed: int = 1) -> np.ndarray:
    """Noise whose power falls with this power of the frequency: 0 white, 1 pink, 2 brown."""
    count = len(clock(length_s))
    hz = np.fft.rfftfreq(count, 1 / RATE_HZ)
    drawn = np.fft.rfft(np.random.default_rng(seed).standard_normal(count))
    noise = np.fft.irfft(drawn * np.where(hz < 20, 0, np.maximum(hz, 20) ** (-colour / 2)), count)
    return 0.05 * noise / noise.std()


def hum(mains_hz: float, length_s: float = 3.0) -> np.ndarray:
    t = clock(length_s)
    return sum(0.1 / k * np.sin(2 * np.pi * k * mains_hz * t + k) for k in (1, 2, 3))


def speech(seed: int) -> np.ndarray:
    """Gliding pulse trains through three resonances, with pauses between the syllables."""
    rng = np.random.default_rng(seed)
    sound = np.zeros(4 * RATE_HZ)
    at = round(0.3 * RATE_HZ)
    while at < len(sound) - RATE_HZ // 2:
        count = round(rng.uniform(0.12, 0.35) * RATE_HZ)
        hz = rng.uniform(95, 180) * np.linspace(1, rng.uniform(0.75, 1.25), count)
        voiced = np.diff(np.floor(np.cumsum(hz) / RATE_HZ), prepend=0)
        for formant, width in ((rng.uniform(300, 800), 80), (rng.uniform(900, 2200), 120)):
            keep = np.exp(-np.pi * width / RATE_HZ)
            turn = 2 * keep * np.cos(2 * np.pi * formant / RATE_HZ)
            voiced = lfilter([1 - keep], [1, -turn, keep**2], voiced)
        sound[at : at + count] += 0.05 * voiced / voiced.std() * np.hanning(count) ** 0.3
        at += count + round(rng.choice([0.03, 0.15, 0.3]) * RATE_HZ)
    return sound


def struck(*pitches_hz: float) -> np.ndarray:
    """Piano-like notes struck together: decaying, their partials a little stretched."""
    t = clock()
    return 0.1 * sum(
        np.sin(2 * np.pi * hz * k * np.sqrt(1 + 4e-4 * k**2) * t + k)
        / k**1.3
        * np.exp(-t * (1 + 0.3 * k))
        for hz in pitches_hz
        for k in range(1, 12)
    )


def between_quiet(sound: np.ndarray) -> np.ndarray:
    """Half a second of a quiet room before and after."""
    room = np.zeros(RATE_HZ // 2)
    whole = np.concatenate([room, sound, room])
    return whole + 1e-4 * np.random.default_rng(7).standard_normal(len(whole))
