"""How one slurred note gives over to the next: gap, change of pitch, what sounds between.

The level is averaged over one period of either note, so that neither ripples, and an edge is
set right for the length of that window. Where the old note ends is found by looking back, where
the new one begins by looking ahead. Times in s or ms as named, levels in dB, A-weighted.
"""

from dataclasses import dataclass, replace

import numpy as np

from reedlab.measure.levels import power_db
from reedlab.measure.looks import LEAST_MATCH, Floats, Looks, look, running_sums
from reedlab.measure.notes import Note
from reedlab.measure.recording import Recording
from reedlab.measure.thinned import light_weighted, thinned

#: A pitch within so many cents of a note is that note.
NEAR_CENTS = 50.0
#: A pitch at least so many cents away from both notes is foreign to the slur.
FOREIGN_CENTS = 150.0
#: From its first third to its last it moves by no more; a glide from note to note moves on.
DRIFT_CENTS = 35.0
#: A note may begin or end with its upper partials alone for so long, and a coder may send them
#: ahead of it by one block of 1024 samples (AAC): that is no foreign pitch.
PARTIAL_S = 0.03
#: A dip below the softer note that is no deeper than this is no gap: unsteady playing does as
#: much.
LEAST_DIP_DB = 3.0
#: Where it is deeper than this a note is gone, whatever pitch is left of it.
GONE_DB = 15.0
#: A note that fails for no longer than this is still there.
BLINK_S = 0.01
#: Of either note its half next to the change is looked at, at most so much of it.
BEFORE_S, AFTER_S = 0.2, 0.3
#: The old note is gone so soon after the new one is heard.
LINGER_S = 0.06
#: A dip is looked for no further than this from the change.
ABOUT_S = 0.12
#: The pitch of a new note may settle for so long.
SETTLING_S = 0.15
#: A pitch is beyond the new note if it is so by more than this, for so many looks, and comes
#: down by less than this from look to look.
LEAST_CENTS, LOOKS, GLIDING_CENTS = 5.0, 4, 20.0
STEP_S = 0.001
#: The level has come back where it stays for so many steps.
BLINKS = 10


@dataclass(frozen=True)
class Transition:
    """What happens between two notes; made by :func:`transition`.

    Attributes
    ----------
    dip_db : float
        How far the level falls below the softer of the two notes.
    gap_s : (float, float)
        Edges of that dip, where either note has fallen by half its depth; equal where it is
        shallower than 3 dB.
    change_s : (float, float)
        When the old note is left, and from when on the new one stays; equal for a change at
        once.
    overshoot_cents : float
        How far the pitch first goes beyond the new note, in the direction of the step; not a
        number where the new note is too short to tell.
    foreign_hz, foreign_ms : float
        A pitch that stands between and is neither, and for how long; not a number and 0
        where there is none.
    """

    dip_db: float
    gap_s: tuple[float, float]
    change_s: tuple[float, float]
    overshoot_cents: float
    foreign_hz: float
    foreign_ms: float


@dataclass(frozen=True)
class Prepared:
    """A recording made ready for :func:`transition`: a thinner copy, and its weighted power."""

    thin: Recording
    power: Floats


@dataclass(frozen=True)
class _Level:
    time_s: Floats
    level_db: Floats
    old_db: float
    new_db: float
    #: How much of the window lies up to each of its samples, 0 to 1, and how long one lasts.
    window: Floats
    sample_s: float

    @property
    def softer_db(self) -> float:
        return min(self.old_db, self.new_db)


def prepared(recording: Recording) -> Prepared:
    """Make a recording ready for :func:`transition`."""
    thin = thinned(recording)
    # A constant repeats itself at every lag.
    bare = replace(thin, samples=thin.samples - thin.samples.mean())
    return Prepared(bare, light_weighted(recording).samples ** 2)


