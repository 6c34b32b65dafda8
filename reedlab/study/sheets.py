"""Reading one table as text: header, rows, and their numbers in a spreadsheet.

Nothing is interpreted here. A row whose number of cells differs from the header's is
left out and reported, for its cells may have shifted.
"""

import csv
import io
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from reedlab.errors import RecordError
from reedlab.study.exporting import as_meant
from reedlab.study.faults import Fault
from reedlab.study.parquet import is_parquet, parquet_records


@dataclass(frozen=True)
class Sheet:
    """The text of one file.

    Attributes
    ----------
    file : str
        Name of the file.
    header : tuple of str
        As typed; a header that comes twice counts where it stands first.
    numbers : tuple of int
        Row number of each row as a spreadsheet shows it.
    rows : tuple of list of str
        The cells of each row.
    broken : tuple of list of str
        Rows with too few or too many cells.
    faults : tuple of Fault
    """

    file: str
    header: tuple[str, ...]
    numbers: tuple[int, ...]
    rows: tuple[list[str], ...]
    broken: tuple[list[str], ...]
    faults: tuple[Fault, ...]

    @cached_property
    def _place(self) -> dict[int, int]:
        return {number: place for place, number in enumerate(self.numbers)}

    def cell(self, row: int, column: str) -> str:
        """Return a cell as typed, by row number and header."""
        if column not in self.header:
            return ""
        return self.rows[self._place[row]][self.header.index(column)]

    def column(self, name: str) -> list[str]:
        """Return the cells of a column as typed."""
        return list(self._columns[self.header.index(name)]) if self.rows else []

    @cached_property
    def _columns(self) -> list[tuple[str, ...]]:
        return [*zip(*self.rows, strict=True)]


def read_sheet(folder: Path, file: str) -> Sheet:
    """Read a CSV file, UTF-8 with or without a byte order mark, or a Parquet file.

    Raises
    ------
    RecordError
        If the file is missing, not UTF-8, without a header, or neither CSV nor Parquet.
    """
    if is_parquet(file):
        return _sheet_of(file, parquet_records(folder, file))
    return _sheet_of(file, _records(folder, file))


def read_filled_sheet(path: Path) -> Sheet:
    """Read a sheet that was printed, filled in and saved by a spreadsheet.

    Spreadsheets add empty columns at the end of a table and drop empty cells at the end
    of a row, so both say nothing here, as does the apostrophe that keeps a cell from being a
    formula; the rest is as in :func:`read_sheet`.
    """
    typed = [[*map(as_meant, record)] for record in _records(path.parent, path.name)]
    records = [_without_empty_end(record) for record in typed]
    width = len(records[0]) if records else 0
    filled = [record + [""] * (width - len(record)) if record else record for record in records]
    return _sheet_of(path.name, filled)


def _without_empty_end(record: list[str]) -> list[str]:
    while record and not record[-1].strip():
        record = record[:-1]
    return record


def _sheet_of(file: str, records: list[list[str]]) -> Sheet:
    if not records or not any(cell.strip() for cell in records[0]):
        raise RecordError(f"{file} has no header; its first row must name the columns.")
    header = tuple(records[0])
    if len(header) == 1 and any(mark in header[0] for mark in ";\t"):
        raise RecordError(
            f"{file} is separated by semicolons or tabs; save it again as "
            "'CSV UTF-8 (comma separated)'."
        )
    numbers, rows, broken = [], [], []
    faults = _header_faults(file, header)
    while not any(records[-1]):
        records.pop()  # blank lines at the end say nothing
    for number, record in enumerate(records[1:], start=2):
        if not any(record):
            fault, remedy = f"row {number} is blank", "delete the row"
            faults.append(Fault(file, number, "", "", "warning", fault, remedy))
        elif len(record) == len(header):
            numbers.append(number)
            rows.append(record)
        else:
            broken.append(record)
            faults.append(_length_fault(file, number, record, len(header)))
    return Sheet(file, header, tuple(numbers), tuple(rows), tuple(broken), tuple(faults))


def _records(folder: Path, file: str) -> list[list[str]]:
    try:
        text = (folder / file).read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise RecordError(f"{file} is missing from the folder {folder}.") from None
    except OSError as error:
        raise RecordError(f"{file} cannot be read: {error.strerror}.") from None
    except UnicodeDecodeError as error:
        raise RecordError(
            f"{file} is not UTF-8 text (byte {error.start + 1}); save it again as "
            "'CSV UTF-8 (comma separated)'."
        ) from None
    records: list[list[str]] = []
    try:
        records.extend(csv.reader(io.StringIO(text, newline=""), strict=True))
    except csv.Error as error:
        raise RecordError(
            f"{file}, after row {len(records)}: a quotation mark opens a cell and does "
            f"not close it as it should ({error}). Double each quotation mark inside a cell."
        ) from None
    return records


def _header_faults(file: str, header: tuple[str, ...]) -> list[Fault]:
    faults = []
    for place, name in enumerate(header):
        if not name.strip():
            fault, remedy = f"column {place + 1} has no header", "name the column or take it out"
        elif header.index(name) < place:
            fault, remedy = f"the header '{name}' comes twice", "rename one of the two columns"
        else:
            continue
        faults.append(Fault(file, 1, name, name, "error", fault, remedy))
    return faults


def _length_fault(file: str, number: int, record: list[str], expected: int) -> Fault:
    have = "1 cell" if len(record) == 1 else f"{len(record)} cells"
    fault = f"row {number} has {have}, the header has {expected}; the row is left out"
    if len(record) > expected:
        remedy = "a comma inside a cell splits it: write decimal points, or quote the cell"
    else:
        remedy = "fill up the row with commas, one for each empty cell"
    return Fault(file, number, "", ",".join(record), "error", fault, remedy)
