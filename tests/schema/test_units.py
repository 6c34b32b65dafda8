import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reedlab.errors import CallError
from reedlab.schema import LENGTH_UNITS, to_mm


@pytest.mark.parametrize(
    ("typed", "mm"),
    [
        ("620 µm", 0.62),  # U+00B5
        ("620 μm", 0.62),  # U+03BC
        ("620um", 0.62),
        ("0.62mm", 0.62),
        ("1/32 inch", 0.79375),
        ('3/8"', 9.525),
        ("3/8″", 9.525),
        ("0.5 mil", 0.0127),
        ("51 thou", 1.2954),
        ("0.051 in", 1.2954),
        (".051 in", 1.2954),
        ("1/16 in", 1.5875),
        ("2 5/16 in", 58.7375),
        ("1.30mm", 1.30),
        ("2.7 cm", 27.0),
        ("-0.4 mm", -0.4),
        ("−0.4 mm", -0.4),
    ],
)
def test_c16_a_typed_length_in_any_bench_unit(typed, mm):
    assert to_mm(typed) == pytest.approx(mm, rel=1e-12)


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ("0,62 mm", "'0,62 mm' holds a comma; write a decimal point: 0.62 mm."),
        ("1.30", "'1.30' has no unit; use mm"),
        ("3 ft", "'3 ft' has the unit 'ft', which is not known here; use mm"),
        ("thin", "'thin' is not a length; write e.g. 1.30 mm, 51 thou or 1/16 in."),
        ("1/0 in", "'1/0 in' is not a length"),
        ("", "'' is not a length"),
        ("1.2.3 mm", "'1.2.3 mm' is not a length"),
    ],
)
def test_c16_what_is_no_length_is_an_error_and_never_zero(typed, message):
    with pytest.raises(CallError) as told:
        to_mm(typed)
    assert message in str(told.value)


def test_the_units_are_those_of_pint_s_own_list():
    full = pint.UnitRegistry()
    for typed, name in LENGTH_UNITS.items():
        assert to_mm(f"1 {typed}") == pytest.approx(full.Quantity(1, name).to("mm").magnitude)


@given(st.decimals(0, 1000, places=4), st.sampled_from(sorted(LENGTH_UNITS)))
def test_every_number_in_every_unit_is_read_in_proportion(number, unit):
    assert to_mm(f"{number:f} {unit}") == pytest.approx(float(number) * to_mm(f"1 {unit}"))
