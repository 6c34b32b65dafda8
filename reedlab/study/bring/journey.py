"""The journey of every cell of a sheet: as typed, changed, not recorded, refused, left out.

Each cell that holds something is counted once, so that the counts add up to what was in the
sheet; every change is told with before and after, every refusal with what would be right,
every row or column that was left out with the reason.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import pandas as pd

from reedlab.study.bring.dividing import Told
from reedlab.study.bring.grids import Cell
from reedlab.study.bring.opening import SheetTable
from reedlab.study.bring.reading import ReadColumn

#: What can become of a cell; a header is counted apart.
OUTCOMES = ("as typed", "changed", "not recorded", "refused", "in question", "left out")
#: The columns of the report.
COLUMNS = ("file", "row", "column", "value", "outcome", "after", "why", "remedy")
_OUTCOME = {"kept": "as typed", "missing": "not recorded", "asked": "in question"}


class Step(NamedTuple):
    """What became of one cell, one whole row (no column) or one whole column (no row)."""

    file: str
    row: int | None
    column: str
    value: str
    outcome: str
    after: str = ""
    why: str = ""
    remedy: str = ""


@dataclass(frozen=True, eq=False)
class Journey:
    """All that happened to a sheet on its way into the record.

    Attributes
    ----------
    steps : tuple of Step
        All but what came in as typed, in the order of the sheet.
    cells : dict of str to int
        How many cells each outcome has; "header" those that name columns.
    by_column : dict of str to Counter
        The same by column, of the rows that came in.
    """

    steps: tuple[Step, ...]
    cells: Mapping[str, int]
    by_column: Mapping[str, Counter[str]]

    @cached_property
    def table(self) -> pd.DataFrame:
        """The steps as a table: file, row, column, value, outcome, after, why, remedy."""
        table = pd.DataFrame(self.steps, columns=list(COLUMNS))
        return table.astype({name: "Int64" if name == "row" else "str" for name in COLUMNS})

    @property
    def left_out(self) -> pd.DataFrame:
        """The rows that are refused or left out: file, row, fault."""
        gone = [(s.file, s.row, s.why) for s in self.steps if s.row is not None and not s.column]
        return pd.DataFrame(gone, columns=["file", "row", "fault"])


def trace(
    table: SheetTable, columns: Mapping[str, ReadColumn], rows: Sequence[Told] = ()
) -> Journey:
    """Return what became of every cell of a sheet.

    Parameters
    ----------
    table : SheetTable
    columns : mapping of str to ReadColumn
        Those that come in, by name.
    rows : sequence of Told, optional
        What became of each record; empty while that is not known yet.

    Returns
    -------
    Journey
    """
    file, names, records = table.file, table.names, table.found.records
    cells: Counter[str] = Counter(dict.fromkeys((*OUTCOMES, "header"), 0))
    steps: list[Step] = []
    rows = rows or [Told("kept")] * len(records)
    told = [row.outcome for row in rows]
    came = {record[0].row for record, one in zip(records, told, strict=True) if one == "kept"}
    others = (row for row in table.grid.rows if row and row[0].row not in came)
    typed = {row[0].row: [cell for cell in row if _holds(cell)] for row in others}
    for number, why in table.found.left_out:
        own = typed.pop(number, [])
        cells["left out"] += len(own)
        steps.append(Step(file, number, "", _row_text(own), "left out", "", why))
    by_column: dict[str, Counter[str]] = {name: Counter() for name in names}
    for record, (outcome, why, remedy) in zip(records, rows, strict=True):
        if outcome != "kept":
            own = typed.pop(record[0].row, [])
            cells[outcome] += len(own)
            steps.append(Step(file, record[0].row, "", _row_text(own), outcome, "", why, remedy))
    cells["header"] += sum(map(len, typed.values()))
    for place, name in enumerate(names):
        own = [record[place] for record in records]
        if name not in columns:
            count = sum(1 for at, cell in enumerate(own) if told[at] == "kept" and _holds(cell))
            cells["left out"] += count
            by_column[name]["left out"] += count
            if count:
                steps.append(Step(file, None, name, "", "left out", "", "the column stays out"))
            continue
        for outcome, count in _cell_steps(file, name, columns[name], told, steps).items():
            cells[outcome] += count
            by_column[name][outcome] += count
    order = {name: place for place, name in enumerate(names)}
    steps.sort(key=lambda step: (step.row or 0, order.get(step.column, -1)))
    return Journey(tuple(steps), dict(cells), by_column)


def _cell_steps(
    file: str, name: str, read: ReadColumn, told: Sequence[str], steps: list[Step]
) -> Counter[str]:
    """Add what happened to the cells of a column; return how many had each outcome."""
    counts: Counter[str] = Counter()
    known: dict[int, tuple[str, str]] = {}  # equal cells share one reading
    for cell, reading, row in zip(read.cells, read.reads, told, strict=True):
        text = cell.text
        if row != "kept" or not text or text.isspace():
            continue
        if id(reading) not in known:
            why = reading.fault or reading.ask or _reason(reading.change)
            known[id(reading)] = (_OUTCOME.get(reading.state, reading.state), why)
        outcome, why = known[id(reading)]
        if not cell.merged:
            counts[outcome] += 1
        if outcome != "as typed":
            after, remedy = reading.text, reading.remedy
            steps.append(Step(file, cell.row, name, text, outcome, after, why, remedy))
    return counts


def _reason(change: str) -> str:
    """Return what stands in brackets at the end of a change, which tells before and after."""
    _, found, reason = change.rstrip(".").rpartition(" (")
    return reason.removesuffix(")") if found else ""


def _holds(cell: Cell) -> bool:
    return bool(cell.text.strip()) and not cell.merged


def _row_text(cells: Sequence[Cell]) -> str:
    text = " | ".join(" ".join(cell.text.split()) for cell in cells)
    return text if len(text) <= 80 else text[:79] + "…"
