"""Pitch above and level below, over one time: what pictures of a whole line or test share.

Only pitch that stands is drawn: on the way from note to note the running pitch may show what
nobody heard. The pitch axis is in octaves and carries the names of notes, the level axis beside
it dB. Times in s.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reedlab.charts import COLOURS
from reedlab.measure.levels import WINDOW_S, level_track
from reedlab.measure.pitches import FLOOR_HZ, PitchTrack, pitch_track
from reedlab.measure.recording import Recording
from reedlab.schema.pitch import A4_HZ, note_hz

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: The level is drawn in this lower part of the picture, over so many dB; above the pitch lies a
#: band for the legend, this share of its height.
LOWER_PART, SHOWN_DB, BAND = 0.32, 45.0, 0.14
#: So much of the pitch axis lies beyond its lowest and highest note, in octaves.
BEYOND = 0.25
#: Pitch stands where it is within so many octaves of the median of so many steps about it.
NEAR, STEPS = 0.04, 9


def draw_traces(
    ax: "Axes",
    recording: Recording,
    names: Sequence[str],
    a4_hz: float = A4_HZ,
    floor_hz: float = FLOOR_HZ,
    window_s: float = WINDOW_S,
) -> None:
    """Draw pitch and level of a recording.

    Parameters
    ----------
    ax : Axes
    recording : Recording
    names : sequence of str
        Notes to read the pitch by; what lies far beyond them is not shown.
    a4_hz : float
    floor_hz : float
        Lowest pitch to look for.
    window_s : float
        Of the level.
    """
    marks = np.log2([note_hz(name, a4_hz) for name in names])
    low, high = float(marks.min()) - BEYOND, float(marks.max()) + BEYOND
    track = pitch_track(recording, floor_hz, min(2 ** (high + 1), recording.rate_hz / 2))
    octaves = standing_octaves(track)
    octaves[(octaves < low) | (octaves > high)] = np.nan
    ax.plot(track.time_s, octaves, color=COLOURS["blue"], linewidth=1.8, label="pitch")
    shown = (high - low) / (1 - LOWER_PART - BAND)
    ax.set_ylim(low - LOWER_PART * shown, high + BAND * shown)
    ax.set_yticks(marks, labels=names)
    ax.set_ylabel("pitch")
    ax.set_xlabel("time, s")
    time_s, level_db = level_track(recording, "A", 0.0025, window_s)
    top = float(np.ceil(level_db.max() / 5) * 5)
    beside = ax.twinx()
    beside.spines[["top"]].set_visible(False)
    beside.plot(time_s, np.maximum(level_db, top - SHOWN_DB), color=COLOURS["orange"], linewidth=1)
    beside.set_ylim(top - SHOWN_DB, top + SHOWN_DB * (1 / (LOWER_PART - 0.04) - 1))
    beside.set_yticks(np.arange(top - SHOWN_DB, top + 1, 15))
    beside.tick_params(labelsize=9)
    beside.set_ylabel("level, dB (A)", loc="bottom", fontsize=9)
    ax.plot([], [], color=COLOURS["orange"], linewidth=1, label="level")


def standing_octaves(track: PitchTrack) -> NDArray[np.float64]:
    """Return the pitch in octaves re 1 Hz where it stands, else not a number.

    Examples
    --------
    >>> hz = np.array([110.0] * 9 + [330.0, 80.0] + [220.0] * 9)
    >>> track = PitchTrack(np.arange(20) / 200, hz, np.ones(20), 50, 1400)
    >>> np.isnan(standing_octaves(track)).sum()
    np.int64(3)
    """
    octaves = np.log2(np.nan_to_num(track.hz, nan=1.0))
    around = np.pad(octaves, STEPS // 2, mode="edge")
    usual = np.median(np.lib.stride_tricks.sliding_window_view(around, STEPS), axis=1)
    stands = np.isfinite(track.hz) & (np.abs(octaves - usual) < NEAR)
    # No line from one note to the next.
    stands[1:] &= np.abs(np.diff(octaves)) < NEAR
    return np.where(stands, octaves, np.nan)
