"""The one long tone of an attempt: where it sounds, its pitch and level, and the noise about it.

Levels in dB re a full-scale sine, pitch in Hz, times in seconds from the recording's beginning.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from reedlab.measure.levels import SILENCE_DB, Weighting, level_track
from reedlab.measure.pitches import CEILING_HZ, FLOOR_HZ, HELD_STEP_S, ROUGH_STEP_S, pitch_track
from reedlab.measure.quiet import find_quiet
from reedlab.measure.recording import Recording

#: An attempt is heard out so far before and after what stands above the quiet, and its noise is
#: looked for so far around.
MORE_S, AROUND_S = 0.5, 5.0
#: A period that repeats itself less well than this may be a part of a longer one: then the first
#: look at the pitch goes down below the lowest note of a contrabassoon, B♭0, at 29 Hz.
CLEAR_STRENGTH, LOWEST_HZ = 0.95, 25.0
#: The pitch of an attempt is the median where it is no softer than this below its loudest, dB.
LOUD_DB = 10.0
#: Limits of the second look at the pitch, as shares of the first: no octave lies between.
LOWER, HIGHER = 0.7, 1.45
#: Its step in periods: a third of its window, so that nothing between is lost.
STEP_PERIODS = 1.5
#: What is further from the median than this is not the tone, cents.
NEAR_CENTS = 150.0
#: A lapse of the pitch up to this long is a weak moment of the tone, not its end.
LAPSE_S = 0.3
#: Of several tones in an attempt the loudest is measured; of those as loud within so many dB the
#: first.
AS_LOUD_DB = 1.0
#: How far below its loudest the tone must have its pitch, dB.
PITCHED_DB = 25.0
#: Noise is taken off a level, but no more than half of what is heard: 3 dB.
LEAST_LEFT = 0.5


@dataclass(frozen=True)
class Tone:
    """One long tone; made by :func:`find_tone`.

    Attributes
    ----------
    recording : Recording
    hz : float
        Median pitch where it is loud.
    first_s, last_s : float
        First and last moment at which this pitch is heard.
    attempt_s : (float, float)
        Where the attempt was said to lie.
    time_s, level_db : ndarray, dict of ndarray
        Running levels "Z" and "A" of the attempt and its surroundings, noise included.
    pitch_s, pitch_hz : ndarray
        Running pitch; not a number where there is none near ``hz``.
    noise_db : dict of float
        Level of the quiet, "Z" and "A"; minus 160 if there is none.
    waver_db : float
        Standard deviation of the quiet's running level, A-weighted.
    """

    recording: Recording
    hz: float
    first_s: float
    last_s: float
    attempt_s: tuple[float, float]
    time_s: NDArray[np.float64] = field(repr=False)
    level_db: dict[Weighting, NDArray[np.float64]] = field(repr=False)
    pitch_s: NDArray[np.float64] = field(repr=False)
    pitch_hz: NDArray[np.float64] = field(repr=False)
    noise_db: dict[Weighting, float]
    waver_db: float

    @property
    def elsewhere_s(self) -> float:
        """For how long its pitch sounds in the same attempt apart from it, in seconds."""
        known = self.pitch_s[np.isfinite(self.pitch_hz)]
        inside = known[(known >= self.attempt_s[0]) & (known <= self.attempt_s[1])]
        apart = (inside < self.first_s) | (inside > self.last_s)
        return float(apart.sum() * (self.pitch_s[1] - self.pitch_s[0]))

    @property
    def pitched_share(self) -> float:
        """Share of the loud part of its attempt that has its pitch, 0 to 1."""
        inside = (self.pitch_s >= self.attempt_s[0]) & (self.pitch_s <= self.attempt_s[1])
        loudness = np.interp(self.pitch_s, self.time_s, self.level_db["A"])
        loud = inside & (loudness > loudness[inside].max() - PITCHED_DB)
        return float(np.isfinite(self.pitch_hz[loud]).mean())

    @property
    def wander_cents(self) -> float:
        """Between what distance nine tenths of its pitch lie, in cents."""
        low, high = np.nanpercentile(self.pitch_hz, [5, 95])
        return float(1200 * np.log2(high / low))


def find_tone(recording: Recording, start_s: float, end_s: float) -> Tone | None:
    """Return the tone of an attempt that lies about these times, or None if there is none."""
    hz = _first_hz(recording, start_s, end_s)
    if hz is None:
        return None
    from_s, to_s = max(start_s - AROUND_S, 0.0), end_s + AROUND_S
    quiet = find_quiet(recording).part(from_s, to_s)
    time_s, still = quiet.time_s, quiet.quiet
    levels: dict[Weighting, NDArray[np.float64]] = {
        "Z": np.interp(time_s, *level_track(recording)),
        "A": quiet.level_db,
    }
    at, pitch_hz = _pitch_near(replace(recording, samples=recording.part(from_s, to_s)), hz)
    pitch_s = at + from_s
    heard = np.isfinite(pitch_hz) & (pitch_s >= start_s - MORE_S) & (pitch_s <= end_s + MORE_S)
    if not heard.any():
        return None
    loudness = np.interp(pitch_s[heard], time_s, levels["A"])
    loudest = int(np.argmax(loudness > loudness.max() - AS_LOUD_DB))
    span = _span(pitch_s[heard], float(pitch_s[heard][loudest]))
    return Tone(
        recording=recording,
        hz=hz,
        first_s=span[0],
        last_s=span[1],
        attempt_s=(start_s, end_s),
        time_s=time_s,
        level_db=levels,
        pitch_s=pitch_s,
        pitch_hz=pitch_hz,
        noise_db={weighting: _mean_db(level[still]) for weighting, level in levels.items()},
        waver_db=float(np.std(levels["A"][still])) if still.any() else 0.0,
    )


def unnoised(level_db: NDArray[np.float64], noise_db: float) -> NDArray[np.float64]:
    """Return levels without the power of the noise; at most 3 dB are taken off.

    Examples
    --------
    >>> unnoised(np.array([0.0, -10.0, -20.0]), -10.0).round(2)
    array([ -0.46, -13.01, -23.01])
    """
    power, noise = 10 ** (level_db / 10), 10 ** (noise_db / 10)
    return np.asarray(10 * np.log10(np.maximum(power - noise, LEAST_LEFT * power)))


def _first_hz(recording: Recording, start_s: float, end_s: float) -> float | None:
    """Return the pitch of an attempt where it is loud, or None if there is none."""
    hz = None
    ceiling_hz = min(CEILING_HZ, recording.rate_hz / 2)
    for floor_hz in (FLOOR_HZ, LOWEST_HZ):
        floor_hz = max(floor_hz, 4 / recording.duration_s)
        track = pitch_track(recording, floor_hz, ceiling_hz, ROUGH_STEP_S)
        at = track.time_s
        inside = (at >= start_s) & (at <= end_s) & np.isfinite(track.hz)
        if not inside.any():
            continue
        loudness = np.interp(at, *level_track(recording, "A"))
        loud = inside & (loudness > loudness[inside].max() - LOUD_DB)
        hz = float(np.median(track.hz[loud]))
        if np.median(track.strength[loud]) > CLEAR_STRENGTH:
            break
    return hz


def _pitch_near(recording: Recording, hz: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return times and the pitch there, not a number where it is not near the given one."""
    step_s = min(HELD_STEP_S, STEP_PERIODS / hz)
    track = pitch_track(recording, LOWER * hz, min(HIGHER * hz, recording.rate_hz / 2), step_s)
    far = np.abs(1200 * np.log2(track.hz / hz)) > NEAR_CENTS
    return track.time_s, np.where(far, np.nan, track.hz)


def _span(heard_s: NDArray[np.float64], middle_s: float) -> tuple[float, float]:
    """Return the first and last moment of the tone that sounds at a middle moment."""
    lapses = np.flatnonzero(np.diff(heard_s) > LAPSE_S)
    starts = np.concatenate([[0], lapses + 1])
    ends = np.concatenate([lapses, [len(heard_s) - 1]])
    place = int(np.searchsorted(heard_s[starts], middle_s, "right")) - 1
    return float(heard_s[starts[place]]), float(heard_s[ends[place]])


def _mean_db(level_db: NDArray[np.float64]) -> float:
    return float(10 * np.log10(np.mean(10 ** (level_db / 10)))) if level_db.size else SILENCE_DB
