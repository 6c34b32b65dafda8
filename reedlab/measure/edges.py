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
    from_s = max(first_s - 2 * BEFORE_S, 0.0)
    near = replace(recording, samples=recording.part(from_s, last_s + 2 * BEFORE_S))
    time_s, level_db = level_track(near, "A", STEP_S, window_s)
    time_s, power = time_s + from_s, 10 ** (level_db / 10)
    noise = 10 ** (max(noise_db, SILENCE_DB) / 10)
    edges = []
    inward_s = min(AFTER_S, 0.8 * (last_s - first_s))
    for sign, at in ((1, first_s), (-1, last_s)):
        low, high = sorted((at - sign * BEFORE_S, at + sign * inward_s))
        part = (time_s >= max(low, within_s[0])) & (time_s <= min(high, within_s[1]))
        # Read backwards in time, an end is a beginning.
        order = slice(None, None, sign)
        silent, rise = _fitted(
            sign * (time_s[part] - at)[order], power[part][order], noise, window_s
        )
        edges.append(Edge(at + sign * silent, at + sign * (silent + rise)))
    return edges[0], edges[1]


def _fitted(
    time_s: NDArray[np.float64], power: NDArray[np.float64], noise: float, window_s: float
) -> tuple[float, float]:
    """Return when the rise begins and how long it takes; the clock is 0 at the first pitch."""
    from scipy.optimize import least_squares

    step = time_s[1] - time_s[0]
    half = max(1, round(window_s / step / 2))
    weights = 0.5 + 0.5 * np.cos(np.pi * np.arange(1 - half, half) / half)
    weights /= weights.sum()
    wide = time_s[0] + step * np.arange(1 - half, len(time_s) + half - 1)
    heard = np.sqrt(power)
    top = np.sqrt(np.median(power[len(power) // 2 :]))

    def apart(shape: NDArray[np.float64]) -> NDArray[np.float64]:
        silent, rise, level, slope, under = shape
        since = (wide - silent) / rise
        line = level + slope * np.maximum(wide - silent - rise, 0)
        amplitude = np.clip(since, 0, 1) * 10 ** (line / 20)
        return np.sqrt(np.convolve(amplitude**2, weights, "valid") + under**2) * top - heard

    # Under the tone lies noise, and the breath that is heard before it.
    low = [time_s[0] - LONGEST_S, SHORTEST_S, -40.0, -SWELL_DB_S, 0.0]
    high = [time_s[-1], LONGEST_S, 20.0, SWELL_DB_S, 1.0]
    under = np.sqrt(noise) / top
    starts = [
        np.clip([-early, rise, level, 5.0, under], np.add(low, 1e-6), np.subtract(high, 1e-6))
        for rise, early, level in product(RISES_S, EARLIER_S, (-3.0, 0.0))
    ]
    starts.sort(key=lambda start: float(np.sum(apart(start) ** 2)))
    fits = [
        least_squares(
            lambda shape: apart(shape) / top,
            start,
            bounds=(low, high),
            x_scale=[0.01, 0.01, 1, 5, 0.05],
        )
        for start in starts[:2]
    ]
    best = min(fits, key=lambda fit: float(fit.cost)).x
    return float(best[0]), float(best[1])
