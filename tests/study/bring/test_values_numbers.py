from decimal import Decimal
from fractions import Fraction

import pint
import pytest

from reedlab.errors import CallError
from reedlab.schema import LENGTH_UNITS, Column, table_named
from reedlab.study.bring.grid import Cell
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values import read_value
from reedlab.study.bring.values.units import UNITS, unit_for

REEDS = table_named("reeds")
GOUGE, LENGTH = REEDS.column("gouge_centre_mm"), REEDS.column("total_length_mm")
SOAK = REEDS.column("soak_min")
PLAIN = Column("amount", "number")
MM = ColumnRule(unit="mm")


def read(typed, column=GOUGE, rule=MM, kind="text", value=None):
    return read_value(Cell(typed, kind, value), column, rule)


@pytest.mark.parametrize(
    ("typed", "text"),
    [
        ("1.30", "1.30"),
        ("1,30", "1.30"),
        ("1.30mm", "1.30"),
        ("1,25 mm", "1.25"),
        ("0.051 in", "1.2954"),
        ("0,051 in", "1.2954"),
        (".052 in", "1.3208"),
        ("50 thou", "1.27"),
        ("51 mil", "1.2954"),
        ('0.050"', "1.27"),
        ("1300 µm", "1.3"),  # U+00B5
        ("1300 μm", "1.3"),  # U+03BC
        ("1300um", "1.3"),
        ("130 hundredths", "1.3"),
        ("130 1/100 mm", "1.3"),
        ("130 Hundertstel", "1.3"),
        ("0.13 cm", "1.3"),
        ("1/16 in", "1.5875"),
    ],
)
def test_c16_a_length_in_any_bench_unit_is_exact(typed, text):
    found = read(typed)
    assert found.text == text
    assert found.value == float(text)


@pytest.mark.parametrize(
    ("typed", "mm"),
    [
        ("2 1/8 in", "53.975"),
        ('2 5/16"', "58.7375"),
        ('2-5/16"', "58.7375"),
        ("2½ in", "63.5"),
        ("2 1/8 Zoll", "53.975"),
        ("2.15″", "54.61"),
        ("2.15''", "54.61"),
        ('3/8"', "9.525"),
        ("1/32 inch", "0.79375"),
        ("1 1/32 in", "26.19375"),
    ],
)
def test_fractions_of_an_inch(typed, mm):
    assert read(typed, LENGTH).text == mm


def test_the_rule_s_unit_reads_bare_numbers_and_says_so():
    found = read("51", rule=ColumnRule(unit="thou"))
    assert (found.text, found.assumed) == ("1.2954", "thou")
    assert found.change == "'51' -> 1.2954 (thou to mm)."
    assert read("130", rule=ColumnRule(unit="1/100 mm")).text == "1.3"
    assert read("2 1/8", LENGTH, ColumnRule(unit="in")).text == "53.975"
    assert read("1.30").assumed == "mm"
    assert read("1.30 mm").assumed == ""


def test_a_bare_number_without_a_settled_unit_is_asked_about():
    assert read("1.30", rule=ColumnRule()).ask == (
        "'1.30' has no unit, and neither has its column: is it mm, inches, thou or 1/100 mm?"
    )
    assert read("1.30 mm", rule=ColumnRule()).text == "1.30"


def test_a_unit_of_the_rule_that_does_not_fit_is_said():
    found = read("1.30", rule=ColumnRule("gouge", unit="dB"))
    assert found.sentence == (
        "the rule reads bare numbers in dB, which is no unit of gouge_centre_mm; "
        "set the unit of 'gouge' to mm, inches, thou or 1/100 mm."
    )


@pytest.mark.parametrize(
    ("typed", "column", "text"),
    [
        ("2 h", SOAK, "120"),
        ("1 h 30 min", SOAK, "90"),
        ("1h30", SOAK, "90"),
        ("90 s", SOAK, "1.5"),
        ("1 day", SOAK, "1440"),
        ("2 weeks", REEDS.column("rest_days"), "14"),
        ("2 years", table_named("lots").column("seasoning_months"), "24"),
        ("68 °F", table_named("sessions").column("temperature_c"), "20"),
        ("20,5 °C", table_named("sessions").column("temperature_c"), "20.5"),
        ("0.55 g/cm³", table_named("tubes").column("density_kg_m3"), "550"),
        ("550 kg/m3", table_named("tubes").column("density_kg_m3"), "550"),
        ("45 %", table_named("sessions").column("relative_humidity_pct"), "45"),
        ("0.02 s", table_named("tests").column("attack_ms"), "20"),
        ("21,5 dB", table_named("tests").column("dynamic_range_db"), "21.5"),
    ],
)
def test_other_units(typed, column, text):
    assert read(typed, column, ColumnRule()).text == text


