"""A picture of a row of notes: cents from equal temperament, and level, note by note."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from reedlab.charts import COLOURS, new_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: The half-width of the cents axis is at least so much, and the level axis is at least so wide.
LEAST_CENTS, LEAST_DB = 20.0, 10.0


def note_by_note(table: pd.DataFrame, a4_hz: float, ax: "Axes | None" = None) -> "Axes":
    """Draw cents as points and level as a line of squares on an axis of its own."""
    ax = ax or new_axes(6.8, 4.0)
    level_ax = ax.twinx()
    level_ax.spines["top"].set_visible(False)
    places = range(len(table))
    right = table["fault"] == ""
    ax.axhline(0, color=COLOURS["black"], linewidth=0.8)
    ax.plot(
        [place for place in places if right.iloc[place]],
        table.loc[right, "cents"],
        "o",
        color=COLOURS["blue"],
        markersize=8,
        label="pitch, as asked for",
    )
    if (~right).any():
        ax.plot(
            [place for place in places if not right.iloc[place]],
            table.loc[~right, "cents"],
            "X",
            color=COLOURS["vermilion"],
            markersize=9,
            label="pitch, not as asked for",
        )
    level_ax.plot(
        places, table["level_db"], "s--", color=COLOURS["grey"], markersize=5, label="level (right)"
    )
    _limits(ax, level_ax, table)
    ax.set_xticks(places, labels=[_label(row) for row in table.to_dict("records")])
    ax.set_ylabel(f"cents from equal temperament, A4 = {a4_hz:g} Hz")
    level_ax.set_ylabel("level, dB re full scale", loc="bottom")
    handles = [*ax.get_lines()[1:], *level_ax.get_lines()]
    ax.legend(
        handles=handles,
        fontsize=8,
        frameon=False,
        ncols=len(handles),
        loc="lower center",
        bbox_to_anchor=(0.5, 1),
    )
    return ax


def _label(row: Mapping[Any, Any]) -> str:
    if not row["fault"]:
        return str(row["note"])
    if row["fault"] == "missing":
        return f"{row['note']}\nmissing"
    return f"{row['note']}\n({row['found']})" if row["note"] else f"({row['found']})\nextra"


def _limits(ax: "Axes", level_ax: "Axes", table: pd.DataFrame) -> None:
    """Give pitch the upper two thirds of the picture and level the lowest third."""
    most = max(1.2 * table["cents"].abs().max(), LEAST_CENTS)
    ax.set_ylim(-2 * most, most)
    ax.set_yticks([tick for tick in ax.get_yticks() if abs(tick) <= most])
    middle = (table["level_db"].min() + table["level_db"].max()) / 2
    wide = max(1.3 * (table["level_db"].max() - table["level_db"].min()), LEAST_DB)
    level_ax.set_ylim(middle - wide / 2, middle + 2.5 * wide)
    level_ax.set_yticks([round(middle - wide / 2), round(middle), round(middle + wide / 2)])
