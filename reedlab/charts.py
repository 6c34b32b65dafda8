"""One house style for every picture.

Okabe-Ito colours (Okabe & Ito 2008, safe for colour-vision deficiency), always with
a second sign (marker or hatch) so that grey print can be read; raw points visible;
axes in bench units. Functions here draw what they are given: they compute nothing,
never show, and leave matplotlib's global settings alone. A header with a dollar sign
is a header and no formula.
"""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from reedlab.errors import CallError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike

COLOURS = {
    "blue": "#0072B2",
    "vermilion": "#D55E00",
    "green": "#009E73",
    "purple": "#CC79A7",
    "sky": "#56B4E9",
    "orange": "#E69F00",
    "grey": "#666666",
    "black": "#000000",
}
#: Colour and marker of each evidence grade.
EVIDENCE_LOOK = {
    "randomised": (COLOURS["blue"], "o"),
    "observed": (COLOURS["vermilion"], "s"),
    "exploratory": (COLOURS["grey"], "D"),
}

#: Digits and the sign of a power.
RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
#: Of zlib's nine levels: the least work, and a few kilobytes more.
QUICK = 1


def new_axes(width: float = 6.4, height: float = 4.0) -> "Axes":
    """Make one Axes in the house style; a notebook shows it at the end of its cell.

    Parameters
    ----------
    width, height : float
        Inches.

    Examples
    --------
    >>> ax = new_axes()
    >>> ax.get_figure().get_size_inches().tolist()
    [6.4, 4.0]
    """
    import matplotlib.pyplot as plt

    _, ax = plt.subplots(figsize=(width, height), dpi=110)
    ax.spines[["top", "right"]].set_visible(False)
    ax.tick_params(labelsize=9)
    return ax


def forest(
    table: pd.DataFrame, labels: Sequence[str], xlabel: str, ax: "Axes | None" = None
) -> "Axes":
    """Draw estimates with their 95 % intervals, one a row, the first on top.

    Parameters
    ----------
    table : DataFrame
        Columns estimate, conf_low, conf_high and evidence.
    labels : sequence of str
        Words for each row.
    xlabel : str
        What the estimate is, with its unit.
    """
    ax = ax or new_axes(6.8, 1.2 + 0.34 * len(table))
    ax.axvline(0, color=COLOURS["black"], linewidth=0.8)
    # An artist a grade, not two a row: one costs as much to draw as all of its points.
    places = pd.Series(range(len(table)), index=table.index)
    for grade, rows in table.groupby("evidence", sort=False):
        colour, marker = EVIDENCE_LOOK[str(grade)]
        at = places[rows.index]
        ax.hlines(at, rows["conf_low"], rows["conf_high"], colour, lw=2, capstyle="projecting")
        look: dict[str, Any] = {"color": colour, "markeredgecolor": "white", "markersize": 8}
        ax.plot(rows["estimate"], at, marker, **look)
    ax.set_yticks(range(len(table)), labels=list(labels), parse_math=False)
    ax.set_ylim(len(table) - 0.5, -0.5)
    ax.set_xlabel(f"{xlabel}\nbar: 95 % interval", fontsize=9, parse_math=False)
    return ax


def shares(
    table: pd.DataFrame, labels: Sequence[str], whole: str, ax: "Axes | None" = None
) -> "Axes":
    """Draw shares of a whole with 95 % intervals, one a row.

    Parameters
    ----------
    table : DataFrame
        Columns share, conf_low and conf_high, 0 to 1.
    labels : sequence of str
        Words for each row.
    whole : str
        What the shares are shares of.
    """
    ax = ax or new_axes(6.4, 1.2 + 0.4 * len(table))
    places = range(len(table))
    ax.hlines(places, table["conf_low"] * 100, table["conf_high"] * 100, COLOURS["blue"], lw=2)
    ax.plot(table["share"] * 100, places, "o", color=COLOURS["blue"], markersize=8)
    ax.set_yticks(places, labels=list(labels), parse_math=False)
    ax.set_ylim(len(table) - 0.5, -0.5)
    ax.set_xlim(-2, 102)
    ax.set_xlabel(f"share of {whole}, %\nbar: 95 % interval", fontsize=9, parse_math=False)
    return ax