def test_factors_are_those_of_pint_s_own_list():
    full = pint.UnitRegistry(non_int_type=Fraction)
    for typed, name in LENGTH_UNITS.items():
        assert unit_for(typed, "mm").factor == full.Quantity(Fraction(1), name).to("mm").magnitude
    for column_unit, typed, there, here in [
        ("minutes", "h", "hour", "minute"),
        ("minutes", "d", "day", "minute"),
        ("days", "wk", "week", "day"),
        ("months", "yr", "year", "month"),
        ("ms", "s", "second", "millisecond"),
        ("kg/m3", "g/cm3", "gram / centimeter ** 3", "kilogram / meter ** 3"),
    ]:
        factor = full.Quantity(Fraction(1), there).to(here).magnitude
        assert UNITS[column_unit][typed].factor == factor
    fahrenheit = unit_for("°F", "°C")
    assert 212 * fahrenheit.factor + fahrenheit.offset == 100


# --- decimal marks and marks of thousands --------------------------------------------


@pytest.mark.parametrize("typed", ["1,30", "0,58", "0,580", "0,051", ",5", "12,5", "1234,567"])
def test_c1_a_decimal_comma_that_can_be_nothing_else_is_read(typed):
    assert Decimal(read(typed, PLAIN).text) == Decimal(typed.replace(",", "."))


@pytest.mark.parametrize("typed", ["1.234", "12.345", "1,234", "123,456", "-1.234"])
def test_c4_what_may_mark_thousands_is_asked_about(typed):
    point = typed.replace(",", ".")
    ask = read(typed, PLAIN).ask
    assert f"may be {point} or {point.replace('.', '')}, " in ask


@pytest.mark.parametrize(
    ("typed", "decimal", "thousands", "text"),
    [
        ("1.234", ".", "", "1.234"),
        ("1,234", ",", "", "1.234"),
        ("1.234", ",", ".", "1234"),
        ("1,234", ".", ",", "1234"),
        ("1.234,56", ",", ".", "1234.56"),
        ("1.234,56", "", "", "1234.56"),
        ("1,234.56", "", "", "1234.56"),
        ("1,234,567", "", "", "1234567"),
        ("1'234.5", "", "", "1234.5"),
        ("1’234,5", "", "", "1234.5"),
        ("1 234,5", "", "", "1234.5"),
        ("1\u202f234", "", "", "1234"),
        ("1\u00a0234", "", "", "1234"),
        ("1 234", "", " ", "1234"),
        ("1.30", ",", ".", "1.30"),
        ("−5", "", "", "-5"),
        ("–5", "", "", "-5"),
        ("\u20115", "", "", "-5"),  # a no-break hyphen
        ("\u00ad5", "", "", "-5"),  # a soft hyphen, which nobody sees
        ("+5", "", "", "5"),
        ("007", "", "", "7"),
        ("1.5e3", "", "", "1500"),
        ("12E-1", "", "", "1.2"),
    ],
)
def test_marks(typed, decimal, thousands, text):
    assert read(typed, PLAIN, ColumnRule(decimal=decimal, thousands=thousands)).text == text


def test_h8_a_point_beside_decimal_commas_is_asked_about_and_never_1_234():
    assert read("1.234", PLAIN, ColumnRule(decimal=",")).state == "asked"


def test_c4_the_odd_cell_of_a_column_is_reported():
    rule = ColumnRule(unit="mm", decimal=",")
    assert read("1.30", rule=rule).change == (
        "'1.30' -> 1.30 (decimal point in a column of commas)."
    )
    assert read("25,4", LENGTH, ColumnRule(unit="mm", decimal=".")).change == (
        "'25,4' -> 25.4 (decimal comma in a column of points)."
    )


@pytest.mark.parametrize("typed", ["1.2.3", "1,2,3", "12,34,567", "1.234.56", "--5", "1,,2", "5,"])
def test_what_is_no_number_is_refused(typed):
    found = read(typed, PLAIN)
    assert found.state == "refused"
    assert found.fault == f"'{typed}' is not a number"


def test_one_space_may_part_two_numbers():
    assert "'1 234' may be 1234 or 1 and 234" in read("1 234", PLAIN).ask


# --- ranges, hedges, limits ----------------------------------------------------------


@pytest.mark.parametrize("typed", ["24-25", "24–25", "24 - 25", "24 to 25", "24 bis 25", "24…25"])
def test_a_range_is_never_averaged_in_silence(typed):
    column = Column("x", "number", "dB")
    found = read(typed, column, ColumnRule(unit="dB"))
    assert found.ask == (f"'{typed}' is a range; which number stands for it (the middle is 24.5)?")
    middle = read(typed, column, ColumnRule(unit="dB", ranges="middle"))
    assert (middle.text, middle.approximate) == ("24.5", True)
    assert "middle of the range, as the rule says" in middle.change


