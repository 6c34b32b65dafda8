"""The hum of the mains in a recording: found by its steady lines, and taken out.

Hum at 50 Hz swallows a crow near F4: seven of its periods are one of the crow's, so both
together repeat with the hum. A line at 50 or 60 Hz is hum, for no reed plays so low, and so are
its multiples that are there when nobody plays. Hz, s, dB; amplitudes with full scale 1.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from reedlab.measure.levels import power_db
from reedlab.measure.pitches import PitchTrack
from reedlab.measure.quiet import MAINS_HZ, runs
from reedlab.measure.recording import Recording

#: How far a net or the clock of a recorder strays, Hz.
STRAYS_HZ = 0.4
#: A line stands this far above what lies around it; noise does not by chance, dB.
STANDS_OUT_DB = 20.0
#: A line that lies so far below the recording is no hum that matters, dB.
FAINT_DB = 60.0
#: A line of hum never falls so far below its usual level, in windows of this length.
STEADY_DB, STEADY_S = 6.0, 0.5
#: A partial lies within so many Hz of its multiple; in a short quiet that is known less well.
NEAR_HZ, QUIET_HZ = 0.12, 0.3
#: Partials of a buzzing net beyond this one are weaker than the noise.
MOST_PARTIALS = 20
#: Window in which lines are looked for: wide enough to part F4 (349.2 Hz) from 7 x 50 Hz.
WINDOW_S = 4.0
#: A quiet, in which the hum is alone: this far below the loudest (hum left out), and this long.
QUIET_DB, QUIET_S = 20.0, 0.4
#: Window over which a line's strength and phase may change, and how much stronger than usual
#: (in amplitude) it may get: what is more is a tone.
FOLLOWS_S, STRONGER = 2.0, 1.5
BLOCK_S = 0.02
#: How much a block with a tone counts beside a quiet one, and how many blocks beside a tone hold
#: its beginning or end.
IN_TONE, EDGE_BLOCKS = 0.01, 3
#: What is left of hum lies this far below it and this near to one of its lines, dB and cents.
LEFT_DB, LEFT_CENTS = 20.0, 40.0


@dataclass(frozen=True)
class Hum:
    """Hum in a recording; made by :func:`find_hum`.

    Attributes
    ----------
    mains_hz : float
        50 or 60.
    lines_hz : tuple of float
        Its partials as found.
    amplitudes : tuple of float
        Of each, full scale 1.
    """

    mains_hz: float
    lines_hz: tuple[float, ...]
    amplitudes: tuple[float, ...]

    @property
    def level_db(self) -> float:
        """Level of all of it, dB re a full-scale sine."""
        return float(power_db(np.sum(np.square(self.amplitudes)) / 2))


def find_hum(recording: Recording) -> Hum | None:
    """Return the hum of the mains in a recording, or None.

    Notes
    -----
    The mains' own frequency must stand out as a line: hum of a rectifier, at 100 or 120 Hz
    alone, cannot be told from a note that is held from the first moment to the last. Its
    partials are those that stand out in the longest quiet; where there is none, those that
    lie exactly at a multiple and do not waver.

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
    samples, rate = recording.samples - recording.samples.mean(), recording.rate_hz
    whole = _spectrum(samples, rate)
    least = 2 * np.var(samples) * 10 ** (-FAINT_DB / 10)
    found = []
    for mains in MAINS_HZ:
        base = _line(*whole, mains, STRAYS_HZ)
        if base is None or np.interp(base, *whole) < least or not _steady(samples, rate, base):
            continue
        quiet = _longest_quiet(samples, rate, base)
        if quiet is None:
            hz, power = whole
            lines = [_line(hz, power, k * base, NEAR_HZ + 0.01 * k) for k in _orders()]
            partials = [line for line in lines if line and _steady(samples, rate, line)]
        else:
            hz, power = _spectrum(quiet, rate)
            within = NEAR_HZ + QUIET_HZ
            partials = [k * base for k in _orders() if _line(hz, power, k * base, within)]
        lines_hz = (base, *partials)
        amplitudes = tuple(float(np.sqrt(np.interp(at, hz, power))) for at in lines_hz)
        found.append(Hum(mains, lines_hz, amplitudes))
    return max(found, key=lambda hum: hum.level_db, default=None)


def without_hum(recording: Recording, hum: Hum) -> Recording:
    """Return the recording with the lines of its hum taken out.

    Each line is turned down to 0 Hz, averaged over two seconds, wherever it can over the quiet
    in them, and subtracted, but no more of it than there is hum: a reed's partial 1 Hz beside
    it stays.
    """
    samples, rate = recording.samples - recording.samples.mean(), recording.rate_hz
    at = np.arange(len(samples)) / rate
    weight = np.where(_quiet_blocks(samples, rate, hum.lines_hz[0]), 1.0, IN_TONE)
    for line, amplitude in zip(hum.lines_hz, hum.amplitudes, strict=True):
        turn = np.exp(-2j * np.pi * line * at)
        own = 2 * _slow(samples * turn, rate, weight, STRONGER * amplitude / 2)
        samples = samples - (own * turn.conj()).real
    return replace(recording, samples=samples)


