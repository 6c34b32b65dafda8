"""How far the level of a held pitch trembles. Levels in dB, times in s."""

import numpy as np
from numpy.typing import NDArray

from reedlab.measure.settling import Stand

#: The slow course of the level, which the tremolo is taken against, is a mean over this time.
SLOW_S = 0.5


def tremolo(
    stand: Stand, level: tuple[NDArray[np.float64], NDArray[np.float64]]
) -> tuple[float, float]:
    """Return how far the level goes up and down while a pitch stands, dB, and how often a second.

    The slow course is taken off first; what is left is judged from its 5th to its 95th part.
    """
    time_s, level_db = level
    held = (time_s >= stand.settle_s + 0.05) & (time_s <= stand.end_s - 0.05)
    step = time_s[1] - time_s[0]
    count = round(SLOW_S / step)
    if held.sum() < 2 * count:
        return 0.0, np.nan
    own = np.maximum(level_db[held], level_db[held].max() - 40)
    slow = np.convolve(own, np.ones(count) / count, "valid")
    left = own[count // 2 :][: len(slow)] - slow
    low, high = np.quantile(left, [0.05, 0.95])
    turns = np.count_nonzero(np.diff(left > 0)) / 2
    return float(high - low), float(turns / (len(left) * step))
