"""The picture of one factor: reeds as measured, and the model's means over them."""

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.analyse.frame import Frame, ordered_levels
from reedlab.analyse.words import with_unit
from reedlab.charts import COLOURS, interval_marks, points
from reedlab.errors import CallError
from reedlab.schema import Factor

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.model import LinearFit


def draw_factor(
    frame: Frame, fit: "LinearFit | None", factor: Factor, ax: "Axes | None" = None
) -> "Axes":
    """Draw a response against one factor; see :meth:`Drivers.plot_factor`."""
    if fit is None:
        raise CallError("There is no model to draw.")
    response = frame.response
    unit = "reed_id" if "reed_id" in frame.data and factor.stratum != "session" else None
    data = frame.data
    if unit:
        first = {factor.name: "first", response.name: "mean"}
        data = data.groupby(unit, observed=True, as_index=False).agg(first)
    if factor.kind == "numeric":
        ax = points(data, factor.name, response.name, None, ax)
        _draw_line(fit, factor, ax)
    else:
        means = fit.means(factor.name)
        order = ordered_levels(factor, means["level"])
        text = data.assign(**{factor.name: data[factor.name].astype(str)})
        ax = points(text, factor.name, response.name, order, ax)
        places = [place + 0.3 for place in range(len(order))]
        interval_marks(ax, places, means.set_index("level").loc[order])
    what = "reeds" if unit else "tests"
    ax.set_xlabel(with_unit(factor.label, factor.unit), parse_math=False)
    ax.set_ylabel(with_unit(response.label, response.unit), parse_math=False)
    ax.set_title(
        f"points: {len(data)} {what} as measured; black: mean and 95 % interval,\n"
        "the other factors held",
        fontsize=8,
        loc="left",
    )
    return ax


def _draw_line(fit: "LinearFit", factor: Factor, ax: "Axes") -> None:
    values = fit.fixed.data[factor.name]
    grid = fit.fixed.grid_for(())
    places = np.linspace(values.min(), values.max(), 25)
    middle = fit.fixed.rows(grid).mean(axis=0)
    rows = np.repeat(middle[None], len(places), axis=0)
    rows[:, fit.fixed.terms[factor.name]] = places[:, None]
    line = pd.DataFrame(fit.contrast(rows))
    ax.plot(places, line["estimate"], color=COLOURS["black"], linewidth=1.5)
    ax.fill_between(
        places, line["conf_low"], line["conf_high"], color=COLOURS["grey"], alpha=0.25, linewidth=0
    )
