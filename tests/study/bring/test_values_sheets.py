"""Columns of old sheets as makers typed them, cell by cell, with the right result of each."""

from datetime import datetime

import pytest

from reedlab.schema import Column, cents, note_hz, table_named
from reedlab.study.bring.grid import Cell
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values import (
    read_value,
    suggest_date_order,
    suggest_decimal,
    suggest_unit,
)

REEDS, TUBES, TESTS = (table_named(name) for name in ("reeds", "tubes", "tests"))


def read_cells(cells, column, rule):
    return [read_value(cell, column, rule) for cell in cells]


def column_of(column, texts, **rule):
    return read_cells([Cell(text) for text in texts], column, ColumnRule(**rule))


def texts_of(found):
    return [read.text for read in found]


def states_of(found):
    return [read.state for read in found]


def test_a_sheet_with_decimal_commas():
    ids = column_of(REEDS.column("reed_id"), ["007", "008", "009", "010"])
    assert texts_of(ids) == ["007", "008", "009", "010"]
    gouge = ["1,30", "1,25 mm", "1.30", "0,051 in"]
    assert suggest_decimal(gouge).value == ","
    found = column_of(REEDS.column("gouge_centre_mm"), gouge, unit="mm", decimal=",")
    assert texts_of(found) == ["1.30", "1.25", "1.30", "1.2954"]
    diameters = column_of(TUBES.column("outer_diameter_mm"), ["24,5", "25,0", "26,1"], unit="mm")
    assert texts_of(diameters) == ["24.5", "25.0", "26.1"]
    ranges = column_of(TESTS.column("dynamic_range_db"), ["21,5", "19", "", "23,0"], unit="dB")
    assert texts_of(ranges) == ["21.5", "19", "", "23.0"]
    assert states_of(ranges) == ["changed", "kept", "missing", "changed"]
    crows = column_of(TESTS.column("crow_hz"), ["E+20", "F-15", "Eb", "E"])
    for read, (note, off) in zip(
        crows, [("E4", 20), ("F4", -15), ("Eb4", 0), ("E4", 0)], strict=True
    ):
        assert cents(read.value, note_hz(note)) == pytest.approx(off, abs=1e-4)
    kept = column_of(Column("kept", "boolean"), ["ja", "nein", "nein", "ja"])
    assert [read.value for read in kept] == [True, False, False, True]


def test_a_sheet_of_mixed_units():
    gouge = column_of(
        REEDS.column("gouge_centre_mm"),
        ["50 thou", '0.050"', "1.27", ".052 in", "130"],
        unit="mm",
        decimal=".",
    )
    assert texts_of(gouge) == ["1.27", "1.27", "1.27", "1.3208", ""]
    assert gouge[-1].fault == "130 mm is impossible (0.01 to 7 mm)"
    assert gouge[-1].remedy == "hundredths of a millimetre would be 1.30 mm"
    assert [read.assumed for read in gouge] == ["", "", "mm", "", ""]
    for name, typed, right in [
        ("tip_width_mm", ["15 mm", "15.2", "14.8 mm", "0.6 in", "15"], [15, 15.2, 14.8, 15.24, 15]),
        (
            "total_length_mm",
            ["2 1/8 in", "54.5", '2.15"', "54", "54"],
            [53.975, 54.5, 54.61, 54, 54],
        ),
        ("wire1_mm", ["1 in", "25.4", "26", "1 1/32 in", "25"], [25.4, 25.4, 26, 26.19375, 25]),
    ]:
        found = column_of(REEDS.column(name), typed, unit="mm")
        assert [read.value for read in found] == right


def test_a_sheet_of_dates():
    made = ["03/04/2025", "13/04/2025", "4-May-25", "45782", "31/04/2025"]
    found = column_of(REEDS.column("made_on"), made)
    assert states_of(found) == ["asked", "changed", "changed", "asked", "refused"]
    assert texts_of(found)[1:3] == ["2025-04-13", "2025-05-04"]
    assert "2025-04-03" in found[0].ask
    assert "2025-03-04" in found[0].ask
    assert "2025-05-05" in found[3].ask
    suggestion = suggest_date_order(made)
    assert (suggestion.value, suggestion.doubtful) == ("dmy", 1)
    settled = column_of(REEDS.column("made_on"), made, date_order="dmy")
    assert texts_of(settled) == ["2025-04-03", "2025-04-13", "2025-05-04", "", ""]
    played = ["2025-04-20", "21.4.2025", "5/6/2025", "2025-05-30", "2025-06-01"]
    found = column_of(table_named("life").column("first_played"), played)
    assert states_of(found) == ["kept", "changed", "asked", "kept", "kept"]
    assert suggest_date_order(played).value == "dmy"


def test_a_wide_sheet_of_cents():
    crow = TESTS.column("crow_cents")
    days = [["-20", "-35", "n/a", "55"], ["-5", "-22", "12", ""], ["+4", "~-15", "10", ""]]
    found = [read for day in days for read in column_of(crow, day, unit="cents")]
    assert [read.value for read in found] == [
        *(-20.0, -35.0, None, 55.0),
        *(-5.0, -22.0, 12.0, None),
        *(4.0, -15.0, 10.0, None),
    ]
    assert [read.approximate for read in found].count(True) == 1
    assert found[9].approximate
    assert found[2].change == "'n/a' -> not recorded (typed as not recorded)."
    assert sum(read.state == "missing" for read in found) == 3


