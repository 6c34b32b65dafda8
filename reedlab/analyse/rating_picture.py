"""The picture of a rating: every rating as a dot, and how many are at least so high.

Beside the dots of a level stand bars, one for each line between two ratings: the chance
of a rating above that line, with its 95 % interval, the other factors held. For a number
the chance of a rating above the middle line is drawn along it.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from reedlab.analyse.frame import Frame, ordered_levels
from reedlab.analyse.rating_effects import at_least, coded_value, middle_cut, rating_name
from reedlab.analyse.words import with_unit
from reedlab.charts import COLOURS, new_axes
from reedlab.model.link_groups import GroupedLinkFit
from reedlab.schema import Factor

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: A column of a level: dots from its left, bars from the middle to the right; 1 is its width.
DOTS, BARS, WIDTH = -0.42, 0.06, 0.36
#: Dots of one rating side by side, rows of them above each other, and how far rows are apart.
SIDE_BY_SIDE, ROWS, ROW = 12, 6, 0.1


def draw_ratings(
    frame: Frame, fit: GroupedLinkFit, factor: Factor, ax: "Axes | None" = None
) -> "Axes":
    """Draw every rating against a factor; see :meth:`Ratings.plot_factor`."""
    if factor.kind == "numeric":
        ax = _along(frame, fit, factor, ax or new_axes(6.8, 4.2))
    else:
        order = ordered_levels(factor, fit.fixed.levels[factor.name])
        ax = _by_level(frame, fit, factor, order, ax or new_axes(2.2 + 2.0 * len(order), 4.2))
    names = [rating_name(frame, level) for level in fit.levels]
    ax.set_yticks(range(len(names)), labels=names, parse_math=False)
    ax.set_xlabel(with_unit(factor.label, factor.unit), parse_math=False)
    ax.set_ylabel(frame.response.label, parse_math=False)
    return ax


def _by_level(
    frame: Frame, fit: GroupedLinkFit, factor: Factor, order: list[str], ax: "Axes"
) -> "Axes":
    data = frame.data.assign(place=fit.codes)
    counts = data.groupby([factor.name, "place"], observed=True).size()
    in_row = max(SIDE_BY_SIDE, -(-int(counts.max()) // ROWS))
    means = {row["level"]: row for row in fit.means(factor.name).to_dict("records")}
    lines = np.arange(len(fit.levels) - 1) + 0.5
    for place, level in enumerate(order):
        values = data.loc[data[factor.name].astype(str) == level, "place"]
        count = values.groupby(values).cumcount()
        rows = (values.groupby(values).transform("size") - 1) // in_row
        across = place + DOTS + 0.42 / in_row * (count % in_row)
        up = values + ROW * (count // in_row - rows / 2)
        ax.plot(across, up, "o", color=COLOURS["blue"], markersize=48 / in_row)
        chance, low, high = _chances(fit, factor, level, means[level])
        left = place + BARS
        ax.barh(lines, WIDTH * chance, 0.22, left, color=COLOURS["sky"], hatch="///", ec="white")
        ax.hlines(lines, left + WIDTH * low, left + WIDTH * high, COLOURS["black"], lw=1.2)
        ax.vlines([left, left + WIDTH], lines[0] - 0.3, lines[-1] + 0.3, COLOURS["grey"], lw=0.6)
        for line, share in zip(lines, chance, strict=True):
            ax.text(left, line + 0.13, f"{100 * share:.0f} %", fontsize=7, va="bottom")
    ax.set_xticks(range(len(order)), labels=order, parse_math=False)
    ax.set_xlim(-0.5, len(order) - 0.5)
    ax.set_title(
        f"dots: {len(data)} ratings as given; bars: chance of a rating above that line,\n"
        "0 to 100 % between the grey lines, with 95 % interval, other factors held",
        fontsize=8,
        loc="left",
    )
    return ax


def _along(frame: Frame, fit: GroupedLinkFit, factor: Factor, ax: "Axes") -> "Axes":
    data, cut = frame.data, middle_cut(frame)
    values = data[factor.name]
    count = data.assign(place=fit.codes).groupby([factor.name, "place"], observed=True).cumcount()
    up = fit.codes + 0.04 * (count % 8)
    ax.plot(values, up, "o", color=COLOURS["blue"], markersize=4.5, alpha=0.7)
    places = np.linspace(values.min(), values.max(), 25)
    rows = np.repeat(fit.fixed.X.mean(axis=0)[None], len(places), axis=0)
    rows[:, fit.fixed.terms[factor.name]] = places[:, None]
    told = fit.contrast(rows)
    at = list(fit.levels[1:]).index(cut)
    found = [
        [part[at] for part in _chances(fit, factor, place, row)]
        for place, row in zip(places, told.to_dict("records"), strict=True)
    ]
    chance, low, high = 100 * np.array(found).T
    other = ax.twinx()
    other.plot(places, chance, color=COLOURS["black"], lw=1.5)
    other.fill_between(places, low, high, color=COLOURS["grey"], alpha=0.25, lw=0)
    other.set_ylim(0, 100)
    other.set_ylabel(f"chance of {at_least(frame, cut)}, %", parse_math=False)
    ax.set_title(
        f"points: {len(data)} ratings as given; line: chance with 95 % interval,\n"
        "the other factors held",
        fontsize=8,
        loc="left",
    )
    return ax


def _chances(
    fit: GroupedLinkFit, factor: Factor, value: object, mean: Mapping[Any, Any]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Chances of a rating at least so high, with the ends of their intervals, each (t,)."""
    shifts = np.array([mean["estimate"], mean["conf_low"], mean["conf_high"]]) - mean["estimate"]
    chance, low, high = fit.chance(factor.name, coded_value(fit, factor, value), shifts)
    return chance, low, high
