"""The picture of one effect in every maker's hand, their mean, and a new maker's interval."""

from typing import TYPE_CHECKING

import pandas as pd

from reedlab.analyse.words import with_minus, with_unit
from reedlab.charts import COLOURS, EVIDENCE_LOOK, new_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw(
    table: pd.DataFrame, makers: pd.DataFrame, label: str, what: str, ax: "Axes | None" = None
) -> "Axes":
    """Draw each contrast's makers from the top, then their mean and the new maker's interval."""
    rows = len(makers) + 2 * len(table)
    ax = ax or new_axes(6.8, 1.4 + 0.34 * rows)
    ax.axvline(0, color=COLOURS["black"], linewidth=0.8)
    names: list[str] = []
    for row in table.to_dict("records"):
        own = makers[makers["contrast"] == row["contrast"]]
        several = f", {with_minus(row['contrast'])}" if len(table) > 1 else ""
        for maker in own.to_dict("records"):
            colour, marker = EVIDENCE_LOOK[maker["evidence"]]
            _bar(ax, len(names), maker["conf_low"], maker["conf_high"], colour, 1.5)
            at = (maker["estimate"], len(names))
            ax.plot(*at, marker, color=colour, markeredgecolor="white", markersize=7)
            names.append(f"{maker['maker_id']} ({maker['n_reeds']} reeds){several}")
        _bar(ax, len(names), row["conf_low"], row["conf_high"], COLOURS["black"], 2.5)
        ax.plot(row["estimate"], len(names), "D", color=COLOURS["black"], markersize=8)
        names.append(f"mean of {row['n_makers']} makers{several}")
        _bar(ax, len(names), row["new_low"], row["new_high"], COLOURS["sky"], 6)
        names.append(f"expected of a new maker{several}")
    ax.set_yticks(range(len(names)), labels=names, parse_math=False)
    ax.set_ylim(len(names) - 0.5, -0.5)
    contrast = with_minus(table["contrast"].iloc[0]) if len(table) == 1 else ""
    effect = with_unit(f"{label} {contrast}: effect on {what}", table["unit"].iloc[0])
    ax.set_xlabel(f"{effect}\nbar: 95 % interval", fontsize=9, parse_math=False)
    return ax


def _bar(ax: "Axes", place: int, low: float, high: float, colour: str, width: float) -> None:
    ax.plot([low, high], [place, place], color=colour, linewidth=width, solid_capstyle="butt")
