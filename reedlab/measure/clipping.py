"""Which share of a sound was cut off at an extreme, told from the shape of its peaks.

Near its peak every smooth curve is a parabola, so samples become twice as dense and a little
more towards the very top; where the top was cut off they crowd at one value. This holds at any
height, so a gain behind the cut does not hide it. A lossy coder smears the crowd by a few per
cent, and may shift it.
"""

import numpy as np
from numpy.typing import NDArray

#: The top and the next slice below it, as a share of the extreme; the top one holds
#: sqrt(1) to sqrt(2) - 1, that is 2.4 times as many samples if the peak is whole.
SLICE = 0.001
CROWDED = 8.0
#: Fewer samples than this are no crowd; with fewer steps to the upper half, any peak is flat.
FEWEST = 8
#: The top value of 8 bits, below which a crowd must be told from steps.
FULL = 127 / 128
#: The same for what a lossy coder smeared: wider slices, the top one against the mean of three
#: below it (3.0 times as many if the peak is whole; two below, for the smear).
WIDE_SLICE, WIDE_CROWDED = 0.02, 6.0
#: What is smeared counts from this share of the samples on, and only near full scale.
SMEARED_SHARE, SMEARED_PEAK = 0.001, 0.5
#: Samples that are equal to so many decimals are the same: no microphone is as free of noise.
SAME_DECIMALS = 6


def clipped_share(samples: NDArray[np.float64]) -> float:
    """Return the share of samples that are cut off at the top or the bottom, 0 to 1.

    Notes
    -----
    Exact for what was never coded with loss; about two thirds of the truth after a lossy
    coder, which leaves less than 1 % often unseen. Of a tone that repeats itself exactly, and so
    holds a few values only, a cut below full scale may stay unseen.

    Examples
    --------
    >>> sine = np.sin(2 * np.pi * 100 * np.arange(44100) / 44100)
    >>> clipped_share(sine), round(clipped_share(np.clip(sine, -0.5, 0.5)), 2)
    (0.0, 0.67)
    """
    return (_clipped(samples) + _clipped(-samples)) / len(samples)


def _clipped(samples: NDArray[np.float64]) -> int:
    """Count the samples above the cut; a coder may leave a few sharp ones beside the smear."""
    sharp, smeared = _cut_off(samples), _smeared(samples)
    count = smeared if smeared > 2 * sharp else sharp
    return 0 if count and _repeats(samples, count) else count


def _cut_off(samples: NDArray[np.float64]) -> int:
    """Count the samples at a sharply cut upper extreme; 0 if the peaks are whole."""
    top = min(float(samples.max()), 1.0)
    if top <= 0:
        return 0
    high = samples[samples > top / 2]
    values = np.unique(high)
    if len(values) < FEWEST and top < FULL:
        return 0
    step = float(np.diff(values).min()) if len(values) > 1 else 0.0
    # A step of 8 bits is wider than the slice.
    width = max(SLICE * top, 1.5 * step)
    crowd = int((high >= top - width).sum())
    below = int(((high >= top - 2 * width) & (high < top - width)).sum())
    return crowd if crowd >= FEWEST and crowd > CROWDED * below else 0


def _smeared(samples: NDArray[np.float64]) -> int:
    """Count the samples in and above a crowd that stands out of the upper fifth."""
    # The quantile lies below the highest sample, and is dear.
    if samples.max() < SMEARED_PEAK:
        return 0
    top = float(np.quantile(samples, 0.999))
    if top < SMEARED_PEAK:
        return 0
    edges = np.append(top * np.arange(0.8, 1.1, WIDE_SLICE), np.inf)
    counts = np.histogram(samples, edges)[0]
    for place in range(5, len(counts)):
        below = counts[place - 5 : place - 2].mean()
        if counts[place] > max(WIDE_CROWDED * below, SMEARED_SHARE * len(samples)):
            return int(counts[place:].sum())
    return 0


def _repeats(samples: NDArray[np.float64], count: int) -> bool:
    """Tell whether so many of the highest samples are the same few peaks, again and again.

    A tone whose period is a whole number of samples has the same ones in each: they crowd, but
    no three in a row are equal, as those of a cut are.
    """
    inner = samples[1:-1]
    count = min(count, len(inner))
    at = np.flatnonzero(inner >= np.partition(inner, -count)[-count])
    peaks = np.unique(np.round(samples[at[:, None] + np.arange(3)], SAME_DECIMALS), axis=0)
    few = len(peaks) < max(FEWEST, count / FEWEST)
    return few and not bool((np.ptp(peaks, axis=1) == 0).any())
