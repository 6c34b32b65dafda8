"""The picture of a drift: points in order of time, what is judged, and its limits."""

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.analyse.words import with_unit
from reedlab.charts import COLOURS, legend_once, new_axes
from reedlab.schema import Response

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: More names than this do not fit beside one another.
MOST_NAMES = 12


def draw_drift(
    points: pd.DataFrame,
    raw: pd.DataFrame,
    centre: float,
    response: Response,
    division: str,
    ax: "Axes | None" = None,
) -> "Axes":
    """Draw a chart; `raw` has the number of its point (`place`) and a `value` a row."""
    ax = ax or new_axes(7.6, 4.2)
    places = np.arange(len(points))
    grey, blue, alarm = COLOURS["grey"], COLOURS["blue"], COLOURS["vermilion"]
    binary = response.kind == "binary"
    if len(raw):
        # A fixed pattern sets rows of a point apart: the same picture every time.
        nudge = (raw.groupby("place").cumcount() % 7 - 3) * 0.06
        label = f"one {'test' if response.table == 'tests' else 'reed'}"
        ax.plot(raw["place"] + nudge, raw["value"], ".", color=grey, alpha=0.35, label=label)
    ax.axhline(centre, color=COLOURS["black"], linewidth=0.8)
    for column in ("limit_low", "limit_high"):
        ax.step(
            places, points[column], "--", where="mid", color=COLOURS["black"], label="limits (5 %)"
        )
    judged = points["observed"] if binary else points["average"]
    if not binary:
        ax.plot(places, points["observed"], "o", color=blue, markersize=5, label="level")
    named = "share" if binary else "moving average"
    ax.plot(places, judged, "-", color=blue, linewidth=1.4)
    inside = ~points["outside"].to_numpy()
    marker = "o" if binary else "D"
    ax.plot(places[inside], judged[inside], marker, color=blue, markersize=4, label=named)
    if not inside.all():
        ax.plot(places[~inside], judged[~inside], "X", color=alarm, markersize=11, label="outside")
    every = int(np.ceil(len(points) / MOST_NAMES))
    names = [str(name).removeprefix("from ") for name in points["level"]]
    ax.set_xticks(
        places[::every],
        labels=names[::every],
        rotation=35,
        ha="right",
        rotation_mode="anchor",
        parse_math=False,
    )
    ax.set_xlabel(f"{division}; limits: 5 % of steady seasons have any point outside", fontsize=9)
    unit = "% of reeds" if binary else response.unit
    ax.set_ylabel(with_unit(response.label, unit), parse_math=False)
    legend_once(ax, loc="lower left", bbox_to_anchor=(0, 1))
    return ax
