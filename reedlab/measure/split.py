"""Whether a held pitch is two near ones that beat, as of a reed whose blades disagree.

Two tones a quartertone apart have a running pitch between them, as steady as one tone's. In long
windows each of their partials is two lines, the same cents apart in all of them; a tremolo puts
its lines the same Hz apart, on both sides. Cents, Hz, s.
"""

import numpy as np
from numpy.typing import NDArray

from reedlab.measure.pitches import PitchTrack
from reedlab.measure.recording import Recording
from reedlab.measure.settling import Stand

#: Window, and the shortest one that parts two lines; the longer, the nearer they may be. Windows
#: overlap by half at least, and this many are enough.
LONGEST_S, SHORTEST_S, MOST_WINDOWS = 0.6, 0.25, 5
#: Partials that are asked: the strongest ones, no weaker than this against the strongest.
MOST_PARTIALS, LEAST_POWER = 8, 0.003
#: Places at which the lines are compared, cents from the pitch; further than this share of the
#: way to the next partial is not looked.
PLACES_CENTS, REACH = np.arange(-160.0, 161.0, 2.0), 0.4
#: The second line has at least this share of the first one's power, 10 dB below, and between them
#: is no more than this share of the second.
LEAST_SHARE, VALLEY = 0.1, 0.5
#: Two tones sound all the time: in this share of the windows the lines lie as far apart.
SAME_CENTS, LASTS = 3.0, 0.75
#: They beat, and do not waver: a vibrato in a room that rings has a spread of more than 1 / this.
WIDER = 3.5
#: Lines on both sides that differ by less than this factor are those of a tremolo.
ALIKE = 4.0


def split_cents(
    recording: Recording,
    track: PitchTrack,
    stand: Stand,
    factor: float,
    partial_power: NDArray[np.float64],
) -> float:
    """Return how far two near pitches lie apart, or not a number where there is one.

    Parameters
    ----------
    recording : Recording
    track : PitchTrack
    stand : Stand
        Where the pitch stands.
    factor : float
        By which the running pitch is to be multiplied.
    partial_power : ndarray
        Of each partial, 0 where it is not there.

    Returns
    -------
    float
        In cents.
    """
    length_s = min(LONGEST_S, stand.hold_s)
    strong = np.argsort(-partial_power)[:MOST_PARTIALS]
    strong = strong[partial_power[strong] > LEAST_POWER * partial_power.max()]
    if length_s < SHORTEST_S or not len(strong):
        return np.nan
    room_s = stand.hold_s - length_s
    count = min(MOST_WINDOWS, 1 + int(2 * room_s / length_s))
    starts = stand.settle_s + np.linspace(0, room_s, count)
    lines = [_lines(recording, track, (at, at + length_s), factor, strong + 1) for at in starts]
    apart = _apart(np.mean(lines, axis=0))
    alike = [abs(_apart(line) - apart) <= SAME_CENTS for line in lines]
    lasts = np.mean(alike) >= LASTS
    return apart if lasts and apart > WIDER * stand.spread_cents else np.nan


def _lines(
    recording: Recording,
    track: PitchTrack,
    part_s: tuple[float, float],
    factor: float,
    orders: NDArray[np.int_],
) -> NDArray[np.float64]:
    """Return the mean power of the partials at each place, the highest of each being 1."""
    from scipy.interpolate import CubicSpline

    rate = recording.rate_hz
    samples = recording.part(*part_s)
    at = np.arange(len(samples))
    tone = np.isfinite(track.hz)
    hz = np.interp(part_s[0] + at / rate, track.time_s[tone], track.hz[tone]) * factor
    # On a clock that runs with the pitch it stands still, however it wavers.
    turns = np.cumsum(hz) / rate
    f0 = float(turns[-1] - turns[0]) * rate / (len(turns) - 1)
    even = np.linspace(turns[0], turns[-1], len(turns))
    still = CubicSpline(at, samples)(np.interp(even, turns, at)) * np.hanning(len(at))
    count = 4 * 2 ** int(np.ceil(np.log2(len(at))))
    power = np.abs(np.fft.rfft(still, count)) ** 2
    total, weight = np.zeros(len(PLACES_CENTS)), np.zeros(len(PLACES_CENTS))
    for order in orders:
        place_hz = order * f0 * 2 ** (PLACES_CENTS / 1200)
        near = np.abs(place_hz - order * f0) < REACH * f0
        found = np.where(near, np.interp(place_hz * count / rate, np.arange(len(power)), power), 0)
        total += found / max(found.max(), 1e-30)
        weight += near
    return total / np.maximum(weight, 1)


def _apart(power: NDArray[np.float64]) -> float:
    """Return the distance of the two lines of a spectrum, or not a number if it has one."""
    inner = power[1:-1]
    tops = 1 + np.flatnonzero((inner > power[:-2]) & (inner >= power[2:]))
    if len(tops) < 2:
        return np.nan
    first = tops[np.argmax(power[tops])]
    for second in sorted(tops[tops != first], key=lambda top: -power[top]):
        if power[second] < LEAST_SHARE * power[first]:
            break
        low, high = sorted((first, second))
        mirror = 2 * first - second
        near = power[max(mirror - 3, 0) : max(mirror + 4, 0)]
        tremolo = len(near) and near.max() > power[second] / ALIKE
        if power[low:high].min() < VALLEY * power[second] and not tremolo:
            return float(PLACES_CENTS[high] - PLACES_CENTS[low])
    return np.nan
