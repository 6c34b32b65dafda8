"""From a cell as typed to a typed value, or to what is wrong with it and what to write.

Only the empty cell, and what the descriptor declares, is missing: "NA", "none" and "-"
are words in a text column and a fault in a column of numbers. A cell that cannot be
read becomes missing and is a fault; nothing is guessed.
"""

import math
import re
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any, NamedTuple

import pandas as pd

from reedlab.errors import CallError
from reedlab.schema import Column, to_mm


class Bad(NamedTuple):
    """Why a cell cannot be read, and what to write."""

    fault: str
    remedy: str


#: The pandas type of each column type.
DTYPES = {
    "text": "str",
    "number": "float64",
    "integer": "Int64",
    "boolean": "boolean",
    "date": "datetime64[us]",
    "datetime": "datetime64[us]",
}
TRUE = ("true", "yes", "1")
FALSE = ("false", "no", "0")

_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
_WHOLE = re.compile(r"[+-]?[0-9]{1,18}")
_COMMA = re.compile(r"([+-]?[0-9]*),([0-9]+)")
_THOUSANDS_POINT = re.compile(r"[+-]?[0-9]{1,3}(\.[0-9]{3})+,[0-9]+")
_THOUSANDS_COMMA = re.compile(r"[+-]?[0-9]{1,3}(,[0-9]{3})+\.[0-9]+")
_MAYBE_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}\.[0-9]{3}")
_WITH_UNIT = re.compile(r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))\s*([^0-9\s].*)")
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_MOMENT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}([T ][0-9]{2}:[0-9]{2}(:[0-9]{2})?)?")
_OTHER_DATE = re.compile(r"([0-9]{1,2})[./ -]([0-9]{1,2})[./ -]([0-9]{4})(.*)")
_SLASHED = re.compile(r"([0-9]{4})[./]([0-9]{1,2})[./]([0-9]{1,2})")
_NOTHING = frozenset({"na", "n/a", "n.a.", "nan", "none", "null", "nil", "-", "–", "—", "?", "."})
_EMPTY_IT = "leave the cell empty if nothing was recorded"


def type_column(
    cells: Sequence[str], column: Column, missing: frozenset[str] = frozenset({""})
) -> tuple[pd.Series, dict[int, Bad]]:
    """Return the cells of one column as typed values, and the bad ones by position.

    Parameters
    ----------
    cells : sequence of str
        As typed.
    column : Column
        Its type decides the reading, its unit the remedies.
    missing : frozenset of str
        The cells that mean "not recorded".

    Returns
    -------
    pandas.Series
        One value a cell; missing where it is empty or bad.
    dict of int to Bad
        From the position of a bad cell to what is wrong and what to write.

    Examples
    --------
    >>> values, bad = type_column(["1.30", "0,62", ""], Column("gouge_centre_mm", "number", "mm"))
    >>> values.tolist(), bad[1].remedy
    ([1.3, nan, nan], 'write 0.62')
    """
    parse = _PARSERS[column.type]
    # A column holds few different cells, so each is parsed once.
    parsed = {cell: _parse(cell, parse, column) for cell in set(cells) - missing}
    if not parsed:
        return pd.Series(None, index=pd.RangeIndex(len(cells)), dtype=DTYPES[column.type]), {}
    if column.type == "number":
        _mark_ambiguous(parsed)
    values = [*map(parsed.get, cells)]
    if not any(isinstance(value, Bad) for value in parsed.values()):
        return pd.Series(values, dtype=DTYPES[column.type]), {}
    bad = {place: value for place, value in enumerate(values) if isinstance(value, Bad)}
    good = [None if isinstance(value, Bad) else value for value in values]
    return pd.Series(good, dtype=DTYPES[column.type]), bad


def _parse(cell: str, parse: Callable[[str, Column], Any], column: Column) -> Any:
    if not cell.strip():
        return Bad("the cell holds only spaces", "empty it")
    return parse(cell, column)


def _text(cell: str, _column: Column) -> str:
    return cell


def _number(cell: str, column: Column) -> float | Bad:
    typed = cell.strip()
    if _NUMBER.fullmatch(typed):
        value = float(typed)
        return value if math.isfinite(value) else Bad("the number is too large", "type it again")
    return _not_a_number(typed, column)


def _integer(cell: str, column: Column) -> int | Bad:
    typed = cell.strip()
    if _WHOLE.fullmatch(typed):
        return int(typed)
    if not _NUMBER.fullmatch(typed):
        return _not_a_number(typed, column)
    value = float(typed)
    if value.is_integer() and abs(value) < 1e15:
        return Bad(f"'{typed}' is not written as a whole number", f"write {value:.0f}")
    return Bad(f"'{typed}' is not a whole number", "write a whole number")


