"""Where nobody plays: the quiet of a recording, against which its sounds are judged.

The quiet is what is nearly as soft as the softest of it and has no tone; the hum of the mains is
not a tone. Levels are A-weighted, in dB re a full-scale sine; times in seconds.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reedlab.measure.levels import level_track
from reedlab.measure.pitches import FLOOR_HZ, ROUGH_STEP_S, pitch_track
from reedlab.measure.recording import Recording, heard_once

#: The softest of a recording: this share of its windows, and at least so many seconds.
SOFTEST_SHARE, SOFTEST_S = 0.02, 0.1
#: Noise wavers less than this above its softest windows, in dB.
WAVER_DB = 6.0
#: Further below the loudest nothing matters; digital silence is no measure of a sound, dB.
DEEPEST_DB = 70.0
#: Frequencies of the mains, and how near a pitch must lie to them or their octaves to be hum.
MAINS_HZ = (50.0, 60.0)
HUM_WIDTH = 0.007


@dataclass(frozen=True)
class Quiet:
    """The quiet of a recording; made by :func:`find_quiet`.

    Attributes
    ----------
    time_s : ndarray
        Middles of the windows.
    level_db : ndarray
        A-weighted level in each.
    toneless : ndarray of bool
        Whether a window holds no tone.
    floor_db : float
        Median level of the quiet; not a number if somebody plays all the time.
    """

    time_s: NDArray[np.float64]
    level_db: NDArray[np.float64]
    toneless: NDArray[np.bool_]
    floor_db: float

    @property
    def step_s(self) -> float:
        """From one window to the next, in seconds."""
        return float(self.time_s[1] - self.time_s[0])

    @property
    def quiet(self) -> NDArray[np.bool_]:
        """Whether each window belongs to the quiet."""
        return self.toneless & (self.level_db < self.floor_db + WAVER_DB)

    def part(self, start_s: float, end_s: float) -> "Quiet":
        """Return the same between two times, judged by what lies there alone."""
        inside = (self.time_s >= start_s) & (self.time_s <= end_s)
        return _judged(self.time_s[inside], self.level_db[inside], self.toneless[inside])


@heard_once
def find_quiet(recording: Recording) -> Quiet:
    """Return the levels of a recording and the level of its quiet.

    Examples
    --------
    >>> from pathlib import Path
    >>> noise = np.random.default_rng(1).normal(size=16000) * 1e-4
    >>> noise[4000:12000] += np.sin(2 * np.pi * 330 * np.arange(8000) / 8000) / 4
    >>> found = find_quiet(Recording(Path("crow.wav"), noise, 8000))
    >>> round(found.floor_db), round(float(found.level_db.max()))
    (-77, -18)
    """
    time_s, level_db = level_track(recording, "A")
    return _judged(time_s, level_db, _toneless(recording, time_s))


def runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the first place of each run of true values, and the place after its last.

    Examples
    --------
    >>> runs(np.array([True, False, True, True]))
    [(0, 1), (2, 4)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(int)))
    return [(int(first), int(last)) for first, last in edges.reshape(-1, 2)]


def _judged(
    time_s: NDArray[np.float64], level_db: NDArray[np.float64], toneless: NDArray[np.bool_]
) -> Quiet:
    """Find the level of the quiet: that of noise nearly as soft as the softest there is."""
    count = max(SOFTEST_SHARE * len(level_db), SOFTEST_S / (time_s[1] - time_s[0]))
    share = min(count / len(level_db), 1.0)
    softest = max(float(np.quantile(level_db, share)), float(level_db.max()) - DEEPEST_DB)
    near = level_db < softest + WAVER_DB
    playing = toneless[near].mean() < 0.5 and softest > level_db.max() - DEEPEST_DB
    floor_db = np.nan if playing else max(float(np.median(level_db[near])), softest)
    return Quiet(time_s, level_db, toneless, floor_db)


def _toneless(recording: Recording, time_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell for each time whether there is no tone, by the nearest window of the pitch."""
    floor_hz = max(FLOOR_HZ, 4 / recording.duration_s)
    track = pitch_track(recording, floor_hz, step_s=ROUGH_STEP_S)
    hums_hz = np.outer([1, 2], MAINS_HZ).reshape(-1, 1)
    hum = np.any(np.abs(track.hz / hums_hz - 1) < HUM_WIDTH, axis=0)
    without = np.isnan(track.hz) | hum
    nearest = np.searchsorted(track.time_s + ROUGH_STEP_S / 2, time_s)
    return without[np.minimum(nearest, len(without) - 1)]
