"""Pictures of blades: maps laid out as a blade, tip up, and the profile along the spine.

They draw what they are given. Thickness by a scale that rises in brightness too, differences
by blue and vermilion with their sign printed, so that grey print can be read; numbers
stand in the cells. Lengths are in mm.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.charts import COLOURS, new_axes
from reedlab.measure.blade_grid import BLADES, PLACE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap

#: Between two maps, as a share of a blade's width.
GAP = 0.35
#: Cells this small and this large are drawn, inches.
CELL = (0.34, 0.2)
#: Widest and highest picture, inches.
MOST = (16.0, 11.0)
#: More places across than this are written in hundredths.
DENSE = 8
LOOKS = {"up": (COLOURS["blue"], "o", "-"), "down": (COLOURS["vermilion"], "s", "--")}


def draw_blades(
    thickness: pd.DataFrame, differences: pd.DataFrame, ax: "Axes | None" = None
) -> "Axes":
    """Draw five maps side by side: both blades, each against its mirror, up against down.

    Parameters
    ----------
    thickness, differences : DataFrame
        As in :class:`reedlab.measure.Blades`. A difference that is not beyond the yardstick
        leaves its cells blank.
    """
    from matplotlib import colormaps
    from matplotlib.colors import Colormap, LinearSegmentedColormap

    rows, columns = (np.sort(thickness[name].unique()) for name in PLACE[1:])
    edges = _edges(columns)
    step = (edges[-1] - edges[0]) * (1 + GAP)
    if ax is None:
        wide = CELL[0] * (0.6 if len(columns) > DENSE else 1)
        width = 1.2 + 5 * (1 + GAP) * wide * (edges[-1] - edges[0]) / np.diff(edges).min()
        tall = _edges(rows)
        height = 1.6 + CELL[1] * (tall[-1] - tall[0]) / np.diff(tall).min()
        ax = new_axes(float(np.clip(width, 8.0, MOST[0])), float(np.clip(height, 3.2, MOST[1])))
    grey_safe: Colormap = colormaps["cividis"]
    two_ways: Colormap = LinearSegmentedColormap.from_list(
        "differences", [COLOURS["blue"], "white", COLOURS["vermilion"]]
    )
    low, high = thickness["estimate"].min(), thickness["estimate"].max()
    largest = differences.loc[differences["beyond"], "estimate"].abs().max()
    most = 1.0 if pd.isna(largest) else float(largest)
    # In many narrow cells hundredths are what still can be read.
    dense = len(columns) > DENSE
    unit, plain, signed = ("0.01 mm", "{:.0f}", "{:+.0f}") if dense else ("mm", "{:.2f}", "{:+.2f}")
    factor = 100.0 if dense else 1.0
    maps: list[tuple[str, pd.DataFrame, Colormap, tuple[float, float], str]] = []
    for blade in BLADES:
        cells = thickness[thickness["blade"] == blade]
        maps.append((f"{blade} blade,\nthickness, {unit}", cells, grey_safe, (low, high), plain))
    for blade in BLADES:
        cells = _against_mirror(differences, blade)
        maps.append(
            (f"{blade} blade minus\nits mirror, {unit}", cells, two_ways, (-most, most), signed)
        )
    facing = differences[differences["contrast"] == "up − down"]
    maps.append((f"up minus the down\nfacing it, {unit}", facing, two_ways, (-most, most), signed))
    ticks: list[float] = []
    names: list[str] = []
    for place, (title, cells, colours, span, style) in enumerate(maps):
        shift = place * step
        _draw_map(ax, cells, (rows, columns), shift, colours, span, (style, factor))
        ax.annotate(
            title,
            (shift + (edges[0] + edges[-1]) / 2, 1.01),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="bottom",
            fontsize=9,
        )
        for across in sorted({columns[0], 0.0, columns[-1]}):
            ticks.append(shift + across)
            names.append(f"{across:g}".replace("-", "−"))
    ax.set_xticks(ticks, labels=names)
    ax.set_yticks(rows, labels=[f"{row:g}" for row in rows])
    ax.set_xlim(edges[0] - 0.1 * step, 4 * step + edges[-1] + 0.1 * step)
    ax.set_ylim(_edges(rows)[-1], _edges(rows)[0])
    ax.set_ylabel("from the tip, mm (tip up)")
    ax.set_xlabel(
        "across, mm, left negative, as one looks at each blade from outside; blank: within what "
        "the gauge repeats",
        fontsize=8,
    )
    ax.tick_params(labelsize=8)
    return ax


def draw_profile(spine: pd.DataFrame, smooth: pd.DataFrame, ax: "Axes | None" = None) -> "Axes":
    """Draw the readings along the spine of both blades, and a smooth where there is one."""
    ax = ax or new_axes()
    for blade, (colour, marker, style) in LOOKS.items():
        rows = spine[spine["blade"] == blade]
        ax.plot(
            rows["from_tip_mm"],
            rows["thickness_mm"],
            marker,
            color=colour,
            alpha=0.7,
            markersize=5,
            label=f"{blade} blade",
        )
        line = smooth[smooth["blade"] == blade]
        if len(line):
            ax.plot(line["from_tip_mm"], line["fitted"], style, color=colour, linewidth=1.5)
    ax.set_xlabel("along the spine from the tip, mm")
    ax.set_ylabel("thickness, mm")
    ax.set_title("points: readings; line: smooth", fontsize=8, loc="left")
    ax.legend(fontsize=8, frameon=False)
    return ax


def _against_mirror(differences: pd.DataFrame, blade: str) -> pd.DataFrame:
    """Both places of each pair of one blade: the left, and the right with the other sign."""
    rows = differences[
        (differences["contrast"] == "left − right") & (differences["blade"] == blade)
    ]
    right = rows.assign(across_mm=rows["other_across_mm"], estimate=-rows["estimate"])
    return pd.concat([rows, right])


def _draw_map(
    ax: "Axes",
    cells: pd.DataFrame,
    grid: tuple[np.ndarray, np.ndarray],
    shift: float,
    colours: "Colormap",
    span: tuple[float, float],
    style: tuple[str, float],
) -> None:
    from matplotlib.patches import Rectangle

    rows, columns = grid
    tall, wide = _edges(rows), _edges(columns)
    low, high = span
    for cell in cells.to_dict("records"):
        i = int(np.searchsorted(rows, cell["from_tip_mm"]))
        j = int(np.searchsorted(columns, cell["across_mm"]))
        shown = bool(cell.get("beyond", True))
        share = 0.5 if high == low else (cell["estimate"] - low) / (high - low)
        face = colours(share) if shown else (1.0, 1.0, 1.0, 1.0)
        corner = (shift + wide[j], tall[i])
        ax.add_patch(
            Rectangle(
                corner,
                wide[j + 1] - wide[j],
                tall[i + 1] - tall[i],
                facecolor=face,
                edgecolor="#bbbbbb",
                linewidth=0.6,
            )
        )
        if shown:
            middle = (shift + (wide[j] + wide[j + 1]) / 2, (tall[i] + tall[i + 1]) / 2)
            text = style[0].format(style[1] * cell["estimate"]).replace("-", "−")
            ink = "white" if _brightness(face) < 0.45 else "black"
            ax.annotate(text, middle, ha="center", va="center", fontsize=7, color=ink)


def _edges(places: np.ndarray) -> np.ndarray:
    """Borders of cells half way between places; a single place gets a cell of 1 mm."""
    if len(places) == 1:
        return np.array([places[0] - 0.5, places[0] + 0.5])
    middle = (places[1:] + places[:-1]) / 2
    return np.concatenate([[2 * places[0] - middle[0]], middle, [2 * places[-1] - middle[-1]]])


def _brightness(colour: Sequence[float]) -> float:
    """Relative luminance, roughly, 0 to 1 (ITU-R BT.709 weights)."""
    return float(np.dot([0.2126, 0.7152, 0.0722], list(colour[:3])))
