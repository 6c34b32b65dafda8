"""Decimal marks and marks of thousands: which number a run of digits writes.

A run that can be read one way only is read, whatever the column's mark. One that can be
read two ways, as 1.234, is read if the rule settles the mark and is a doubt otherwise.
Nothing is rounded: a number comes back as the digits that were typed.
"""

import re
from typing import NamedTuple

#: Spaces that nobody types by chance between two numbers: no-break, thin, narrow no-break.
_HARD_SPACES = "\u00a0\u2009\u202f"
_MINUS = "−–"
#: More digits than any gauge shows; longer runs are no measurement.
_MOST_DIGITS = 60

#: Said of a number whose point is odd in its column, though no digit changes.
ODD_POINT = "decimal point in a column of commas"

_RUN = re.compile(rf"(?P<sign>[+\-{_MINUS}]?)\s?(?P<body>.*)", re.DOTALL)
_PLAIN = re.compile(r"[0-9]+\.?")
_ONE_MARK = re.compile(r"(?P<front>[0-9]*)(?P<mark>[.,])(?P<back>[0-9]+)")
_GROUPS = re.compile(
    rf"[1-9][0-9]{{0,2}}(?P<group>[.,'’ {_HARD_SPACES}])[0-9]{{3}}(?:(?P=group)[0-9]{{3}})*"
    r"(?:(?P<mark>[.,])(?P<back>[0-9]+))?"
)
_SCIENTIFIC = re.compile(r"(?P<digits>[0-9]+(?:[.,][0-9]+)?)[eE](?P<power>[+-]?[0-9]{1,2})")


class Digits(NamedTuple):
    """A number as plain digits with a decimal point, and what was changed for that."""

    plain: str
    why: list[str]


class Doubt(NamedTuple):
    """A number that can be read two ways."""

    readings: tuple[str, str]
    why: str


def plain_number(typed: str, decimal: str = "", thousands: str = "") -> Digits | Doubt | None:
    """Return the number that is typed, as plain digits; a doubt; or None if it is none.

    Parameters
    ----------
    typed : str
        Digits with marks, without unit.
    decimal, thousands : str
        The column's marks; empty where they are not settled.

    Examples
    --------
    >>> plain_number("1,30"), plain_number("1 234,5")[0], plain_number("1.234")[0]
    (Digits(plain='1.30', why=['decimal comma']), '1234.5', ('1.234', '1234'))
    """
    run = _RUN.fullmatch(typed.strip())
    if run is None or len(typed) > _MOST_DIGITS:
        return None
    sign = {"": "", "+": ""}.get(run["sign"], "-")
    found = _unsigned(run["body"], decimal, thousands)
    if isinstance(found, Doubt):
        first, second = found.readings
        return Doubt((sign + first, sign + second), found.why)
    if found is None:
        return None
    why = [*found.why]
    if run["sign"] == "+":
        why.append("plus sign taken off")
    elif run["sign"] and run["sign"] in _MINUS:
        why.append("typographic minus sign")
    return Digits(sign + found.plain, why)


def _unsigned(body: str, decimal: str, thousands: str) -> Digits | Doubt | None:
    if _PLAIN.fullmatch(body):
        return Digits(_without_zeros(body.rstrip(".")), [])
    one = _ONE_MARK.fullmatch(body)
    if one:
        return _one_mark(one["front"], one["mark"], one["back"], decimal, thousands)
    groups = _GROUPS.fullmatch(body)
    if groups:
        return _grouped(body, groups, thousands)
    power = _SCIENTIFIC.fullmatch(body)
    if power:
        digits = power["digits"].replace(",", ".")
        return Digits(_shifted(digits, int(power["power"])), ["power of ten written out"])
    return None


def _one_mark(
    front: str, mark: str, back: str, decimal: str, thousands: str
) -> Digits | Doubt | None:
    as_decimal = f"{_without_zeros(front)}.{back}"
    # Thousands come in threes and never after a zero, so 0,580 and 1,30 are decimals.
    may_be_thousands = len(back) == 3 and 1 <= len(front) <= 3 and front[0] != "0"
    if mark == thousands and may_be_thousands:
        return Digits(front + back, ["mark of thousands taken off"])
    if may_be_thousands and mark != decimal:
        name = "comma" if mark == "," else "point"
        return Doubt((as_decimal, front + back), f"its {name} may mark decimals or thousands")
    return Digits(as_decimal, _mark_changed(mark, decimal))


def _mark_changed(mark: str, decimal: str) -> list[str]:
    if mark == ",":
        return ["decimal comma" if decimal != "." else "decimal comma in a column of points"]
    return [ODD_POINT] if decimal == "," else []


def _grouped(body: str, groups: re.Match[str], thousands: str) -> Digits | Doubt | None:
    group, mark, back = groups["group"], groups["mark"], groups["back"]
    if mark == group:
        return None
    front = body.partition(mark)[0] if mark else body
    whole = front.replace(group, "")
    if mark:
        return Digits(f"{whole}.{back}", ["mark of thousands taken off", *_mark_changed(mark, "")])
    # One plain space may part two numbers as well.
    if group == " " and thousands != " " and front.count(" ") == 1:
        first, second = front.split(" ")
        return Doubt((whole, f"{first} and {second}"), "its space may part two numbers")
    return Digits(whole, ["mark of thousands taken off"])


def _without_zeros(front: str) -> str:
    return front.lstrip("0") or "0"


def _shifted(digits: str, power: int) -> str:
    """Write out digits times a power of ten, every digit kept."""
    front, _, back = digits.partition(".")
    if power >= 0:
        back = back.ljust(power, "0")
        front, back = front + back[:power], back[power:]
    else:
        front = front.rjust(1 - power, "0")
        front, back = front[:power], front[power:] + back
    front = _without_zeros(front)
    return f"{front}.{back}" if back else front
