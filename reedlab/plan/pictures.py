"""Pictures of recipes: a row a reed, a column a factor, a mark for each level.

The lowest (or first) level is an open mark, the highest a full one, those between are
half-tone and marked differently; the words stand over each column, so that nothing
hangs on colour.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.charts import COLOURS, new_axes
from reedlab.schema import Factor

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.plan.batch import Batch

_FIRST, _LAST = ("o", "white", COLOURS["blue"]), ("o", COLOURS["blue"], COLOURS["blue"])
_BETWEEN = (
    ("D", COLOURS["sky"], COLOURS["blue"]),
    ("s", COLOURS["orange"], COLOURS["black"]),
    ("^", COLOURS["green"], COLOURS["black"]),
    ("v", COLOURS["purple"], COLOURS["black"]),
)
_SIGNS = {"o": "○", "D": "◆", "s": "■", "^": "▲", "v": "▼"}


def draw_batch(batch: "Batch", ax: "Axes | None" = None) -> "Axes":
    """Draw the reeds of a batch tube by tube."""
    table = batch.table.sort_values(["tube_id", "piece"], kind="stable")
    factors = [f for f in batch.factors if f.levels and f.name in table]
    ax = draw_levels(table, factors, ax)
    names = table["tube_id"].to_numpy()
    edges = np.flatnonzero(names[1:] != names[:-1]) + 0.5
    if len(edges) < len(names) - 1:
        for edge in edges:
            ax.axhline(edge, color=COLOURS["grey"], linewidth=0.5)
        starts = np.concatenate([[0], edges + 0.5]).astype(int)
        ends = np.concatenate([edges + 0.5, [len(names)]]).astype(int)
        ax.set_yticks((starts + ends - 1) / 2, names[starts], fontsize=8)
        ax.set_ylabel("tube")
    else:
        ax.set_yticks([])
        ax.set_ylabel("reeds, one a tube")
    ax.set_title(f"{batch.batch_id}: what each reed gets", fontsize=10, pad=10)
    return ax


def draw_levels(table: pd.DataFrame, factors: Sequence[Factor], ax: "Axes | None" = None) -> "Axes":
    """Draw a mark for each row's level of each factor, the first row on top."""
    if ax is None:
        ax = new_axes(1.8 + 1.15 * len(factors), 1.4 + 0.17 * len(table))
    for column, factor in enumerate(factors):
        for level, (marker, face, edge) in zip(factor.levels, _looks(factor), strict=True):
            rows = np.flatnonzero(table[factor.name].to_numpy() == level)
            ax.scatter(
                np.full(len(rows), column),
                rows,
                s=42,
                marker=marker,
                facecolor=face,
                edgecolor=edge,
            )
    ax.set_xlim(-0.6, len(factors) - 0.4)
    ax.set_ylim(len(table) - 0.5, -0.5)
    ax.xaxis.tick_top()
    ax.set_xticks(range(len(factors)), [_heading(factor) for factor in factors], fontsize=8)
    ax.tick_params(length=0)
    ax.spines[["left", "bottom", "top", "right"]].set_visible(False)
    return ax


def _looks(factor: Factor) -> list[tuple[str, str, str]]:
    count = len(factor.levels)
    order = np.argsort(np.argsort(factor.levels)) if factor.kind == "numeric" else range(count)
    looks = [_FIRST, *(_BETWEEN[i % len(_BETWEEN)] for i in range(count - 2)), _LAST]
    return [looks[place] for place in order]


def _heading(factor: Factor) -> str:
    unit = f" {factor.unit}" if factor.unit else ""
    signs = []
    for level, (marker, face, _) in zip(factor.levels, _looks(factor), strict=True):
        sign = _SIGNS[marker] if face == "white" or marker != "o" else "●"
        signs.append(f"{sign} {level}{unit}")
    return "\n".join([factor.label, *signs])
