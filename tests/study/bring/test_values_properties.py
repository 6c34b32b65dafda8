"""What holds for every cell: exact to the last digit, read again the same, never an exception."""

from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from reedlab.schema import TABLES, Column
from reedlab.study.bring.grid import Cell
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values import (
    read_value,
    suggest_date_order,
    suggest_decimal,
    suggest_unit,
)
from reedlab.study.bring.values.numbers import read_number, usual_number
from reedlab.study.cells import type_column

#: What a unit is in millimetres, by definition of the inch (1959) and of SI prefixes.
MM = {
    "mm": "1",
    "cm": "10",
    "µm": "0.001",
    "μm": "0.001",
    "in": "25.4",
    '"': "25.4",
    "thou": "0.0254",
    "mil": "0.0254",
    "1/100 mm": "0.01",
}
LENGTH, PLAIN = Column("length_mm", "number", "mm"), Column("amount", "number")
EVERY = [column for table in TABLES for column in table.columns]
NUMBERS = st.decimals(-9999, 9999, allow_nan=False, places=4) | st.decimals(
    0, 60, allow_nan=False, places=2
)
#: Text that comes near to what makers type.
NEAR = st.text(
    st.sampled_from("0123456789.,-+−–~±/'\" mincthouµ°CEFBHsdb#♭:;½()?<>=@%ajMay"), max_size=24
)
ANY = st.text(max_size=40) | NEAR
VALUES = st.none() | st.booleans() | st.floats() | st.datetimes(datetime(1, 1, 1)) | st.integers()
KINDS = st.sampled_from(["text", "number", "date", "bool", "error", "formula", "blank"])
RULES = st.builds(
    ColumnRule,
    unit=st.sampled_from(["", "mm", "in", "thou", "Hz", "cents", "dB", "minutes", "nonsense"]),
    decimal=st.sampled_from(["", ".", ","]),
    thousands=st.sampled_from(["", "'", " "]),
    date_order=st.sampled_from(["", "dmy", "mdy", "ymd"]),
    notes=st.sampled_from(["", "english", "german", "solfege"]),
    from_note=st.sampled_from(["", "E4"]),
    ranges=st.sampled_from(["", "middle"]),
    words=st.dictionaries(st.sampled_from(["x", "-", "yes"]), st.sampled_from(["yes", "", "no"])),
    id_width=st.integers(0, 5),
)


@given(NUMBERS, st.sampled_from(sorted(MM)), st.sampled_from(".,"), st.sampled_from(["", " "]))
def test_a_kept_length_equals_the_typed_one_to_the_last_digit(number, unit, mark, space):
    typed = f"{number:f}".replace(".", mark) + (space or " " * unit[0].isdigit()) + unit
    found = read_value(Cell(typed), LENGTH, ColumnRule(decimal=mark))
    assert Decimal(found.text) == number * Decimal(MM[unit])
    assert found.value == float(number * Decimal(MM[unit]))


@given(NUMBERS, st.sampled_from(["mm", "in", "thou", "1/100 mm", "cm"]))
def test_a_bare_number_equals_the_typed_one_in_the_unit_of_the_rule(number, unit):
    found = read_value(Cell(f"{number:f}"), LENGTH, ColumnRule(unit=unit, decimal="."))
    assert Decimal(found.text) == number * Decimal(MM[unit])
    assert found.assumed == unit


@given(st.integers(0, 40), st.integers(1, 63), st.sampled_from([2, 4, 8, 16, 32, 64]))
def test_a_fraction_of_an_inch_is_exact(whole, top, below):
    if top >= below:
        top = 1
    typed = f'{whole} {top}/{below}"' if whole else f'{top}/{below}"'
    found = read_value(Cell(typed), LENGTH, ColumnRule())
    assert Fraction(found.text) == (whole + Fraction(top, below)) * Fraction(254, 10)


@given(
    NUMBERS, st.sampled_from([(".", ""), (",", ""), (",", "."), (".", ","), (".", "'"), (",", " ")])
)
def test_a_number_is_read_with_the_marks_it_is_written_with(number, marks):
    decimal, thousands = marks
    plain = f"{number:,.4f}"
    typed = plain.translate(str.maketrans({",": thousands, ".": decimal}))
    found = read_value(Cell(typed), PLAIN, ColumnRule(decimal=decimal, thousands=thousands))
    assert Decimal(found.text) == number


