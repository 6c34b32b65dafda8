"""Pictures of a recipe: what may be best of each factor, and one response as factors change."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.analyse.recipe_space import Space, level_text
from reedlab.analyse.recipe_surface import Surface
from reedlab.analyse.recipe_text import response_label
from reedlab.analyse.words import with_unit
from reedlab.charts import COLOURS, legend_once, new_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_recipe(
    table: pd.DataFrame,
    space: Space,
    best: Mapping[str, tuple[float, float] | list[str]],
    ax: "Axes | None" = None,
) -> "Axes":
    """Draw one line a factor, from the lowest level tried to the highest; see Recipe.plot."""
    rows = table[table["part"] == "set"].to_dict("records")
    ax = ax or new_axes(6.8, 1.5 + 0.55 * len(rows))
    for place, (factor, row) in enumerate(zip(space.factors, rows, strict=True)):
        ends = best[factor.name]
        if isinstance(ends, list):
            levels = space.levels[factor.name]
            at = {level: i / max(len(levels) - 1, 1) for i, level in enumerate(levels)}
            _line(ax, place, 0, 1, "tried")
            _dots(ax, place, [at[level] for level in levels], COLOURS["grey"], "o", "tried")
            _dots(ax, place, [at[level] for level in ends], COLOURS["blue"], "s", "may be best")
            chosen, marks = at[str(row["level"])], {x: level for level, x in at.items()}
        else:
            low, high = space.ranges[factor.name]
            start, stop, chosen = ((v - low) / (high - low) for v in (*ends, row["estimate"]))
            _line(ax, place, 0, 1, "tried")
            _line(ax, place, start, stop, "may be best")
            marks = {0.0: level_text(factor, low), 1.0: level_text(factor, high)}
            if 0.12 < chosen < 0.88:
                marks[chosen] = level_text(factor, row["estimate"])
        _dots(ax, place, [chosen], COLOURS["black"], "D", "recipe")
        for x, text in marks.items():
            ax.annotate(
                text,
                (x, place),
                xytext=(0, 8),
                textcoords="offset points",
                ha="center",
                fontsize=8,
                parse_math=False,
            )
    ax.set_yticks(range(len(rows)), labels=[f.label for f in space.factors], parse_math=False)
    ax.set_ylim(len(rows) - 0.5, -0.7)
    ax.set_xlim(-0.12, 1.12)
    ax.set_xticks([])
    ax.spines["bottom"].set_visible(False)
    ax.set_xlabel("from the lowest to the highest level tried; may be best: 95 %", fontsize=9)
    legend_once(ax, loc="lower right", bbox_to_anchor=(1, 1))
    return ax


def draw_response(
    surface: Surface, space: Space, recipe: pd.Series, ax: "Axes | None" = None
) -> "Axes":
    """Draw the mean of a response at the recipe and with one factor changed at a time.

    Small points below are the reeds as measured, brought to the last stage of the tests.
    """
    changes = [("the recipe", recipe)]
    for factor in space.factors:
        changes += _changed(factor.name, space, recipe)
    table = pd.DataFrame([row for _, row in changes])
    inside = space.holds(table)
    labels = [label for (label, _), held in zip(changes, inside, strict=True) if held]
    found = surface.expected(table[inside].reset_index(drop=True))
    ax = ax or new_axes(6.8, 1.7 + 0.34 * len(found))
    for place, row in enumerate(found.to_dict("records")):
        colour = COLOURS["black"] if place == 0 else COLOURS["blue"]
        ax.plot([row["conf_low"], row["conf_high"]], [place, place], color=colour, linewidth=2)
        marker = "D" if place == 0 else "o"
        ax.plot(row["estimate"], place, marker, color=colour, markeredgecolor="white", markersize=8)
    _reeds(ax, surface, len(found))
    if surface.response.direction == "target":
        ax.axvline(surface.response.target or 0.0, color=COLOURS["green"], linestyle="--", lw=1)
    stage = surface.finished.stage
    measured = f"reeds, as at {stage}" if stage else "reeds as measured"
    ax.set_yticks(range(len(found) + 1), labels=[*labels, measured], parse_math=False)
    ax.set_ylim(len(found) + 0.5, -0.5)
    target = "; dashed: target" if surface.response.direction == "target" else ""
    label = with_unit(response_label(surface), surface.unit)
    ax.set_xlabel(f"{label}\nbar: 95 % interval of the mean{target}", fontsize=9, parse_math=False)
    return ax


def _changed(name: str, space: Space, recipe: pd.Series) -> list[tuple[str, pd.Series]]:
    """The recipe with one factor at its ends, or at its other levels."""
    factor = next(f for f in space.factors if f.name == name)
    levels = space.ranges.get(name) or space.levels[name]
    return [
        (f"{factor.label} {level_text(factor, level)}", pd.Series({**recipe, name: level}))
        for level in levels
        if level != recipe[name]
    ]


def _reeds(ax: "Axes", surface: Surface, place: int) -> None:
    values = surface.reeds * (100 if surface.response.kind == "binary" else 1)
    nudge = (np.arange(len(values)) % 7 - 3) * 0.08
    ax.plot(values, place + nudge, "o", color=COLOURS["grey"], alpha=0.5, markersize=3)


def _line(ax: "Axes", place: int, start: float, stop: float, label: str) -> None:
    colour, width = (COLOURS["blue"], 5) if label == "may be best" else (COLOURS["grey"], 1.5)
    ax.plot([start, stop], [place, place], color=colour, linewidth=width, label=label)


def _dots(ax: "Axes", place: int, at: list[float], colour: str, marker: str, label: str) -> None:
    size = {"tried": 5, "may be best": 9, "recipe": 7}[label]
    ax.plot(
        at,
        [place] * len(at),
        marker,
        color=colour,
        markersize=size,
        label=f"_{label}" if label == "may be best" else label,
    )
