"""Cells and grids: what a sheet shows, with nothing interpreted, and how much may be read.

Rows and columns are numbered as the sheet numbers them, from 1. `GridRows` collects the
cells of one sheet and refuses more than the bounds below: rows and columns are those of
spreadsheets themselves, the others keep the memory for any file below about 250 MB.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from reedlab.errors import RecordError

MAX_ROWS = 1_048_576
MAX_COLUMNS = 16_384
#: Cells of one file, counting the blank ones between others: 100,000 rows of 10.
MAX_CELLS = 1_000_000
#: Merges of one sheet.
MAX_MERGES = 100_000
#: Characters of one cell, as spreadsheets hold at most.
MAX_TEXT = 32_767
#: What spreadsheets show where a formula has no value; in German, French and Spanish too.
ERRORS = frozenset(
    {"#DIV/0!", "#N/A", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!", "#SPILL!", "#CALC!"}
    | {"#FIELD!", "#BLOCKED!", "#GETTING_DATA"}
    | {"#WERT!", "#BEZUG!", "#NV", "#ZAHL!", "#ÜBERLAUF!", "#VALEUR!", "#NOM?", "#NOMBRE!"}
    | {"#¡DIV/0!", "#¡VALOR!", "#¡REF!", "#¿NOMBRE?", "#¡NUM!", "#¡NULO!"}
)


class Cell(NamedTuple):
    """One cell as a person reads it.

    Attributes
    ----------
    text : str
        As it stands in the sheet, untrimmed.
    kind : {"text", "number", "date", "bool", "error", "formula", "blank"}
        A formula without a value is of kind "formula", one with an error "error".
    value : float, datetime, bool or None
        What the sheet holds behind the text, where it is no text.
    row, column : int
        As the sheet numbers them, from 1.
    merged : bool
        Filled from the first cell of its merge.

    Examples
    --------
    >>> Cell("1.30", "number", 1.3, row=7, column=3).name
    'C7'
    """

    text: str
    kind: str = "text"
    value: float | datetime | bool | None = None
    row: int = 0
    column: int = 0
    merged: bool = False

    @property
    def name(self) -> str:
        """Name of the cell as a spreadsheet shows it, e.g. ``"C7"``."""
        return f"{column_letters(self.column)}{self.row}"


@dataclass(frozen=True)
class Grid:
    """One sheet as rows of cells.

    Attributes
    ----------
    name : str
    rows : tuple of tuple of Cell
        From row 1 to the last that holds anything; each row from column 1 to its own
        last cell, so rows differ in length and a blank one may be empty.
    hidden : bool
        A hidden sheet is named and not read: it has no rows.
    how : str
        How the bytes were read, e.g. ``"CP1252, separated by ;"``.
    separator : str
        Of a text file; empty for a spreadsheet.
    """

    name: str
    rows: tuple[tuple[Cell, ...], ...]
    hidden: bool = False
    how: str = ""
    separator: str = ""


def column_letters(column: int) -> str:
    """Return the letters of a column.

    Examples
    --------
    >>> column_letters(3), column_letters(28)
    ('C', 'AB')
    """
    letters = ""
    while column > 0:
        column, place = divmod(column - 1, 26)
        letters = chr(ord("A") + place) + letters
    return letters


class GridRows:
    """The rows of one sheet while it is read, within the bounds.

    Parameters
    ----------
    file : str
        Name of the file, for messages.
    spent : int, optional
        Cells that other sheets of the file have taken.
    """

    def __init__(self, file: str, spent: int = 0) -> None:
        self._file = file
        self._rows: list[list[Cell]] = []
        self._merges: list[tuple[int, int, int, int]] = []
        self.cells = spent

    @property
    def width(self) -> int:
        """How many columns the longest row has."""
        return max(map(len, self._rows), default=0)

    def put(
        self,
        row: int,
        column: int,
        text: str,
        kind: str = "text",
        value: float | datetime | bool | None = None,
    ) -> None:
        """Put a cell at its place, with blank ones before it where there are none."""
        if row > len(self._rows):
            self.check(row, column)
            self._rows.extend([] for _ in range(row - len(self._rows)))
        cells = self._rows[row - 1]
        if column > len(cells):
            self.check(row, column)
            self._widen(cells, row, column)
        cells[column - 1] = Cell(text, kind, value, row, column)

    def add(self, texts: Sequence[str], kinds: Sequence[str]) -> None:
        """Add a row of texts below the others."""
        row = len(self._rows) + 1
        self.check(row, len(texts))
        self._count(len(texts))
        self._rows.append(
            [
                Cell(text, kind, None, row, column)
                for column, (text, kind) in enumerate(zip(texts, kinds, strict=True), start=1)
            ]
        )

    def merge(self, top: int, left: int, bottom: int, right: int) -> None:
        """Note a merge; it is filled in the end, when the cell that it shows is there."""
        if len(self._merges) == MAX_MERGES:
            raise self._too_much(f"{MAX_MERGES:,} merges")
        self._merges.append((top, left, bottom, right))

    def done(self) -> tuple[tuple[Cell, ...], ...]:
        """Return the rows, merges filled, without the blank ones at the end."""
        width = self.width
        for top, left, bottom, right in self._merges:
            self._fill(top, left, min(bottom, len(self._rows)), min(right, width))
        rows = self._rows
        while rows and all(cell.kind == "blank" for cell in rows[-1]):
            rows.pop()
        done = []
        for place, cells in enumerate(rows):
            done.append(tuple(cells))
            rows[place] = []  # so that a large sheet is not held twice
        return tuple(done)

    def check(self, row: int, column: int) -> None:
        """Refuse a place that no sheet has."""
        if row > MAX_ROWS:
            raise self._too_much(f"{MAX_ROWS:,} rows")
        if column > MAX_COLUMNS:
            raise self._too_much(f"{MAX_COLUMNS:,} columns")

    def _fill(self, top: int, left: int, bottom: int, right: int) -> None:
        """Fill a merge from its first cell, as far as the sheet has cells at all."""
        if top > len(self._rows) or left > len(self._rows[top - 1]):
            return
        first = self._rows[top - 1][left - 1]
        if first.kind == "blank":
            return
        self._count((bottom - top + 1) * (right - left + 1))
        for row in range(top, bottom + 1):
            cells = self._rows[row - 1]
            self._widen(cells, row, right)
            for column in range(left, right + 1):
                if (row, column) != (top, left):
                    cells[column - 1] = Cell(first.text, first.kind, first.value, row, column, True)

    def _widen(self, cells: list[Cell], row: int, column: int) -> None:
        if column > len(cells):
            self._count(column - len(cells))
            cells.extend(
                Cell("", "blank", None, row, place) for place in range(len(cells) + 1, column + 1)
            )

    def _count(self, cells: int) -> None:
        self.cells += cells
        if self.cells > MAX_CELLS:
            raise self._too_much(f"{MAX_CELLS:,} cells")

    def _too_much(self, what: str) -> RecordError:
        return RecordError(
            f"{self._file} has more than {what}, which is more than is read; save the rows "
            "that are to be brought in as a file of their own."
        )
