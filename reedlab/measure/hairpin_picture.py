"""Pictures of hairpins: level and pitch over time, and pitch against level.

Levels in dB, pitch in cents from the median of the loud part, times in seconds.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.charts import COLOURS, new_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from reedlab.measure.hairpin import Trace

#: Shown before the tone and after it, seconds, and below its softest, dB.
AROUND_S, BELOW_DB = 0.7, 6.0
#: One look for each attempt in turn.
LOOKS = (
    (COLOURS["blue"], "o"),
    (COLOURS["vermilion"], "s"),
    (COLOURS["green"], "^"),
    (COLOURS["purple"], "D"),
    (COLOURS["grey"], "v"),
)


def over_time(
    traces: "Sequence[Trace]", table: pd.DataFrame, *, calibrated: bool, ax: "Axes | None" = None
) -> "Axes":
    """Draw level and pitch over the time of the recording, softest and loudest marked."""
    ax = ax or new_axes(7.2, 4.0)
    pitch_ax = ax.twinx()
    pitch_ax.spines["top"].set_visible(False)
    rows = table.to_dict("records")
    for trace, row in zip(traces, rows, strict=True):
        tone, swell = trace.tone, trace.swell
        first = trace is traces[0]
        around = (tone.time_s > tone.first_s - AROUND_S) & (tone.time_s < tone.last_s + AROUND_S)
        # What is added to a level by a calibration, so that line and marks share one scale.
        shift = row["soft_db"] - swell.numbers["soft_db"]
        level_db = tone.level_db["Z"][around] + shift
        ax.plot(
            tone.time_s[around],
            np.where(level_db > row["soft_db"] - BELOW_DB, level_db, np.nan),
            color=COLOURS["blue"],
            linewidth=1.5,
            label="level" if first else None,
        )
        ax.plot(
            [swell.soft_s, swell.loud_s],
            [row["soft_db"], row["loud_db"]],
            "D",
            color=COLOURS["black"],
            markersize=6,
            label="softest and loudest" if first else None,
        )
        # The softest is named on its outer side, where the line does not run.
        late = swell.soft_s > swell.loud_s
        for at_s, name, away, side in (
            (swell.soft_s, "soft_db", (8 if late else -8, -3), "left" if late else "right"),
            (swell.loud_s, "loud_db", (0, 8), "center"),
        ):
            ax.annotate(
                f"{row[name]:.1f} dB".replace("-", "−"),
                (at_s, row[name]),
                xytext=away,
                textcoords="offset points",
                ha=side,
                fontsize=8,
            )
        pitch_ax.plot(
            tone.pitch_s,
            1200 * np.log2(tone.pitch_hz / tone.hz),
            ".",
            color=COLOURS["vermilion"],
            markersize=2,
            label="pitch (right)" if first else None,
        )
    _limits(ax, pitch_ax, traces, table)
    ax.set_xlabel("time, s")
    ax.set_ylabel(f"level, {_level_unit(calibrated)}")
    pitch_ax.set_ylabel("pitch, cents", loc="bottom")
    handles = [*ax.get_lines()[:2], pitch_ax.get_lines()[0]]
    ax.legend(
        handles=handles,
        fontsize=8,
        frameon=False,
        ncols=3,
        loc="lower center",
        bbox_to_anchor=(0.5, 1),
    )
    return ax


def pitch_by_level(
    traces: "Sequence[Trace]", table: pd.DataFrame, *, calibrated: bool, ax: "Axes | None" = None
) -> "Axes":
    """Draw pitch against level in blocks of 0.3 s, with the line of each attempt."""
    ax = ax or new_axes()
    rows = table.to_dict("records")
    for place, (trace, row) in enumerate(zip(traces, rows, strict=True)):
        colour, marker = LOOKS[place % len(LOOKS)]
        pitch = trace.swell.pitch
        at_db = pitch.at_db + row["soft_db"] - trace.swell.numbers["soft_db"]
        ax.plot(at_db, pitch.value, marker, color=colour, alpha=0.6, markersize=5)
        if np.isnan(pitch.per_10_db):
            continue
        ends = np.array([at_db.min(), at_db.max()])
        line = pitch.middle + (ends - at_db.mean()) * pitch.per_10_db / 10
        who = f"attempt {trace.attempt}, {trace.note}" if len(rows) > 1 else trace.note
        slope = f"{pitch.per_10_db:+.1f} cents per 10 dB".replace("-", "−")
        ax.plot(ends, line, color=colour, linewidth=1.5, label=f"{who}: {slope}")
    ax.set_xlabel(f"level, {_level_unit(calibrated)}; a point: 0.3 s")
    ax.set_ylabel("pitch, cents from its middle")
    if ax.get_legend_handles_labels()[0]:
        ax.legend(fontsize=8, frameon=False)
    return ax


def _limits(ax: "Axes", pitch_ax: "Axes", traces: "Sequence[Trace]", table: pd.DataFrame) -> None:
    low, high = table["soft_db"].min() - BELOW_DB, table["loud_db"].max() + 5
    # Level above, pitch below: the lowest third of the picture is the pitch's.
    ax.set_ylim(low - (high - low) / 2, high)
    ax.set_yticks([tick for tick in ax.get_yticks() if low <= tick <= high])
    ax.set_xlim(traces[0].tone.first_s - AROUND_S, traces[-1].tone.last_s + AROUND_S)
    # The first and last moments waver most: limits by the blocks, no narrower than some cents.
    spread = np.concatenate([trace.swell.pitch.value for trace in traces])
    most = 5 * np.ceil(max(1.5 * float(np.abs(spread).max(initial=0)), 10.0) / 5)
    pitch_ax.set_ylim(-most, 5 * most)
    pitch_ax.set_yticks([-most, 0, most])


def _level_unit(calibrated: bool) -> str:
    return "dB (sound pressure)" if calibrated else "dB re full scale"
