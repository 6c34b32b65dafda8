"""One CSV file as raw cells, so that what is not changed stays as typed, to the byte.

Quotes, line ends, byte order mark and blank lines are kept; a new row is written with
the line end that the file has. Rows are numbered as a spreadsheet shows them.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

_MARK = b"\xef\xbb\xbf"
_CELL = re.compile(r'"(?:[^"]|"")*"|[^,\r\n]*')
_SPECIAL = re.compile(r'[,"\r\n]')
_END = re.compile(r",|\r\n|\r|\n|\Z")


@dataclass
class Page:
    r"""The raw text of one file.

    Attributes
    ----------
    mark : bool
        Whether the file begins with a byte order mark.
    rows : list of list of str
        The cells of each row as they stand in the file, quotes included.
    ends : list of str
        The line end of each row; the last one may have none.

    Examples
    --------
    >>> page = Page.read(b'reed_id,shape\r\n"007",\r\n')
    >>> page.put(2, "shape", "narrow, long")
    >>> page.append({"reed_id": "008"})
    >>> page.content()
    b'reed_id,shape\r\n"007","narrow, long"\r\n008,\r\n'
    """

    mark: bool
    rows: list[list[str]]
    ends: list[str]

    @classmethod
    def fresh(cls, header: Sequence[str]) -> "Page":
        """Start a file with its header alone."""
        return cls(True, [[quoted(name) for name in header]], ["\n"])

    @classmethod
    def read(cls, content: bytes) -> "Page":
        """Split a file that has been read as a sheet before, so it is known to be CSV."""
        text = content.decode("utf-8-sig")
        page = cls(content.startswith(_MARK), [], [])
        place = 0
        while place < len(text):
            row, end = [], ","
            while end == ",":
                cell = _CELL.match(text, place)
                stop = _END.match(text, cell.end()) if cell else None
                if cell is None or stop is None:
                    raise ValueError("not CSV")
                row.append(cell[0])
                end, place = stop[0], stop.end()
            page.rows.append(row)
            page.ends.append(end)
        return page

    @property
    def header(self) -> list[str]:
        """The names of the columns."""
        return [_unquoted(cell) for cell in self.rows[0]]

    def add_column(self, name: str) -> None:
        """Add an empty column at the end, unless there is one of that name."""
        if name in self.header:
            return
        self.rows[0].append(quoted(name))
        for row in self.rows[1:]:
            if any(row):  # a blank row stays blank
                row.append("")

    def put(self, row: int, column: str, text: str) -> None:
        """Write one cell, by row number and header."""
        self.rows[row - 1][self.header.index(column)] = quoted(text)

    def append(self, cells: Mapping[str, str]) -> None:
        """Add a row after the last one that is not blank; other columns stay empty."""
        self.append_all([cells])

    def append_all(self, rows: Sequence[Mapping[str, str]]) -> None:
        """Add rows after the last one that is not blank; other columns stay empty."""
        place = len(self.rows)
        while not any(self.rows[place - 1]):
            place -= 1
        end, header = self.ends[0] or "\n", self.header
        self.ends[place - 1] = self.ends[place - 1] or end
        new = [[quoted(cells[n]) if n in cells else "" for n in header] for cells in rows]
        self.rows[place:place] = new
        self.ends[place:place] = [end] * len(new)

    def content(self) -> bytes:
        """Return the bytes of the file."""
        lines = [",".join(row) + end for row, end in zip(self.rows, self.ends, strict=True)]
        return (_MARK if self.mark else b"") + "".join(lines).encode("utf-8")


def quoted(text: str) -> str:
    """Return a cell as CSV writes it: in quotes if it holds a comma, quote or line end.

    Examples
    --------
    >>> quoted('said "no", twice')
    '"said ""no"", twice"'
    """
    if _SPECIAL.search(text):
        return '"' + text.replace('"', '""') + '"'
    return text


def _unquoted(cell: str) -> str:
    return cell[1:-1].replace('""', '"') if cell.startswith('"') else cell
