"""Which table of a file is meant, and what stands around it.

Hidden sheets are named and not read. Of several visible sheets one must be chosen, unless
the mapping says which.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from reedlab.errors import CallError, RecordError, listed, unknown_name
from reedlab.study.bring.grids import Cell, Grid, read_grids
from reedlab.study.bring.mapping import labels
from reedlab.study.bring.table_of import Found, find_table

#: More columns than any record of reeds has; each is looked at with all the others.
MAX_COLUMNS = 500


@dataclass(frozen=True)
class SheetTable:
    """The table of one sheet of a file.

    Attributes
    ----------
    file : str
    grid : Grid
    found : Found
    names : tuple of str
        Its columns, each named differently.
    title : str
        What stands above the header, in one line.
    notes : tuple of str
        What must be known of the file and the table.
    several : bool
        Whether the file has other visible sheets.
    """

    file: str
    grid: Grid
    found: Found
    names: tuple[str, ...]
    title: str
    notes: tuple[str, ...]
    several: bool


def open_table(
    path: Path,
    sheet: str | None = None,
    tell: Callable[[int, int], None] | None = None,
    header: Sequence[int] = (),
    encoding: str = "",
) -> SheetTable:
    """Open the table of a sheet.

    Parameters
    ----------
    path : Path
    sheet : str, optional
        Which sheet of a workbook.
    tell : callable, optional
        Called with how much is read, and of how much.
    header : sequence of int, optional
        Rows of the header; left out, they are found.
    encoding : str, optional
        Of a text file; left out, it is found out.

    Returns
    -------
    SheetTable

    Raises
    ------
    CallError
        If several sheets may be meant, or there is none of that name.
    RecordError
        If the file cannot be read, holds no table, or more than 500 columns.
    """
    grids = read_grids(path, progress=tell, encoding=encoding)
    shown = [grid for grid in grids if not grid.hidden]
    if sheet is not None:
        named = [grid for grid in shown if grid.name == sheet]
        if not named:
            raise unknown_name(f"visible sheet of {path.name}", sheet, [one.name for one in shown])
        grid = named[0]
    else:
        filled = [grid for grid in shown if any(map(_holds, grid.rows))]
        if not filled:
            raise RecordError(f"{path.name} holds no visible sheet with anything in it.")
        if len(filled) > 1:
            choice = listed(grid.name for grid in filled)
            raise CallError(f"{path.name} has the sheets {choice}; say which one is meant.")
        grid = filled[0]
    found = find_table(grid, header)
    if not found.records:
        raise RecordError(f"{path.name} holds no row below its header.")
    if len(found.columns) > MAX_COLUMNS:
        raise RecordError(
            f"{path.name} has {len(found.columns):,} columns, and {MAX_COLUMNS} are brought in at "
            "most; save those that are meant as a file of their own."
        )
    first = found.records[0][0].row
    above = [gone.row for gone in found.left_out if gone.row < first]
    title = " ".join(
        cell.text.strip()
        for number in above
        for cell in grid.rows[number - 1]
        if cell.text.strip() and not cell.merged
    )
    notes = [f"{path.name} was read as {grid.how}."] if grid.how else []
    notes += [f"The hidden sheet '{one.name}' was not read." for one in grids if one.hidden]
    notes += [note if note.endswith(".") else f"{note}." for note in found.notes]
    names = labels(found.headers, found.columns)
    return SheetTable(path.name, grid, found, names, title, tuple(notes), len(shown) > 1)


def _holds(row: Sequence[Cell]) -> bool:
    return any(cell.text.strip() for cell in row)
