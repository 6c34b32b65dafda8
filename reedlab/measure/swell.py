"""One hairpin in numbers: how soft, how loud, how even, and how pitch and tone go with it.

The tone stands from the end of its attack to the beginning of its release. Softest is what
holds for a quarter of a second; loudest is a moment. Levels in dB, times in seconds.
"""

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reedlab.measure.edges import Edge
from reedlab.measure.levels import WINDOW_S, Weighting
from reedlab.measure.spectrum import partials
from reedlab.measure.tones import Tone, unnoised

#: The softest level holds at least so long.
SOFT_S = 0.25
#: The loudest moment is the middle of all that is no more than so many dB below it.
LOUD_WITHIN_DB = 0.5
#: A rise or fall shorter than this is none.
LEAST_SIDE_S = 0.3
#: Pitch and tone are compared with the level in blocks of so long, so that vibrato averages
#: out and neighbouring blocks are nearly independent.
BLOCK_S = 0.3
FEWEST_BLOCKS = 5
#: A level less above the noise than this is limited by it, dB: taking the noise off changes it
#: by more than 1 dB, and its brightness is that of the noise.
MARGIN_DB = 6.0
#: How columns of a weighting end; the places of softest and loudest are those of the last.
SUFFIXES: tuple[tuple[Weighting, str], ...] = (("A", "dba"), ("Z", "db"))
#: Half the window of the running level: what is nearer to an edge has part of it in it.
HALF_S = WINDOW_S / 2


@dataclass(frozen=True)
class Slope:
    """A straight line through blocks of a tone, against the level.

    Attributes
    ----------
    at_db, value : ndarray
        The blocks.
    per_10_db, middle, conf_low, conf_high : float
        Slope with its 95 % interval, and the value at the mean level.
    """

    at_db: NDArray[np.float64]
    value: NDArray[np.float64]
    per_10_db: float = np.nan
    middle: float = np.nan
    conf_low: float = np.nan
    conf_high: float = np.nan


@dataclass(frozen=True)
class Swell:
    """The numbers of one hairpin, and what its picture shows; made by :func:`measure_swell`."""

    numbers: dict[str, float]
    soft_s: float
    loud_s: float
    pitch: Slope = field(repr=False)


def measure_swell(tone: Tone, begins: Edge, ends: Edge) -> Swell:
    """Return the numbers of a hairpin.

    Parameters
    ----------
    tone : Tone
    begins, ends : Edge
        Its attack and its release.

    Returns
    -------
    Swell
        Its numbers are columns of :func:`~reedlab.measure.hairpin.hairpin`, uncalibrated.
    """
    from_s, to_s = begins.stands_s, ends.stands_s
    numbers: dict[str, float] = {}
    soft_s = loud_s = np.nan
    for weighting, suffix in SUFFIXES:
        heard = tone.level_db[weighting]
        level = unnoised(heard, tone.noise_db[weighting])
        soft, soft_s = softest(tone.time_s, level, from_s, to_s)
        loud, loud_s = loudest(tone.time_s, level, from_s, to_s)
        as_heard = softest(tone.time_s, heard, from_s, to_s)[0]
        above = as_heard - tone.noise_db[weighting]
        # So near to the noise what is left without it is no longer known, only that it is less.
        soft = as_heard if above < MARGIN_DB else soft
        numbers |= {
            f"soft_{suffix}": soft,
            f"loud_{suffix}": loud,
            f"dynamic_range_{suffix}": loud - soft,
            f"soft_above_noise_{suffix}": above,
        }
    level = unnoised(tone.level_db["Z"], tone.noise_db["Z"])
    inside = (tone.time_s >= from_s + HALF_S) & (tone.time_s <= to_s - HALF_S)
    rising, falling = inside & (tone.time_s <= loud_s), inside & (tone.time_s >= loud_s)
    rise_s, fall_s = loud_s - from_s, to_s - loud_s
    both = min(rise_s, fall_s) > LEAST_SIDE_S
    pitch, blocks_s = _pitch_slope(tone, level, from_s, to_s)
    numbers |= {
        "swell_evenness_db": _unevenness(level[rising]) if rise_s > LEAST_SIDE_S else np.nan,
        "fade_evenness_db": _unevenness(-level[falling]) if fall_s > LEAST_SIDE_S else np.nan,
        "symmetry": rise_s / fall_s if both else np.nan,
        "drift_cents_per_10_db": pitch.per_10_db,
        "drift_conf_low": pitch.conf_low,
        "drift_conf_high": pitch.conf_high,
        **_tone_numbers(tone, level, blocks_s),
    }
    return Swell(numbers, soft_s, loud_s, pitch)


