import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reedlab.schema import Column
from reedlab.study.cells import type_column
from reedlab.study.writing import cell_text

GOUGE = Column("gouge_centre_mm", "number", "mm")


def typed(cells, kind="text", unit="", missing=frozenset({""})):
    return type_column(cells, Column("x", kind, unit), missing)


def test_c6_none_and_na_are_words_in_a_text_column():
    words = ["none", "None", "NA", "n/a", "wax", "-", "?", "nil"]
    values, bad = typed(words)
    assert values.tolist() == words
    assert not bad


@pytest.mark.parametrize("word", ["none", "None", "NA", "n/a", "-", "?", "nil", "nan", "NaN"])
def test_c6_none_and_na_are_a_fault_in_a_number_column(word):
    values, bad = typed([word, "1.3"], "number")
    assert values.isna().tolist() == [True, False]
    assert bad[0].fault == f"'{word}' is not a number"
    assert bad[0].remedy == "leave the cell empty if nothing was recorded"


def test_c6_a_missing_code_counts_only_if_declared():
    values, bad = typed(["1.3", "NA", "-"], "number", missing=frozenset({"", "NA"}))
    assert values.isna().tolist() == [False, True, True]
    assert list(bad) == [2]


def test_c7_ids_are_never_retyped():
    ids = ["007", "012", "7.0", "1E2", "12E1", ""]
    values, bad = typed(ids)
    assert values.tolist()[:5] == ids[:5]
    assert values.isna().tolist() == [False] * 5 + [True]
    assert values.dtype == "str"
    assert not bad


def test_c11_h1_yes_and_no_are_true_and_false_and_blank_is_missing():
    cells = ["yes", "No", "", "TRUE", "false", "1", "0", "False"]
    values, bad = typed(cells, "boolean")
    assert values.tolist() == [True, False, pd.NA, True, False, True, False, False]
    assert not bad


@pytest.mark.parametrize("word", ["oui", "non", "x", "-", "2", "y", "maybe"])
def test_c11_any_other_word_is_a_fault_and_never_false(word):
    values, bad = typed([word], "boolean")
    assert values.isna().all()
    assert bad[0].fault == f"'{word}' is neither true nor false"
    assert bad[0].remedy.startswith("write true or false")


@pytest.mark.parametrize(
    ("cell", "fault", "remedy"),
    [
        ("0,62", "0,62 looks like a decimal comma; this sheet uses points", "write 0.62"),
        (",62", ",62 looks like a decimal comma; this sheet uses points", "write 0.62"),
        (
            "1,300",
            "1,300 looks like a decimal comma; this sheet uses points",
            "write 1.300, or 1300 if the comma marks thousands",
        ),
        ("1.234,56", "'1.234,56' holds a mark of thousands; this sheet has none", "write 1234.56"),
        ("1,234.56", "'1,234.56' holds a mark of thousands; this sheet has none", "write 1234.56"),
        ("51 thou", "'51 thou' has a unit or a fraction; this column is in mm", "write 1.295"),
        ('3/8"', "'3/8\"' has a unit or a fraction; this column is in mm", "write 9.525"),
        ("1.30mm", "'1.30mm' has a unit or a fraction; this column is in mm", "write 1.300"),
        ("−1.3", "'−1.3' has a typographic minus sign", "write -1.3"),
        ("three", "'three' is not a number", "write a number in mm, or leave the cell empty"),
        ("~1.3", "'~1.3' is not a number", "write a number in mm"),
        ("inf", "'inf' is not a number", "write a number in mm"),
        ("1_000", "'1_000' is not a number", "write the number alone, in mm"),
        ("1e999", "the number is too large", "type it again"),
        ("  ", "the cell holds only spaces", "empty it"),
    ],
)
def test_a_number_typed_another_way_is_told_what_to_write(cell, fault, remedy):
    values, bad = type_column([cell], GOUGE)
    assert values.isna().all()
    assert bad[0].fault == fault
    assert bad[0].remedy.startswith(remedy)


def test_a_unit_in_the_cell_is_named():
    _, bad = typed(["33g", "33 %"], "number", "%")
    assert bad[0].remedy == "write the number alone, in %"
    assert bad[1] == ("'33 %' has its unit in the cell", "write 33")


def test_c4_mixed_decimal_marks_report_the_odd_cell_and_keep_the_other():
    values, bad = type_column(["0,62", "0.58"], GOUGE)
    assert values.isna().tolist() == [True, False]
    assert values[1] == 0.58
    assert bad[0].remedy == "write 0.62"


