"""XLSX to grids: each cell as shown, with merges filled and formulas as last worked out.

A formula counts as the value that the spreadsheet kept with it. Without one it is of
kind "formula", for nothing is worked out here. Hidden sheets are named and not read;
hidden rows and columns are read, for a filter hides records too, and counted in `how`.
"""

import re
from collections.abc import Callable, Sequence
from datetime import datetime

from reedlab.study.bring.grid import MAX_CELLS, MAX_COLUMNS, MAX_TEXT, Grid, GridRows
from reedlab.study.bring.xlsx_book import Shown, day_text, read_book
from reedlab.study.bring.xml_walk import XmlWalk
from reedlab.study.bring.zip_parts import ZipParts

_ESCAPED = re.compile("_x([0-9A-Fa-f]{4})_")


def xlsx_grids(file: str, parts: ZipParts, tell: Callable[[int, int], None]) -> tuple[Grid, ...]:
    """Read the sheets of a workbook.

    Parameters
    ----------
    file : str
        Its name, for messages.
    parts : ZipParts
    tell : callable
        Told how many bytes are read, and of how many.

    Raises
    ------
    RecordError
        If the file is damaged, or holds more than is read.
    """
    book = read_book(file, parts)
    read = [sheet.part for sheet in book.sheets if not sheet.hidden]
    if book.texts:
        read.insert(0, book.texts)
    tell_more = parts.teller(read, tell)
    texts = _shared_texts(file, parts, book.texts, tell_more)
    shown, spent, grids = Shown(book), 0, []
    for sheet in book.sheets:
        if sheet.hidden:
            grids.append(Grid(sheet.name, (), True, "XLSX, hidden, not read"))
            continue
        rows = GridRows(file, spent)
        walk = _SheetWalk(file, sheet.part, rows, texts, shown)
        with parts.open(sheet.part) as stream:
            walk.run(stream, tell_more)
        how = f"XLSX{walk.hidden()}"
        grids.append(Grid(sheet.name, rows.done(), False, how))
        spent = rows.cells
    return tuple(grids)


def _shared_texts(
    file: str, parts: ZipParts, part: str, tell: Callable[[int], None]
) -> Sequence[str]:
    """Return the texts that cells share; none if the workbook has no part for them."""
    walk = _TextsWalk(file, part)
    if part:
        with parts.open(part) as stream:
            walk.run(stream, tell)
    return walk.texts


class _TextsWalk(XmlWalk):
    """The texts that cells share, in order; how they are to be spoken is left out."""

    def __init__(self, file: str, part: str) -> None:
        super().__init__(file, part)
        self.texts: list[str] = []
        self._runs: list[str] = []
        self._spoken = False

    def opened(self, name: str, attributes: dict[str, str]) -> None:
        if name == "t" and not self._spoken:
            self.collect()
        elif name == "si":
            self._runs = []
        elif name == "rPh":
            self._spoken = True

    def closed(self, name: str) -> None:
        if name == "t" and not self._spoken:
            self._runs.append(self.collected())
        elif name == "si":
            self.texts.append(_plain("".join(self._runs)))
            if len(self.texts) > MAX_CELLS:
                raise self.refused(f"more than {MAX_CELLS:,} texts")
        elif name == "rPh":
            self._spoken = False