def softest(
    time_s: NDArray[np.float64], level_db: NDArray[np.float64], from_s: float, to_s: float
) -> tuple[float, float]:
    """Return the softest level that holds for a quarter of a second, and when.

    In the middle of the tone that is a mean; at either end the level of the straight line
    through that quarter of a second where the tone begins to stand, or stops to.
    """
    first, last = np.searchsorted(time_s, [from_s + HALF_S, to_s - HALF_S])
    count = max(round(SOFT_S / (time_s[1] - time_s[0])), 2)
    level, at = level_db[first:last], time_s[first:last]
    means = np.convolve(level, np.full(count, 1 / count), "valid")
    lowest = int(np.argmin(means))
    middle = (float(means[lowest]), float(at[lowest + count // 2]))
    return min(middle, *_at_the_edges(at, level, from_s, to_s))


def loudest(
    time_s: NDArray[np.float64], level_db: NDArray[np.float64], from_s: float, to_s: float
) -> tuple[float, float]:
    """Return the highest running level, and the middle of the time when it is nearly reached.

    A tone that is loudest at one of its ends has there the level of the straight line through
    its last quarter of a second.
    """
    inside = (time_s >= from_s + HALF_S) & (time_s <= to_s - HALF_S)
    level, at = level_db[inside], time_s[inside]
    near = at[level >= level.max() - LOUD_WITHIN_DB]
    middle = (float(level.max()), float(near[0] + near[-1]) / 2)
    # Elsewhere the line through an end says less than the level itself.
    at_an_end = near[0] == at[0] or near[-1] == at[-1]
    return max(middle, *_at_the_edges(at, level, from_s, to_s)) if at_an_end else middle


def _at_the_edges(
    at: NDArray[np.float64], level: NDArray[np.float64], from_s: float, to_s: float
) -> list[tuple[float, float]]:
    """Return the level at either end by the straight line through the quarter of a second there."""
    count = max(round(SOFT_S / (at[1] - at[0])), 2)
    found = []
    for edge_s, part in ((from_s, slice(0, count)), (to_s, slice(-count, None))):
        slope, middle = np.polyfit(at[part] - at[part].mean(), level[part], 1)
        found.append((float(middle + slope * (edge_s - at[part].mean())), edge_s))
    return found


def straight_line(at_db: NDArray[np.float64], value: NDArray[np.float64]) -> Slope:
    """Return the line of least squares with its 95 % interval of Student's t.

    Where neighbours in time lie on one side of the line, there is less to learn from them: the
    interval is widened by the square root of (1 + r) / (1 - r), r their correlation, if
    positive (Bartlett 1935, from memory).
    """
    known = np.isfinite(at_db) & np.isfinite(value)
    x, y = at_db[known], value[known]
    if len(x) < FEWEST_BLOCKS or np.ptp(x) == 0:
        return Slope(x, y)
    from scipy.stats import linregress, t

    line = linregress(x, y)
    rest = y - line.intercept - line.slope * x
    alike = max(float(rest[1:] @ rest[:-1]) / float(rest @ rest), 0.0) if rest.any() else 0.0
    half = t.ppf(0.975, len(x) - 2) * line.stderr * np.sqrt((1 + alike) / (1 - alike))
    middle = float(np.mean(y))
    low, high = 10 * (line.slope - half), 10 * (line.slope + half)
    return Slope(x, y, float(10 * line.slope), middle, float(low), float(high))


def _unevenness(level_db: NDArray[np.float64]) -> float:
    """Return the RMS departure from the nearest level that only rises."""
    from scipy.optimize import isotonic_regression

    return float(np.sqrt(np.mean((level_db - isotonic_regression(level_db).x) ** 2)))


def _pitch_slope(
    tone: Tone, level_db: NDArray[np.float64], from_s: float, to_s: float
) -> tuple[Slope, NDArray[np.float64]]:
    """Return pitch against level in blocks, and the middles of the blocks."""
    count = max(int((to_s - from_s) / BLOCK_S), 1)
    edges = from_s + (to_s - from_s) * np.arange(count + 1) / count
    height = 1200 * np.log2(tone.pitch_hz / tone.hz)
    pitch = _block_means(tone.pitch_s, height, edges)
    slope = straight_line(_block_means(tone.time_s, level_db, edges), pitch)
    return slope, (edges[:-1] + edges[1:]) / 2


def _block_means(
    at: NDArray[np.float64], values: NDArray[np.float64], edges: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the mean of each block; not a number where less than half of it is known."""
    blocks = [values[(at >= low) & (at < high)] for low, high in pairwise(edges)]
    known = [block[np.isfinite(block)] for block in blocks]
    return np.array(
        [
            part.mean() if len(part) > len(block) / 2 else np.nan
            for part, block in zip(known, blocks, strict=True)
        ]
    )


def _tone_numbers(
    tone: Tone, level_db: NDArray[np.float64], blocks_s: NDArray[np.float64]
) -> dict[str, float]:
    known = np.isfinite(tone.pitch_hz)
    at_db = np.interp(blocks_s, tone.time_s, level_db)
    clear = at_db > tone.noise_db["Z"] + MARGIN_DB
    if not clear.any():
        return {"centroid_hz_per_10_db": np.nan, "odd_even_db": np.nan}
    at = blocks_s[clear]
    found = partials(tone.recording, at, np.interp(at, tone.pitch_s[known], tone.pitch_hz[known]))
    slope = straight_line(at_db[clear], found.centroid_hz)
    return {"centroid_hz_per_10_db": slope.per_10_db, "odd_even_db": found.odd_even_db}
