"""The picture of a whole test: level and pitch over time, with the steps named."""

from typing import TYPE_CHECKING

import numpy as np

from reedlab.charts import COLOURS, new_axes
from reedlab.errors import CallError
from reedlab.measure.levels import level_track
from reedlab.measure.pitches import pitch_track

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.measure.whole_test import WholeTest

#: The level is drawn in this lower part of the picture, over so many dB.
LOWER_PART, SHOWN_DB = 0.35, 50.0
#: Notes to read the pitch by.
NOTES = ("B♭1", "F2", "C3", "F3", "C4", "F4")


def draw_test(answer: "WholeTest", ax: "Axes | None" = None) -> "Axes":
    """Draw pitch above and level below; see :meth:`WholeTest.plot`."""
    from reedlab.schema.pitch import note_hz

    recording = answer.recording
    if recording is None:
        raise CallError("There is no recording to draw.")
    ax = ax or new_axes(9.0, 4.2)
    track = pitch_track(recording)
    ax.plot(
        track.time_s, np.log2(track.hz), ".", color=COLOURS["blue"], markersize=2.5, label="pitch"
    )
    marks = np.log2([note_hz(name) for name in NOTES])
    low, high = marks[0] - 0.3, marks[-1] + 0.8
    ax.set_ylim(low - (high - low) * LOWER_PART / (1 - LOWER_PART), high)
    ax.set_yticks(marks, labels=NOTES)
    ax.set_ylabel("pitch")
    ax.set_xlabel("time, s")
    ax.set_xlim(0, recording.duration_s)
    for row in answer.steps.dropna(subset=["start_s"]).to_dict("records"):
        fine = not row["fault"]
        colour = COLOURS["sky" if fine else "vermilion"]
        ax.axvspan(row["start_s"], row["end_s"], color=colour, alpha=0.15, linewidth=0)
        words = row["step"] if fine else f"{row['step']}: not measured"
        middle = (row["start_s"] + row["end_s"]) / 2
        ax.text(middle, high, words, ha="center", va="bottom", fontsize=9, parse_math=False)
    time_s, level_db = level_track(recording, "A")
    beside = ax.twinx()
    beside.spines[["top"]].set_visible(False)
    top = float(np.ceil(level_db.max() / 5) * 5)
    beside.plot(time_s, np.maximum(level_db, top - SHOWN_DB), color=COLOURS["orange"], linewidth=1)
    beside.set_ylim(top - SHOWN_DB, top + SHOWN_DB * (1 - LOWER_PART) / LOWER_PART)
    beside.set_yticks([top - SHOWN_DB, top - SHOWN_DB / 2, top])
    beside.tick_params(labelsize=9)
    beside.set_ylabel("level, dB (A)", loc="bottom", fontsize=9)
    ax.plot([], [], color=COLOURS["orange"], linewidth=1, label="level")
    ax.legend(fontsize=8, frameon=False, ncols=2, loc="upper right")
    return ax