class _SheetWalk(XmlWalk):
    """The cells of one sheet, put into its rows, and its merges."""

    def __init__(
        self, file: str, part: str, rows: GridRows, texts: Sequence[str], shown: Shown
    ) -> None:
        super().__init__(file, part)
        self._rows, self._texts, self._shown = rows, texts, shown
        self._columns: dict[str, int] = {}
        self._row = self._column = 0
        self._cell: dict[str, str] | None = None
        self._value: str | None = None
        self._formula: str | None = None
        self._shared: dict[str, str] = {}
        self._share = ""
        self._runs: list[str] = []
        self._spoken = False
        self._row_hidden = False
        self._hidden_rows = 0
        self._hidden_columns: list[tuple[int, int]] = []

    def hidden(self) -> str:
        """Return what is hidden in the sheet and was read nevertheless, for `how`."""
        width = self._rows.width
        columns = sum(max(0, min(last, width) - first + 1) for first, last in self._hidden_columns)
        counts = ((self._hidden_rows, "row"), (columns, "column"))
        told = [f"{count} hidden {what}{'s' * (count > 1)}" for count, what in counts if count]
        return f", with {' and '.join(told)}" if told else ""

    def opened(self, name: str, attributes: dict[str, str]) -> None:
        if name == "c" and self._row:
            self._cell, self._value, self._formula = attributes, None, None
            self._runs = []
            self._column = self._column_of(attributes.get("r", ""))
        elif self._cell is not None:
            self._opened_in_cell(name, attributes)
        elif name == "row":
            self._begin_row(attributes)
        elif name == "mergeCell":
            self._merge(attributes.get("ref", ""))
        elif name == "col" and attributes.get("hidden") in ("1", "true"):
            first, last = int(attributes.get("min", 1)), int(attributes.get("max", 1))
            self._hidden_columns += [(first, last)] * (len(self._hidden_columns) < MAX_COLUMNS)

    def closed(self, name: str) -> None:
        if self._cell is None:
            return
        if name == "v":
            self._value = self.collected()
        elif name == "f":
            self._formula = self.collected()
            if self._share and self._formula:
                self._shared[self._share] = self._formula
        elif name == "t" and not self._spoken:
            self._runs.append(self.collected())
        elif name == "rPh":
            self._spoken = False
        elif name == "c":
            self._end_cell(self._cell)
            self._cell = None

    def _opened_in_cell(self, name: str, attributes: dict[str, str]) -> None:
        if name == "v" or (name == "t" and not self._spoken):
            self.collect()
        elif name == "f":
            self._share = attributes.get("si", "") if attributes.get("t") == "shared" else ""
            self.collect()
        elif name == "rPh":
            self._spoken = True

    def _begin_row(self, attributes: dict[str, str]) -> None:
        row = int(attributes.get("r", self._row + 1))
        if row <= self._row:
            raise self.refused(f"row {row} below row {self._row}")
        self._row, self._column = row, 0
        self._row_hidden = attributes.get("hidden") in ("1", "true")

    def _column_of(self, reference: str) -> int:
        """Return the column of a reference such as C7; without one it is the next."""
        if not reference:
            return self._column + 1
        letters = reference.rstrip("0123456789")
        if letters not in self._columns:
            from openpyxl.utils import column_index_from_string

            self._columns[letters] = column_index_from_string(letters)
        return self._columns[letters]

    def _end_cell(self, cell: dict[str, str]) -> None:
        text, kind, value = self._read(cell.get("t", "n"), cell.get("s", "0"))
        if kind == "blank" and not text:
            return
        if len(text) > MAX_TEXT:
            raise self.refused(f"a cell of {len(text):,} characters in row {self._row}")
        self._rows.put(self._row, self._column, text, kind, value)
        self._hidden_rows += self._row_hidden
        self._row_hidden = False  # counted

    def _read(self, type_: str, style: str) -> tuple[str, str, float | datetime | bool | None]:
        value = self._value
        if type_ == "inlineStr":
            return _worded(_plain("".join(self._runs)))
        if type_ == "str" and value is not None:
            return _worded(_plain(value))
        if not value:
            if self._formula is None:
                return "", "blank", None
            formula = self._formula or self._shared.get(self._share, "")
            return f"={formula}", "formula", None
        if type_ == "s":
            return _worded(self._text(value))
        if type_ == "b":
            return ("TRUE", "bool", True) if value in ("1", "true") else ("FALSE", "bool", False)
        if type_ == "e":
            return value, "error", None
        if type_ == "d":
            moment = datetime.fromisoformat(value).replace(tzinfo=None)
            return day_text(moment), "date", moment
        return self._shown.number(value, int(style) if style.isdigit() else 0)

    def _text(self, place: str) -> str:
        number = int(place)
        if not 0 <= number < len(self._texts):
            raise ValueError(f"text {number} of {len(self._texts)} is asked for")
        return self._texts[number]

    def _merge(self, reference: str) -> None:
        from openpyxl.utils import range_boundaries

        left, top, right, bottom = range_boundaries(reference)
        if None in (left, top, right, bottom):
            return  # whole rows or columns: nothing tells a first cell
        self._rows.merge(top, left, bottom, right)


def _worded(text: str) -> tuple[str, str, None]:
    return text, "text" if text.strip() else "blank", None


def _plain(text: str) -> str:
    """Undo how XLSX writes characters that XML cannot hold."""
    return _ESCAPED.sub(lambda match: _character(match[1]), text) if "_x" in text else text


def _character(code: str) -> str:
    number = int(code, 16)
    return "" if 0xD800 <= number <= 0xDFFF else chr(number)
