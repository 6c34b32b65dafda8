"""Units, decimal marks and orders of dates that the cells of a column make likely.

A unit is likely if it is the only one in which every bare number is usual; a decimal mark if
most cells that can be read one way only show it, or no other gives possible numbers; an order
of day and month if a day above 12 gives it away. What is
not likely stays open, and reading asks about it.
"""

import re
from collections.abc import Sequence
from dataclasses import replace

from reedlab.schema import Column
from reedlab.study.bring.grids import Cell
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values.read import read_value
from reedlab.study.bring.values.suggest import suggest_date_order, suggest_decimal, suggest_unit
from reedlab.study.bring.values.units import units_of

_NUMBER = re.compile(r"[~≈]?\s*[+\-−–]?\s*[0-9]+([.,][0-9]+)?")


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
        rule = replace(rule, unit=unit or _unit(column, values))
        return replace(rule, decimal=_decimal(texts, column, rule))
    if column.type in ("date", "datetime"):
        return replace(rule, date_order=suggest_date_order(texts).value)
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
    if len(units_of(column.unit)) == 1 or not bare_numbers(values):
        return column.unit
    return suggest_unit(values, column).value


def _decimal(texts: Sequence[str], column: Column, rule: ColumnRule) -> str:
    """Return the decimal mark that some cells show, or the only one that all can have."""
    found = suggest_decimal(texts)
    if found.value or not found.doubtful:
        return found.value if found.value or found.against else "."
    cells = [Cell(text) for text in texts if any(mark in text for mark in ".,")]
    possible = [
        marks[0]
        for marks in (".,", ",.")
        if all(
            read_value(cell, column, replace(rule, decimal=marks[0], thousands=marks[1])).value
            is not None
            for cell in cells
        )
    ]
    return possible[0] if len(possible) == 1 else ""
