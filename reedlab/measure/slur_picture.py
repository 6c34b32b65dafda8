"""The picture of a slur: pitch and level over time, its transitions marked, the worst named."""

from typing import TYPE_CHECKING

import numpy as np

from reedlab.charts import COLOURS, legend_once, new_axes
from reedlab.errors import CallError
from reedlab.measure.traces import BAND, draw_traces
from reedlab.schema.pitch import note_hz

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.measure.slur import Slur

#: The level is averaged over so much, so that a short gap is seen, in s.
WINDOW_S = 0.03
#: Shown before the first transition and after the last, in s.
AROUND_S = 1.0


def draw_slur(answer: "Slur", ax: "Axes | None" = None) -> "Axes":
    """Draw pitch above and level below; see :meth:`Slur.plot`."""
    from reedlab.measure.slur import SMOOTH, fault_text

    if answer.recording is None:
        raise CallError("There is no recording to draw.")
    ax = ax or new_axes(8.0, 4.4)
    table = answer.table
    names = list(dict.fromkeys([*table["from_note"], *table["to_note"]]))
    lowest_hz = min(note_hz(name, answer.a4_hz) for name in names)
    draw_traces(ax, answer.recording, names, answer.a4_hz, lowest_hz / 1.6, WINDOW_S)
    for row in table.to_dict("records"):
        rough = row["smoothness"] < SMOOTH
        ax.axvline(
            row["at_s"],
            # The band of the legend stays free.
            ymax=1 - BAND,
            color=COLOURS["vermilion" if rough else "grey"],
            linestyle="-" if rough else ":",
            linewidth=1.4 if rough else 0.8,
            label="catches" if rough else "smooth",
            zorder=0,
        )
    foreign = table[table["foreign_note"] != ""]
    if len(foreign):
        ax.plot(
            foreign["at_s"],
            np.log2(foreign["foreign_hz"]),
            "D",
            color=COLOURS["purple"],
            markersize=6,
            label="foreign pitch",
        )
    ax.set_xlim(table["at_s"].min() - AROUND_S, table["at_s"].max() + AROUND_S)
    worst = answer.worst
    if worst["smoothness"] < SMOOTH:
        words = (
            f"worst: {worst['from_note']} to {worst['to_note']} at {worst['at_s']:.1f} s, "
            f"{fault_text(worst)}"
        )
    else:
        words = "no transition catches"
    ax.set_title(words, fontsize=9, loc="left", parse_math=False)
    legend_once(ax, loc="upper right")
    return ax
