"""The picture of how long reeds last: step curves, their intervals, and who is still counted."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from reedlab.charts import COLOURS, new_axes
from reedlab.model.survival import SurvivalCurve

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LOOKS = [
    (COLOURS["blue"], "-"),
    (COLOURS["vermilion"], "--"),
    (COLOURS["green"], "-."),
    (COLOURS["purple"], ":"),
    (COLOURS["black"], (0, (1, 3))),
    (COLOURS["orange"], (0, (5, 1))),
]
#: How many times along the axis those still counted are told.
_TIMES = 6


def draw_lives(
    curves: Mapping[str, SurvivalCurve], scale: str, label: str = "", ax: "Axes | None" = None
) -> "Axes":
    """Draw the share of reeds not yet worn out against hours or days of use.

    Parameters
    ----------
    curves : mapping of str to SurvivalCurve
        By level; of all reeds, a single one.
    scale : {"hours", "days"}
    label : str
        Words for the factor; empty for all reeds.
    ax : Axes, optional

    Notes
    -----
    Small upright strokes are reeds that were not worn out when last seen. Below the axis
    stand, for each curve, the reeds known to have lasted so long.
    """
    ax = ax or new_axes(6.8, 4.0 + 0.2 * len(curves))
    end = max(float(curve.time.max()) for curve in curves.values())
    for place, (level, curve) in enumerate(curves.items()):
        colour, style = _LOOKS[place % len(_LOOKS)]
        name = f"{label} {level}".strip() or "all reeds"
        _draw_curve(curve, colour, style, f"{name} ({int(curve.event.sum())} worn out)", ax)
    ax.axhline(50, color=COLOURS["grey"], linewidth=0.6, linestyle=":")
    ax.set_ylim(-2, 102)
    ax.set_xlim(0, end * 1.03)
    unit = "hours played" if scale == "hours" else "days from first to last playing"
    ax.set_ylabel("reeds not yet worn out, %")
    ax.legend(fontsize=8, frameon=False, loc="upper right")
    ax.set_title(
        "band: pointwise 95 % interval (log-log); stroke: a reed not worn out when last seen",
        fontsize=8,
        loc="left",
    )
    _tell_at_risk(curves, ax)
    ax.set_xlabel(unit, labelpad=6 + 11 * (len(curves) + 1), parse_math=False)
    return ax


def _draw_curve(curve: SurvivalCurve, colour: str, style: object, label: str, ax: "Axes") -> None:
    steps = curve.steps
    longest = float(curve.time.max())
    time = np.r_[0.0, steps["time"], longest]

    def along(column: str, first: float) -> np.ndarray:
        # Once none is left there is no interval: the band ends there as high as it was.
        values = steps[column].ffill().to_numpy(dtype=float) * 100
        last = values[-1:] if len(values) else [first]
        return np.r_[first, values, last]

    ax.plot(
        time,
        along("estimate", 100),
        color=colour,
        linestyle=style,
        linewidth=1.8,
        drawstyle="steps-post",
        label=label,
    )
    low, high = along("conf_low", 100), along("conf_high", 100)
    ax.fill_between(time, low, high, step="post", color=colour, alpha=0.15, linewidth=0)
    censored = np.sort(curve.time[~curve.event])
    heights = along("estimate", 100)[np.searchsorted(steps["time"], censored, side="right")]
    ax.plot(censored, heights, "|", color=colour, markersize=9, markeredgewidth=1.4)


def _tell_at_risk(curves: Mapping[str, SurvivalCurve], ax: "Axes") -> None:
    """Write under the axis how many reeds are known to have lasted until each of some times."""
    from matplotlib.ticker import MaxNLocator

    ax.xaxis.set_major_locator(MaxNLocator(_TIMES, integer=True))
    low, high = ax.get_xlim()
    times = [tick for tick in ax.get_xticks() if low <= tick <= high]
    told = [(low, -20.0, "still counted", COLOURS["black"])]
    for row, curve in enumerate(curves.values()):
        colour, _ = _LOOKS[row % len(_LOOKS)]
        counts = curve.at_risk(times)
        told += [(t, -31.0 - 11 * row, str(n), colour) for t, n in zip(times, counts, strict=True)]
    for time, below, text, colour in told:
        ax.annotate(
            text,
            (time, 0),
            (0, below),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            va="top",
            ha="center" if text.isdigit() else "left",
            fontsize=8,
            color=colour,
        )
