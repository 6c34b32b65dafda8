from datetime import datetime

import pytest

from reedlab.schema import Column, table_named
from reedlab.study.bring.grid import Cell
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values import read_value

KEPT = Column("kept", "boolean")
FATE = table_named("reeds").column("fate")
STAPLE, SHAPE = Column("staple"), Column("shape", levels=("schmal", "breit"))
REED = table_named("reeds").column("reed_id")
GOUGE = table_named("reeds").column("gouge_centre_mm")


def read(typed, column, kind="text", value=None, **rule):
    return read_value(Cell(typed, kind, value), column, ColumnRule(**rule))


# --- yes and no ----------------------------------------------------------------------


@pytest.mark.parametrize("typed", ["yes", "Yes ", "Y", "oui", "ja", "1", "TRUE", "wahr", "sí"])
def test_c11_plain_words_of_yes(typed):
    assert read(typed, KEPT).value is True
    assert read(typed, KEPT).text == "true"


@pytest.mark.parametrize("typed", ["no", "N", "non", "nein", "0", "false", "Falsch"])
def test_h1_plain_words_of_no(typed):
    assert read(typed, KEPT).value is False


@pytest.mark.parametrize("typed", ["keeper!", "maybe", "2", "yes no", "o"])
def test_any_other_word_is_asked_about(typed):
    assert read(typed, KEPT).ask == (
        f"'{typed}' is no plain word for yes or no: which does it mean, or neither?"
    )


@pytest.mark.parametrize("typed", ["x", "-", "–", "?", "✓", "none", "."])
def test_c11_a_cross_or_a_dash_means_what_the_rule_says(typed):
    assert read(typed, KEPT).ask == (
        f"'{typed}' may mean that nothing was recorded, or something else: "
        "what does it mean in this column?"
    )
    assert read(typed, KEPT, words={typed: "yes"}).value is True
    assert read(typed, KEPT, words={typed: "no"}).value is False
    missing = read(typed, KEPT, words={typed: ""})
    assert (missing.state, missing.value) == ("missing", None)
    assert missing.change == f"'{typed}' -> not recorded (by the rule)."


@pytest.mark.parametrize("typed", ["", "  ", "\u00a0", "\u200b"])
def test_h1_a_blank_is_missing_and_never_no(typed):
    for column in (KEPT, STAPLE, REED, GOUGE, Column("made_on", "date")):
        assert read(typed, column).state == "missing"


def test_stored_yes_and_no():
    assert read("TRUE", KEPT, "bool", True).value is True
    assert read("1", KEPT, "number", 1.0).value is True
    assert read("2", KEPT, "number", 2.0).state == "asked"
    assert read("2025-01-01", KEPT, "date", datetime(2025, 1, 1)).state == "refused"


def test_yes_and_no_may_stand_for_levels():
    words = {"yes": "kept", "no": "discarded"}
    for typed, level in [("yes", "kept"), ("oui", "kept"), ("Y", "kept"), ("0", "discarded")]:
        assert read(typed, FATE, words=words).text == level
    assert read("kept", FATE, words=words).state == "kept"
    assert read("maybe", FATE, words=words).state == "asked"


# --- levels and missing codes ----------------------------------------------------------


def test_c12_a_level_that_differs_by_case_or_space_is_the_level_and_that_is_said():
    assert read("Breit ", SHAPE).change == "'Breit ' -> breit (spelled like the level)."
    assert read("breit ", SHAPE).change == "'breit ' -> breit (outer spaces taken off)."
    assert read("BREIT", SHAPE).value == "breit"
    assert read("Breit ", STAPLE, words={"Breit ": "breit"}).change == (
        "'Breit ' -> breit (by the rule)."
    )


def test_a_word_that_is_no_level_is_asked_about():
    assert read("breite", SHAPE).ask == (
        "'breite' is none of the levels schmal, breit: is 'breit' meant?"
    )
    assert read("oval", SHAPE).ask == (
        "'oval' is none of the levels schmal, breit: which of them is it, or a new one?"
    )


@pytest.mark.parametrize("typed", ["NA", "n/a", "N/A", "n.a."])
def test_c6_na_is_not_recorded_and_the_reason_is_kept(typed):
    for column in (STAPLE, GOUGE, KEPT, Column("made_on", "date")):
        found = read(typed, column)
        assert found.state == "missing"
        assert found.change == f"'{typed}' -> not recorded (typed as not recorded)."


def test_c6_none_is_a_level_and_na_may_be_one():
    assert read("none", STAPLE).value == "none"
    assert read("None", Column("staple", levels=("none", "47"))).value == "none"
    assert read("NA", Column("staple", levels=("NA", "47"))).value == "NA"
    assert read("none", GOUGE, unit="mm").state == "asked"


