"""The picture of a whole test: level and pitch over time, with the steps named."""

from typing import TYPE_CHECKING

import numpy as np

from reedlab.charts import COLOURS, new_axes
from reedlab.errors import CallError
from reedlab.measure.pitches import pitch_track
from reedlab.measure.recording import Recording
from reedlab.measure.traces import NEAR, draw_traces, standing_octaves
from reedlab.schema.pitch import note_hz

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.measure.whole_test import WholeTest

#: The pitch is read by the Fs and Cs of these octaves: those that sound, and one beyond.
NOTES = tuple(f"{letter}{octave}" for octave in range(1, 8) for letter in "CF")
#: So much of the standing pitch, in percent, lies below the first or above the last of them.
OUTSIDE = 1.0


def draw_test(answer: "WholeTest", ax: "Axes | None" = None) -> "Axes":
    """Draw pitch above and level below; see :meth:`WholeTest.plot`."""
    recording = answer.recording
    if recording is None:
        raise CallError("There is no recording to draw.")
    ax = ax or new_axes(9.0, 4.2)
    draw_traces(ax, recording, _notes(recording))
    ax.set_xlim(0, recording.duration_s)
    top = ax.get_ylim()[1]
    for row in answer.steps.dropna(subset=["start_s"]).to_dict("records"):
        fine = not row["fault"]
        colour = COLOURS["sky" if fine else "vermilion"]
        ax.axvspan(row["start_s"], row["end_s"], color=colour, alpha=0.15, linewidth=0)
        words = row["step"] if fine else f"{row['step']}:\nnot measured"
        middle = (row["start_s"] + row["end_s"]) / 2
        ax.text(middle, top, words, ha="center", va="bottom", fontsize=9, parse_math=False)
    ax.legend(fontsize=8, frameon=False, ncols=2, loc="upper right")
    return ax


def _notes(recording: Recording) -> tuple[str, ...]:
    """Choose the notes between which nearly all lies that stands."""
    octaves = standing_octaves(pitch_track(recording))
    octaves = octaves[np.isfinite(octaves)]
    if not len(octaves):
        return NOTES
    low, high = np.percentile(octaves, [OUTSIDE, 100 - OUTSIDE])
    heights = np.log2([note_hz(name) for name in NOTES])
    first = max(int(np.searchsorted(heights, low + NEAR, "right")) - 1, 0)
    last = min(int(np.searchsorted(heights, high - NEAR)), len(NOTES) - 1)
    return NOTES[first : last + 1]
