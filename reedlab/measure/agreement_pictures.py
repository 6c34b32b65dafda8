"""Pictures of repeated readings: by the thing read, and two raters' difference.

They draw what they are given. Raters differ by colour, marker and place, so that grey
print can be read; repeats are joined by a line.
"""

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.charts import COLOURS, new_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.measure.readings import Readings
    from reedlab.model.limits import AgreementLimits

LOOKS = (
    (COLOURS["blue"], "o"),
    (COLOURS["vermilion"], "s"),
    (COLOURS["green"], "^"),
    (COLOURS["purple"], "D"),
    (COLOURS["orange"], "v"),
    (COLOURS["sky"], "P"),
    (COLOURS["grey"], "X"),
    (COLOURS["black"], "*"),
)
#: With more things than this their names are not written on the axis.
NAMED = 30


def draw_readings(readings: "Readings", ax: "Axes | None" = None) -> "Axes":
    """Draw every reading by the thing read, from the lowest mean to the highest."""
    data, labels = _as_places(readings)
    means = data.groupby("unit", observed=True)["value"].mean()
    ranked = readings.kind != "category"
    if ranked:
        means = means.sort_values(kind="stable")
    at = {unit: place for place, unit in enumerate(means.index)}
    ax = ax or new_axes(min(12.0, max(6.4, 2.0 + 0.3 * len(means))), 4.2)
    raters = readings.raters
    width = 0.7 / len(raters)
    for number, rater in enumerate(raters):
        colour, marker = LOOKS[number % len(LOOKS)]
        rows = data[data["rater"] == rater]
        x = rows["unit"].map(at).astype(float) + (number - (len(raters) - 1) / 2) * width
        ends = rows.groupby("unit", observed=True)["value"].agg(["min", "max"])
        places = x.groupby(rows["unit"], observed=True).first().reindex(ends.index)
        ax.vlines(places, ends["min"], ends["max"], color=colour, linewidth=1.2)
        # The second round of looks is hollow.
        face = colour if number < len(LOOKS) else "white"
        name = str(rater) if len(raters) > 1 else "reading"
        ax.plot(
            x,
            rows["value"],
            marker,
            color=colour,
            markerfacecolor=face,
            markersize=5,
            alpha=0.8,
            label=name,
        )
    if labels:
        ax.set_yticks(range(len(labels)), labels=labels, parse_math=False)
    if len(means) <= NAMED:
        names = [str(unit) for unit in means.index]
        turned = 90 if max(map(len, names)) * len(names) > 70 else 0
        ax.set_xticks(range(len(names)), labels=names, rotation=turned, parse_math=False)
    else:
        ax.set_xticks([])
    order = ", from the lowest mean to the highest" if ranked else ""
    ax.set_xlabel(f"{readings.unit}{order}", parse_math=False)
    unit = f", {readings.measured_in}" if readings.measured_in else ""
    ax.set_ylabel(f"{readings.label}{unit}", parse_math=False)
    ax.set_title("line: repeats of one reading", fontsize=8, loc="left")
    if len(raters) > 1:
        ax.legend(title=readings.rater, fontsize=8, title_fontsize=8, frameon=False, ncols=2)
    return ax


def draw_difference(
    found: "AgreementLimits", who: str, readings: "Readings", ax: "Axes | None" = None
) -> "Axes":
    """Draw differences against means, with the mean difference, limits and their intervals."""
    ax = ax or new_axes()
    unit = f", {readings.measured_in}" if readings.measured_in else ""
    pairs = found.differences
    ax.plot(pairs["mean"], pairs["difference"], "o", color=COLOURS["blue"], alpha=0.7, markersize=5)
    low, high = pairs["mean"].min(), pairs["mean"].max()
    # Intervals stand at the right edge, beside the points.
    edge = high + 0.06 * (high - low or 1)
    ax.axhline(0, color=COLOURS["grey"], linewidth=0.8, linestyle=":")
    for row in found.table.to_dict("records"):
        style = "-" if row["term"] == "mean difference" else "--"
        ax.axhline(row["estimate"], color=COLOURS["black"], linewidth=1.2, linestyle=style)
        reach = [[row["estimate"] - row["conf_low"]], [row["conf_high"] - row["estimate"]]]
        ax.errorbar(edge, row["estimate"], yerr=reach, color=COLOURS["vermilion"], capsize=3)
        ax.annotate(
            row["term"],
            (edge, row["estimate"]),
            xytext=(6, 2),
            textcoords="offset points",
            fontsize=8,
        )
    ax.set_xlabel(f"mean of the two, {readings.label}{unit}", parse_math=False)
    ax.set_ylabel(f"{who}{unit}", parse_math=False)
    ax.set_title(
        f"point: one {readings.unit}; dashed: limits for 95 % of differences; bars: 95 % interval",
        fontsize=8,
        loc="left",
        parse_math=False,
    )
    return ax


def _as_places(readings: "Readings") -> tuple[pd.DataFrame, list[str]]:
    """Readings as numbers; levels and categories as places with their names."""
    if pd.api.types.is_numeric_dtype(readings.data["value"]) and readings.kind != "category":
        return readings.data, []
    levels = list(readings.levels) or sorted(readings.data["value"].unique(), key=str)
    place = {level: number for number, level in enumerate(levels)}
    values = readings.data["value"].map(place).astype(np.float64)
    return readings.data.assign(value=values), [str(level) for level in levels]
