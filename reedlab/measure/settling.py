"""Where one pitch settles and how long it stands, from a running pitch.

A pitch stands while the track stays in a band about one centre; it has settled where it is as
near to what follows as it will be and its level has come up. Times in seconds from the beginning
of the recording, pitches in Hz, widths in cents.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reedlab.measure.pitches import PitchTrack
from reedlab.measure.quiet import runs

#: A period that repeats itself less well than this belongs to noise or to several pitches.
LEAST_STRENGTH = 0.6
#: One that repeats itself at least so well, in noise 10 dB below, is no slip of an octave.
CLEAR_STRENGTH = 0.92
#: A slip is so near to the octave, in cents, and loses no more strength.
NEAR_CENTS, LOSS = 35.0, 0.25
#: Half the band in which a pitch stands: a wide vibrato is 50 cents to either side.
BAND_CENTS = 70.0
#: A shorter break does not end it: deep tremolo at 6 Hz silences a tone for less.
BREAK_S = 0.12
#: Share of the windows that must lie in the band.
LEAST_SHARE = 0.7
#: Less is no stand: a syllable of speech, a knock that rings.
SHORTEST_S = 0.15
#: A later stand is the crow only if it lasts more than this many times longer.
LONGER = 2.0
#: Settled is what lies within this of the median of the time that follows, or within
#: SETTLED_SPREADS of its spread where the pitch itself wavers ...
SETTLED_CENTS, SETTLED_SPREADS, FOLLOWING_S = 12.0, 1.5, 0.3
#: ... and does not rise by more dB within the next moment: a reed that has just begun to speak
#: gets louder by itself, at a hundred dB a second.
RISES_DB, MOMENT_S = 3.0, 0.05
#: What has not settled after this time is taken from its beginning.
LATEST_S = 1.0
#: Values of the track further than this from its median are slips.
SLIP_SPREADS, SLIP_CENTS = 3.0, 10.0
MOST_STANDS = 5


@dataclass(frozen=True)
class Stand:
    """A stretch in which one pitch stands; made by :func:`find_stands`.

    Attributes
    ----------
    settle_s, end_s : float
        When it has settled and when it is left.
    hz : float
        The pitch: mean of the track without its slips, weighted by its strength.
    spread_cents : float
        Half the width of the middle 68 % of the track: the standard deviation of a normal one.
    drift_cents : float
        How much higher its last third lies than its first.
    strength : float
        Median strength of the track, 0 to 1.
    """

    settle_s: float
    end_s: float
    hz: float
    spread_cents: float
    drift_cents: float
    strength: float

    @property
    def hold_s(self) -> float:
        """How long it stands."""
        return self.end_s - self.settle_s


def find_stands(
    track: PitchTrack,
    level: tuple[NDArray[np.float64], NDArray[np.float64]],
    start_s: float,
    end_s: float,
) -> list[Stand]:
    """Return the stretches of an attempt in which one pitch stands, in order of time.

    Parameters
    ----------
    track : PitchTrack
    level : tuple of ndarray
        Times and levels, as of :func:`~reedlab.measure.levels.level_track`.
    start_s, end_s : float
        The attempt.

    Returns
    -------
    list of Stand

    Notes
    -----
    The band is laid where it holds most of the track, its longest run is a stand, and the
    rest is searched again. A vibrato that is cut in the middle of a swing shifts the median
    of a sine by cents, and the mean by a third of that: so slips are set aside by the median
    and the pitch is the mean of what remains.
    """
    inside = (track.time_s >= start_s) & (track.time_s <= end_s)
    tone = inside & (track.strength >= LEAST_STRENGTH)
    height = np.full(len(tone), np.nan)
    height[tone] = 1200 * np.log2(track.hz[tone])
    step = float(track.time_s[1] - track.time_s[0]) if len(tone) > 1 else SHORTEST_S
    rise = np.interp(track.time_s + MOMENT_S, *level) - np.interp(track.time_s, *level)
    stands = _stands(track, height, rise, tone, step)
    if len(stands) > 1:
        best = max(stands, key=lambda stand: stand.strength * stand.hold_s)
        stands = _stands(track, _unslipped(height, track, best), rise, tone, step)
    return sorted(stands, key=lambda stand: stand.settle_s)


def crow_stand(stands: list[Stand]) -> Stand | None:
    """Return the stand that is the crow: the first, as the air rises, that is not short."""
    longest = max((stand.hold_s for stand in stands), default=0.0)
    return next((stand for stand in stands if stand.hold_s * LONGER >= longest), None)


def _stands(
    track: PitchTrack,
    height: NDArray[np.float64],
    rise: NDArray[np.float64],
    tone: NDArray[np.bool_],
    step: float,
) -> list[Stand]:
    left, stands = tone.copy(), []
    for _ in range(MOST_STANDS):
        run = _longest_run(height, left, step)
        if run is None:
            break
        stands.append(_stand(track, height, rise, *run))
        left[slice(*run)] = False
    return stands


def _unslipped(height: NDArray[np.float64], track: PitchTrack, best: Stand) -> NDArray[np.float64]:
    """Return the track with what slipped by an octave or a twelfth put back.

    In noise two or three periods repeat themselves about as well as one. Where they do so
    clearly better, the tone itself has that period, and is left; and so it is where they do
    so much worse than the pitch does elsewhere, for then it is a rattle.
    """
    height = height.copy()
    for times in (2, 3, 1 / 2, 1 / 3):
        moved = height + 1200 * np.log2(times)
        near = np.abs(np.nan_to_num(moved, nan=-np.inf) - 1200 * np.log2(best.hz)) < NEAR_CENTS
        as_clear = track.strength > best.strength - LOSS
        slipped = near & as_clear & (track.strength < CLEAR_STRENGTH)
        height[slipped] = moved[slipped]
    return height


def _longest_run(
    height: NDArray[np.float64], tone: NDArray[np.bool_], step: float
) -> tuple[int, int] | None:
    if not tone.any():
        return None
    ordered = np.sort(height[tone])
    held = np.searchsorted(ordered, ordered + 2 * BAND_CENTS, side="right")
    fullest = int(np.argmax(held - np.arange(len(ordered))))
    centre = float(np.median(ordered[fullest : held[fullest]]))
    near = tone & (np.abs(np.nan_to_num(height, nan=np.inf) - centre) <= BAND_CENTS)
    joined: list[tuple[int, int]] = []
    for first, last in runs(near):
        if joined and (first - joined[-1][1]) * step <= BREAK_S:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    long = [
        (first, last)
        for first, last in joined
        if (last - first) * step >= SHORTEST_S and near[first:last].mean() >= LEAST_SHARE
    ]
    return max(long, key=lambda run: near[run[0] : run[1]].sum(), default=None)


def _stand(
    track: PitchTrack,
    height: NDArray[np.float64],
    rise: NDArray[np.float64],
    first: int,
    last: int,
) -> Stand:
    since_s = track.time_s[first:last] - track.time_s[first]
    first += _settled(height[first:last], rise[first:last], since_s)
    kept = height[first:last]
    middle = np.nanmedian(kept)
    spread = _spread(kept)
    good = np.abs(kept - middle) <= max(SLIP_SPREADS * spread, SLIP_CENTS)
    weight = track.strength[first:last][good] ** 2
    third = max(len(kept) // 3, 1)
    return Stand(
        settle_s=float(track.time_s[first]),
        end_s=float(track.time_s[last - 1]),
        hz=float(2 ** (np.average(kept[good], weights=weight) / 1200)),
        spread_cents=spread,
        drift_cents=float(np.nanmedian(kept[-third:]) - np.nanmedian(kept[:third])),
        strength=float(np.median(track.strength[first:last])),
    )


def _settled(
    height: NDArray[np.float64], rise: NDArray[np.float64], since_s: NDArray[np.float64]
) -> int:
    """Return the first place that is as near to what follows it as it will be."""
    in_tune = [place for place in np.flatnonzero(np.isfinite(height)) if since_s[place] < LATEST_S]
    for place in in_tune:
        following = height[(since_s >= since_s[place]) & (since_s <= since_s[place] + FOLLOWING_S)]
        near = max(SETTLED_CENTS, SETTLED_SPREADS * _spread(following))
        if abs(height[place] - np.nanmedian(following)) <= near and rise[place] < RISES_DB:
            return int(place)
    return int(in_tune[0])


def _spread(height: NDArray[np.float64]) -> float:
    low, high = np.nanquantile(height, [0.16, 0.84])
    return float(high - low) / 2
