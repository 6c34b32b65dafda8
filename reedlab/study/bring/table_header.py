"""Which rows of a sheet name the columns, and the names they make.

A header is the first row that fills the columns of the table, with words rather than
values. Rows below it belong to it where merges, units or words above numbers say so.
"""

import re
from collections import Counter
from collections.abc import Sequence

from reedlab.errors import RecordError
from reedlab.study.bring.grid import Cell, Grid

Row = tuple[Cell, ...]
#: Rows that are looked at: titles are not longer, and a table shows itself soon.
_LOOK = 500
#: How much less than the best row an earlier one may look like a header.
_NEAR = 0.4
_VALUE = re.compile(r"[~≈<>±+\-−–]?\s*[.,]?[0-9].*", re.DOTALL)
#: Words that stand for values; no column is named so.
_NO_NAMES = frozenset(
    {"", "na", "n/a", "n.a.", "nan", "none", "null", "nil", "-", "--", "–", "—", "?", ".", "x"}
    | {"yes", "no", "y", "n", "ja", "nein", "j", "oui", "non", "o", "si", "sí", "true", "false"}
)
_UNIT = re.compile(
    r"[(\[]?(mm|cm|µm|μm|um|m|in|inch|inches|\"|thou|mil|1/100 ?mm|hz|khz|db|cents?|ct|¢|%|g|kg|"
    r"kg/m3|kg/m³|g/cm3|g/cm³|min|minutes?|minuten|s|sec|ms|h|hours?|std|stunden|days?|tage|"
    r"months?|°c|°f|°|n|n/mm)[)\]]?",
    re.IGNORECASE,
)


def find_header(grid: Grid) -> range:
    """Return the rows of the header, counted from 0.

    Raises
    ------
    RecordError
        If no row names columns.
    """
    rows = grid.rows[:_LOOK]
    counts = [blocks(row) for row in rows]
    least = 2 if max(counts) > 1 else 1
    wide = [place for place, count in enumerate(counts) if count >= least]
    if least == 1:  # a single column: words with a blank row below are its title
        wide = [place for place in wide if 0 not in counts[place + 1 : place + 2]] or wide
    dense = _dense([rows[place] for place in wide])
    scores = {place: _likeness(rows[place], dense) for place in wide}
    named = {place for place in wide if any(map(is_word, rows[place]))}
    if not named:
        raise RecordError(
            f"The sheet '{grid.name}' has no header; write names of the columns above its rows."
        )
    near = _NEAR
    if not figures_below([rows[place] for place in wide]):
        # Among words alone every record looks like a header: the first may lack a name.
        near = max(near, 2 / len(dense))
    enough = max(scores[place] for place in named) - near
    first = next(place for place in wide if place in named and scores[place] >= enough)
    end = first + 1
    while end < len(rows) and _goes_on(rows, end):
        end += 1
    while first > 0 and _heads_groups(rows[first - 1], rows[first]):
        first -= 1
    return range(first, end)


def header_names(rows: Sequence[Row], text_file: bool) -> dict[int, str]:
    """Return the name of each column that has one, from top to bottom.

    Parameters
    ----------
    rows : sequence of tuple of Cell
        The header's.
    text_file : bool
        Text files know no merges, so a name above several reaches to the next one.
    """
    parts: dict[int, list[str]] = {}
    for place, row in enumerate(rows):
        below = rows[place + 1 :]
        last = ""
        for cell in row:
            words = " ".join(cell.text.split())
            if not words and text_file and any(_filled(under, cell.column) for under in below):
                words = last
            last = words
            column = parts.setdefault(cell.column, [])
            if words and words not in column[-1:]:
                column.append(words)
    return {column: " ".join(words) for column, words in parts.items() if words}


def blocks(row: Row) -> int:
    """Return how many filled cells a row has, a merge across counting once."""
    count, before = 0, None
    for cell in row:
        if cell.kind == "blank":
            before = None
            continue
        if not (cell.merged and before is not None and before.text == cell.text):
            count += 1
        before = cell
    return count


def is_word(cell: Cell) -> bool:
    """Say whether a cell could name a column: text that does not look like a value."""
    if cell.kind != "text":
        return False
    words = cell.text.strip()
    return not _VALUE.match(words) and words.casefold() not in _NO_NAMES


def is_figure(cell: Cell) -> bool:
    """Say whether a cell looks like a number or a day."""
    if cell.kind == "text":
        return _VALUE.match(cell.text.strip()) is not None
    return cell.kind in ("number", "date", "error", "formula")


def figures_below(rows: Sequence[Row]) -> set[int]:
    """Return the columns that hold figures mostly."""
    figures: Counter[int] = Counter()
    filled: Counter[int] = Counter()
    for row in rows:
        for cell in row:
            if cell.kind != "blank":
                filled[cell.column] += 1
                figures[cell.column] += is_figure(cell)
    return {column for column, count in filled.items() if figures[column] >= 0.6 * count}


def _dense(rows: Sequence[Row]) -> set[int]:
    """Return the columns that the table fills."""
    filled = Counter(cell.column for row in rows for cell in row if cell.kind != "blank")
    return {column for column, count in filled.items() if count >= 0.3 * len(rows)}


def _likeness(row: Row, dense: set[int]) -> float:
    """Return how much a row looks like a header: columns filled, and filled with words."""
    inside = [cell for cell in row if cell.column in dense and cell.kind != "blank"]
    return (len(inside) + sum(map(is_word, inside))) / len(dense)


def _goes_on(rows: Sequence[Row], place: int) -> bool:
    """Say whether a row belongs to the header that the row above it is of."""
    row, above = rows[place], rows[place - 1]
    own = [cell for cell in row if cell.kind != "blank" and not cell.merged]
    if not own:
        return False
    if all(_UNIT.fullmatch(cell.text.strip()) for cell in own):
        return True
    if any(cell.merged and _same(above, cell) for cell in row if cell.kind != "blank"):
        return True
    below = [under for under in rows[place + 1 : place + 50] if blocks(under) > 1]
    figures = figures_below(below)
    contrast = any(cell.column in figures and is_word(cell) for cell in own)
    if any(cell.merged for cell in above):
        return contrast or (all(map(is_word, own)) and not _recurs(own, below))
    gaps = any(not _filled(above, cell.column) for cell in own)
    return gaps and contrast


def _heads_groups(row: Row, header: Row) -> bool:
    """Say whether a row names groups of the columns below it: words with gaps between them."""
    own = [cell for cell in row if cell.kind != "blank"]
    return (
        len(own) > 1
        and own[-1].column - own[0].column >= len(own)
        and all(is_word(cell) and not cell.text.rstrip().endswith(":") for cell in own)
        and all(_filled(header, cell.column) for cell in own)
        and 2 * own[-1].column > len(header)
    )


def _same(row: Row, cell: Cell) -> bool:
    return cell.column <= len(row) and row[cell.column - 1].text == cell.text


def _filled(row: Row, column: int) -> bool:
    return column <= len(row) and row[column - 1].kind != "blank"


def _recurs(own: Sequence[Cell], below: Sequence[Row]) -> bool:
    return any(_same(row, cell) for row in below for cell in own)