def points(
    data: pd.DataFrame, x: str, y: str, order: Sequence[object] | None, ax: "Axes | None" = None
) -> "Axes":
    """Draw raw points: against a number at its true place, or by level side by side.

    Parameters
    ----------
    data : DataFrame
    x, y : str
        Columns; `y` is a number.
    order : sequence or None
        Levels of `x` from left to right; None for a number.
    """
    ax = ax or new_axes()
    if order is None:
        ax.plot(data[x], data[y], "o", color=COLOURS["blue"], alpha=0.6, markersize=5)
    else:
        # Jitter by a fixed pattern: the same picture every time, and no random numbers used up.
        place = data[x].map({level: i for i, level in enumerate(order)}).astype(float)
        nudge = (data.groupby(x, observed=True).cumcount() % 7 - 3) * 0.04
        ax.plot(place + nudge, data[y], "o", color=COLOURS["blue"], alpha=0.6, markersize=5)
        ax.set_xticks(range(len(order)), labels=[str(level) for level in order], parse_math=False)
        ax.set_xlim(-0.6, len(order) - 0.4)
    return ax


def interval_marks(ax: "Axes", places: Sequence[float], table: pd.DataFrame) -> "Axes":
    """Add estimates with 95 % intervals to a picture of points, at the given places."""
    ax.errorbar(
        places,
        table["estimate"],
        yerr=[
            table["estimate"] - table["conf_low"],
            table["conf_high"] - table["estimate"],
        ],
        fmt="D",
        color=COLOURS["black"],
        markersize=6,
        capsize=4,
        linewidth=1.5,
    )
    return ax


def about_zero(
    x: pd.Series, y: pd.Series, xlabel: str, ylabel: str, ax: "Axes | None" = None
) -> "Axes":
    """Draw residuals against something, with the zero line."""
    ax = ax or new_axes()
    ax.axhline(0, color=COLOURS["black"], linewidth=0.8)
    ax.plot(x, y, "o", color=COLOURS["blue"], alpha=0.6, markersize=5)
    ax.set_xlabel(xlabel, parse_math=False)
    ax.set_ylabel(ylabel, parse_math=False)
    return ax


def about_line(
    quantiles: "ArrayLike", points: "ArrayLike", ylabel: str, ax: "Axes | None" = None
) -> "Axes":
    """Draw ordered values against the quantiles they would have, with the line of equality."""
    ax = ax or new_axes(4.6, 4.2)
    ax.axline((0, 0), slope=1, color=COLOURS["black"], linewidth=0.8)
    ax.plot(quantiles, points, "o", color=COLOURS["blue"], alpha=0.6, markersize=5)
    ax.set_xlabel("expected of a normal distribution")
    ax.set_ylabel(ylabel, parse_math=False)
    return ax


def strips(
    labels: Iterable[str], values: Iterable[float], xlabel: str, ax: "Axes | None" = None
) -> "Axes":
    """Draw many values a label, one row of points each, with the zero line."""
    labels = list(labels)
    rows = list(dict.fromkeys(labels))
    ax = ax or new_axes(6.8, 1.2 + 0.34 * len(rows))
    ax.axvline(0, color=COLOURS["black"], linewidth=0.8)
    places = [rows.index(label) for label in labels]
    ax.plot(list(values), places, "o", color=COLOURS["blue"], alpha=0.5, markersize=5)
    ax.set_yticks(range(len(rows)), labels=rows, parse_math=False)
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.set_xlabel(xlabel, parse_math=False)
    return ax


def dots(
    labels: Iterable[str], values: Iterable[float], xlabel: str, ax: "Axes | None" = None
) -> "Axes":
    """Draw one percentage a label, on an axis from 0 to 100."""
    labels = list(labels)
    ax = ax or new_axes(6.4, 1.2 + 0.34 * len(labels))
    ax.plot(list(values), range(len(labels)), "o", color=COLOURS["blue"], markersize=8)
    ax.set_yticks(range(len(labels)), labels=labels, parse_math=False)
    ax.set_ylim(len(labels) - 0.5, -0.5)
    ax.set_xlim(-2, 102)
    ax.set_xlabel(xlabel, parse_math=False)
    return ax