def _not_a_number(typed: str, column: Column) -> Bad:
    """Say what a cell in a column of numbers looks like instead, and what to write."""
    if typed.casefold() in _NOTHING:
        return Bad(f"'{typed}' is not a number", _EMPTY_IT)
    if _THOUSANDS_POINT.fullmatch(typed) or _THOUSANDS_COMMA.fullmatch(typed):
        plain = (typed if typed.rfind(".") > typed.rfind(",") else _swapped(typed)).replace(",", "")
        return Bad(f"'{typed}' holds a mark of thousands; this sheet has none", f"write {plain}")
    comma = _COMMA.fullmatch(typed)
    if comma:
        front, back = comma.groups()
        fault = f"{typed} looks like a decimal comma; this sheet uses points"
        point = f"{front or '0'}.{back}"
        if len(back) == 3 and front.lstrip("+-") not in ("", "0"):
            return Bad(fault, f"write {point}, or {front}{back} if the comma marks thousands")
        return Bad(fault, f"write {point}")
    if typed[0] in "−–" and _NUMBER.fullmatch(typed[1:]):
        return Bad(f"'{typed}' has a typographic minus sign", f"write -{typed[1:]}")
    return _with_unit(typed, column)


def _with_unit(typed: str, column: Column) -> Bad:
    unit = column.unit
    if unit == "mm" and any(character.isdigit() for character in typed):
        try:
            # Four digits, for a gauge shows no more; zeros are kept as they were typed.
            return Bad(
                f"'{typed}' has a unit or a fraction; this column is in mm",
                f"write {f'{to_mm(typed):#.4g}'.rstrip('.')}",
            )
        except CallError:
            pass
    match = _WITH_UNIT.fullmatch(typed)
    if match and unit:
        number, typed_unit = match.groups()
        if typed_unit.casefold() == unit.casefold():
            return Bad(f"'{typed}' has its unit in the cell", f"write {number}")
        return Bad(f"'{typed}' is not a number", f"write the number alone, in {unit}")
    write = f"write a number in {unit}" if unit else "write a number"
    return Bad(f"'{typed}' is not a number", f"{write}, or {_EMPTY_IT}")


def _swapped(typed: str) -> str:
    return typed.translate(str.maketrans(".,", ",."))


def _mark_ambiguous(parsed: dict[str, Any]) -> None:
    """Beside decimal commas, 1.234 may be 1.234 or 1234: ask."""
    commas = [cell for cell in parsed if _COMMA.fullmatch(cell.strip())]
    if not commas:
        return
    for cell in parsed:
        typed = cell.strip()
        if _MAYBE_THOUSANDS.fullmatch(typed):
            parsed[cell] = Bad(
                f"{typed} stands beside decimal commas such as {sorted(commas)[0].strip()}: "
                f"it may be {typed} or {typed.replace('.', '')}",
                "write all numbers of the column with a decimal point and no mark of thousands",
            )


def _boolean(cell: str, _column: Column) -> bool | Bad:
    word = cell.strip().casefold()
    if word in TRUE or word in FALSE:
        return word in TRUE
    return Bad(f"'{cell}' is neither true nor false", f"write true or false, or {_EMPTY_IT}")


def _date(cell: str, _column: Column) -> datetime | Bad:
    typed = cell.strip()
    return _moment_of(typed) if _DATE.fullmatch(typed) else _other_date(typed, "2026-03-04")


def _datetime(cell: str, _column: Column) -> datetime | Bad:
    typed = cell.strip()
    if _MOMENT.fullmatch(typed):
        return _moment_of(typed)
    return _other_date(typed, "2026-03-04 19:30")


def _moment_of(typed: str) -> datetime | Bad:
    try:
        return datetime.fromisoformat(typed)
    except ValueError:
        return Bad(f"'{typed}' is no day or hour of the calendar", "type it again")


def _other_date(typed: str, model: str) -> Bad:
    """Say how a day that is typed another way is written here."""
    if typed.casefold() in _NOTHING:
        return Bad(f"'{typed}' is not a date", _EMPTY_IT)
    fault = f"'{typed}' is not written year-month-day"
    match = _OTHER_DATE.fullmatch(typed)
    if match:
        first, second, year = (int(part) for part in match.groups()[:3])
        day_first = f"{year}-{second:02}-{first:02}"
        month_first = f"{year}-{first:02}-{second:02}"
        if first == second or first > 12:
            return Bad(fault, f"write {day_first}")
        if second > 12:
            return Bad(fault, f"write {month_first}")
        return Bad(
            fault,
            f"write {day_first} if the day comes first, {month_first} if the month does",
        )
    match = _SLASHED.fullmatch(typed)
    if match:
        year, month, day = (int(part) for part in match.groups())
        return Bad(fault, f"write {year}-{month:02}-{day:02}")
    return Bad(fault, f"write it like {model}")


_PARSERS: dict[str, Callable[[str, Column], Any]] = {
    "text": _text,
    "number": _number,
    "integer": _integer,
    "boolean": _boolean,
    "date": _date,
    "datetime": _datetime,
}