def transition(sound: Prepared, old: Note, new: Note) -> Transition:
    """Measure how one note gives over to the next.

    Parameters
    ----------
    sound : Prepared
    old, new : Note
        Roughly where they sound, and their steady pitch.

    Returns
    -------
    Transition
    """
    first_s = max((old.start_s + old.end_s) / 2, old.end_s - BEFORE_S)
    last_s = min((new.start_s + new.end_s) / 2, new.start_s + AFTER_S)
    lower_hz = min(old.hz, new.hz)
    back = look(sound.thin, min(last_s, new.start_s + LINGER_S), first_s, lower_hz)
    ahead = look(sound.thin, first_s, last_s, lower_hz)
    change_s = _change(back, ahead, old.hz, new.hz)
    level = _level(sound, old, new, first_s, last_s)
    dip_db, gap_s = _dip(level, change_s)
    if dip_db >= GONE_DB:
        change_s = min(change_s[0], gap_s[0]), max(change_s[1], gap_s[1])
    overshoot = _overshoot(ahead, old.hz, new.hz, change_s[1])
    return Transition(
        dip_db, gap_s, change_s, overshoot, *_foreign(ahead, level, old.hz, new.hz, change_s)
    )


def _change(back: Looks, ahead: Looks, old_hz: float, new_hz: float) -> tuple[float, float]:
    """Return when the old note is left and from when on the new one stays."""
    left_s = _last_of(back, old_hz)
    arrived_s = _last_of(ahead, new_hz)
    # A stretch matches well enough while the rest of it belongs to something else.
    other_s = (1 - LEAST_MATCH) * ahead.stretch_s
    left_s, arrived_s = left_s - other_s, arrived_s + other_s
    if left_s < arrived_s:
        return left_s, arrived_s
    return ((left_s + arrived_s) / 2,) * 2


def _last_of(looks: Looks, hz: float) -> float:
    """Return how far a note reaches from the far end, against the direction of the looks."""
    moments = looks.time_s[::-1][np.abs(looks.cents(hz)[::-1]) <= NEAR_CENTS]
    if not len(moments):
        return float(looks.time_s[-1])
    breaks = np.flatnonzero(np.abs(np.diff(moments)) > BLINK_S)
    return float(moments[breaks[0]] if len(breaks) else moments[-1])


def _level(sound: Prepared, old: Note, new: Note, first_s: float, last_s: float) -> _Level:
    rate = sound.thin.rate_hz
    periods = [round(rate / note.hz) for note in (old, new)]
    start = max(0, round(first_s * rate))
    power = sound.power[start : round(last_s * rate)]
    for period in periods:
        power = running_sums(power, period) / period
    step = max(1, round(STEP_S * rate))
    level_db = power_db(np.maximum(power[::step], 0))
    window = np.convolve(np.ones(periods[0]), np.ones(periods[1])) / np.prod(periods)
    time_s = (
        np.asarray(start + (len(window) - 1) / 2 + step * np.arange(len(level_db)), float) / rate
    )
    # Of each half note the part away from the change is steady.
    part = round(0.5 * len(level_db) * (old.end_s - first_s) / (last_s - first_s))
    other = round(0.5 * len(level_db) * (last_s - new.start_s) / (last_s - first_s))
    old_db, new_db = (
        float(np.median(levels))
        for levels in (level_db[: max(part, 1)], level_db[-max(other, 1) :])
    )
    window = np.asarray(np.cumsum(window), dtype=np.float64)
    return _Level(time_s, level_db, old_db, new_db, window, 1 / rate)


def _dip(level: _Level, change_s: tuple[float, float]) -> tuple[float, tuple[float, float]]:
    """Return depth and edges of the deepest dip about the change."""
    time_s, level_db = level.time_s, level.level_db
    about = (time_s >= change_s[0] - ABOUT_S) & (time_s <= change_s[1] + ABOUT_S)
    lowest = int(np.flatnonzero(about)[np.argmin(level_db[about])])
    dip_db = max(0.0, level.softer_db - float(level_db[lowest]))
    middle_s = float(time_s[lowest])
    if dip_db < LEAST_DIP_DB:
        return dip_db, (middle_s, middle_s)
    before_s = _half_width(level, level_db[lowest::-1], level.old_db, dip_db)
    after_s = _half_width(level, level_db[lowest:], level.new_db, dip_db)
    return dip_db, (middle_s - before_s, middle_s + after_s)


