"""The picture of a drift: points at their time, what is judged, and its limits."""

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.analyse.words import with_unit
from reedlab.charts import COLOURS, legend_once, new_axes
from reedlab.schema import Response

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Points that are things, each with its name on the axis; others stand at their time.
NAMED = ("lot", "batch")
#: With more points than this the counts would run into one another.
MOST_COUNTS = 24


def draw_drift(
    points: pd.DataFrame,
    raw: pd.DataFrame,
    centre: float,
    response: Response,
    division: str,
    ax: "Axes | None" = None,
) -> "Axes":
    """Draw a chart; `raw` has of each row the number of its point (`place`), day and value."""
    ax = ax or new_axes(7.6, 4.2)
    named = division in NAMED or bool(points["moment"].isna().any())
    at: Any = np.arange(len(points)) if named else points["moment"].to_numpy()
    binary = response.kind == "binary"
    if binary:
        _draw_counts(ax, at, points)
    else:
        _draw_rows(ax, raw, response, named=named)
    ax.axhline(centre, color=COLOURS["black"], linewidth=0.8)
    limits: dict[str, Any] = {"color": COLOURS["black"], "linestyle": "--", "linewidth": 1.2}
    for column in ("limit_low", "limit_high"):
        ax.step(at, points[column], where="mid", label="limits", **limits)
    _draw_judged(ax, at, points, binary=binary)
    _name_axes(ax, points, response, division, named=named)
    legend_once(ax, loc="lower left", bbox_to_anchor=(0, 1))
    return ax


def _draw_rows(ax: "Axes", raw: pd.DataFrame, response: Response, *, named: bool) -> None:
    # A fixed pattern sets rows of a point apart: the same picture every time.
    nudge = (raw.groupby("place").cumcount() % 7 - 3) * 0.06
    at: Any = raw["place"] + nudge if named else raw["moment"] + pd.to_timedelta(nudge, unit="D")
    label = f"one {'test' if response.table == 'tests' else 'reed'}"
    ax.plot(at, raw["value"], "o", color=COLOURS["grey"], alpha=0.35, markersize=3, label=label)


def _draw_counts(ax: "Axes", at: Any, points: pd.DataFrame) -> None:
    """Write how many of how many beside each share."""
    if len(points) > MOST_COUNTS:
        return
    for place, row in zip(at, points.to_dict("records"), strict=True):
        size = max(row["n_tests"], row["n_reeds"])
        ax.annotate(
            f"{row['observed'] / 100 * size:.0f} of {size}",
            (place, row["observed"]),
            xytext=(0, 7),
            textcoords="offset points",
            ha="center",
            fontsize=7,
            color=COLOURS["grey"],
            # The line between points may run through the count.
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5},
        )


def _draw_judged(ax: "Axes", at: Any, points: pd.DataFrame, *, binary: bool) -> None:
    blue = COLOURS["blue"]
    if not binary:
        sky = COLOURS["sky"]
        ax.plot(at, points["observed"], "o", color=sky, markersize=5, label="level of the point")
    judged = (points["observed"] if binary else points["average"]).to_numpy()
    label = "share" if binary else "moving average"
    ax.plot(at, judged, "-o" if binary else "-D", color=blue, markersize=4, label=label)
    outside = points["outside"].to_numpy()
    if outside.any():
        look: dict[str, Any] = {"color": COLOURS["vermilion"], "markersize": 11, "label": "outside"}
        ax.plot(at[outside], judged[outside], "X", **look)


def _name_axes(
    ax: "Axes", points: pd.DataFrame, response: Response, division: str, *, named: bool
) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    if named:
        ax.set_xticks(np.arange(len(points)), labels=points["level"], parse_math=False)
    else:
        locator = AutoDateLocator()
        ax.xaxis.set_major_locator(locator)
        ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))
    ax.set_xlabel(
        f"by {division}; dashed: 5 % of steady seasons have any point outside", fontsize=9
    )
    unit = "% of reeds" if response.kind == "binary" else response.unit
    ax.set_ylabel(with_unit(response.label, unit), parse_math=False)
