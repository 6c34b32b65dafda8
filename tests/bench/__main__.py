"""``python -m tests.bench [ROW ...] [--out FILE]``: time the rows, print one table, write a CSV.

Without names all rows are timed, which takes about ten minutes on two idle cores. The CSV holds
what the table shows and every size that growth was fitted on. With ``--keep`` a run of all rows
becomes the one that README.md and DEVELOPERS.md quote.
"""

import argparse
import os
import platform
from pathlib import Path

from tests.bench.frame import Row
from tests.bench.memory import peak_mb
from tests.bench.quoted import KEPT, kept, quote
from tests.bench.report import lines_of, printed, written
from tests.bench.rows import ROWS, row_named
from tests.bench.timing import compared, growth


def main() -> None:
    """Time what is asked for."""
    asked = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    asked.add_argument("row", nargs="*", help=", ".join(row.name for row in ROWS))
    asked.add_argument("--out", type=Path, default=Path("bench.csv"), help="the CSV to write")
    asked.add_argument("--keep", action="store_true", help="quote this run in the texts")
    given = asked.parse_args()
    if given.keep and given.row:
        asked.error("only a run of all rows is quoted")
    out = KEPT if given.keep else given.out
    rows = [row_named(name) for name in given.row] if given.row else ROWS
    busy = os.getloadavg()[0]
    print(f"{platform.python_version()}, {os.cpu_count()} cores, load before: {busy:.1f}")
    lines = []
    for row in rows:
        lines += _measured(row)
        written(lines, out)  # after every row: a long run may be ended early
    print(printed(lines))
    print(f"Every size is in {out}.")
    if given.keep:
        quote(kept())


def _measured(row: Row) -> list[dict[str, object]]:
    print(f"{row.name}: {row.task}", flush=True)
    for other in row.others:
        if other.missing:
            print(f"  without {other.name}: {', '.join(other.missing)} is not here", flush=True)
    side_by_side = compared(row)
    grown = {side.name: growth(row, side) for side in row.sides}
    peaks = {side.name: peak_mb(row.name, side.name) for side in row.sides}
    return lines_of(row, side_by_side, grown, peaks)


if __name__ == "__main__":
    main()