@given(NUMBERS, st.sampled_from(["", ".", ","]), st.sampled_from(["mm", ""]))
def test_the_short_way_of_a_number_says_what_the_long_way_says(number, decimal, unit):
    for column in (TABLES[2].column("gouge_centre_mm"), LENGTH, PLAIN):
        text, rule = f"{number:f}", ColumnRule(unit=unit, decimal=decimal)
        for cell in (Cell(text), Cell(text, "number", float(number))):
            short = usual_number(cell, column, rule)
            assert short is None or short == read_number(cell, column, rule)


@given(st.floats(-1e12, 1e12))
def test_a_stored_number_comes_back_bit_for_bit(value):
    found = read_value(Cell(repr(value), "number", value), PLAIN, ColumnRule())
    assert found.value == value
    assert float(found.text) == value


@given(st.dates(date(1970, 1, 1), date(2069, 12, 31)))
@pytest.mark.parametrize(
    ("order", "shape"),
    [
        ("dmy", "{0.day}.{0.month}.{0.year}"),
        ("dmy", "{0:%d/%m/%y}"),
        ("mdy", "{0.month}/{0.day}/{0.year}"),
        ("ymd", "{0:%y-%m-%d}"),
        ("", "{0:%Y-%m-%d}"),
        ("", "{0:%d-%b-%y}"),
        ("", "{0:%B %d, %Y}"),
    ],
)
def test_a_day_is_the_one_that_was_written(order, shape, day):
    found = read_value(
        Cell(shape.format(day)), Column("made_on", "date"), ColumnRule(date_order=order)
    )
    assert found.text == day.isoformat()


@given(st.dates(date(1970, 1, 1), date(2069, 12, 31)), st.sampled_from(["dmy", "mdy"]))
def test_a_day_is_never_guessed(day, order):
    typed = f"{day:%d/%m/%Y}" if order == "dmy" else f"{day:%m/%d/%Y}"
    found = read_value(Cell(typed), Column("made_on", "date"), ColumnRule())
    if day.day > 12 or day.day == day.month:
        assert found.text == day.isoformat()
    else:
        assert found.state == "asked"


@given(ANY, KINDS, VALUES, RULES)
@example("9" * 5000, "text", None, ColumnRule())
@example("1E99", "text", None, ColumnRule())
@example("²/½", "text", None, ColumnRule())
@example("٣", "text", None, ColumnRule())
@example("\x00", "text", None, ColumnRule())
@example("1e309", "number", float("inf"), ColumnRule())
def test_any_cell_is_one_of_five_and_can_be_read_by_the_study(text, kind, value, rule):
    cell = Cell(text, kind, value)
    for column in EVERY:
        found = read_value(cell, column, rule)
        # One of five, never two, and everything that is not kept as typed is said.
        assert bool(found.fault) == bool(found.remedy)
        assert sum([bool(found.fault), bool(found.ask), found.value is not None]) <= 1
        assert (found.value is None) == (found.text == "")
        if found.text != text and found.state != "missing":
            assert found.sentence
        if found.value is not None:
            values, bad = type_column([found.text], column)
            assert not bad
            assert values[0] == found.value


@given(ANY, RULES)
def test_what_was_read_is_read_again_the_same(text, rule):
    again = ColumnRule(decimal=".", unit="mm")
    for column in (LENGTH, Column("made_on", "date"), Column("kept", "boolean"), Column("shape")):
        found = read_value(Cell(text), column, rule)
        if found.value is not None and not rule.words:
            twice = read_value(Cell(found.text), column, again)
            assert (twice.value, twice.text) == (found.value, found.text)


@given(st.lists(ANY, max_size=6))
def test_suggestions_are_made_of_any_column(texts):
    for suggest in (suggest_decimal, suggest_date_order):
        assert suggest(texts).because
    assert suggest_unit(texts, TABLES[2].column("gouge_centre_mm")).because
