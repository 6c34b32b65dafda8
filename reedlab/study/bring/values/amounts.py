"""A number with its unit, as typed: decimals, fractions of an inch, hours and minutes.

An amount is an exact fraction in the unit that was typed, or in none. What can be read
two ways comes back as a question, what cannot be read as a refusal.
"""

import re
import unicodedata
from dataclasses import dataclass, field, replace
from decimal import Context, Decimal, Inexact
from fractions import Fraction

from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values.marks import Doubt, plain_number
from reedlab.study.bring.values.readings import Read, asked, refused, shown
from reedlab.study.bring.values.units import either, unit_for, units_of

_SPACES = "\u00a0\u2009\u202f"
_AMOUNT = re.compile(
    rf"([+\-−–]?\s?[0-9.,'’ {_SPACES}]*[0-9](?:[eE][+-]?[0-9]{{1,2}}(?![0-9]))?\.?)\s*(.*)",
    re.DOTALL,
)
_RATIO = re.compile(
    r"(?P<sign>[+\-−–]?)\s?(?:(?P<whole>[0-9]{1,9})(?:\s+|\s?[-+]\s?))?"
    r"(?P<top>[0-9]{1,9})\s?[/⁄∕]\s?(?P<below>[0-9]{1,9})\s*(?P<unit>.*)",
    re.DOTALL,
)
_PART = re.compile(r"([+\-−–]?[0-9.,]*[0-9])\s+([0-9].*)", re.DOTALL)
_HOURS = re.compile(r"([0-9]{1,6})\s*([^\W\d]+)\.?\s*([0-9]{1,6})\s*([^\W\d]*)\.?")
#: Parts of an inch on a rule; any other fraction may be two numbers.
_PARTS = (2, 4, 8, 16, 32, 64, 128)
_INCH = Fraction(254, 10)
_MOST = 80


@dataclass(frozen=True)
class Amount:
    """A number in the unit that was typed.

    Attributes
    ----------
    number : Fraction
    plain : str
        Its digits with a decimal point, every typed digit kept.
    unit : str
        As typed; empty for a bare number.
    why : list of str
        What was changed.
    """

    number: Fraction
    plain: str
    unit: str = ""
    why: list[str] = field(default_factory=list)


def read_amount(typed: str, rule: ColumnRule, record_unit: str) -> Amount | Read:
    """Return the amount that is typed, or why it cannot be read.

    Examples
    --------
    >>> read_amount('2 1/8"', ColumnRule(), "mm").number
    Fraction(17, 8)
    """
    if len(typed) > _MOST:
        return refused(f"{shown(typed)} is not a number", _write(record_unit))
    typed = _fractions_spelled_out(typed)
    match = _with_named_part(typed, record_unit) or _AMOUNT.fullmatch(typed)
    unit = match[2].strip() if match else ""
    if match and (not unit or unit_for(unit, record_unit)):
        return _decimal(match[1], unit, typed, rule, record_unit)
    ratio = _RATIO.fullmatch(typed)
    if ratio:
        return _ratio(ratio, typed, rule, record_unit)
    hours = _HOURS.fullmatch(typed)
    if hours and record_unit in ("minutes", "hours"):
        return _hours(hours, typed, record_unit)
    return _no_amount(typed, match, unit, record_unit)


def exact_text(number: Fraction) -> tuple[str, bool]:
    """Return a number as decimal digits, and whether they tell it exactly.

    Examples
    --------
    >>> exact_text(Fraction(17, 8) * Fraction(254, 10)), exact_text(Fraction(254, 30))[1]
    (('53.975', True), False)
    """
    context = Context(prec=150, traps=[Inexact])
    try:
        decimal = context.divide(Decimal(number.numerator), Decimal(number.denominator))
        exact = True
    except Inexact:
        decimal, exact = Decimal(repr(float(number))), False
    text = f"{decimal:f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text), exact


