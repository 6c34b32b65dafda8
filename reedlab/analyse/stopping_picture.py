"""The picture of a stopping rule: minutes for each keeper against the cut, reeds below.

It draws what the answer holds. Reeds differ by colour and marker, so that grey print can be
read.
"""

from typing import TYPE_CHECKING, Any

import numpy as np

from reedlab.analyse.stopping_text import cut_label
from reedlab.charts import COLOURS, new_axes

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from reedlab.analyse.stopping_judged import Judged

#: What became of a reed: its look and its line in the strip below the axis.
_LOOKS = {
    "kept": (COLOURS["blue"], "o", COLOURS["blue"]),
    "discarded": (COLOURS["vermilion"], "X", COLOURS["vermilion"]),
    "stopped early, end not known": (COLOURS["grey"], "D", "white"),
}


def draw_cuts(
    judged: "Judged", by_cut: "pd.DataFrame", finishing: float, ax: "Axes | None" = None
) -> "Axes":
    """Draw the minutes for each keeper by the cut of the leading measure, or of the chance.

    Parameters
    ----------
    judged : Judged
    by_cut : DataFrame
        value, estimate, conf_low, conf_high.
    finishing : float
        Minutes for each keeper if every reed is finished.
    """
    ax = ax or new_axes(6.8, 4.8)
    top = 2 * finishing
    seen = by_cut[by_cut["estimate"] <= top]
    ax.fill_between(
        by_cut["value"],
        by_cut["conf_low"].clip(upper=top),
        by_cut["conf_high"].clip(upper=top),
        color=COLOURS["sky"],
        alpha=0.3,
        linewidth=0,
        label="95 % interval",
    )
    ax.plot(seen["value"], seen["estimate"], color=COLOURS["blue"], label="stopping at the cut")
    line: dict[str, Any] = {"color": COLOURS["black"], "linewidth": 1}
    ax.axhline(finishing, linestyle="--", label="finishing all", **line)
    if np.isfinite(judged.at):
        ax.axvline(judged.at, linestyle=":", label="cut of the rule", **line)
    _draw_reeds(judged, ax, top)
    ax.set_ylim(-0.22 * top, top)
    ax.set_yticks([tick for tick in ax.get_yticks() if 0 <= tick <= top])
    ax.set_xlabel(cut_label(judged), parse_math=False)
    ax.set_ylabel("minutes of work for each keeper")
    ax.legend(fontsize=8, frameon=False, loc="lower center", bbox_to_anchor=(0.5, 1), ncols=3)
    return ax


def _draw_reeds(judged: "Judged", ax: "Axes", top: float) -> None:
    """Draw every reed at its own place on the axis, one line for each end."""
    x = judged.axis
    good, fate = (judged.rows.reeds[name].to_numpy() for name in ("good", "fate"))
    height = -0.06 * top * (1 + (good == 0) + 2 * np.isnan(good))
    groups = (good == 1, good == 0, np.isnan(good))
    for (name, (colour, marker, face)), here in zip(_LOOKS.items(), groups, strict=True):
        look: dict[str, Any] = {
            "color": colour,
            "markerfacecolor": face,
            "markersize": 5,
            "alpha": 0.7,
        }
        ax.plot(x[here], height[here], marker, label=name, **look)
    spared = fate == "spared"
    if spared.any():
        ring: dict[str, Any] = {"color": COLOURS["black"], "markerfacecolor": "none"}
        ax.plot(x[spared], height[spared], "o", label="spared", markersize=10, **ring)
