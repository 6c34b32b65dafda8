"""ODS to grids: each cell as shown, with merges filled and formulas as last worked out.

The part `content.xml` is read as a stream. Rows and cells that a sheet repeats are
written out only as far as they hold something. Comments and drawings are no part of a
cell's text. Hidden sheets are named and not read.
"""

import re
from collections.abc import Callable
from datetime import datetime

from reedlab.study.bring.grid import ERRORS, MAX_TEXT, Grid, GridRows
from reedlab.study.bring.xml_walk import XmlWalk
from reedlab.study.bring.zip_parts import ZipParts, locked

_URN = "urn:oasis:names:tc:opendocument:xmlns:"
_TABLE, _TEXT, _STYLE = f"{_URN}table:1.0 ", f"{_URN}text:1.0 ", f"{_URN}style:1.0 "
_OFFICE = f"{_URN}office:1.0 "
_CELLS = (_TABLE + "table-cell", _TABLE + "covered-table-cell")
_PARAGRAPHS = (_TEXT + "p", _TEXT + "h")
_CALC = "urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0 "
#: Stand for spaces, tabs and ends of lines that are meant, while the others are closed up;
#: no XML can hold these signs.
_SPACE, _TAB, _BREAK = "\x01", "\x02", "\x03"
_CLOSE_UP = re.compile("[ \t\r\n]+")
#: Value of a cell as stored: text, kind, value.
_Stored = tuple[str, str, float | datetime | bool | None]