def _with_named_part(typed: str, record_unit: str) -> re.Match[str] | None:
    """Part "130 1/100 mm" before its unit, which begins with digits itself."""
    match = _PART.fullmatch(typed)
    return match if match and unit_for(match[2], record_unit) else None


def _fractions_spelled_out(typed: str) -> str:
    """Write ½ as 1/2, with a space before it."""
    if typed.isascii():
        return typed
    spelled = [
        f" {unicodedata.normalize('NFKC', c)}"
        if unicodedata.category(c) == "No" and "⁄" in unicodedata.normalize("NFKC", c)
        else c
        for c in typed
    ]
    return "".join(spelled).strip()


def _decimal(run: str, unit: str, typed: str, rule: ColumnRule, record_unit: str) -> Amount | Read:
    found = plain_number(run, rule.decimal, rule.thousands)
    if isinstance(found, Doubt):
        first, second = found.readings
        return asked(f"{shown(typed)} may be {first} or {second}, for {found.why}: which is it?")
    if found is None:
        return refused(f"{shown(typed)} is not a number", _write(record_unit))
    return Amount(Fraction(found.plain), found.plain, unit, found.why)


def _ratio(match: re.Match[str], typed: str, rule: ColumnRule, record_unit: str) -> Amount | Read:
    whole, top, below = int(match["whole"] or 0), int(match["top"]), int(match["below"])
    unit = match["unit"].strip()
    if unit and unit_for(unit, record_unit) is None:
        return _unknown_unit(typed, unit, record_unit)
    if below == 0 or (match["whole"] and top >= below):
        return refused(f"{shown(typed)} is no fraction", "write it as 2 1/8 in, or as a decimal")
    settled = unit_for(unit or rule.unit, record_unit)
    inches = settled is not None and record_unit == "mm" and settled.factor == _INCH
    if below not in _PARTS or not (unit or inches):
        return asked(
            f"{shown(typed)} may be a fraction or two numbers"
            f"{' and names no unit' if not unit else ''}: what number is meant, in which unit?"
        )
    number = whole + Fraction(top, below)
    number = -number if match["sign"] in ("-", "−", "–") else number
    return Amount(number, exact_text(number)[0], unit, ["fraction"])


def _hours(match: re.Match[str], typed: str, record_unit: str) -> Amount | Read:
    first, second = unit_for(match[2], record_unit), unit_for(match[4] or "min", record_unit)
    hour = unit_for("h", record_unit)
    if first is None or second is None or second.factor >= first.factor or first != hour:
        return refused(f"{shown(typed)} is not a time that is known here", _write(record_unit))
    if int(match[3]) * second.factor >= first.factor:
        return refused(f"{shown(typed)} has more than an hour of minutes", _write(record_unit))
    number = int(match[1]) * first.factor + int(match[3]) * second.factor
    return Amount(number, exact_text(number)[0], record_unit, ["hours and minutes added"])


def _no_amount(typed: str, match: re.Match[str] | None, unit: str, record_unit: str) -> Read:
    worded = any(mark.isalpha() for mark in unit)
    if match is None or not worded or plain_number(match[1]) is None:
        return refused(f"{shown(typed)} is not a number", _write(record_unit))
    return _unknown_unit(typed, unit, record_unit)


def _unknown_unit(typed: str, unit: str, record_unit: str) -> Read:
    known = f"this column is in {record_unit}" if record_unit else "this column has no unit"
    return refused(
        f"{shown(unit)} in {shown(typed)} is no unit known here; {known}", _write(record_unit)
    )


def _write(record_unit: str) -> str:
    if not record_unit:
        return "write a number, or leave the cell empty"
    return f"write a number in {either(units_of(record_unit))}, or leave the cell empty"


def with_unit_of(amount: Amount, other: Amount) -> Amount:
    """Return a bare amount with the unit that was typed behind another one."""
    return amount if amount.unit else replace(amount, unit=other.unit)
