"""The picture of a slur: pitch and level over time, its transitions marked, the worst named."""

from typing import TYPE_CHECKING

import numpy as np

from reedlab.charts import COLOURS, new_axes
from reedlab.errors import CallError
from reedlab.measure.levels import level_track
from reedlab.measure.pitches import pitch_track

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.measure.slur import Slur

#: The level is drawn in this lower part of the picture, over so many dB.
LOWER_PART, SHOWN_DB = 0.3, 40.0


def draw_slur(answer: "Slur", ax: "Axes | None" = None) -> "Axes":
    """Draw pitch above and level below; see :meth:`Slur.plot`."""
    from reedlab.measure.slur import SMOOTH, fault_text
    from reedlab.schema.pitch import note_hz

    if answer.recording is None:
        raise CallError("There is no recording to draw.")
    ax = ax or new_axes(8.0, 4.4)
    table = answer.table
    names = list(dict.fromkeys([*table["from_note"], *table["to_note"]]))
    pitches = {name: note_hz(name) for name in names}
    track = pitch_track(answer.recording, min(pitches.values()) / 1.6)
    octaves = np.log2(track.hz)
    low, high = (np.log2(end(pitches.values())) for end in (min, max))
    inside = (octaves > low - 0.4) & (octaves < high + 0.6)
    shown = np.where(inside, octaves, np.nan)
    ax.plot(track.time_s, shown, color=COLOURS["blue"], linewidth=1.8, label="pitch")
    bottom = low - 0.3 - (high - low + 0.6) * LOWER_PART / (1 - LOWER_PART)
    ax.set_ylim(bottom, high + 0.3)
    ax.set_yticks([np.log2(hz) for hz in pitches.values()], labels=names)
    ax.set_ylabel("pitch")
    _draw_level(answer, ax)
    for row in table.to_dict("records"):
        rough = row["smoothness"] < SMOOTH
        ax.axvline(
            row["at_s"],
            color=COLOURS["vermilion" if rough else "grey"],
            linestyle="-" if rough else ":",
            linewidth=1.4 if rough else 0.8,
            label="catches" if rough else "smooth",
            zorder=0,
        )
    ax.set_xlim(table["at_s"].min() - 1, table["at_s"].max() + 1)
    ax.set_xlabel("time, s")
    worst = answer.worst
    if worst["smoothness"] < SMOOTH:
        words = f"worst: {worst['from_note']} to {worst['to_note']}, {fault_text(worst)}"
    else:
        words = "no transition catches"
    ax.set_title(words, fontsize=9, loc="left", parse_math=False)
    handles, labels = ax.get_legend_handles_labels()
    once = dict(zip(labels, handles, strict=True))
    ax.legend(
        list(once.values()), list(once), fontsize=8, frameon=False, ncols=4, loc="upper right"
    )
    return ax


def _draw_level(answer: "Slur", ax: "Axes") -> None:
    if answer.recording is None:
        return
    time_s, level_db = level_track(answer.recording, "A", 0.002, 0.03)
    beside = ax.twinx()
    beside.spines[["top"]].set_visible(False)
    top = float(np.ceil(level_db.max() / 5) * 5)
    beside.plot(time_s, np.maximum(level_db, top - SHOWN_DB), color=COLOURS["orange"], linewidth=1)
    ax.plot([], [], color=COLOURS["orange"], linewidth=1, label="level")
    beside.set_ylim(top - SHOWN_DB, top + SHOWN_DB * (1 - LOWER_PART) / LOWER_PART)
    beside.set_yticks([top - SHOWN_DB, top - SHOWN_DB / 2, top])
    beside.tick_params(labelsize=9)
    beside.set_ylabel("level, dB (A)", loc="bottom", fontsize=9)
