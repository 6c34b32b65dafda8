"""The picture of a break-in: every reed as a thin line, the curve of the mean reed over it."""

from typing import TYPE_CHECKING, Any

import pandas as pd

from reedlab.analyse.words import with_unit
from reedlab.charts import COLOURS, legend_once, many_lines, new_axes
from reedlab.schema import Response

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_break_in(
    curve: pd.DataFrame,
    raw: pd.DataFrame,
    table: pd.DataFrame,
    response: Response,
    ax: "Axes | None" = None,
) -> "Axes":
    """Draw a break-in; `raw` has reed_id, minutes and value of every test."""
    ax = ax or new_axes(6.8, 4.2)
    grey, black = COLOURS["grey"], COLOURS["black"]
    reeds = raw.sort_values("minutes", kind="stable").groupby("reed_id")[["minutes", "value"]]
    look: dict[str, Any] = {"color": grey, "linewidth": 0.6, "alpha": 0.4}
    many_lines(ax, [reed.to_numpy(dtype=float) for _, reed in reeds], **look)
    ax.plot(raw["minutes"], raw["value"], "o", color=grey, markersize=2.5, alpha=0.4)
    ax.plot([], [], "-o", markersize=2.5, label="one reed", **look)
    ax.fill_between(
        curve["minutes"],
        curve["conf_low"],
        curve["conf_high"],
        color=COLOURS["sky"],
        alpha=0.5,
        linewidth=0,
        label="95 % interval",
    )
    ax.plot(curve["minutes"], curve["estimate"], color=black, linewidth=2, label="mean reed")
    settled = table.iloc[-1]
    ax.axvline(settled["estimate"], color=COLOURS["vermilion"], linestyle=":", label="settled")
    ax.set_xlabel("minutes played")
    ax.set_ylabel(with_unit(response.label, response.unit), parse_math=False)
    legend_once(ax, loc="lower left", bbox_to_anchor=(0, 1))
    return ax