def test_a_range_of_lengths_and_of_negative_numbers():
    assert read("1.25-1.30 mm", rule=ColumnRule(ranges="middle")).text == "1.275"
    assert read("1,25-1,30 mm", rule=ColumnRule(ranges="middle")).text == "1.275"
    assert read("-20--15", PLAIN, ColumnRule(ranges="middle")).state == "asked"


@pytest.mark.parametrize(
    "typed", ["~24", "≈ 24", "ca. 24", "about 24", "etwa 24", "env. 24", "24?"]
)
def test_about_is_kept_as_a_flag(typed):
    found = read(typed, PLAIN)
    assert (found.value, found.approximate) == (24.0, True)
    assert found.change == f"'{typed}' -> 24 (approximate)."


def test_a_tolerance_is_not_kept_and_that_is_said():
    found = read("24±0.5", PLAIN)
    assert found.change == "'24±0.5' -> 24 (the ±0.5 is not kept, approximate)."
    assert read("1.30 ± 0.02 mm", rule=ColumnRule()).text == "1.30"
    assert read("24 +/- 1", PLAIN).approximate


@pytest.mark.parametrize("typed", ["<5", "> 5", "≥5", "under 5"])
def test_a_limit_is_no_number(typed):
    assert read(typed, PLAIN).fault == f"'{typed}' is a limit, not a number"


# --- what cannot be right ------------------------------------------------------------


def test_an_impossible_value_is_refused_with_the_likely_slip():
    assert read("130").sentence == (
        "130 mm is impossible (0.01 to 7 mm); hundredths of a millimetre would be 1.30 mm."
    )
    assert read("0").sentence == ("0 mm is impossible (0.01 to 7 mm); measure or type it again.")


def test_a_sure_slip_of_unit_is_refused_with_its_name():
    assert read("0.051").sentence == (
        "0.051 is hardly in mm: it looks like inches; inches would be 1.295 mm."
    )


def test_an_unusual_value_comes_in():
    assert read("1.9").state == "kept"


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ("thin", "'thin' is not a number; write a number in mm, inches, thou or 1/100 mm,"),
        ("1.30 thin", "'thin' in '1.30 thin' is no unit known here; this column is in mm;"),
        ("3 1/0 in", "'3 1/0 in' is no fraction; write it as 2 1/8 in, or as a decimal."),
        ("2 9/8 in", "'2 9/8 in' is no fraction; write it as 2 1/8 in, or as a decimal."),
        ("=1+2", "'=1+2' is not a number"),
        ("1" * 90, "is not a number"),
    ],
)
def test_the_message_of_a_refusal(typed, message):
    assert message in read(typed).sentence


@pytest.mark.parametrize("typed", ["24/25", "1/3", "2 1/8"])
def test_a_fraction_that_may_be_two_numbers_is_asked_about(typed):
    assert read(typed, LENGTH).ask.startswith(f"'{typed}' may be a fraction or two numbers")


def test_a_whole_number():
    pieces = table_named("tubes").column("pieces")
    assert read("4", pieces, ColumnRule()).value == 4
    assert isinstance(read("4", pieces, ColumnRule()).value, int)
    assert read("4.0", pieces, ColumnRule()).text == "4"
    assert read("4.5", pieces, ColumnRule()).fault == "'4.5' is not a whole number"


# --- numbers that a spreadsheet holds --------------------------------------------------


def test_a_stored_number_is_read_as_it_is_and_its_shown_digits_are_kept():
    assert read("1.30", kind="number", value=1.3).text == "1.30"
    assert read("1.3", kind="number", value=1.2954).text == "1.2954"
    assert read("1.234", PLAIN, kind="number", value=1.234).value == 1.234
    assert read("0.1", PLAIN, kind="number", value=0.1).text == "0.1"
    humidity = table_named("sessions").column("relative_humidity_pct")
    assert read("45%", humidity, ColumnRule(), "number", 0.45).value == 45.0


def test_a_date_in_a_column_of_numbers_is_asked_about():
    from datetime import datetime

    found = read("2025-04-25", LENGTH, MM, "date", datetime(2025, 4, 25))
    assert found.ask.startswith("'2025-04-25' is a date in the sheet, which spreadsheets make of")
    assert "as 25.4 or 3-4: what was typed?" in read("25. Apr", LENGTH).ask


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        ({"decimal": ";"}, "decimal is ';'; it can be '', '.', ','."),
        ({"decimal": ",", "thousands": ","}, "',' cannot mark both decimals and thousands."),
        ({"date_order": "DMY"}, "date_order is 'DMY'; it can be '', 'dmy', 'mdy', 'ymd'."),
        ({"from_note": "E"}, "'E' is not a note"),
    ],
)
def test_a_rule_that_makes_no_sense_is_an_error(entry, message):
    with pytest.raises(CallError) as told:
        ColumnRule("gouge", **entry)
    assert message in str(told.value)
