"""Numbers: what is typed, in the unit of the column, to the last digit.

Conversion is exact arithmetic on fractions; only a value that has no end as a decimal
(a third of an inch) is rounded, and that is said. "About" is kept as a flag, a range is
asked about, and nothing is averaged unless the rule says that the middle is meant.
"""

import math
import re
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

from reedlab.schema import Column
from reedlab.study.bring.grid import Cell
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values.amounts import Amount, exact_text, read_amount, with_unit_of
from reedlab.study.bring.values.bounds import impossible
from reedlab.study.bring.values.date_words import day_and_month
from reedlab.study.bring.values.marks import ODD_POINT, Digits, plain_number
from reedlab.study.bring.values.readings import Read, asked, changed, refused, shown, taken
from reedlab.study.bring.values.tidy import tidied, unhedged, with_one_minus
from reedlab.study.bring.values.units import either, unit_for, units_of

_ONE = r"[+\-−–]?\s?[0-9.,]*[0-9]"
_RANGE = re.compile(
    rf"(?P<low>{_ONE}\s*[^0-9/+\-−–—]*?)\s*(?P<sep>-|−|–|—|\.\.+|…|~|\b(?:to|bis|à|and|und|et)\b)\s*"
    rf"(?P<high>{_ONE}\s*[^0-9/]*)",
    re.IGNORECASE,
)
_TOLERANCE = re.compile(r"(?P<value>.+?)\s*(?:±|\+\s?/\s?[-−–]|\+[-−–])\s*(?P<off>[0-9].*)")
_USUAL = re.compile(r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?")
#: So many digits are the same number in floating point and back.
_SURE_DIGITS = 15
_LIMIT = re.compile(r"\s*(?:[<>≤≥]|under|over|unter|über|max|min)\.?\s*[0-9].*", re.I)
_PERCENT = re.compile(r".*[0-9]\s*%")


def read_number(cell: Cell, column: Column, rule: ColumnRule) -> Read:
    """Return the reading of a cell in a column of numbers or whole numbers.

    Examples
    --------
    >>> gouge = Column("gouge_centre_mm", "number", "mm", possible=(0.01, 7.0))
    >>> rule = ColumnRule(unit="mm", decimal=",")
    >>> read_number(Cell("0,051 in"), gouge, rule).change
    "'0,051 in' -> 1.2954 (decimal comma, in to mm)."
    >>> print(read_number(Cell("1.234"), gouge, rule).ask)
    '1.234' may be 1.234 or 1234, for its point may mark decimals or thousands: which is it?
    """
    if cell.kind == "bool":
        return refused(f"{shown(cell.text)} is no number", "write a number")
    if cell.kind == "date" or day_and_month(cell.text.strip()):
        return asked(
            f"{shown(cell.text)} is a date in the sheet, which spreadsheets make of numbers such "
            "as 25.4 or 3-4: what was typed?"
        )
    if isinstance(cell.value, int | float):
        stored = _stored(cell, float(cell.value), column.unit)
        return stored if isinstance(stored, Read) else in_unit_of(cell, stored, column, rule)
    rest, hedged = unhedged(tidied(with_one_minus(cell.text)))
    if _LIMIT.fullmatch(rest):
        return refused(
            f"{shown(cell.text)} is a limit, not a number", "write what was measured, or empty it"
        )
    amount = _typed(rest, cell, column, rule)
    if isinstance(amount, Read):
        return amount
    return in_unit_of(cell, amount[0], column, rule, hedged or amount[1])


def usual_number(cell: Cell, column: Column, rule: ColumnRule) -> Read | None:
    """Return the reading of a number typed as the record writes it, which most are; else None.

    It says what :func:`read_number` would say, five times as fast.
    """
    text = cell.text
    if column.type != "number" or rule.unit != column.unit or rule.words or rule.from_note:
        return None
    if not _USUAL.fullmatch(text) or len(text) > _SURE_DIGITS:
        return None
    value = float(text)
    if cell.kind == "number":
        sure = cell.value == value
    else:
        thousands = rule.decimal != "." and text[-4:-3] == "."
        odd = rule.decimal == "," and "." in text
        sure = cell.kind == "text" and not thousands and not odd
    low, high = column.plausible or column.possible or (value, value)
    return Read(value, text, assumed=column.unit) if sure and low <= value <= high else None


def in_unit_of(
    cell: Cell, amount: Amount, column: Column, rule: ColumnRule, approximate: bool = False
) -> Read:
    """Return the reading of an amount in the unit of a column."""
    why = [*amount.why]
    text, number = amount.plain, amount.number
    if column.unit:
        unit = unit_for(amount.unit or rule.unit, column.unit)
        if unit is None:
            return _no_unit(cell, column, rule)
        if unit.factor != 1 or unit.offset:
            number = number * unit.factor + unit.offset
            text, exact = exact_text(number)
            why.append(f"{amount.unit or rule.unit} to {column.unit}")
            why += [] if exact else ["rounded, for it has no end as a decimal"]
        elif amount.unit:
            why.append("unit taken off")
    if column.type == "integer" and number.denominator != 1:
        return refused(f"{shown(cell.text)} is not a whole number", "write a whole number")
    value = int(number) if column.type == "integer" else float(number)
    text = str(value) if column.type == "integer" else text
    wrong = impossible(column, float(number), text)
    if wrong is not None:
        return wrong
    why += ["approximate"] if approximate else []
    assumed = rule.unit if column.unit and not amount.unit else ""
    read = taken(cell.text, value, text, why, approximate=approximate, assumed=assumed)
    if ODD_POINT in why and not read.change:
        return replace(read, change=changed(cell.text, text, why))
    return read


def _stored(cell: Cell, value: float, record_unit: str) -> Amount | Read:
    """Return the number that a spreadsheet holds, with the digits it shows if they are all."""
    if not math.isfinite(value):
        return refused(f"{shown(cell.text)} is not a number", "type it again")
    why = ["result of a formula"] if cell.kind == "formula" else []
    number = Fraction(Decimal(repr(value)))
    if record_unit == "%" and _PERCENT.fullmatch(cell.text):
        return Amount(number * 100, exact_text(number * 100)[0], "%", why)
    text = cell.text.strip()
    digits = plain_number(text, ".")
    if isinstance(digits, Digits) and Fraction(digits.plain) == number:
        return Amount(number, digits.plain, "", why + digits.why)
    found = read_amount(text, ColumnRule(decimal="."), record_unit)
    unit = found.unit if isinstance(found, Amount) else ""
    return Amount(number, exact_text(number)[0], unit, [*why, "as the sheet holds it"])


def _typed(rest: str, cell: Cell, column: Column, rule: ColumnRule) -> tuple[Amount, bool] | Read:
    """Return the amount that is typed, and whether it is only about right."""
    amount = read_amount(rest, rule, column.unit)
    if isinstance(amount, Amount):
        return amount, False
    if amount.ask:
        return amount
    span = _RANGE.fullmatch(rest)
    if span:
        return _range(span, cell, column, rule)
    tolerance = _TOLERANCE.fullmatch(rest)
    if tolerance:
        return _with_tolerance(tolerance, column, rule)
    return amount


def _with_tolerance(
    match: re.Match[str], column: Column, rule: ColumnRule
) -> tuple[Amount, bool] | Read:
    value = read_amount(match["value"], rule, column.unit)
    off = read_amount(match["off"], rule, column.unit)
    if isinstance(value, Read):
        return value
    if isinstance(off, Read):
        return off
    whole = with_unit_of(value, off)
    why = [*whole.why, f"the ±{match['off']} is not kept"]
    return Amount(whole.number, whole.plain, whole.unit, why), True


def _range(
    span: re.Match[str], cell: Cell, column: Column, rule: ColumnRule
) -> tuple[Amount, bool] | Read:
    low = read_amount(span["low"].strip(), rule, column.unit)
    high = read_amount(span["high"].strip(), rule, column.unit)
    if isinstance(low, Read):
        return low
    if isinstance(high, Read):
        return high
    low = with_unit_of(low, high)
    middle = (low.number + high.number) / 2
    text, _ = exact_text(middle)
    sure = low.unit == high.unit and 0 <= low.number < high.number
    if rule.ranges == "middle" and sure:
        return Amount(middle, text, low.unit, ["middle of the range, as the rule says"]), True
    half = f" (the middle is {text}{f' {low.unit}' if low.unit else ''})" if sure else ""
    return asked(f"{shown(cell.text)} is a range; which number stands for it{half}?")


def _no_unit(cell: Cell, column: Column, rule: ColumnRule) -> Read:
    known = units_of(column.unit)
    if rule.unit:
        return refused(
            f"the rule reads bare numbers in {rule.unit}, which is no unit of {column.name}",
            f"set the unit of '{rule.header}' to {either(known)}",
        )
    which = f"is it {either(known)}" if len(known) > 1 else f"is the column in {known[0]}"
    return asked(f"{shown(cell.text)} has no unit, and neither has its column: {which}?")
