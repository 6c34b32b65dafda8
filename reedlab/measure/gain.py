"""Whether the recorder turned itself up and down: automatic gain and noise gates of phones.

Both change levels while the playing stays the same, and neither is told in the file. What is
looked for are their marks on the quiet and on the level of a tone; a mark is a suspicion and no
proof, and a recorder that leaves none may still have done it. Times in seconds, levels in dB.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from reedlab.measure.quiet import Quiet, runs

#: The quiet after a sound is looked at in three places, seconds after its end: early enough to
#: find the gain still low, late enough for the room to have died away.
EARLY_S, MIDDLE_S, LATE_S = (0.2, 0.35), (0.45, 0.6), (0.8, 0.95)
#: Noise of a room wavers less than this from one such place to another, dB.
RISE_DB, DROP_DB = 5.0, 6.0
#: How far the quiet must lie below the tone to be one, dB.
BELOW_TONE_DB = 10.0
#: How long before a sound its quiet is looked for.
BEFORE_S = 2.0
#: A level held by a machine: this long, with a standard deviation of no more than so many dB.
HELD_S, HELD_SD_DB, HELD_WIDTH_DB = 1.0, 0.35, 0.6
#: A swell climbs at least this far, and takes at least so long; at the corner it is this steep.
CLIMB_DB, CLIMB_S, CORNER_DB, CORNER_S = 8.0, 0.5, 2.0, 0.4
#: A tone that starts this far above the level that it then holds, and falls to it in this time.
OVERSHOOT_DB, FALL_S = 5.0, (0.1, 2.0)
#: No microphone stands so still (a sixteenth of a step of 16 bits) for so long at a time, nor for
#: so long in all.
STILL, STILL_S, STILL_IN_ALL_S = 1 / 32768 / 16, 0.02, 0.1
#: A gate's step: this far down within a tenth of a second, from steady to steady noise.
STEP_DB, STEADY_S, STEADY_DB, STEP_S = 12.0, 0.1, 3.0, 0.06


def gain_cautions(
    found: Quiet, level_db: NDArray[np.float64], start_s: float, end_s: float
) -> Iterator[str]:
    """Yield what speaks for automatic gain about one attempt.

    Parameters
    ----------
    found : Quiet
    level_db : ndarray
        Level as recorded (Z), at the same times.
    start_s, end_s : float
    """
    marks = [
        mark
        for mark in (
            _noise_returns(found),
            _noise_dropped(found),
            _swell_stops(level_db, found, start_s, end_s),
            _tone_sinks(level_db, found, start_s, end_s),
        )
        if mark
    ]
    if marks:
        yield (
            f"Automatic gain is likely: {'; '.join(marks)}. Levels may not be compared; switch it "
            "off in the recorder, or use one that has none."
        )


def gate_cautions(found: Quiet, samples: NDArray[np.float64], rate_hz: float) -> Iterator[str]:
    """Yield what speaks for a noise gate: silence that no microphone gives, or a sudden step.

    Parameters
    ----------
    found : Quiet
    samples : ndarray
        Those of which it is the quiet.
    rate_hz : float
    """
    still = np.flatnonzero(np.abs(np.diff(samples)) < STILL)
    last = np.flatnonzero(np.diff(still, append=np.inf) > 1)
    lengths = np.diff(last, prepend=-1)
    still_s = float(lengths[lengths > STILL_S * rate_hz].sum() / rate_hz)
    if still_s >= STILL_IN_ALL_S:
        mark = f"{still_s:.1f} s are digital silence"
    elif _noise_steps(found):
        mark = "the noise between the sounds drops in one step"
    else:
        return
    yield (
        f"A noise gate is likely: {mark}. Soft beginnings and ends may be cut off; switch noise "
        "suppression off in the recorder."
    )


def _noise_returns(found: Quiet) -> str:
    """Say by how much the noise comes up in the second after a tone."""
    for first, last in runs(found.toneless):
        if first == 0 or (last - first) * found.step_s < LATE_S[1]:
            continue
        before = float(np.median(found.level_db[max(first - _count(0.3, found), 0) : first]))
        early, middle, late = (
            float(np.median(found.level_db[first + _count(a, found) : first + _count(b, found)]))
            for a, b in (EARLY_S, MIDDLE_S, LATE_S)
        )
        if before - early > BELOW_TONE_DB and late - early > RISE_DB and early < middle < late:
            return f"after a tone the noise comes up by {late - early:.0f} dB within a second"
    return ""


def _noise_dropped(found: Quiet) -> str:
    """Say by how much the noise is lower after the first tones than before them."""
    toneless = runs(found.toneless)
    if not toneless or toneless[0][0] > 0:
        return ""
    onset = toneless[0][1]
    ends = [a for a, b in toneless[1:] if (b - a) * found.step_s >= EARLY_S[1]]
    width = _count(EARLY_S[1] - EARLY_S[0], found)
    starts = range(max(onset - _count(BEFORE_S, found), 0), onset - width, width)
    if not starts or not ends:
        return ""
    before = min(float(np.median(found.level_db[place : place + width])) for place in starts)
    first = ends[0] + _count(EARLY_S[0], found)
    after = float(np.median(found.level_db[first : first + width]))
    tone = float(np.median(found.level_db[onset : toneless[1][0]]))
    if before - after > DROP_DB and tone - before > BELOW_TONE_DB:
        return f"the noise is {before - after:.0f} dB lower after the first tones than before them"
    return ""


def _swell_stops(level_db: NDArray[np.float64], found: Quiet, start_s: float, end_s: float) -> str:
    """Say for how long a swell stands still at its top after a steady climb."""
    level = level_db[(found.time_s >= start_s) & (found.time_s <= end_s)]
    top = float(np.quantile(level, 0.95))
    for first, last in runs(np.abs(level - top) <= HELD_WIDTH_DB):
        if not _held(level[first:last], found):
            continue
        low = np.flatnonzero(level[:first] < top - CLIMB_DB)
        corner = first - _count(CORNER_S, found)
        if (
            len(low)
            and (first - low[-1]) * found.step_s > CLIMB_S
            and level[corner] < top - HELD_WIDTH_DB - CORNER_DB
        ):
            seconds = (last - first) * found.step_s
            return f"the swell stops and stands at one level for {seconds:.1f} s (unless held so)"
    return ""


def _tone_sinks(level_db: NDArray[np.float64], found: Quiet, start_s: float, end_s: float) -> str:
    """Say by how much a tone starts above the level that it then holds."""
    inside = (found.time_s >= start_s) & (found.time_s <= end_s)
    for first, last in runs(~found.toneless & inside):
        level = level_db[first:last]
        peak = int(np.argmax(level[: _count(0.4, found)]))
        held = float(np.median(level[peak:][: _count(FALL_S[1] + HELD_S, found)]))
        near = np.flatnonzero(level[peak:] <= held + HELD_WIDTH_DB)
        if level[peak] - held < OVERSHOOT_DB or not len(near):
            continue
        falls_s = float(near[0] * found.step_s)
        after = level[peak + near[0] :][: _count(HELD_S, found) + 1]
        if FALL_S[0] < falls_s < FALL_S[1] and _held(after, found):
            return f"a tone sinks by {level[peak] - held:.0f} dB to a level that it then holds"
    return ""


def _held(level: NDArray[np.float64], found: Quiet) -> bool:
    return len(level) * found.step_s >= HELD_S and float(np.std(level)) <= HELD_SD_DB


def _noise_steps(found: Quiet) -> bool:
    """Tell whether noise without a tone falls in one step from one steady level to another."""
    steady, step = _count(STEADY_S, found), _count(STEP_S, found)
    for first, last in runs(found.toneless):
        level = found.level_db[first:last]
        if len(level) < 2 * steady + step:
            continue
        windows = np.lib.stride_tricks.sliding_window_view(level, steady)
        middle, spread = np.median(windows, axis=1), np.ptp(windows, axis=1)
        before, after = slice(None, -steady - step), slice(steady + step, None)
        down = middle[before] - middle[after] > STEP_DB
        if (down & (spread[before] < STEADY_DB) & (spread[after] < STEADY_DB)).any():
            return True
    return False


def _count(seconds: float, found: Quiet) -> int:
    return round(seconds / found.step_s)
