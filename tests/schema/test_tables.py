import pytest

import reedlab.schema as schema
from reedlab.errors import CallError
from reedlab.schema import (
    CAUTIONS,
    FACTORS,
    INSTRUMENTS,
    RESPONSES,
    TABLES,
    Column,
    Table,
    cautions_for,
    default_factors,
    default_protocol,
    instrument,
    table_named,
    tables_for,
)

COLUMNS = [(table.name, column) for table in TABLES for column in table.columns]


def test_the_eight_tables_and_their_keys():
    assert {table.name: table.key for table in TABLES} == {
        "lots": ("lot_id",),
        "tubes": ("tube_id",),
        "reeds": ("reed_id",),
        "sessions": ("session_id",),
        "tests": ("reed_id", "session_id", "stage", "trial"),
        "adjustments": ("reed_id", "session_id", "step"),
        "blades": ("reed_id", "session_id", "blade", "from_tip_mm", "across_mm", "trial"),
        "life": ("reed_id",),
    }


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_keys_are_required_and_references_lead_to_a_key(table):
    assert all(table.column(name).required for name in table.key)
    for column, there in table.references.items():
        assert table_named(there).key == (column,)
        assert table.column(column).type == "text"


@pytest.mark.parametrize(("name", "column"), COLUMNS)
def test_a_column_says_what_it_means_and_its_bounds_are_nested(name, column):
    assert column.meaning, f"{name}.{column.name}"
    if column.plausible and column.possible:
        assert column.possible[0] <= column.plausible[0]
        assert column.plausible[1] <= column.possible[1]


@pytest.mark.parametrize(("name", "column"), COLUMNS)
def test_the_unit_stands_in_the_name_of_a_column(name, column):
    ending = {"mm": "_mm", "dB": "_db", "Hz": "_hz", "cents": "_cents", "ms": "_ms", "%": "_pct"}
    if column.unit in ending:
        assert column.name.endswith(ending[column.unit])


def test_every_default_factor_is_a_column_of_its_stratum_with_its_unit_and_a_step():
    tables = {table.name: table for table in TABLES}
    for factor in FACTORS:
        column = tables[factor.table].column(factor.name)
        assert factor.kind == ("categorical" if column.type == "text" else "numeric")
        if factor.kind == "numeric":
            assert factor.step
            # A year is told in years; a hardness reading is a device's own scale.
            assert factor.unit == column.unit or factor.name in ("harvest_year", "hardness")


def test_every_default_response_is_a_column_or_derived():
    for response in RESPONSES:
        if response.name != "kept":
            assert response.unit == table_named(response.table).column(response.name).unit


@pytest.mark.parametrize("known", INSTRUMENTS, ids=lambda known: known.name)
def test_staple_columns_come_only_where_the_family_has_a_staple(known):
    reeds = next(table for table in tables_for(known.name) if table.name == "reeds")
    factors = {factor.name for factor in default_factors(known.name)}
    assert known.uses_staple == (known.family == "oboe")
    assert ("staple_length_mm" in reeds.names) == known.uses_staple
    assert ("staple" in factors) == known.uses_staple
    low, high = known.crow_hz()
    assert low <= high


def test_bounds_of_a_bassoon_reed_are_not_laid_on_an_oboe_reed():
    reeds = {known: tables_for(known)[2] for known in ("bassoon", "oboe", "contrabassoon")}
    assert reeds["bassoon"].column("gouge_centre_mm").plausible == (1.0, 1.6)
    assert reeds["oboe"].column("gouge_centre_mm").plausible == (0.45, 0.75)
    assert reeds["contrabassoon"].column("gouge_centre_mm").plausible is None


def test_the_crow_of_a_bassoon_reed_is_e4_to_f4():
    assert instrument("bassoon").crow_target == ("E4", "F4")
    low, high = instrument("bassoon").crow_hz(442)
    assert low == pytest.approx(329.6276 * 442 / 440, abs=1e-4)
    assert high == pytest.approx(349.2282 * 442 / 440, abs=1e-4)


@pytest.mark.parametrize("known", INSTRUMENTS, ids=lambda known: known.name)
def test_the_protocol_fills_columns_that_exist(known):
    tests = next(table for table in tables_for(known.name) if table.name == "tests")
    for step in default_protocol(known.name):
        for column in step.fills:
            tests.column(column)


def test_the_bassoon_protocol_names_its_notes_in_order():
    notes = {step.name: step.notes for step in default_protocol("bassoon")}
    assert list(notes) == ["opening", "crow", "hairpin", "arpeggio", "low register", "rating"]
    assert notes["hairpin"] == ("C3",)
    assert notes["low register"] == ("D2", "B♭1")


def test_cautions_are_grouped_by_place():
    assert set(CAUTIONS) == {"bench", "testing", "statistics"}
    assert any("strap" in text for text in cautions_for("bench"))
    assert any("number of tubes" in text for text in cautions_for("statistics"))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: instrument("basoon"), "There is no instrument 'basoon'. Nearest: bassoon"),
        (lambda: table_named("test"), "There is no table 'test'. Nearest: tests"),
        (lambda: cautions_for("bnch"), "There is no place for cautions 'bnch'. Nearest: bench."),
        (
            lambda: table_named("tests").column("crow_cent"),
            "There is no column of tests 'crow_cent'. Nearest: crow_cents",
        ),
        (lambda: Column("x", "float"), "Column 'x' has the type 'float'; it can be text, number"),
        (
            lambda: Column("x", "number", plausible=(2, 1)),
            "Column 'x': plausible (2, 1) is upside down.",
        ),
        (lambda: Table("t", ("a",), ()), "There is no column of t 'a'."),
    ],
)
def test_a_wrong_call_is_told_what_is_right(call, message):
    with pytest.raises(CallError) as told:
        call()
    assert message in str(told.value)


def test_exports_exist_and_are_sorted_by_kind():
    assert all(hasattr(schema, name) for name in schema.__all__)
    assert len(set(schema.__all__)) == len(schema.__all__)
