"""Pictures of recipes, of a batch, and of what is mixed up with what.

Levels are told by filling, from open (lowest or first) to full (highest or last), and in
words above each column; grey print can be read.
"""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.charts import COLOURS, new_axes
from reedlab.schema import Factor

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Sign in words and matplotlib's marker, face colour, size: from the lowest level to the highest.
LOOKS = (
    ("○", "o", "white", 8),
    ("◇", "D", "white", 7),
    ("▪", "s", COLOURS["grey"], 4),
    ("◆", "D", COLOURS["blue"], 7),
    ("●", "o", COLOURS["blue"], 8),
)
#: Which of these stand for so many levels.
CHOSEN = {1: (4,), 2: (0, 4), 3: (0, 2, 4), 4: (0, 1, 3, 4), 5: (0, 1, 2, 3, 4)}
#: From so many factors on their names stand upright.
UPRIGHT = 8
#: A correlation beyond this is one.
WHOLLY = 1 - 1e-6


def draw_recipes(
    table: pd.DataFrame, factors: Sequence[Factor], block: str | None, ax: "Axes | None" = None
) -> "Axes":
    """Draw a row a recipe and a column a factor; blocks stand together.

    Parameters
    ----------
    table : DataFrame
        Recipes; the first column numbers them.
    factors : sequence of Factor
    block : str or None
        Column of the blocks.
    """
    shown = table if block is None else table.sort_values(block, kind="stable")
    ax = draw_levels(shown, factors, ax)
    ax.set_yticks(range(len(shown)), labels=[str(number) for number in shown.iloc[:, 0]])
    ax.set_ylabel("recipe")
    if block is not None:
        ax.set_xlim(-0.6, len(factors) + 0.3)
        _mark_blocks(ax, shown[block].tolist(), len(factors))
    return ax


def draw_batch(table: pd.DataFrame, factors: Sequence[Factor], ax: "Axes | None" = None) -> "Axes":
    """Draw the reeds of a batch tube by tube.

    Parameters
    ----------
    table : DataFrame
        As that of a Batch.
    factors : sequence of Factor
        Those that are set.
    """
    shown = table.sort_values(["tube_id", "piece"], kind="stable")
    ax = draw_levels(shown, factors, ax)
    tubes = shown["tube_id"].to_numpy()
    starts = np.flatnonzero(np.append(True, tubes[1:] != tubes[:-1]))
    ends = np.append(starts[1:], len(tubes))
    if len(starts) == len(tubes):
        ax.set_yticks([])
        ax.set_ylabel("reeds, each of its own tube")
        return ax
    for edge in starts[1:] - 0.5:
        ax.axhline(edge, color=COLOURS["grey"], linewidth=0.5)
    ax.set_yticks((starts + ends - 1) / 2, labels=list(tubes[starts]), parse_math=False, fontsize=8)
    ax.set_ylabel("tube")
    return ax


def draw_levels(shown: pd.DataFrame, factors: Sequence[Factor], ax: "Axes | None" = None) -> "Axes":
    """Draw a row a line of the table and a column a factor, a mark for each level."""
    wide = len(factors) < UPRIGHT
    ax = ax or new_axes(1.6 + (1.15 if wide else 0.5) * len(factors), 1.4 + 0.2 * len(shown))
    heads = []
    for place, factor in enumerate(factors):
        levels = _ordered(factor, shown[factor.name])
        looks = [LOOKS[i] for i in CHOSEN.get(len(levels), ())]
        heads.append(_head(factor, levels, looks, wide))
        for at, level in enumerate(shown[factor.name]):
            if looks:
                _, marker, face, size = looks[levels.index(level)]
                ax.plot(
                    place, at, marker, mfc=face, mec=COLOURS["blue"], markersize=size, linestyle=""
                )
            else:
                ax.text(place, at, _text(level), ha="center", va="center", fontsize=8)
    ax.set_xticks(range(len(factors)), labels=heads, parse_math=False, fontsize=8)
    ax.xaxis.tick_top()
    ax.tick_params(length=0)
    ax.tick_params(axis="x", labelrotation=0 if wide else 90)
    ax.spines[:].set_visible(False)
    ax.set_ylim(len(shown) - 0.5, -0.7)
    ax.set_xlim(-0.6, len(factors) - 0.4)
    return ax


def draw_aliases(
    pairs: pd.DataFrame, rows: Sequence[str], words: Mapping[str, str], ax: "Axes | None" = None
) -> "Axes":
    """Draw pairs of terms as squares, the larger the more they are mixed up.

    Parameters
    ----------
    pairs : DataFrame
        Columns term, mixed_with and correlation.
    rows : sequence of str
        Terms that have a row.
    words : mapping of str to str
        Words of every term, in the order of the columns.
    """
    shown = pairs[pairs["term"].isin(list(rows))]
    found = set(shown["mixed_with"])
    columns = [term for term in words if term in found]
    ax = ax or new_axes(2.2 + 0.24 * max(len(columns), 6), 2.0 + 0.24 * len(rows))
    for wholly, marker, colour in ((True, "s", "vermilion"), (False, "o", "blue")):
        drawn = [
            (columns.index(row["mixed_with"]), rows.index(row["term"]), abs(row["correlation"]))
            for row in shown.to_dict("records")
            if (abs(row["correlation"]) > WHOLLY) == wholly
        ]
        if drawn:
            x, y, size = zip(*drawn, strict=True)
            label = "mixed up " + ("wholly" if wholly else "in part: the larger, the more")
            areas = [90 * one**2 for one in size]
            ax.scatter(x, y, s=areas, marker=marker, color=COLOURS[colour], label=label)
    ax.set_yticks(range(len(rows)), labels=[words[term] for term in rows], parse_math=False)
    ax.set_xticks(
        range(len(columns)),
        labels=[words[term] for term in columns],
        rotation=90,
        parse_math=False,
        fontsize=8,
    )
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.set_xlim(-0.6, max(len(columns), 1) - 0.4)
    ax.grid(color="0.92", linewidth=0.6)
    ax.set_axisbelow(True)
    if len(shown):
        ax.legend(frameon=False, fontsize=8, loc="lower left", bbox_to_anchor=(0, 1))
    else:
        ax.set_xlabel("no two of these terms are mixed up")
    return ax


def _ordered(factor: Factor, values: pd.Series) -> list[Any]:
    present = list(dict.fromkeys(values))
    if factor.kind == "numeric":
        return sorted(present)
    return [level for level in factor.levels if level in present]


def _head(
    factor: Factor, levels: list[Any], looks: list[tuple[str, str, str, int]], wide: bool
) -> str:
    label = f"{factor.label}, {factor.unit}" if factor.unit else factor.label
    signs = [f"{look[0]} {_text(level)}" for look, level in zip(looks, levels, strict=False)]
    return "\n".join([label, *signs]) if wide else f"{label}   {'  '.join(signs)}"


def _text(level: Any) -> str:
    return level if isinstance(level, str) else f"{level:.4g}"


def _mark_blocks(ax: "Axes", blocks: list[Any], width: int) -> None:
    for at, block in enumerate(blocks):
        if at == 0 or block != blocks[at - 1]:
            if at:
                ax.axhline(at - 0.5, color=COLOURS["black"], linewidth=0.8)
            ax.text(width - 0.45, at, f"block {block}", va="center", fontsize=8)