def ods_grids(file: str, parts: ZipParts, tell: Callable[[int, int], None]) -> tuple[Grid, ...]:
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
        If the file is damaged or locked, or holds more than is read.
    """
    if b"encryption-data" in parts.head("META-INF/manifest.xml", 1_000_000):
        raise locked(file)
    tell_more = parts.teller(["content.xml"], tell)
    walk = _ContentWalk(file, "content.xml")
    with parts.open("content.xml") as stream:
        walk.run(stream, tell_more)
    if not walk.grids:
        raise walk.refused("no sheet")
    return tuple(walk.grids)


class _ContentWalk(XmlWalk):
    """All sheets of a workbook."""

    namespaces = True

    def __init__(self, file: str, part: str) -> None:
        super().__init__(file, part)
        self.grids: list[Grid] = []
        self._hidden_styles: set[str] = set()
        self._style = ""
        self._name = ""
        self._hidden_rows = 0
        self._row_hidden = False
        self._rows: GridRows | None = None
        self._spent = 0
        self._row = self._row_repeats = self._column = 0
        self._put: list[tuple[int, int, _Stored]] = []
        self._cell: dict[str, str] | None = None
        self._paragraphs: list[str] = []
        self._in_paragraph = False
        self._skip_below = 0

    def opened(self, name: str, attributes: dict[str, str]) -> None:
        if self._skip_below:
            return
        if self._cell is not None:
            self._opened_in_cell(name, attributes)
        elif name in _CELLS and self._rows:
            self._cell, self._paragraphs = attributes, []
        elif name == _TABLE + "table-row" and self._rows:
            self._begin_row(attributes)
        elif name == _TABLE + "table":
            self._begin_sheet(attributes)
        elif name == _STYLE + "style":
            self._style = attributes.get(_STYLE + "name", "")
        elif name == _STYLE + "table-properties":
            if attributes.get(_TABLE + "display") == "false":
                self._hidden_styles.add(self._style)
        elif name == _TABLE + "tracked-changes":
            self._skip_below = self.depth

    def closed(self, name: str) -> None:
        if self._skip_below:
            if self.depth < self._skip_below:
                self._skip_below = 0
                self.pause(again=self._in_paragraph)
            return
        if name in _PARAGRAPHS and self._in_paragraph:
            self._paragraphs.append(_paragraph(self.collected()))
            self._in_paragraph = False
        elif name in _CELLS and self._cell is not None and self._rows:
            self._end_cell(self._cell, self._rows, covered=name == _CELLS[1])
        elif name == _TABLE + "table-row" and self._rows:
            self._end_row(self._rows)
        elif name == _TABLE + "table":
            self._end_sheet()

    def _opened_in_cell(self, name: str, attributes: dict[str, str]) -> None:
        if name in _PARAGRAPHS:
            self.collect()
            self._in_paragraph = True
        elif name == _TEXT + "s":
            count = int(attributes.get(_TEXT + "c", 1))
            self.heard(_SPACE * min(count, MAX_TEXT))
        elif name == _TEXT + "tab":
            self.heard(_TAB)
        elif name == _TEXT + "line-break":
            self.heard(_BREAK)
        elif not name.startswith(_TEXT):
            self._skip_below = self.depth
            self.pause()

    def _begin_sheet(self, attributes: dict[str, str]) -> None:
        self._name = " ".join(attributes.get(_TABLE + "name", "").split())[:100]
        if len(self.grids) >= 1000:
            raise self.refused("more than 1,000 sheets")
        self._hidden_rows = self._row = 0
        if attributes.get(_TABLE + "style-name", "") in self._hidden_styles:
            self._skip_below = self.depth
            self.grids.append(Grid(self._name, (), True, "ODS, hidden, not read"))
        else:
            self._rows = GridRows(self._file, self._spent)

    def _end_sheet(self) -> None:
        if self._rows is None:
            return
        hidden = self._hidden_rows
        told = f", with {hidden} hidden row{'s' * (hidden > 1)}" if hidden else ""
        self.grids.append(Grid(self._name, self._rows.done(), False, f"ODS{told}"))
        self._spent, self._rows = self._rows.cells, None

    def _begin_row(self, attributes: dict[str, str]) -> None:
        self._row_repeats = max(1, int(attributes.get(_TABLE + "number-rows-repeated", 1)))
        self._row_hidden = attributes.get(_TABLE + "visibility", "visible") != "visible"
        self._column, self._put = 0, []

    def _end_row(self, rows: GridRows) -> None:
        first = self._row + 1
        self._row += self._row_repeats
        if not self._put:
            return
        self._hidden_rows += self._row_hidden * self._row_repeats
        rows.check(self._row, 1)
        for row in range(first, self._row + 1):
            for start, end, stored in self._put:
                for column in range(start, end + 1):
                    rows.put(row, column, *stored)

    def _end_cell(self, cell: dict[str, str], rows: GridRows, covered: bool) -> None:
        repeats = max(1, int(cell.get(_TABLE + "number-columns-repeated", 1)))
        first, last = self._column + 1, self._column + repeats
        self._column, self._cell = last, None
        if covered:
            return  # what lies under a merge is seen by nobody
        stored = _stored(cell, "\n".join(self._paragraphs))
        if stored[1] == "blank" and not stored[0]:
            return
        if len(stored[0]) > MAX_TEXT:
            raise self.refused(f"a cell of {len(stored[0]):,} characters in row {self._row + 1}")
        rows.check(self._row + 1, last)
        self._put.append((first, last, stored))
        down = int(cell.get(_TABLE + "number-rows-spanned", 1))
        across = int(cell.get(_TABLE + "number-columns-spanned", 1))
        if down > 1 or across > 1:
            top = self._row + 1
            rows.merge(top, first, top + down - 1, first + across - 1)


def _stored(cell: dict[str, str], text: str) -> _Stored:
    """Return text, kind and value of a cell from what is shown and what is stored."""
    kind = cell.get(_OFFICE + "value-type", "")
    formula = cell.get(_TABLE + "formula", "")
    if cell.get(_CALC + "value-type") == "error" or (
        formula and (text.strip().upper() in ERRORS or text.startswith("Err:"))
    ):
        return text or "#VALUE!", "error", None
    if formula and not kind:
        return "=" + formula.partition("=")[2], "formula", None
    if kind in ("float", "percentage", "currency"):
        typed = cell.get(_OFFICE + "value", "")
        value = float(typed)
        if abs(value) < float("inf"):
            return text or typed, "number", value
    if kind == "date":
        typed = cell.get(_OFFICE + "date-value", "")
        moment = datetime.fromisoformat(typed).replace(tzinfo=None)
        return text or typed, "date", moment
    if kind == "boolean":
        truth = cell.get(_OFFICE + "boolean-value") == "true"
        return text or str(truth).upper(), "bool", truth
    if kind == "string" and not text:
        text = cell.get(_OFFICE + "string-value", "")
    return text, "text" if text.strip() else "blank", None


def _paragraph(text: str) -> str:
    """Close up spaces as a spreadsheet does, keeping those that are meant."""
    closed = _CLOSE_UP.sub(" ", text).strip(" ")
    return closed.replace(_SPACE, " ").replace(_TAB, "\t").replace(_BREAK, "\n")
