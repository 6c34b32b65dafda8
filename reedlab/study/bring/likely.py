"""Units, decimal marks and orders of dates that the cells of a column make likely.

A unit is likely if it is the only one in which every bare number is usual; a decimal mark if
no cell can be read another way beside it; an order of day and month if a day above 12 gives
it away. What is not likely stays open, and reading asks about it.
"""

import re
from collections.abc import Sequence
from dataclasses import replace

from reedlab.schema import Column
from reedlab.study.bring.grids import Cell
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values.units import unit_for, units_of

_NUMBER = re.compile(r"[~≈]?\s*[+\-−–]?\s*[0-9]+([.,][0-9]+)?")
#: A comma or point that marks decimals for sure, and one that may mark thousands.
_COMMA = re.compile(r"(?<![0-9.,])[0-9]+,([0-9]{1,2}|[0-9]{4,})(?![0-9.,])")
_MAYBE_COMMA = re.compile(r"(?<![0-9.,])[1-9][0-9]{0,2},[0-9]{3}(?![0-9.,])")
_MAYBE_POINT = re.compile(r"(?<![0-9.,])[1-9][0-9]{0,2}\.[0-9]{3}(?![0-9.,])")
_DAY = re.compile(r"\s*([0-9]{1,2})[./-]([0-9]{1,2})[./-](?:[0-9]{4}|[0-9]{2})\b.*")


def with_settings(rule: ColumnRule, column: Column, unit: str, cells: Sequence[Cell]) -> ColumnRule:
    """Return a rule with the settings that the cells of its column make likely.

    Parameters
    ----------
    rule : ColumnRule
    column : Column
        Where it goes.
    unit : str
        That the header names; empty if it names none.
    cells : sequence of Cell

    Examples
    --------
    >>> gouge = Column("gouge_centre_mm", "number", "mm", plausible=(1.0, 1.6))
    >>> found = with_settings(ColumnRule(), gouge, "", [Cell("1,30"), Cell("51 thou")])
    >>> found.unit, found.decimal
    ('mm', ',')
    """
    texts = [cell.text for cell in cells if cell.kind == "text" and cell.text]
    if column.type in ("number", "integer"):
        values = [cell.text.strip() for cell in cells if cell.text]
        return replace(rule, unit=unit or _unit(column, values), decimal=_decimal(texts))
    if column.type in ("date", "datetime"):
        return replace(rule, date_order=_date_order(texts))
    return rule


def bare_numbers(values: Sequence[str]) -> list[float]:
    """Return the numbers that stand alone in their cells.

    Examples
    --------
    >>> bare_numbers(["1,30", "~ -15", "51 thou"])
    [1.3, -15.0]
    """
    found = []
    for text in values:
        if _NUMBER.fullmatch(text):
            digits = text.lstrip("~≈ +").replace("−", "-").replace("–", "-").replace(",", ".")
            found.append(float(digits.replace(" ", "")))
    return found


def _unit(column: Column, values: Sequence[str]) -> str:
    """Return the only unit in which the bare numbers are usual; that of the record if none is."""
    units = units_of(column.unit)
    numbers = bare_numbers(values)
    if len(units) == 1 or not numbers:
        return column.unit
    if column.plausible is None:
        return ""
    low, high = column.plausible
    usual = []
    for name in units:
        unit = unit_for(name, column.unit)
        if unit and all(
            low <= n * float(unit.factor) + float(unit.offset) <= high for n in numbers
        ):
            usual.append(name)
    return usual[0] if len(usual) == 1 else ""


def _decimal(texts: Sequence[str]) -> str:
    if any(map(_COMMA.search, texts)):
        return "" if any(map(_MAYBE_POINT.search, texts)) else ","
    return "" if any(map(_MAYBE_COMMA.search, texts)) else "."


def _date_order(texts: Sequence[str]) -> str:
    """Return the order that a day above 12 gives away; empty if none does, or two disagree."""
    orders = set()
    for text in texts:
        match = _DAY.fullmatch(text)
        if match and int(match[1]) > 12:
            orders.add("dmy")
        if match and int(match[2]) > 12:
            orders.add("mdy")
    return orders.pop() if len(orders) == 1 else ""
