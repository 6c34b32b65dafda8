"""The hum of the mains in a recording: found by its steady lines, and taken out.

Hum at 50 Hz swallows a crow near F4: seven of its periods are one of the crow's, so both
together repeat with the hum. Lines at multiples of 50 or 60 Hz that stay as they are all the
time are hum; a tone is not, for it begins and ends, and no reed plays so low. Hz, dB.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from reedlab.measure.levels import power_db
from reedlab.measure.recording import Recording

#: Mains, and how far a net or the clock of a recorder strays, Hz.
MAINS_HZ = (50.0, 60.0)
STRAYS_HZ = 0.4
#: A line stands this far above what lies around it; noise does not by chance, dB.
STANDS_OUT_DB = 20.0
#: A line of the hum never falls so far below its usual level, in windows of this length, and
#: its partials are within so many Hz of the multiples.
STEADY_DB, STEADY_S = 6.0, 0.5
NEAR_HZ = 0.12
#: Partials of a buzzing net beyond this one are weaker than the noise.
MOST_PARTIALS = 20
#: Window in which lines are looked for: wide enough to part F4 (349.2 Hz) from 7 x 50 Hz.
WINDOW_S = 4.0
#: Window over which a line's strength and phase may change.
FOLLOWS_S = 2.0
BLOCK_S = 0.02


@dataclass(frozen=True)
class Hum:
    """Hum in a recording; made by :func:`find_hum`.

    Attributes
    ----------
    mains_hz : float
        50 or 60.
    lines_hz : tuple of float
        Its partials as found.
    level_db : float
        Level of them together, dB re a full-scale sine.
    """

    mains_hz: float
    lines_hz: tuple[float, ...]
    level_db: float


def find_hum(recording: Recording) -> Hum | None:
    """Return the hum of the mains in a recording, or None.

    Notes
    -----
    The mains' own frequency must stand out as a line: hum of a rectifier, at 100 or 120 Hz
    alone, cannot be told from a note that is held from the first moment to the last. A
    multiple that a reed plays as well comes and goes with it, and stays.

    Examples
    --------
    >>> from pathlib import Path
    >>> t = np.arange(44100) / 11025
    >>> noise = np.random.default_rng(1).normal(size=len(t)) / 1000
    >>> both = np.sin(2 * np.pi * 349.23 * t) / 8 + np.sin(2 * np.pi * 50 * t) / 10 + noise
    >>> hum = find_hum(Recording(Path("crow.wav"), both, 11025))
    >>> hum.mains_hz, [round(hz, 1) for hz in hum.lines_hz], round(hum.level_db)
    (50.0, [50.0], -20)
    """
    hz, power = _spectrum(recording)
    found = []
    for mains in MAINS_HZ:
        line = _line(hz, power, mains, STRAYS_HZ)
        if line is None or not _steady(recording, line):
            continue
        others = [_line(hz, power, k * line, NEAR_HZ + 0.01 * k) for k in range(2, MOST_PARTIALS)]
        lines = (line, *(at for at in others if at is not None and _steady(recording, at)))
        total = sum(float(np.interp(at, hz, power)) for at in lines)
        found.append(Hum(mains, lines, float(power_db(total))))
    return max(found, key=lambda hum: hum.level_db, default=None)


def without_hum(recording: Recording, hum: Hum) -> Recording:
    """Return the recording with the lines of its hum taken out.

    Each line is turned down to 0 Hz, averaged over two seconds and subtracted: what changes
    more quickly, a reed's partial 1 Hz beside it, stays.
    """
    samples, rate = recording.samples - recording.samples.mean(), recording.rate_hz
    at = np.arange(len(samples)) / rate
    for line in hum.lines_hz:
        turn = np.exp(-2j * np.pi * line * at)
        samples = samples - 2 * (_slow(samples * turn, rate) * turn.conj()).real
    return replace(recording, samples=samples)


def _spectrum(recording: Recording) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return frequencies and the mean power of a sine at each of them."""
    samples, rate = recording.samples - recording.samples.mean(), recording.rate_hz
    length = min(len(samples), round(WINDOW_S * rate))
    starts = np.linspace(0, len(samples) - length, max(1, 2 * len(samples) // length - 1))
    window = np.hanning(length)
    count = 2 ** int(np.ceil(np.log2(2 * length)))
    top = np.searchsorted(np.fft.rfftfreq(count, 1 / rate), MAINS_HZ[-1] * MOST_PARTIALS + 50)
    power = np.mean(
        [
            np.abs(np.fft.rfft(samples[at : at + length] * window, count)[:top]) ** 2
            for at in starts.astype(int)
        ],
        axis=0,
    )
    return np.arange(top) * rate / count, power * 2 / window.sum() ** 2


def _line(hz: NDArray, power: NDArray, near_hz: float, within_hz: float) -> float | None:
    """Return the frequency of a line near another that stands out of its surroundings."""
    step = hz[1]
    first, last = np.searchsorted(hz, [near_hz - within_hz, near_hz + within_hz + step])
    top = first - 1 + int(np.argmax(power[first - 1 : last + 1]))
    if not 0 < top < len(power) - 1:
        return None
    left, mid, right = np.log(power[top - 1 : top + 2] + 1e-30)
    if mid < max(left, right):
        return None
    at = hz[top] + step * 0.5 * (left - right) / min(left - 2 * mid + right, -1e-12)
    away = np.abs(hz - at)
    stands_db = 10 * np.log10(power[top] / (np.median(power[(away < 15) & (away > 1)]) + 1e-30))
    # Beside a strong partial of the tone lie small ripples that the window makes of it.
    ripple = power[top] < 0.1 * power[away < 1].max()
    found = abs(at - near_hz) <= within_hz and stands_db > STANDS_OUT_DB and not ripple
    return float(at) if found else None


def _steady(recording: Recording, line_hz: float) -> bool:
    """Tell whether a line never falls far below its usual level."""
    rate = recording.rate_hz
    at = np.arange(len(recording.samples)) / rate
    turned = (recording.samples - recording.samples.mean()) * np.exp(-2j * np.pi * line_hz * at)
    level = power_db(np.abs(_smooth(turned, rate, STEADY_S)) ** 2)
    return bool(np.median(level) - level.min() < STEADY_DB)


def _slow(turned: NDArray[np.complex128], rate: float) -> NDArray[np.complex128]:
    """Return the running mean over FOLLOWS_S for every sample."""
    smooth = _smooth(turned, rate, FOLLOWS_S)
    middles = (np.arange(len(smooth)) + 0.5) * _block(rate)
    at = np.arange(len(turned))
    return np.interp(at, middles, smooth.real) + 1j * np.interp(at, middles, smooth.imag)


def _smooth(turned: NDArray[np.complex128], rate: float, over_s: float) -> NDArray[np.complex128]:
    """Return running means, one a block; at the ends over what is there."""
    block = _block(rate)
    count = max(1, len(turned) // block)
    means = turned[: count * block].reshape(count, -1).mean(axis=1)
    window = np.hanning(2 * round(over_s / BLOCK_S / 2) + 3)[1:-1]
    half = len(window) // 2
    weights = np.convolve(np.ones(count), window, "full")[half : half + count]
    smooth: NDArray[np.complex128] = np.convolve(means, window, "full")[half : half + count]
    return smooth / weights


def _block(rate: float) -> int:
    return max(1, round(BLOCK_S * rate))