def test_a_sheet_of_pitch_words():
    typed = ["E4", "E+20", "F4 -15c", "Mi", "Fa dièse", "Es", "B", "329.6 Hz"]
    typed += ["between E and F", "E#"]
    found = column_of(TESTS.column("crow_hz"), typed)
    assert states_of(found) == [
        *("changed",) * 5,
        *("asked", "asked", "changed", "refused", "changed"),
    ]
    for place, (note, off) in {
        0: ("E4", 0),
        1: ("E4", 20),
        2: ("F4", -15),
        3: ("E4", 0),
        4: ("F#4", 0),
        9: ("F4", 0),
    }.items():
        assert cents(found[place].value, note_hz(note)) == pytest.approx(off, abs=1e-4)
    assert cents(found[7].value, note_hz("E4")) == pytest.approx(-0.1, abs=0.05)
    assert found[8].remedy == "write E4 +50 if the middle is meant"
    german = column_of(TESTS.column("crow_hz"), typed, notes="german")
    assert german[5].value == pytest.approx(note_hz("Eb4"), abs=1e-6)
    assert german[6].value == pytest.approx(note_hz("Bb4"), abs=1e-6)


def test_a_sheet_of_words():
    typed = ["yes", "Y", "oui", "keeper!", "no", "maybe", "1", "0", "", "no"]
    kept = column_of(Column("kept", "boolean"), typed)
    assert [read.value for read in kept] == [
        *(True, True, True, None, False),
        *(None, True, False, None, False),
    ]
    assert [place for place, read in enumerate(kept) if read.ask] == [3, 5]
    staple = ["none", "None", "47", "47", "NA", "46", "47", "n/a", "47", "47"]
    found = column_of(Column("staple"), staple, words={"None": "none"})
    assert texts_of(found) == ["none", "none", "47", "47", "", "46", "47", "", "47", "47"]
    spared = column_of(REEDS.column("spared"), ["no", "", "x", "yes"], words={"x": "yes"})
    assert [read.value for read in spared] == [False, None, True, True]


def test_a_sheet_of_shapes():
    typed = ["schmal", "breit", "Breit "]
    found = column_of(Column("shape"), typed, words={"Breit": "breit"})
    assert texts_of(found) == ["schmal", "breit", "breit"]
    assert found[2].change == "'Breit ' -> breit (by the rule)."
    assert texts_of(column_of(REEDS.column("reed_id"), ["ü1", "ü2"])) == ["ü1", "ü2"]


def test_a_workbook_with_an_error_a_comma_and_an_id_that_became_a_date():
    gouge = [
        Cell("1.3", "number", 1.3, 5, 3),
        Cell("1.25", "number", 1.25, 6, 3),
        Cell("#DIV/0!", "error", None, 7, 3),
    ]
    found = read_cells(gouge, REEDS.column("gouge_centre_mm"), ColumnRule(unit="mm"))
    assert texts_of(found) == ["1.3", "1.25", ""]
    assert found[2].sentence == "the cell holds the error #DIV/0!; type its value."
    wire = [Cell("25.5", "number", 25.5), Cell("17", "number", 17.0), Cell("25,4")]
    found = read_cells(wire, REEDS.column("wire1_mm"), ColumnRule(unit="mm", decimal="."))
    assert found[2].change == "'25,4' -> 25.4 (decimal comma in a column of points)."
    ids = [Cell("03-1"), Cell("04-2"), Cell("2025-01-05", "date", datetime(2025, 1, 5))]
    found = read_cells(ids, REEDS.column("reed_id"), ColumnRule())
    assert texts_of(found) == ["03-1", "04-2", ""]
    assert "such as 05-1 or 01-5" in found[2].ask


def test_a_decimal_mark_is_suggested_by_the_certain_cells():
    found = suggest_decimal(["0,62", "0.58", "1.234", "0,6", "12"])
    assert (found.value, found.certain, found.doubtful, found.against) == (",", 2, 1, ("0.58",))
    assert found.because == "a decimal comma: 2 cells such as '0,62' can only be read so."
    assert suggest_decimal(["1.234", "12", "x"]).because == "No cell can be read one way only."
    assert suggest_decimal(["0,5", "0.5"]).value == ""
    assert suggest_decimal(["1.234,5"]).value == ","


def test_a_date_order_is_not_suggested_against_a_certain_cell():
    found = suggest_date_order(["13/04/2025", "14/04/2025", "04/13/2025"])
    assert found.value == ""
    assert found.because == "'13/04/2025' shows day first and '04/13/2025' month first."
    assert suggest_date_order(["2025-04-13", "yesterday"]).value == ""


def test_a_unit_is_suggested_only_if_one_fits():
    gouge, length = REEDS.column("gouge_centre_mm"), REEDS.column("total_length_mm")
    assert suggest_unit(["1.3", "1.25", "x"], gouge).value == "mm"
    assert suggest_unit(["130", "125"], gouge).value == "1/100 mm"
    assert suggest_unit(["0,051"], gouge, ",").value == "inches"
    assert suggest_unit(["2.1", "2.2"], length).value == "inches"
    assert suggest_unit(["130", "1.3"], gouge).because == (
        "In no unit the bare numbers all lie in the usual range."
    )
    assert suggest_unit(["1.3 mm"], gouge).value == ""
