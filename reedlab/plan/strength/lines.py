"""What the pictures of power show: reckoned lines, and which picture an answer gets."""

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.answer import counted, number_text, percent_text
from reedlab.errors import CallError
from reedlab.plan.strength.design import design_of
from reedlab.plan.strength.judging import reckon
from reedlab.plan.strength.keeping import share_found
from reedlab.plan.strength.pictures import draw_lines, mark_effect, mark_own
from reedlab.plan.strength.rows import Layout
from reedlab.plan.strength.table import SIMULATIONS_ROUGH, More

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.plan.strength.power import Power

#: Numbers of reeds per tube that are drawn beside the layout's own.
REEDS = (1, 2, 4)
TIMES = (1, 2, 3, 4, 6, 8, 10)
POINTS = 25


def lines_of(answer: "Power") -> pd.DataFrame:
    """Power for a range of sizes: columns by, x, power, shown (as a point)."""
    if answer.rows is None or answer.more is None:
        raise CallError("This answer was made without its rows, so there is nothing to draw.")
    if "keep_low" in answer.table:
        return _by_times(answer, answer.more)
    if answer.layout is None:
        return _by_effect(answer)
    return _by_size(answer, answer.layout, answer.more)


def draw(answer: "Power", ax: "Axes | None" = None) -> "Axes":
    """Draw the picture of an answer."""
    row, lines = answer.table.iloc[0], answer.lines
    if "keep_low" in answer.table:
        ax = draw_lines(lines, "", "times as many reeds (1: this batch)", ax)
        low, high = percent_text(row["keep_low"]), percent_text(row["keep_high"])
        title = f"keep rate from {low} to {high}; simulated"
    elif answer.layout is None or answer.more is None:
        ax = draw_lines(lines, "", "difference between the ends, in the response's unit", ax)
        mark_effect(ax, row["effect"], f"asked: {number_text(row['effect'])}")
        title = "chance that this batch finds a difference, by factor"
    else:
        reeds = _reeds(answer.layout.reeds_per_tube)
        ax = draw_lines(lines, reeds, f"number of {answer.more.unit}", ax)
        mark_own(ax, answer.layout.size, row["power"], row["mc_error"], "this layout")
        title = (
            f"a difference of {number_text(row['effect'])} between "
            f"{answer.layout.levels} levels given to {row['stratum']}s"
        )
    ax.set_title(title, fontsize=9, loc="left", parse_math=False)
    return ax


def _by_size(answer: "Power", layout: Layout, more: More) -> pd.DataFrame:
    effect, needed = float(answer.table["effect"].iloc[0]), answer.table["needed"].iloc[0]
    top = 2 * layout.size if np.isnan(needed) else max(2 * layout.size, 1.2 * needed)
    top = min(more.most, int(min(max(top, 8), 5 * layout.size + 8)))
    sizes = np.unique(np.linspace(more.least, top, POINTS).round().astype(int))
    found = []
    for reeds in sorted({*REEDS, layout.reeds_per_tube}):
        for size in sizes:
            tests = reckon(design_of(layout.grown(int(size), reeds).rows()), answer.variance)
            for test in tests.values():
                found.append((_reeds(reeds), size, test.power(effect), False))
    return _frame(found)


def _by_effect(answer: "Power") -> pd.DataFrame:
    effect, labels = answer.table["effect"].iloc[0], answer.rows.labels if answer.rows else {}
    top = np.clip(1.2 * answer.table["smallest_effect"].max(), 2 * effect, 4 * effect)
    found = [
        (labels[name], size, test.power(size), size == effect)
        for name, test in answer.tests.items()
        for size in np.unique([*np.linspace(0, np.nan_to_num(top, nan=2 * effect), 60), effect])
    ]
    return _frame(found)


def _by_times(answer: "Power", more: More) -> pd.DataFrame:
    found = []
    for row in answer.table.to_dict("records"):
        if row["method"] == "not judged":
            continue
        name, rates = row["term"], (row["keep_low"], row["keep_high"])
        label = "this layout" if answer.layout or not answer.rows else answer.rows.labels[name]
        for times in TIMES:
            if more.now * times <= more.most:
                rows = more.rows(more.now * times)
                power = share_found(
                    rows, name, rates, answer.variance, SIMULATIONS_ROUGH, answer.seed
                )
                found.append((label, times, power, True))
    return _frame(found)


def _frame(found: list[tuple]) -> pd.DataFrame:
    return pd.DataFrame(found, columns=["by", "x", "power", "shown"])


def _reeds(count: int) -> str:
    return f"{counted(count, 'reed')} per tube"
