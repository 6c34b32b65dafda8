"""The picture of a crow: pitch above, level below, over one time.

The target is a shaded band, the moment at which the pitch settles is marked in both, and the
stretch in which several pitches sound is hatched, with those pitches as dotted lines. Pitch is
drawn in octaves, so that equal intervals are equally high.
"""

from typing import TYPE_CHECKING

import numpy as np

from reedlab.charts import COLOURS, legend_once, new_axes
from reedlab.errors import CallError
from reedlab.schema.pitch import nearest_note, note_hz

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.measure.crow import Crow
    from reedlab.measure.crow_attempt import Attempt

#: The level is drawn in this lower part of the picture, over so many dB.
LOWER_PART, SHOWN_DB = 0.3, 50.0
#: Beside target and crow this much is shown, and no pitch further than that from either, octaves.
MARGIN, FURTHEST = 0.2, 1.2
#: Seconds before the first attempt and after the last.
AROUND_S = 0.3
#: More notes than this are too many names for the axis.
MOST_NAMES = 14


def draw_crow(answer: "Crow", ax: "Axes | None" = None) -> "Axes":
    """Draw pitch and level over time; see :meth:`Crow.plot`."""
    if not answer.attempts:
        raise CallError("There is no recording to draw.")
    ax = ax or new_axes(8.0, 4.6)
    low, high = _range(answer)
    octaves = np.log2(answer.pitch_hz)
    shown = np.where((octaves > low) & (octaves < high), octaves, np.nan)
    edges = [float(np.log2(hz)) for hz in answer.band_hz]
    names = dict.fromkeys(answer.target)
    # A target of one note is drawn 20 cents wide, so that it can be seen.
    narrow = 10 / 1200 if edges[0] == edges[1] else 0.0
    ax.axhspan(
        edges[0] - narrow,
        edges[1] + narrow,
        color=COLOURS["green"],
        alpha=0.2,
        linewidth=0,
        label=f"target {'–'.join(names)}",
    )
    ax.plot(answer.time_s, shown, color=COLOURS["blue"], linewidth=1.8, label="pitch")
    bottom = low - (high - low) * LOWER_PART / (1 - LOWER_PART)
    ax.set_ylim(bottom, high)
    _name_notes(ax, low, high, answer.a4_hz)
    beside = _draw_level(answer, ax)
    for attempt in answer.attempts:
        _mark(answer, attempt, ax, beside, low, high)
    ax.set_xlim(
        max(answer.attempts[0].span[0] - AROUND_S, 0),
        min(answer.attempts[-1].span[1] + AROUND_S, answer.time_s[-1]),
    )
    ax.set_xlabel("time, s")
    ax.set_ylabel(f"pitch (A4 = {answer.a4_hz:g} Hz)", y=(1 + LOWER_PART) / 2)
    legend_once(ax, loc="lower left", bbox_to_anchor=(0, 1))
    return ax


def _range(answer: "Crow") -> tuple[float, float]:
    """Return the lowest and highest pitch to be shown, in octaves."""
    found = answer.table["crow_hz"].dropna().tolist()
    main = [*answer.band_hz, *found]
    rattle = [
        hz
        for attempt in answer.attempts
        if attempt.rattle
        for hz in attempt.rattle.pitches_hz
        if min(abs(np.log2(hz / other)) for other in main) < FURTHEST
    ]
    octaves = np.log2([*main, *rattle])
    return float(octaves.min()) - MARGIN, float(octaves.max()) + MARGIN


def _name_notes(ax: "Axes", low: float, high: float, a4_hz: float) -> None:
    steps = range(int(np.ceil(12 * (low - np.log2(a4_hz)))), int(12 * (high - np.log2(a4_hz))) + 1)
    notes = [nearest_note(a4_hz * 2 ** (step / 12), a4_hz)[0] for step in steps]
    if len(notes) > MOST_NAMES:
        notes = [note for note in notes if note[0] in "CFA" and not set(note) & set("♯♭")]
    ax.set_yticks([np.log2(note_hz(note, a4_hz)) for note in notes], labels=notes)


def _draw_level(answer: "Crow", ax: "Axes") -> "Axes":
    beside = ax.twinx()
    beside.spines[["top", "left"]].set_visible(False)
    inside = np.any(
        [(answer.time_s >= a.span[0]) & (answer.time_s <= a.span[1]) for a in answer.attempts],
        axis=0,
    )
    top = float(np.ceil(answer.level_db[inside].max() / 10) * 10)
    shown = np.maximum(answer.level_db, top - SHOWN_DB)
    beside.plot(answer.time_s, shown, color=COLOURS["orange"], linewidth=1.2)
    ax.plot([], [], color=COLOURS["orange"], linewidth=1.2, label="level")
    beside.set_ylim(top - SHOWN_DB, top + SHOWN_DB * (1 - LOWER_PART) / LOWER_PART)
    beside.set_yticks([top - SHOWN_DB, top - SHOWN_DB / 2, top])
    beside.tick_params(labelsize=9)
    beside.set_ylabel("level, dB re\nfull scale", y=LOWER_PART / 2, fontsize=9)
    return beside


def _mark(
    answer: "Crow", attempt: "Attempt", ax: "Axes", beside: "Axes", low: float, high: float
) -> None:
    stand, rattle = attempt.stand, attempt.rattle
    if rattle:
        ax.axvspan(
            rattle.start_s,
            rattle.end_s,
            facecolor="none",
            edgecolor=COLOURS["vermilion"],
            hatch="//",
            linewidth=0,
            alpha=0.6,
            label="several pitches",
        )
        heights = [np.log2(hz) for hz in rattle.pitches_hz if low < np.log2(hz) < high]
        ax.hlines(heights, rattle.start_s, rattle.end_s, COLOURS["vermilion"], ":", lw=1.6)
    if stand is None or attempt.trust is None:
        return
    single = attempt.trust.single_pitch
    place = answer.table["settle_s"] == stand.settle_s
    height = float(np.log2(answer.table.loc[place, "crow_hz"].iloc[0]))
    ax.hlines(
        height, stand.settle_s, stand.end_s, COLOURS["grey"], "--", lw=1, label="its mean", zorder=1
    )
    label = "one pitch settles" if single else "no single pitch"
    ax.plot(
        stand.settle_s,
        height,
        "D" if single else "x",
        color=COLOURS["black"],
        markeredgecolor="white" if single else COLOURS["black"],
        markersize=8,
        linestyle="none",
        label=label,
    )
    ax.axvline(stand.settle_s, color=COLOURS["grey"], linewidth=0.8, linestyle=":")
    if single:
        level = float(answer.table.loc[place, "settle_db"].iloc[0])
        beside.plot(
            stand.settle_s,
            level,
            "D",
            color=COLOURS["orange"],
            markeredgecolor="white",
            markersize=7,
        )
