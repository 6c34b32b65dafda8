"""The benchmark's table, printed for readers and written as a CSV for whatever comes after.

One line a side and size. At the compared size stand the ratio to our side, the exponent of the
growth and the peak of memory; the other sizes hold seconds alone.
"""

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path

from tests.bench.frame import Row
from tests.bench.timing import Timed, exponent

Line = dict[str, object]
COLUMNS = (
    *("row", "side", "compared", "size", "counts", "runs"),
    *("seconds", "seconds_low", "seconds_high"),
    *("times", "times_low", "times_high", "exponent", "peak_mb"),
)


def lines_of(
    row: Row,
    side_by_side: Sequence[Timed],
    grown: Mapping[str, list[Timed]],
    peaks: Mapping[str, float],
) -> list[Line]:
    """Put together what was measured of a row; `times` is how many times longer than ours."""
    ours = side_by_side[0]
    lines = []
    for timed in side_by_side:
        low, middle, high = ours.times_faster(timed)
        growing = exponent(grown[timed.side], row.each)
        lines.append(
            _line(row, timed, compared=True)
            | {"times": middle, "times_low": low, "times_high": high}
            | {"exponent": growing, "peak_mb": peaks[timed.side]}
        )
    return [*lines, *(_line(row, one, compared=False) for many in grown.values() for one in many)]


def _line(row: Row, timed: Timed, *, compared: bool) -> Line:
    low, middle, high = timed.quartiles
    return {
        "row": row.name,
        "side": timed.side,
        "compared": compared,
        "size": timed.size,
        "counts": row.counts,
        "runs": len(timed.seconds),
        "seconds": middle,
        "seconds_low": low,
        "seconds_high": high,
    }


def written(lines: Sequence[Line], path: Path) -> None:
    """Write all lines to a CSV; seconds of one piece where the row counts pieces."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS, restval="")
        writer.writeheader()
        writer.writerows(lines)


def printed(lines: Sequence[Line]) -> str:
    """Return the lines of compared sizes as a table; in brackets the middle half of the runs."""
    head = ("row", "side", "size", "time", "", "times ours", "", "growth", "peak MB")
    return aligned([head, *(_cells(line) for line in lines if line["compared"])])


def aligned(rows: Sequence[Sequence[str]]) -> str:
    """Write rows of cells one below the other, each column as wide as its widest cell."""
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    told = [[cell.ljust(width) for cell, width in zip(row, widths, strict=True)] for row in rows]
    return "\n".join("  ".join(row).rstrip() for row in told)


def _cells(line: Line) -> tuple[str, ...]:
    seconds = [time_text(float(str(line[f"seconds{end}"]))) for end in ("", "_low", "_high")]
    times = [f"{float(str(line[f'times{end}'])):.3g}" for end in ("", "_low", "_high")]
    return (
        str(line["row"]),
        str(line["side"]),
        f"{line['size']:,} {line['counts']}",
        seconds[0],
        f"({seconds[1]} to {seconds[2]})",
        times[0],
        f"({times[1]} to {times[2]})",
        f"{line['exponent']:.2f}",
        f"{line['peak_mb']:.0f}",
    )


def time_text(seconds: float, digits: int = 3) -> str:
    """Seconds in the unit that suits them, to so many digits."""
    seconds = float(f"{seconds:.{digits}g}")
    units = (("s", 1.0), ("ms", 1e-3), ("µs", 1e-6), ("ns", 1e-9))
    unit, size = next((one for one in units if seconds >= one[1]), units[-1])
    value = seconds / size
    return f"{value:.0f} {unit}" if value >= 10 ** (digits - 1) else f"{value:.{digits}g} {unit}"
