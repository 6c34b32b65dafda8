"""The race in pictures: all worlds late in the season, and the good reeds of one season."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

import pandas as pd

from reedlab.charts import COLOURS, interval_marks, legend_once, new_axes, points
from reedlab.demo.workshop import Hidden
from tests.bench.workshop.judge import figures, shared
from tests.bench.workshop.makers import MAKERS
from tests.bench.workshop.outcomes import of
from tests.bench.workshop.settings import ORDINARY

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Colour and dashes of the first seasons that are set side by side.
_LOOKS = ((COLOURS["vermilion"], "--"), (COLOURS["blue"], "-"), (COLOURS["green"], ":"))


def draw_race(outcomes: pd.DataFrame, ax: "Axes | None" = None) -> "Axes":
    """Draw good reeds in 100 bench hours of the last third, a column of worlds a maker.

    Parameters
    ----------
    outcomes : DataFrame
        As `outcomes.read` gives them; the ordinary race is drawn.
    """
    rows = shared(of(outcomes, ORDINARY))
    makers = [maker for maker in MAKERS if maker in set(rows["maker"])]
    found = figures(rows)
    late = found[found["figure"] == "late rate"].set_index("maker").loc[makers]
    ax = points(rows, "maker", "late_rate", makers, ax)
    ax.lines[-1].set(color=COLOURS["sky"], alpha=0.35, markersize=4, clip_on=False)
    interval_marks(ax, range(len(makers)), late)
    ax.set_ylim(bottom=0)
    ax.yaxis.get_major_locator().set_params(integer=True)
    ax.set_ylabel("good reeds in 100 bench hours,\nlast third of the season", fontsize=9)
    worlds = rows["seed"].nunique()
    ax.set_xlabel(
        f"a dot is one of {worlds} invented workshops, a diamond the mean of a maker in them\n"
        "bar: 95 % interval",
        fontsize=9,
    )
    return ax


def draw_seasons(seasons: Mapping[str, Hidden], ax: "Axes | None" = None) -> "Axes":
    """Draw how many good reeds were finished up to each hour of a season.

    Parameters
    ----------
    seasons : mapping
        The judge's side of each season, three at most, by the words for it.
    """
    ax = ax or new_axes()
    for (words, hidden), (colour, dashes) in zip(seasons.items(), _LOOKS, strict=False):
        made = hidden.table
        good = made[made["good"].astype(bool) & (made["ended"] == "finished")]
        hours = [0.0, *good["minute"].sort_values() / 60]
        ax.step(hours, range(len(hours)), dashes, where="post", color=colour, lw=2, label=words)
    ax.set_xlabel("hours at the bench", fontsize=9)
    ax.set_ylabel("good reeds finished so far", fontsize=9)
    ax.set_xlim(left=0)
    ax.set_ylim(bottom=0)
    legend_once(ax, rows=len(seasons), loc="upper left")
    return ax