def test_c4_a_point_beside_decimal_commas_is_asked_about_and_not_guessed():
    values, bad = type_column(["0,62", "1.234", "0.58"], GOUGE)
    assert values.isna().tolist() == [True, True, False]
    assert bad[1].fault == (
        "1.234 stands beside decimal commas such as 0,62: it may be 1.234 or 1234"
    )
    values, bad = type_column(["0.62", "1.234"], GOUGE)
    assert not bad


def test_c1_a_decimal_comma_is_never_eaten():
    values, bad = type_column(["1,30", "0,58"], GOUGE)
    assert values.isna().all()
    assert [reason.remedy for reason in bad.values()] == ["write 1.30", "write 0.58"]


@pytest.mark.parametrize(
    ("cell", "fault", "remedy"),
    [
        ("3.0", "'3.0' is not written as a whole number", "write 3"),
        ("2.5", "'2.5' is not a whole number", "write a whole number"),
        ("three", "'three' is not a number", "write a number"),
        ("9" * 30, f"'{'9' * 30}' is not a whole number", "write a whole number"),
    ],
)
def test_a_whole_number_typed_another_way(cell, fault, remedy):
    values, bad = typed(["4", cell], "integer")
    assert values.tolist() == [4, pd.NA]
    assert values.dtype == "Int64"
    assert bad[1].fault == fault
    assert bad[1].remedy.startswith(remedy)


@pytest.mark.parametrize(
    ("cell", "remedy"),
    [
        ("13/04/2026", "write 2026-04-13"),
        ("04/13/2026", "write 2026-04-13"),
        ("4.4.2026", "write 2026-04-04"),
        (
            "03/04/2026",
            "write 2026-04-03 if the day comes first, 2026-03-04 if the month does",
        ),
        ("2026/3/4", "write 2026-03-04"),
        ("4 March 2026", "write it like 2026-03-04"),
        ("04-03-26", "write it like 2026-03-04"),
        ("46085", "write it like 2026-03-04"),
        ("2026-3-4", "write it like 2026-03-04"),
    ],
)
def test_c5_a_day_in_another_order_is_told_what_to_write(cell, remedy):
    values, bad = typed([cell, "2026-03-04"], "date")
    assert values.isna().tolist() == [True, False]
    assert values[1] == pd.Timestamp("2026-03-04")
    assert bad[0] == (f"'{cell}' is not written year-month-day", remedy)


def test_a_day_that_is_not_in_the_calendar():
    _, bad = typed(["2026-02-30"], "date")
    assert bad[0].fault == "'2026-02-30' is no day or hour of the calendar"


def test_a_moment_may_leave_out_seconds_or_the_hour():
    cells = ["2026-03-04", "2026-03-04 19:30", "2026-03-04T19:30:15", "19:30"]
    values, bad = typed(cells, "datetime")
    assert [str(value) for value in values[:3]] == [
        "2026-03-04 00:00:00",
        "2026-03-04 19:30:00",
        "2026-03-04 19:30:15",
    ]
    assert bad[3].remedy == "write it like 2026-03-04 19:30"


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False)))
def test_every_number_comes_back_from_its_text_exactly(numbers):
    values, bad = typed([cell_text(number, "number") for number in numbers], "number")
    assert values.tolist() == numbers
    assert not bad


@given(st.lists(st.integers(-(10**17), 10**17)))
def test_every_whole_number_comes_back_from_its_text_exactly(numbers):
    values, bad = typed([cell_text(number, "integer") for number in numbers], "integer")
    assert values.tolist() == numbers
    assert not bad


@given(st.lists(st.datetimes(min_value=pd.Timestamp("1900-01-01").to_pydatetime())))
def test_every_moment_comes_back_to_the_second(moments):
    values, bad = typed([cell_text(moment, "datetime") for moment in moments], "datetime")
    assert values.tolist() == [moment.replace(microsecond=0) for moment in moments]
    assert not bad


@given(st.text(), st.sampled_from(["number", "integer", "boolean", "date", "datetime"]))
def test_any_text_at_all_is_typed_or_told_but_never_raises(cell, kind):
    values, bad = typed([cell], kind, "mm")
    assert values.isna()[0] == (bool(bad) or cell == "")
    for reason in bad.values():
        assert reason.fault
        assert reason.remedy
