"""How loud a recording is, in dB: as recorded (Z), or as the ear weights it (A).

0 dB is the RMS of a sine at full scale. Without a calibrated microphone only differences
mean anything: those between two places of one recording, or to a calibrator recorded with
the same setting. A constant in the samples is no sound and is taken off. Times in seconds.
"""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from reedlab.errors import CallError
from reedlab.measure.recording import Recording, heard_once

Weighting = Literal["Z", "A"]

#: Corner frequencies of the A weighting in Hz, and the gain that makes it 0 dB at 1 kHz
#: (IEC 61672-1:2013, annex E).
F1_HZ, F2_HZ, F3_HZ, F4_HZ = 20.598997, 107.65265, 737.86223, 12194.217
GAIN_1_KHZ_DB = 2.000
#: Hann window of the running level: long enough that the beat of neighbouring partials of
#: B♭1, at 58 Hz, moves the level by less than 0.1 dB.
WINDOW_S = 0.05
STEP_S = 0.005
#: What digital silence is called: below the last of 24 bits.
SILENCE_DB = -160.0
#: Samples that are weighted at once: what the processor holds near.
BLOCK = 2**16
#: How far the weighting filter reaches to either side: its slowest pole, at 20.6 Hz, has died down
#: by 140 dB.
FILTER_S = 0.125


@heard_once
def level_track(
    recording: Recording,
    weighting: Weighting = "Z",
    step_s: float = STEP_S,
    window_s: float = WINDOW_S,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the running level of a recording.

    Parameters
    ----------
    recording : Recording
    weighting : {"Z", "A"}
        As recorded, or as the ear weights it.
    step_s : float
        From one value to the next, in seconds, to the nearest whole sample.
    window_s : float
        Whole length of the Hann window, in seconds. For notes below B♭1 take 0.1.

    Returns
    -------
    time_s, level_db : ndarray
        Middle of each window, and the RMS level in it, in dB re a full-scale sine.
        Digital silence is -160 dB.

    Raises
    ------
    CallError
        For another weighting, or a step or window shorter than a sample.

    Notes
    -----
    The squared samples are averaged under the window; at both ends under the part of it
    that lies inside. A steady slope in dB is read 0.01 dB too high at 60 dB/s.

    References
    ----------
    IEC 61672-1:2013 (weightings).

    Examples
    --------
    >>> from pathlib import Path
    >>> tone = np.sin(2 * np.pi * 440 * np.arange(8000) / 8000)
    >>> time_s, level_db = level_track(Recording(Path("a.wav"), tone, 8000))
    >>> len(time_s), abs(level_db[100].round(2))
    (200, np.float64(0.0))
    """
    from scipy.signal import upfirdn

    rate = recording.rate_hz
    _check_time("step_s", step_s, rate)
    _check_time("window_s", window_s, rate)
    power = weighted(recording, weighting)
    np.square(power, out=power)
    step, half = round(step_s * rate), max(1, round(window_s * rate / 2))
    window = 0.5 + 0.5 * np.cos(np.pi * np.arange(1 - half, half) / half)
    # Zeros before the window make its middle fall on every step-th sample.
    lead = (1 - half) % step
    sums = upfirdn(np.append(np.zeros(lead), window), power, down=step)
    middles = np.arange(0, len(power), step)
    first = (half - 1 + lead) // step
    # Under the windows that stick out at the ends only the weights inside count.
    reached = np.concatenate([[0.0], np.cumsum(window)])
    inside = reached[np.minimum(2 * half - 1, half - 1 + len(power) - middles)]
    inside -= reached[np.maximum(half - 1 - middles, 0)]
    return middles / rate, power_db(sums[first : first + len(middles)] / inside)


def mean_level_db(
    recording: Recording, start_s: float, end_s: float, weighting: Weighting = "Z"
) -> float:
    """Return the level of the mean power between two times, in dB re a full-scale sine."""
    rate = recording.rate_hz
    first, last = round(max(start_s, 0) * rate), round(end_s * rate)
    part = weighted(recording, weighting)[first:last]
    if not len(part):
        raise CallError(
            f"There is no sound from {start_s:g} to {end_s:g} s; the recording is "
            f"{recording.duration_s:.2f} s long."
        )
    return float(power_db(np.mean(part**2)))


def a_weighting_db(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Return the A weighting at frequencies in Hz, in dB; minus infinity at 0 Hz.

    Notes
    -----
    Printed tables are for the exact frequencies ``1000 * 10 ** (n / 10)``, not for the
    rounded ones beside which they stand: at 31.5 Hz the formula gives -39.53 dB, and the
    table's -39.4 dB belongs to 31.62 Hz.

    References
    ----------
    IEC 61672-1:2013, annex E.

    Examples
    --------
    >>> a_weighting_db([1000, 100]).round(1) + 0
    array([  0. , -19.1])
    """
    with np.errstate(divide="ignore"):
        return 20 * np.log10(_a_gain(np.asarray(frequency_hz, dtype=float)))


def weighted(recording: Recording, weighting: Weighting) -> NDArray[np.float64]:
    """Return the samples without their constant, weighted; their timing is kept.

    The filter is the standard's formula at every frequency up to half the rate, without
    delay: a filter built of a few coefficients goes wrong near half the rate.
    """
    if weighting not in ("Z", "A"):
        raise CallError(f"weighting is {weighting!r}; write 'Z' (as recorded) or 'A'.")
    samples = recording.samples - recording.samples.mean()
    if weighting == "Z":
        return samples
    from scipy.fft import irfft, rfft

    reach = round(FILTER_S * recording.rate_hz)
    count = max(BLOCK, 2 ** (4 * reach).bit_length())
    gain = _a_gain(np.fft.rfftfreq(count, 1 / recording.rate_hz))
    heard = np.empty_like(samples)
    # The filter goes round from the end of a block to its beginning, so the reach is left out.
    whole = count - 2 * reach
    for first in range(0, len(samples), whole):
        block = np.zeros(count)
        low, high = max(first - reach, 0), min(first + whole + reach, len(samples))
        block[low - first + reach : high - first + reach] = samples[low:high]
        late = irfft(rfft(block) * gain, count)
        heard[first : first + whole] = late[reach : reach + min(whole, len(samples) - first)]
    return heard


def power_db(power: ArrayLike) -> NDArray[np.float64]:
    """Return mean squares as levels in dB re a full-scale sine, whose mean square is 1/2."""
    return 10 * np.log10(np.maximum(2 * np.asarray(power), 10 ** (SILENCE_DB / 10)))


def _a_gain(hz: NDArray[np.floating]) -> NDArray[np.float64]:
    squared = hz**2
    low = (squared + F1_HZ**2) * np.sqrt((squared + F2_HZ**2) * (squared + F3_HZ**2))
    return 10 ** (GAIN_1_KHZ_DB / 20) * F4_HZ**2 * squared**2 / (low * (squared + F4_HZ**2))


def _check_time(name: str, value: float, rate: float) -> None:
    if not value * rate >= 1:
        raise CallError(f"{name} is {value} s; it must be at least one sample, {1 / rate:.2g} s.")
