"""The picture of a stopping rule: minutes for each keeper against the cut, reeds below.

It draws what the answer holds. Reeds differ by colour and marker, so that grey print can be
read.
"""

from typing import TYPE_CHECKING

import numpy as np

from reedlab.analyse.stopping_rows import goodness
from reedlab.analyse.stopping_table import ALL
from reedlab.analyse.stopping_text import cut_label, shown
from reedlab.charts import COLOURS, new_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.analyse.stopping import StoppingRule

#: What became of a reed: its look and its line in the strip below the axis.
_LOOKS = {
    "kept": (COLOURS["blue"], "o", COLOURS["blue"]),
    "discarded": (COLOURS["vermilion"], "X", COLOURS["vermilion"]),
    "stopped early: not known": (COLOURS["grey"], "D", "white"),
}


def draw_cuts(found: "StoppingRule", ax: "Axes | None" = None) -> "Axes":
    """Draw the minutes for each keeper by the cut of the leading measure."""
    ax = ax or new_axes(6.8, 4.6)
    measure, by_cut = found.leading, found.by_cut
    x = shown(measure, by_cut["value"].to_numpy())
    top = 2 * float(found.table.loc[found.table["term"] == ALL, "estimate"].iloc[0])
    ax.fill_between(
        x,
        by_cut["conf_low"].clip(upper=top),
        by_cut["conf_high"].clip(upper=top),
        color=COLOURS["sky"],
        alpha=0.3,
        linewidth=0,
        label="95 % interval",
    )
    ax.plot(x, by_cut["estimate"].where(by_cut["estimate"] <= top), color=COLOURS["blue"])
    ax.axhline(top / 2, color=COLOURS["black"], linewidth=1, linestyle="--")
    ax.annotate(
        "finishing all", (1, top / 2), xycoords=("axes fraction", "data"), ha="right", va="bottom",
        fontsize=8,
    )
    cut = found.learnt.cuts[0]
    if np.isfinite(cut):
        ax.axvline(shown(measure, cut), color=COLOURS["black"], linewidth=1, linestyle=":")
    _draw_reeds(found, ax, top)
    ax.set_ylim(-0.2 * top, top)
    ax.set_yticks([tick for tick in ax.get_yticks() if 0 <= tick <= top])
    ax.set_xlabel(f"cut: {cut_label(measure)}", parse_math=False)
    ax.set_ylabel("minutes of work for each keeper")
    ax.set_title(
        "line and band: minutes by cut, with 95 % interval; dotted: the cut of the rule",
        fontsize=8,
        loc="left",
    )
    ax.legend(fontsize=8, frameon=False, loc="upper center", ncols=2)
    return ax


def _draw_reeds(found: "StoppingRule", ax: "Axes", top: float) -> None:
    """Draw every reed at its own value of the measure, one line for each end."""
    rows = found.rows
    G = goodness(rows.values, rows.measures)[:, found.learnt.which[0]]
    good = rows.reeds["good"].to_numpy()
    groups = [good == 1, good == 0, np.isnan(good)]
    for line, ((name, (colour, marker, face)), here) in enumerate(
        zip(_LOOKS.items(), groups, strict=True), start=1
    ):
        height = np.full(int(here.sum()), -0.05 * top * line)
        ax.plot(
            shown(found.leading, G[here]),
            height,
            marker,
            color=colour,
            markerfacecolor=face,
            markersize=5,
            alpha=0.7,
            label=f"reed, {name}",
        )
