"""Pictures of power: against the number of tubes, the size of an effect, or the reeds made.

They draw what they are given; powers run from 0 to 1 and are drawn in percent.
"""

from typing import TYPE_CHECKING

import pandas as pd

from reedlab.charts import COLOURS, new_axes
from reedlab.plan.strength.rows import AIM

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: A colour, a line and a marker for each thing, so that grey print can be read.
LOOKS = (
    (COLOURS["blue"], "-", "o"),
    (COLOURS["vermilion"], "--", "s"),
    (COLOURS["green"], "-.", "^"),
    (COLOURS["purple"], ":", "D"),
    (COLOURS["orange"], (0, (5, 1, 1, 1, 1, 1)), "v"),
    (COLOURS["sky"], (0, (8, 2)), "P"),
)


def draw_lines(lines: pd.DataFrame, own: str, xlabel: str, ax: "Axes | None" = None) -> "Axes":
    """Draw power, one line for each value of `by`.

    Parameters
    ----------
    lines : DataFrame
        Columns by, x, power, and shown: whether the row is also drawn as a point.
    own : str
        The value of `by` that is the maker's own, drawn in bold; empty if all are.
    xlabel : str
    """
    ax = ax or new_axes()
    for place, (name, line) in enumerate(lines.groupby("by", sort=False)):
        colour, style, marker = LOOKS[place % len(LOOKS)]
        width = 2.4 if name == own or not own else 1.2
        ax.plot(
            line["x"],
            100 * line["power"],
            linestyle=style,
            color=colour,
            linewidth=width,
            label=name,
        )
        points = line[line["shown"]]
        ax.plot(points["x"], 100 * points["power"], marker, color=colour, markersize=5)
    ax.axhline(100 * AIM, color=COLOURS["black"], linewidth=0.8)
    ax.annotate(
        f"{100 * AIM:.0f} % power",
        (0.01, 100 * AIM),
        xycoords=("axes fraction", "data"),
        xytext=(0, 2),
        textcoords="offset points",
        fontsize=8,
    )
    ax.set_ylim(0, 103)
    ax.set_xlabel(xlabel, fontsize=9, parse_math=False)
    ax.set_ylabel("power: found in so many of 100", fontsize=9)
    legend = ax.legend(fontsize=8, frameon=False, loc="lower right")
    for text in legend.get_texts():
        text.set_parse_math(False)
    return ax


def mark_own(ax: "Axes", x: float, power: float, error: float, name: str) -> "Axes":
    """Mark the maker's own layout, with twice its Monte-Carlo error up and down."""
    ax.errorbar(
        x,
        100 * power,
        yerr=200 * error,
        fmt="*",
        color=COLOURS["black"],
        markersize=13,
        capsize=3,
        zorder=4,
    )
    ax.annotate(
        name, (x, 100 * power), xytext=(9, -11), textcoords="offset points", fontsize=8, zorder=4
    )
    return ax


def mark_effect(ax: "Axes", effect: float, name: str) -> "Axes":
    """Mark the size of effect that was asked about."""
    ax.axvline(effect, color=COLOURS["black"], linewidth=1.2, linestyle=":")
    ax.annotate(
        name,
        (effect, 0.02),
        xycoords=("data", "axes fraction"),
        xytext=(4, 0),
        textcoords="offset points",
        fontsize=8,
    )
    return ax
