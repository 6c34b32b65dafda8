"""Where the table is in a sheet: its header, its records, and every other row with the reason.

Each row of the grid is a header row, a record or left out, so the counts add up. What a
heuristic took for the header can be said instead (`header=`). No cell is interpreted.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from reedlab.errors import CallError, RecordError, listed
from reedlab.study.bring.grid import Cell, Grid, column_letters
from reedlab.study.bring.table_body import Body, LeftOut
from reedlab.study.bring.table_header import Row, find_header, header_names


@dataclass(frozen=True)
class Found:
    """The table of a sheet.

    Attributes
    ----------
    headers : tuple of str
        One a column; several header rows joined, e.g. ``"Wall (mm) butt"``. Empty for a
        column that holds something and has no name; a name may come twice.
    columns : tuple of int
        Number of each column in the sheet, from 1.
    records : tuple of tuple of Cell
        The cells of each record, one a column.
    left_out : tuple of LeftOut
        All other rows but the header's, with the reason.
    notes : tuple of str
        What else to know of the table, in whole sentences.
    header_rows : tuple of int
        Rows of the header as the sheet numbers them.
    """

    headers: tuple[str, ...]
    columns: tuple[int, ...]
    records: tuple[tuple[Cell, ...], ...]
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]
    header_rows: tuple[int, ...]


def find_table(grid: Grid, header: Sequence[int] = ()) -> Found:
    """Find the table of a sheet.

    Parameters
    ----------
    grid : Grid
    header : sequence of int, optional
        Rows of the header as the sheet numbers them, one below the other, where they are
        known; left out, they are found.

    Raises
    ------
    RecordError
        If the sheet is hidden or blank, names no columns, holds no record, or has commas
        inside cells that shifted every row.
    CallError
        If `header` names rows that the sheet does not have, or that are not neighbours.

    Examples
    --------
    >>> rows = (("reed", "gouge"), ("007", "1,30"), ("Mittel", "1,30"))
    >>> cells = [
    ...     tuple(Cell(text, row=r, column=c) for c, text in enumerate(row, 1))
    ...     for r, row in enumerate(rows, 1)
    ... ]
    >>> found = find_table(Grid("spring", tuple(cells)))
    >>> found.headers, len(found.records), found.left_out[0].why
    (('reed', 'gouge'), 1, "summary row 'Mittel'")
    """
    if grid.hidden:
        raise RecordError(f"The sheet '{grid.name}' is hidden; show it in a spreadsheet first.")
    if not any(cell.kind != "blank" for row in grid.rows for cell in row):
        raise RecordError(f"The sheet '{grid.name}' holds nothing.")
    span = _asked(grid, header) if header else find_header(grid)
    names = header_names(grid.rows[span.start : span.stop], bool(grid.separator))
    body = Body(grid, span, names)
    left_out = [
        LeftOut(place + 1, _above(row)) for place, row in enumerate(grid.rows[: span.start])
    ]
    left_out += body.left_out
    if not body.records:
        raise RecordError(_no_record(grid, body))
    columns = _columns(names, body.records)
    return Found(
        tuple(names.get(column, "") for column in columns),
        columns,
        tuple(_aligned(row, columns) for row in body.records),
        tuple(left_out),
        (*body.notes, *_nameless(names, columns, body.width)),
        tuple(place + 1 for place in span),
    )


def _asked(grid: Grid, header: Sequence[int]) -> range:
    rows = sorted(header)
    if rows[0] < 1 or rows[-1] > len(grid.rows) or rows != list(range(rows[0], rows[-1] + 1)):
        raise CallError(
            f"The header of '{grid.name}' cannot be in rows {listed(header)}: name rows from 1 to "
            f"{len(grid.rows)} that stand one below the other."
        )
    return range(rows[0] - 1, rows[-1])


def _above(row: Row) -> str:
    words = next((cell.text.strip()[:200] for cell in row if cell.kind != "blank"), "")
    return f"title above the header, '{words}'" if words else "blank"


def _columns(names: dict[int, str], records: Sequence[Row]) -> tuple[int, ...]:
    """Return the columns that have a name or hold something."""
    used = set(names)
    for row in records:
        used.update(cell.column for cell in row if cell.kind != "blank")
    return tuple(sorted(used))


def _aligned(row: Row, columns: Sequence[int]) -> tuple[Cell, ...]:
    number = row[0].row
    return tuple(
        row[column - 1] if column <= len(row) else Cell("", "blank", None, number, column)
        for column in columns
    )


def _nameless(names: dict[int, str], columns: Sequence[int], width: int) -> list[str]:
    used = set(columns)
    everything = range(1, max(width, *columns) + 1)
    unused = [column for column in everything if column not in used]
    nameless = [column for column in columns if column not in names]
    return [
        *_told(unused, "has neither a name nor anything in it", "have neither names nor content"),
        *_told(nameless, "has no name", "have no names"),
    ]


def _told(columns: Sequence[int], one: str, many: str) -> list[str]:
    if not columns:
        return []
    letters = [column_letters(column) for column in columns]
    if len(letters) == 1:
        return [f"Column {letters[0]} {one}."]
    return [f"Columns {listed(letters[:10])}{' and more' if len(letters) > 10 else ''} {many}."]


def _no_record(grid: Grid, body: Body) -> str:
    if not body.shifted:
        return f"The sheet '{grid.name}' holds no record below its header."
    rows = listed(body.shifted[:10]) + (" and more" if len(body.shifted) > 10 else "")
    have, width = body.cells_of[body.shifted[0]], body.width
    where = f"The sheet '{grid.name}', {'row' if len(body.shifted) == 1 else 'rows'} {rows}"
    told = f"{where}: {have} cells where the header has {width}."
    if not body.by_comma:
        return f"{told} Separators inside cells have cut them: save the sheet as .xlsx."
    return (
        f"{told} Commas inside cells, such as decimal commas, have cut them: save the sheet as "
        ".xlsx, or with semicolons or tabs between cells. If rows merely end with a comma, let the "
        "header end with one too."
    )