def _half_width(level: _Level, outward_db: Floats, note_db: float, dip_db: float) -> float:
    """Return from the bottom of a dip to its edge at half its depth, in s.

    The window reaches over an edge: where the power is half way in dB, only a small part of it
    lies outside. That part is known for a sudden edge, and so is the way to it.
    """
    # A louder note is gone into the dip though it is still louder than the other.
    half_db = note_db - dip_db / 2
    above = np.append(outward_db >= half_db, np.ones(BLINKS - 1, dtype=bool))
    # A flicker inside the dip is not its end.
    stays = np.flatnonzero(np.lib.stride_tricks.sliding_window_view(above, BLINKS).all(axis=1))
    if not len(stays):
        return (len(outward_db) - 1) * STEP_S
    place = int(stays[0])
    inner, outer = outward_db[place - 1], outward_db[place]
    step_s = float(level.time_s[1] - level.time_s[0])
    width_s = (place - 1 + (half_db - inner) / (outer - inner)) * step_s
    note, half, bottom = 10 ** (np.array([note_db, half_db, outward_db[0]]) / 10)
    inside = (note - half) / (note - bottom)
    reach = np.searchsorted(level.window, inside) - (len(level.window) - 1) / 2
    return float(width_s + reach * level.sample_s)


def _overshoot(ahead: Looks, old_hz: float, new_hz: float, arrived_s: float) -> float:
    """Return how far the pitch goes beyond the new note before it stands."""
    beyond = ahead.cents(new_hz) * np.sign(new_hz - old_hz)
    settled = beyond[ahead.time_s > arrived_s + SETTLING_S]
    settled = settled[np.abs(settled) <= NEAR_CENTS]
    if not len(settled):
        return np.nan
    first, last = np.searchsorted(ahead.time_s, [arrived_s, arrived_s + SETTLING_S])
    # Before it is near the note it may still be beyond it, as long as it comes down steadily.
    while first > 0 and 0 <= beyond[first - 1] - beyond[first] < GLIDING_CENTS:
        first -= 1
    # What stands for a few looks is pitch, a single one may be the edge of something else.
    steady = np.lib.stride_tricks.sliding_window_view(beyond[first:last], LOOKS).min(axis=1)
    most = float(np.nanmax(steady, initial=-np.inf))
    return most if most > max(float(np.ptp(settled)), LEAST_CENTS) else 0.0


def _foreign(
    ahead: Looks, level: _Level, old_hz: float, new_hz: float, change_s: tuple[float, float]
) -> tuple[float, float]:
    """Return pitch in Hz and length in ms of what stands between the notes and is neither."""
    inside = (ahead.time_s >= change_s[0]) & (ahead.time_s + ahead.length_s <= change_s[1])
    for hz in (old_hz, new_hz):
        inside &= np.abs(ahead.cents(hz)) >= FOREIGN_CENTS
    middles = ahead.time_s + ahead.length_s / 2
    heard_db = np.interp(np.nan_to_num(middles), level.time_s, level.level_db)
    inside &= heard_db > level.softer_db - GONE_DB
    if not inside.any():
        return np.nan, 0.0
    hz = float(np.quantile(ahead.hz[inside], 0.5, method="lower"))
    standing = np.flatnonzero(inside & (np.abs(ahead.cents(hz)) <= NEAR_CENTS))
    first, last = standing[0], standing[-1]
    stood_s = ahead.time_s[last] - ahead.time_s[first]
    # What repeats itself once may do so by chance.
    least_s = max(ahead.stretch_s / 2, 0.75 / hz)
    if stood_s < least_s or len(standing) < 0.6 * (last - first + 1):
        return np.nan, 0.0
    third = -(-len(standing) // 3)
    off = ahead.cents(hz)[standing]
    if abs(np.median(off[-third:]) - np.median(off[:third])) > DRIFT_CENTS:
        return np.nan, 0.0
    length_s = float(stood_s + ahead.length_s[last])
    if length_s < PARTIAL_S and (_is_partial(hz, old_hz) or _is_partial(hz, new_hz)):
        return np.nan, 0.0
    return hz, 1000 * length_s


def _is_partial(hz: float, note_hz: float) -> bool:
    return abs(1200 * np.log2(hz / note_hz / max(round(hz / note_hz), 1))) <= NEAR_CENTS
