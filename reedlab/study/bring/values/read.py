"""One cell of an old sheet, read for one column of the record.

What the rule declares goes first; then cells that say nothing, errors and formulas; then
the type of the column decides. Nothing is guessed: what has two readings is a question.
"""

from collections.abc import Callable
from dataclasses import replace

from reedlab.schema import Column
from reedlab.study.bring.grid import ERRORS, Cell
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values.dates import read_date
from reedlab.study.bring.values.ids import is_id, read_id
from reedlab.study.bring.values.numbers import read_number, usual_number
from reedlab.study.bring.values.pitches import holds_pitch, read_pitch
from reedlab.study.bring.values.readings import Read, changed, nothing, refused, shown
from reedlab.study.bring.values.tidy import tidied
from reedlab.study.bring.values.words import (
    NOT_RECORDED,
    ask_meaning,
    is_unsettled,
    read_word,
    read_yes_no,
    yes_or_no,
)

_Reader = Callable[[Cell, Column, ColumnRule], Read]

#: Characters of a cell that is no text; no value is longer, and looking would take long.
_LONGEST = 100
_NOUNS = {
    "number": "a number",
    "integer": "a number",
    "boolean": "yes or no",
    "date": "a date",
    "datetime": "a date",
}
#: Columns of free remarks: every text stands for itself, a dash too.
_FREE = ("note", "recording", "fate_reason", "reason")


def read_value(cell: Cell, column: Column, how: ColumnRule) -> Read:
    """Return the reading of one cell.

    Parameters
    ----------
    cell : Cell
        As the sheet shows it.
    column : Column
        Where it goes: its type, unit, levels and possible bounds decide.
    how : ColumnRule
        What the mapping says of the sheet's column.

    Returns
    -------
    Read
        Kept, changed, missing, asked about or refused; no text raises an error.

    Examples
    --------
    >>> from reedlab.schema import table_named
    >>> gouge = table_named("reeds").column("gouge_centre_mm")
    >>> read_value(Cell("0,051 in"), gouge, ColumnRule(unit="mm")).value
    1.2954
    >>> print(read_value(Cell("130"), gouge, ColumnRule(unit="mm")).sentence)
    130 mm is impossible (0.01 to 7 mm); hundredths of a millimetre would be 1.30 mm.
    """
    usual = usual_number(cell, column, how)
    if usual is not None:
        return usual
    typed = tidied(cell.text)
    said = how.said(typed) if how.words else None
    if said is not None:
        return _as_said(cell, said, column, how)
    if cell.kind == "blank" or (not typed and cell.value is None):
        return Read()
    unreadable = _unreadable(cell, typed)
    if unreadable is not None:
        return unreadable
    if column.type in _NOUNS and len(typed) > _LONGEST:
        noun = _NOUNS[column.type]
        return refused(f"{shown(cell.text)} is too long to be {noun}", f"write {noun} alone")
    if column.type == "text" and column.name in _FREE:
        return read_word(cell._replace(kind="text", value=None), column, how)
    if typed not in column.levels:
        if typed.casefold() in NOT_RECORDED:
            return nothing(cell.text, "typed as not recorded")
        if is_unsettled(typed, column):
            return ask_meaning(cell.text)
    return _reader(column)(cell, column, how)


def _as_said(cell: Cell, said: str, column: Column, how: ColumnRule) -> Read:
    """Read what the rule says that a cell means."""
    if not said:
        return nothing(cell.text, "by the rule")
    meant = Cell(said, row=cell.row, column=cell.column)
    plain = replace(how, words={})
    if column.type == "text" and not column.levels:
        read = Read(said, said)
    elif yes_or_no(said) and column.levels:
        read = read_word(meant, column, how)
    else:
        read = _reader(column)(meant, column, plain)
    if read.value is None or read.text == cell.text:
        return replace(read, change="") if read.value is not None else read
    return replace(read, change=changed(cell.text, read.text, ["by the rule"]))


def _unreadable(cell: Cell, typed: str) -> Read | None:
    if cell.kind == "error" or typed.upper() in ERRORS or typed.startswith("Err:"):
        return refused(f"the cell holds the error {typed or 'of a formula'}", "type its value")
    if cell.kind == "formula" and cell.value is None and (not typed or typed.startswith("=")):
        return refused(
            f"{shown(cell.text)} is a formula whose result the sheet does not hold",
            "open and save the sheet in a spreadsheet, or type the value",
        )
    if not typed:
        return refused(
            f"the cell holds {cell.value} and shows nothing", "type the value so that it shows"
        )
    if not typed.strip("#") and len(typed) > 2:
        return refused(f"{shown(cell.text)} is a column too narrow for its value", "widen it")
    return None


def _reader(column: Column) -> _Reader:
    if column.type in ("number", "integer"):
        return read_pitch if holds_pitch(column) else read_number
    if column.type == "boolean":
        return read_yes_no
    if column.type in ("date", "datetime"):
        return read_date
    return read_id if is_id(column) else read_word
