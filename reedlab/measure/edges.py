"""When a tone begins, and when it stands: the same for its end, read backwards.

The amplitude is taken to rise evenly from nothing to where the tone stands, and the level to go
on from there in a straight line: what is fitted is that shape, smeared by the same window as the
running level. Levels are A-weighted, for rumble and hum hide a soft beginning. Times in seconds.
"""

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from reedlab.measure.levels import SILENCE_DB, level_track
from reedlab.measure.recording import Recording
from reedlab.measure.thinned import light_weighted

#: What is looked at, before the first pitch and after it.
BEFORE_S, AFTER_S = 0.25, 0.45
#: The longest and shortest rise of an attack; a longer one is a swell.
LONGEST_S, SHORTEST_S = 0.4, 0.003
#: A swell changes its level by no more, dB a second; an attack by more.
SWELL_DB_S = 40.0
#: A window of two periods has no beat of neighbouring partials; a shorter one than this holds
#: too few samples of the noise.
PERIODS, LEAST_WINDOW_S = 2.0, 0.01
STEP_S = 0.002
#: Places where the fit is begun: rise, and its beginning before the first pitch.
RISES_S, EARLIER_S = (0.01, 0.05, 0.12, 0.3), (-0.04, 0.0, 0.04, 0.1)
#: By how much what is fitted changes the shape alike: beginning and rise in s, level in dB, its
#: slope in dB a second, and the amplitude under the tone as a share of the tone's.
SCALES = (0.01, 0.01, 1.0, 5.0, 0.05)
#: How far each is moved to see what changes, as a share of that.
NUDGE = 1e-5
#: A fit whose RMS error is less than this share of the tone is taken; else the next of so many
#: starts is tried, and the best is taken.
GOOD_FIT, MOST_FITS = 0.02, 4


@dataclass(frozen=True)
class Edge:
    """The beginning of a tone, or its end.

    Attributes
    ----------
    silent_s : float
        When the amplitude leaves nothing, or comes back to it.
    stands_s : float
        When the rise ends, or the fall begins.
    """

    silent_s: float
    stands_s: float

    @property
    def length_ms(self) -> float:
        """How long the rise or fall takes."""
        return 1000 * abs(self.stands_s - self.silent_s)


def find_edges(
    recording: Recording,
    hz: float,
    first_s: float,
    last_s: float,
    noise_db: float,
    within_s: tuple[float, float] = (-np.inf, np.inf),
) -> tuple[Edge, Edge]:
    """Return the beginning and the end of one tone.

    Parameters
    ----------
    recording : Recording
    hz : float
        Pitch of the tone: the window of the level is two of its periods.
    first_s, last_s : float
        About when its pitch is heard first and last.
    noise_db : float
        A-weighted level of the quiet.
    within_s : (float, float)
        What lies outside belongs to other tones.

    Returns
    -------
    begins, ends : Edge

    Notes
    -----
    An attack that is not even gets the length of the even one that fits best. An even rise of
    60 ms takes 48 ms from a tenth to nine tenths of its amplitude.
    """
    window_s = max(PERIODS / hz, LEAST_WINDOW_S)
    noise = 10 ** (max(noise_db, SILENCE_DB) / 10)
    inward_s = min(AFTER_S, 0.8 * (last_s - first_s))
    edges = []
    for sign, at in ((1, first_s), (-1, last_s)):
        low, high = sorted((at - sign * BEFORE_S, at + sign * inward_s))
        time_s, power = _power(recording, window_s, max(low, within_s[0]), min(high, within_s[1]))
        # Read backwards in time, an end is a beginning.
        order = slice(None, None, sign)
        silent, rise = _fitted(sign * (time_s - at)[order], power[order], noise, window_s)
        # What the file cuts off may fit best with an end after that of the file.
        ends = np.clip([at + sign * silent, at + sign * (silent + rise)], 0, recording.duration_s)
        edges.append(Edge(float(ends[0]), float(ends[1])))
    return edges[0], edges[1]


def _power(
    recording: Recording, window_s: float, low_s: float, high_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the running power between two times, of no more of the recording than it needs."""
    light = light_weighted(recording)
    from_s = max(low_s - window_s, 0.0)
    near = replace(light, samples=light.part(from_s, high_s + window_s))
    time_s, level_db = level_track(near, "Z", STEP_S, window_s)
    time_s = time_s + from_s
    inside = (time_s >= low_s) & (time_s <= high_s)
    return time_s[inside], 10 ** (level_db[inside] / 10)


def _fitted(
    time_s: NDArray[np.float64], power: NDArray[np.float64], noise: float, window_s: float
) -> tuple[float, float]:
    """Return when the rise begins and how long it takes; the clock is 0 at the first pitch."""
    from scipy.optimize import leastsq

    step = time_s[1] - time_s[0]
    half = max(1, round(window_s / step / 2))
    weights = 0.5 + 0.5 * np.cos(np.pi * np.arange(1 - half, half) / half)
    weights /= weights.sum()
    wide = time_s[0] + step * np.arange(1 - half, len(time_s) + half - 1)
    top = np.median(power[len(power) // 2 :])
    heard = np.sqrt(power / top)
    # Under the tone lies noise, and the breath that is heard before it.
    low = np.array([time_s[0] - LONGEST_S, SHORTEST_S, -40.0, -SWELL_DB_S, 0.0])
    high = np.array([time_s[-1], LONGEST_S, 20.0, SWELL_DB_S, 1.0])

    def apart(shapes: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far each shape, one a row, lies off what is heard."""
        silent, rise, level, slope, under = np.clip(shapes, low, high).T[..., None]
        since = wide - silent
        line = level + slope * np.maximum(since - rise, 0)
        bare = (np.clip(since / rise, 0, 1) * 10 ** (line / 20)) ** 2
        smeared = np.lib.stride_tricks.sliding_window_view(bare, len(weights), axis=-1) @ weights
        return np.sqrt(smeared + under**2) - heard

    def slopes(shape: NDArray[np.float64]) -> NDArray[np.float64]:
        moved = apart(np.vstack([shape, shape + NUDGE * np.diag(SCALES)]))
        return ((moved[1:] - moved[0]) / (NUDGE * np.array(SCALES))[:, None]).T

    under = np.sqrt(noise / top)
    starts = np.array(
        [
            [-early, rise, level, 5.0, under]
            for rise, early, level in product(RISES_S, EARLIER_S, (-3.0, 0.0))
        ]
    )
    starts = starts[np.argsort(np.sum(apart(starts) ** 2, axis=1))]
    fits = []
    for start in starts[:MOST_FITS]:
        # The method is compiled, and knows no limits: `apart` keeps them.
        shape, _, told, *_ = leastsq(
            apart, start, Dfun=slopes, diag=1 / np.array(SCALES), xtol=NUDGE, full_output=True
        )
        off = float(np.sqrt(np.mean(told["fvec"] ** 2)))
        fits.append((off, *np.clip(shape, low, high)[:2].tolist()))
        if fits[-1][0] < GOOD_FIT:
            break
    _, silent, rise = min(fits)
    return silent, rise