def many_lines(ax: "Axes", lines: "Iterable[ArrayLike]", **look: Any) -> None:
    """Draw many lines of one look at once, each an array of points, shape (n, 2).

    One by one they would take most of a picture's time. The axes do not reach for them: draw
    their points as well.
    """
    from matplotlib.collections import LineCollection

    ax.add_collection(LineCollection(list(lines), capstyle="projecting", **look), autolim=False)


def powers_of_ten(ax: "Axes") -> None:
    """Make the upright axis logarithmic, with labels such as 10⁻³ as plain text.

    Formulas, as matplotlib sets them, take as long as the rest of a picture.
    """
    from matplotlib.ticker import LogFormatter

    class Plain(LogFormatter):
        def __call__(self, x: float, pos: int | None = None) -> str:
            """Write 2e-03 as 2·10⁻³."""
            front, e, power = super().__call__(x, pos).partition("e")
            if not e:
                return front
            ten = "10" + str(int(power.replace("−", "-"))).translate(RAISED)
            return ten if front == "1" else f"{front}·{ten}"

    ax.set_yscale("log")
    ax.yaxis.set_major_formatter(Plain())
    ax.yaxis.set_minor_formatter(Plain())


def legend_once(ax: "Axes", rows: int = 1, **place: Any) -> None:
    """Name each look once, in so many rows, though it was drawn often; `place` says where."""
    handles, labels = ax.get_legend_handles_labels()
    once = dict(zip(labels, handles, strict=True))
    ax.legend(
        [*once.values()], [*once], fontsize=8, frameon=False, ncols=-(-len(once) // rows), **place
    )


def save(ax: "Axes", path: Path) -> list[Path]:
    """Write a picture as `path`.svg and `path`.png, close it, and return both.

    The same picture gives the same bytes: no date, and a fixed salt for its marks.
    """
    import matplotlib.pyplot as plt
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    figure = ax.get_figure(root=True)
    if not isinstance(figure, plt.Figure):
        raise CallError("These axes belong to no figure, so there is no picture to write.")
    svg, png = path.with_name(path.name + ".svg"), path.with_name(path.name + ".png")
    # Lay out once, and draw once for each format: savefig would draw five times in all.
    # On the canvas of the PNG, which knows the sizes of the texts from then on.
    figure.dpi = 120
    canvas = FigureCanvasAgg(figure)
    _fit_margins(figure, ax)
    canvas.print_png(png, metadata={"Software": None}, pil_kwargs={"compress_level": QUICK})
    with plt.rc_context({"svg.hashsalt": "reedlab", "svg.fonttype": "none"}):
        FigureCanvasSVG(figure).print_svg(svg, metadata={"Date": None})
    plt.close(figure)
    return [svg, png]


def _fit_margins(figure: "Figure", ax: "Axes") -> None:
    """Give a single Axes the room that its labels need.

    Measured once; the figure's own layout engine measures twice, and draws to do so.
    Several Axes of one figure are left to that engine.
    """
    if len(figure.axes) > 1:
        figure.draw_without_rendering()
        figure.set_layout_engine("none")
        return
    figure.set_layout_engine(None)
    # Spines lie on the box, and looking for them costs as much as a label.
    beside = [a for a in ax.get_default_bbox_extra_artists() if a not in ax.spines.values()]
    needed = ax.get_tightbbox(bbox_extra_artists=beside)
    box = ax.get_window_extent()
    if needed is None:
        return
    width, height = figure.bbox.size
    pad = 0.06 * figure.dpi
    left, right = box.x0 - needed.x0 + pad, needed.x1 - box.x1 + pad
    bottom, top = box.y0 - needed.y0 + pad, needed.y1 - box.y1 + pad
    ax.set_position(
        (
            left / width,
            bottom / height,
            1 - (left + right) / width,
            1 - (bottom + top) / height,
        )
    )
