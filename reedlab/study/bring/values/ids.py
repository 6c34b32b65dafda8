"""Ids: text, never a number. What a spreadsheet may have made of one is asked about.

Leading zeros stay, 1E2 typed as text stays 1E2; a date, a number with decimals or a power
of ten where an id should be is what a spreadsheet left of something else.
"""

import re
from datetime import datetime

from reedlab.schema import Column
from reedlab.study.bring.grid import Cell
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values.date_words import day_and_month
from reedlab.study.bring.values.readings import Read, asked, refused, shown, taken
from reedlab.study.bring.values.tidy import tidied

# 1.00E+02 is how a spreadsheet writes what was typed as 1E2; nobody types the plus sign.
_POWER = re.compile(r"[0-9](?:[.,][0-9]+)?[eE]\+[0-9]+")
_WHOLE_FLOAT = re.compile(r"([0-9]+)[.,]0+")
_MIDNIGHT = re.compile(r"[0-9]{4}-([0-9]{2})-([0-9]{2})[T ]00:00(?::00)?(?:\.0+)?")


def is_id(column: Column) -> bool:
    """Say whether a column holds ids, which are compared letter by letter.

    Examples
    --------
    >>> is_id(Column("reed_id")), is_id(Column("shape"))
    (True, False)
    """
    return column.type == "text" and (column.name.endswith("_id") or column.name == "blind_code")


def read_id(cell: Cell, column: Column, rule: ColumnRule) -> Read:
    """Return the reading of a cell in a column of ids.

    Examples
    --------
    >>> read_id(Cell("007"), Column("reed_id"), ColumnRule()).text
    '007'
    >>> cell = Cell("2025-01-05", "date", datetime(2025, 1, 5))
    >>> print(read_id(cell, Column("reed_id"), ColumnRule()).ask)
    '2025-01-05' is a date, which a spreadsheet makes of an id such as 05-1 or 01-5: what was typed?
    """
    typed = tidied(cell.text)
    if isinstance(cell.value, datetime):
        return _was_date(cell.text, cell.value.day, cell.value.month)
    if isinstance(cell.value, bool):
        return asked(f"{shown(cell.text)} is a yes or no in the sheet: which id was typed?")
    midnight = _MIDNIGHT.fullmatch(typed)
    if midnight:
        return _was_date(cell.text, int(midnight[2]), int(midnight[1]))
    named = day_and_month(typed)
    if named:
        return _was_date(cell.text, *named)
    if _POWER.fullmatch(typed):
        return asked(
            f"{shown(cell.text)} is how a spreadsheet writes an id such as 1E2: what was typed?"
        )
    if isinstance(cell.value, int | float):
        return _number(cell, typed, float(cell.value), rule)
    whole = _WHOLE_FLOAT.fullmatch(typed)
    if whole:
        return asked(
            f"{shown(cell.text)} is how a spreadsheet writes the id {whole[1]}, or one with "
            "zeros in front: what was typed?"
        )
    if not typed.isprintable():
        return refused(f"{shown(cell.text)} breaks over lines", "write the id in one line")
    return _kept(cell, typed, rule)


def _kept(cell: Cell, typed: str, rule: ColumnRule) -> Read:
    why = [] if typed == cell.text.strip() else ["invisible characters taken out"]
    if typed.isascii() and typed.isdecimal() and len(typed) < rule.id_width:
        why.append("filled up with zeros, as the rule says")
        typed = typed.zfill(rule.id_width)
    return taken(cell.text, typed, typed, why or ["outer spaces taken off"])


def _number(cell: Cell, typed: str, value: float, rule: ColumnRule) -> Read:
    if not value.is_integer() or abs(value) >= 1e15:
        return asked(
            f"{shown(cell.text)} is a number in the sheet, which may have lost digits of the id "
            "that was typed: what was it?"
        )
    digits = re.sub(r"[.,]0+$", "", typed)
    shows_it = digits.isascii() and digits.isdecimal() and int(digits) == value
    return _kept(cell, digits if shows_it else f"{value:.0f}", rule)


def _was_date(typed: str, day: int, month: int) -> Read:
    likely = dict.fromkeys([f"{day:02}-{month}", f"{month:02}-{day}"])
    return asked(
        f"{shown(typed)} is a date, which a spreadsheet makes of an id such as "
        f"{' or '.join(likely)}: what was typed?"
    )
