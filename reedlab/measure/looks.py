"""The pitch at a moment, heard in the shortest sound that can tell it: two periods.

A stretch of one period of the lowest note expected is compared with what comes one lag later,
for every lag: the shortest lag at which it repeats itself as well as anywhere is the period. It
can look ahead, for where a note begins, or back, for where one ends. Hz and seconds.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reedlab.measure.recording import Recording

#: From one moment to the next, in s.
STEP_S = 0.002
#: The stretch is no shorter than this, for the air column rings a few ms by itself.
SHORTEST_S = 0.006
#: A foreign pitch may lie below the notes: the longest lag in periods of the lowest, and at least.
LONGEST, AT_LEAST_S = 1.6, 0.0125
HIGHEST_HZ = 1400.0
#: A stretch repeats itself at least so well (correlation) where there is a tone; of the lags
#: that do so nearly as well as the best, by this share, the shortest is the period.
LEAST_MATCH, AS_GOOD = 0.75, 0.93

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Looks:
    """Pitches at moments; made by :func:`look`.

    Attributes
    ----------
    time_s : ndarray
        Where each look begins.
    hz : ndarray
        Not a number where nothing repeats itself.
    length_s : ndarray
        How much sound each one takes in, from its moment on or up to it.
    stretch_s : float
        Length of what is compared.
    """

    time_s: Floats
    hz: Floats
    length_s: Floats
    stretch_s: float

    def cents(self, hz: float) -> Floats:
        """Return how far each pitch lies above another."""
        return np.asarray(1200 * np.log2(self.hz / hz))


def look(recording: Recording, from_s: float, to_s: float, lowest_hz: float) -> Looks:
    """Hear the pitch at moments from one time to another, each in the sound that follows.

    Parameters
    ----------
    recording : Recording
        At a low rate; see :func:`reedlab.measure.thinned.thinned`.
    from_s, to_s : float
        Where the first is the later one, time runs backwards: each moment is heard in the
        sound that came before.
    lowest_hz : float
        The lower of the notes that are expected.

    Returns
    -------
    Looks

    References
    ----------
    Talkin (1995), A robust algorithm for pitch tracking, in Speech Coding and Synthesis
    (the normalised cross-correlation; from memory).

    Examples
    --------
    >>> from pathlib import Path
    >>> t = np.arange(11025) / 11025
    >>> tones = np.sin(2 * np.pi * np.where(t < 0.5, 220, 330) * t)
    >>> sound = Recording(Path("slur.wav"), tones, 11025)
    >>> look(sound, 0.49, 0.4, 220).hz[0].round(), look(sound, 0.51, 0.6, 220).hz[0].round()
    (np.float64(220.0), np.float64(330.0))
    """
    rate = recording.rate_hz
    stretch = round(max(rate / lowest_hz, SHORTEST_S * rate))
    longest = round(max(LONGEST / lowest_hz, AT_LEAST_S) * rate)
    start, stop = round(from_s * rate), round(to_s * rate)
    way = 1 if stop > start else -1
    moments = np.arange(0, abs(stop - start), max(1, round(STEP_S * rate)))
    places = start + way * np.arange(moments[-1] + stretch + longest + 2)
    there = (places >= 0) & (places < len(recording.samples))
    samples = np.where(there, recording.samples[np.where(there, places, 0)], 0.0)
    lag = _period(_matches(samples, moments, stretch, longest), int(rate / HIGHEST_HZ))
    return Looks((start + way * moments) / rate, rate / lag, (stretch + lag) / rate, stretch / rate)


def _matches(samples: Floats, moments: NDArray[np.int64], stretch: int, longest: int) -> Floats:
    """Return how well the stretch from each moment on resembles that of each lag later."""
    from scipy.fft import irfft, next_fast_len, rfft

    # Seven digits are enough for a likeness, and take half the time.
    single = samples.astype(np.float32)
    strength = np.sqrt(np.maximum(running_sums(samples**2, stretch), 1e-20)).astype(np.float32)
    reach = stretch + longest + 1
    rows = np.lib.stride_tricks.sliding_window_view(single, reach)[moments]
    size = next_fast_len(reach, real=True)
    whole, first = rfft(rows, size), rfft(rows[:, :stretch], size)
    # All lags at once: none is long enough to come round again.
    shared = irfft(whole * first.conj(), size)[:, : longest + 2]
    shared /= np.lib.stride_tricks.sliding_window_view(strength, longest + 2)[moments]
    shared /= strength[moments, None]
    return np.asarray(shared)


def _period(match: Floats, shortest: int) -> Floats:
    """Return the first lag that is as good as the best, to a part of a sample."""
    middle = match[:, 1:-1]
    peak = (middle >= match[:, :-2]) & (middle > match[:, 2:]) & (middle >= LEAST_MATCH)
    peak[:, : shortest - 1] = False
    best = np.where(peak, middle, 0).max(axis=1, keepdims=True)
    peak &= middle >= AS_GOOD * best
    rows, lag = np.arange(len(match)), peak.argmax(axis=1) + 1
    low, top, high = match[rows, lag - 1], match[rows, lag], match[rows, lag + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        exact = lag + (low - high) / (2 * (low - 2 * top + high))
    return np.where(peak.any(axis=1), exact, np.nan)


def running_sums(values: Floats, count: int) -> Floats:
    """Return the sum of so many values from each place on.

    Examples
    --------
    >>> running_sums(np.array([1.0, 2.0, 3.0]), 2).tolist()
    [3.0, 5.0]
    """
    sums = np.concatenate([[0.0], np.cumsum(values)])
    return np.asarray(sums[count:] - sums[:-count])
