"""The picture of adjusting: each reed before and after, kind by kind, and the effect.

Units are the response's. A line is one pair of tests; the bar stands where the reeds of
a kind came to on average, as wide as the 95 % interval of the effect, and the short line
beside it where they would have come to if left alone.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.analyse.adjusting_pairs import Pairs
from reedlab.analyse.adjusting_text import UNTOUCHED, kinds_of
from reedlab.analyse.words import with_unit
from reedlab.answer import number_text
from reedlab.charts import COLOURS, EVIDENCE_LOOK, many_lines, new_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Where before and after stand beside the middle of a kind, and the bar of the effect.
BEFORE, AFTER, BAR = -0.25, 0.15, 0.3


def draw_pairs(pairs: Pairs, table: pd.DataFrame, ax: "Axes | None" = None) -> "Axes":
    """Draw before and after of every pair; see :meth:`Adjusting.plot`."""
    kinds = kinds_of(table).to_dict("records")
    untouched = pairs.data[pairs.untouched]
    ax = ax or new_axes(2.2 + 1.5 * (len(kinds) + 1), 4.4)
    groups: list[tuple[str, pd.DataFrame, Mapping[Any, Any] | None]]
    groups = [(UNTOUCHED, untouched, None)] if len(untouched) else []
    groups += [(row["term"], pairs.of(row["term"]), row) for row in kinds]
    for place, (_, data, row) in enumerate(groups):
        colour, marker = EVIDENCE_LOOK[row["evidence"]] if row else (COLOURS["grey"], "o")
        _lines(ax, place, data, colour, marker)
        if row and not pd.isna(row["estimate"]):
            _effect(ax, place, data["after"].mean(), row)
    labels = [_label(name, row) for name, _, row in groups]
    ax.set_xticks(range(len(groups)), labels=labels, fontsize=8, parse_math=False)
    ax.set_xlim(-0.6, len(groups) - 0.4)
    if pairs.response.target is not None:
        target = pairs.response.target
        ax.axhline(target, color=COLOURS["green"], linewidth=1, linestyle="--")
        ax.annotate(
            "target", (1, target), (2, 2), ("axes fraction", "data"), "offset points", fontsize=8
        )
    ax.set_ylabel(with_unit(pairs.response.label, pairs.response.unit), parse_math=False)
    ax.set_title(_title(table), fontsize=8, loc="left")
    return ax


def _lines(ax: "Axes", place: int, data: pd.DataFrame, colour: str, marker: str) -> None:
    ends = data[["before", "after"]].to_numpy(dtype=float)
    places = np.broadcast_to([place + BEFORE, place + AFTER], ends.shape)
    many_lines(ax, np.stack([places, ends], axis=2), color=colour, alpha=0.4, linewidth=0.9)
    ax.plot(places.ravel(), ends.ravel(), marker, color=colour, alpha=0.6, markersize=3.5)


def _effect(ax: "Axes", place: int, reached: float, row: Mapping[Any, Any]) -> None:
    """Bar: where the reeds came to, with the effect's interval; line: had they been left alone."""
    alone = reached - row["estimate"]
    ax.errorbar(
        place + BAR,
        reached,
        yerr=[[row["estimate"] - row["conf_low"]], [row["conf_high"] - row["estimate"]]],
        fmt="D",
        color=COLOURS["black"],
        markersize=5,
        capsize=3,
        linewidth=1.5,
    )
    ax.hlines(alone, place + BAR - 0.08, place + BAR + 0.08, COLOURS["black"], linewidth=2)


def _label(name: str, row: Mapping[Any, Any] | None) -> str:
    words = name.replace(", ", ",\n").replace(" with ", "\nwith ")
    if row is None or pd.isna(row["estimate"]):
        return words
    low, high = number_text(row["conf_low"]), number_text(row["conf_high"])
    unit = f" {row['unit']}" if row["unit"] else ""
    return f"{words}\n{number_text(row['estimate'])}{unit}\n95 % {low} to {high}"


def _title(table: pd.DataFrame) -> str:
    lines = "a line: one reed, before on the left, after on the right"
    if table["estimate"].isna().all():
        return lines
    return (
        f"{lines}; below: effect beyond retesting\n"
        "diamond: where the adjusted came to, bar: 95 % interval of the effect;\n"
        "short line: where they would have come to if left alone"
    )