def without_left(
    track: PitchTrack, level: tuple[NDArray[np.float64], NDArray[np.float64]], hum: Hum
) -> PitchTrack:
    """Return the running pitch without what is left of the hum: soft, and at one of its lines."""
    cents = 1200 * np.abs(np.log2(track.hz[:, None] / np.array(hum.lines_hz)))
    soft = np.interp(track.time_s, *level) < hum.level_db - LEFT_DB
    left = (np.nan_to_num(cents, nan=np.inf).min(axis=1) < LEFT_CENTS) & soft
    return replace(
        track, hz=np.where(left, np.nan, track.hz), strength=np.where(left, 0.0, track.strength)
    )


def _orders() -> range:
    return range(2, MOST_PARTIALS + 1)


def _spectrum(
    samples: NDArray[np.float64], rate: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return frequencies and the mean square of the amplitude of a sine at each of them."""
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
    return np.arange(top) * rate / count, power * (2 / window.sum()) ** 2


def _longest_quiet(
    samples: NDArray[np.float64], rate: float, mains_hz: float
) -> NDArray[np.float64] | None:
    """Return the longest part in which nothing but hum and noise is heard, or None."""
    block, quiet = _block(rate), _quiet_blocks(samples, rate, mains_hz)
    first, last = max(runs(quiet), key=lambda run: run[1] - run[0], default=(0, 0))
    part = samples[first * block : last * block]
    return part if len(part) >= QUIET_S * rate else None


def _quiet_blocks(samples: NDArray[np.float64], rate: float, mains_hz: float) -> NDArray[np.bool_]:
    """Tell for each block whether nothing but hum and noise is heard, nor is in the next ones."""
    # Differences: over a period of the mains hum is gone, and half of any tone stays; over a
    # millisecond, twice, rumble is turned down against a tone, by 32 dB at 50 Hz.
    sharp = samples
    for apart in (round(rate / mains_hz), round(rate / 1000), round(rate / 1000)):
        sharp = sharp - np.concatenate([sharp[:apart], sharp[:-apart]])
    blocks = sharp[: max(len(sharp) // _block(rate), 1) * _block(rate)].reshape(-1, _block(rate))
    level = power_db(np.mean(blocks**2, axis=1))
    loud = level >= level.max() - QUIET_DB
    return ~(np.convolve(loud, np.ones(2 * EDGE_BLOCKS + 1), "same") > 0)


def _line(
    hz: NDArray[np.float64], power: NDArray[np.float64], near_hz: float, within_hz: float
) -> float | None:
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
    # The line itself is as wide as four windows in a window's length, which is two steps or more.
    width = max(1.0, 8 * step)
    away = np.abs(hz - at)
    around = (away < 15 + width) & (away > width)
    stands_db = 10 * np.log10(power[top] / (np.median(power[around]) + 1e-30))
    # Beside a strong partial of the tone lie small ripples that the window makes of it.
    ripple = power[top] < 0.1 * power[away < width].max()
    found = abs(at - near_hz) <= within_hz and stands_db > STANDS_OUT_DB and not ripple
    return float(at) if found else None


def _steady(samples: NDArray[np.float64], rate: float, line_hz: float) -> bool:
    """Tell whether a line never falls far below its usual level."""
    turned = samples * np.exp(-2j * np.pi * line_hz * np.arange(len(samples)) / rate)
    level = power_db(np.abs(_smooth(turned, rate, STEADY_S)) ** 2)
    return bool(np.median(level) - level.min() < STEADY_DB)


def _slow(
    turned: NDArray[np.complex128], rate: float, weight: NDArray[np.float64], most: float
) -> NDArray[np.complex128]:
    """Return the weighted running mean over FOLLOWS_S for every sample, no larger than this."""
    smooth = _smooth(turned, rate, FOLLOWS_S, weight)
    smooth = smooth * np.minimum(1, most / np.maximum(np.abs(smooth), 1e-30))
    middles = (np.arange(len(smooth)) + 0.5) * _block(rate)
    at = np.arange(len(turned))
    return np.interp(at, middles, smooth.real) + 1j * np.interp(at, middles, smooth.imag)


def _smooth(
    turned: NDArray[np.complex128],
    rate: float,
    over_s: float,
    weight: NDArray[np.float64] | None = None,
) -> NDArray[np.complex128]:
    """Return running means, one a block; at the ends over what is there."""
    block = _block(rate)
    count = max(1, len(turned) // block)
    weight = np.ones(count) if weight is None else weight
    means = turned[: count * block].reshape(count, -1).mean(axis=1)
    window = np.hanning(2 * round(over_s / BLOCK_S / 2) + 3)[1:-1]
    half = len(window) // 2
    weights = np.convolve(weight, window, "full")[half : half + count]
    smooth: NDArray[np.complex128] = np.convolve(means * weight, window, "full")
    return smooth[half : half + count] / weights


def _block(rate: float) -> int:
    return max(1, round(BLOCK_S * rate))