@pytest.mark.parametrize("typed", ["-", "?", "nil"])
def test_c6_a_dash_or_a_question_mark_is_asked_about(typed):
    assert read(typed, STAPLE).state == "asked"
    assert read(typed, STAPLE, words={typed: ""}).state == "missing"


def test_c6_eight_cells_in_and_eight_accounted_for():
    cells = [Cell(word) for word in ["none", "None", "NA", "n/a", "wax", "-", "?", "nil"]]
    states = [read_value(cell, Column("coating"), ColumnRule()).state for cell in cells]
    assert states == ["kept", "kept", "missing", "missing", "kept", "asked", "asked", "asked"]


# --- text ------------------------------------------------------------------------------


@pytest.mark.parametrize("typed", ["=loud", "+bright", "-stuffy", "@home", "=1+2", "n/a", "-"])
def test_a_note_is_kept_as_typed(typed):
    assert read(typed, Column("note")).text == typed


def test_text_that_looks_like_a_formula_is_text():
    assert read("=HYPERLINK(1)", Column("profile")).text == "=HYPERLINK(1)"


def test_a_number_in_a_column_of_words_is_what_it_shows():
    assert read("47", STAPLE, "number", 47.0).text == "47"


def test_invisible_characters_are_taken_out_and_that_is_said():
    assert read("\ufeffwide\u200b", Column("shape")).change == (
        "'\ufeffwide\u200b' -> wide (invisible characters taken out)."
    )


# --- ids -------------------------------------------------------------------------------


@pytest.mark.parametrize("typed", ["007", "012", "1E2", "12E1", "05-1", "ü1", "r-01", "=1", "1/2"])
def test_c7_ids_are_text_and_stay_as_typed(typed):
    found = read(typed, REED)
    assert (found.text, found.state) == (typed, "kept")


def test_c7_an_id_that_became_a_date_is_asked_about():
    cell = read("2025-01-05", REED, "date", datetime(2025, 1, 5))
    assert cell.ask == (
        "'2025-01-05' is a date, which a spreadsheet makes of an id such as 05-1 or 01-5: "
        "what was typed?"
    )
    for typed in ("05-Jan", "Jan-05", "5. Jan", "5-Mai", "2025-01-05 00:00:00"):
        assert read(typed, REED).state == "asked"
    assert read("05-Jan", REED, words={"05-Jan": "05-1"}).text == "05-1"


def test_c7_an_id_that_became_a_number_is_asked_about_where_it_may_have_lost_something():
    assert read("1.00E+02", REED, "number", 100.0).ask == (
        "'1.00E+02' is how a spreadsheet writes an id such as 1E2: what was typed?"
    )
    assert read("1E+02", REED).state == "asked"
    assert read("7.0", REED).state == "asked"
    assert read("12.1", REED, "number", 12.1).state == "asked"
    assert read("7", REED, "number", 7.0).text == "7"
    assert read("007", REED, "number", 7.0).text == "007"


def test_c7_zeros_are_filled_up_only_as_the_rule_says():
    found = read("7", REED, "number", 7.0, id_width=3)
    assert found.change == "'7' -> 007 (filled up with zeros, as the rule says)."
    assert read("a7", REED, id_width=3).text == "a7"


def test_an_id_over_two_lines_is_refused():
    assert read("a\nb", REED).sentence == "'a b' breaks over lines; write the id in one line."


# --- errors and formulas ---------------------------------------------------------------


@pytest.mark.parametrize("typed", ["#DIV/0!", "#N/A", "#REF!", "#WERT!", "#BEZUG!", "#SPILL!"])
def test_an_error_of_a_formula_is_refused(typed):
    for column in (GOUGE, STAPLE, REED, KEPT):
        for kind in ("error", "text"):
            assert read(typed, column, kind).sentence == (
                f"the cell holds the error {typed}; type its value."
            )


def test_a_formula_without_a_result_is_refused():
    assert read("=AVERAGE(C5:C9)", GOUGE, "formula").fault == (
        "'=AVERAGE(C5:C9)' is a formula whose result the sheet does not hold"
    )
    assert read("1.3", GOUGE, "formula", 1.3, unit="mm").value == 1.3


def test_a_column_too_narrow_is_refused():
    assert read("#####", GOUGE).sentence == (
        "'#####' is a column too narrow for its value; widen it."
    )


@pytest.mark.parametrize(
    ("column", "noun"),
    [(GOUGE, "a number"), (KEPT, "yes or no"), (Column("made_on", "date"), "a date")],
)
def test_a_long_text_is_refused_at_once_where_a_value_should_be(column, noun):
    found = read("a" + " " * 30_000 + "1", column)
    assert found.fault.endswith(f" is too long to be {noun}")
    assert found.remedy == f"write {noun} alone"
    assert len(found.fault) < 100
