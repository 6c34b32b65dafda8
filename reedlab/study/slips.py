"""Slips of unit: a value that fits once it is read in another unit.

A length in inches typed in a column of millimetres is wrong by 25.4, one in microns by
1000. A slip is reported only where the value as typed is unusual and the value
converted is usual.
"""

from collections.abc import Callable

from reedlab.schema import Column

_Convert = Callable[[float], float]

#: By the unit of the column: what may have been typed instead, and how it converts.
SLIPS: dict[str, tuple[tuple[str, _Convert], ...]] = {
    "mm": (
        ("inches", lambda value: value * 25.4),
        ("thousandths of an inch", lambda value: value * 0.0254),
        ("microns", lambda value: value / 1000),
        ("metres", lambda value: value * 1000),
        ("millimetres converted from inches twice", lambda value: value / 25.4),
        ("centimetres", lambda value: value * 10),
        ("hundredths of a millimetre", lambda value: value / 100),
    ),
    "%": (("a fraction", lambda value: value * 100),),
    "°C": (("degrees Fahrenheit", lambda value: (value - 32) / 1.8),),
    "kg/m3": (("g/cm3", lambda value: value * 1000),),
    "Hz": (("kHz", lambda value: value * 1000),),
    "ms": (("seconds", lambda value: value * 1000),),
}
#: A slip by less than this may as well be a digit typed wrongly.
_SURE_FACTOR = 25.0


def _wire_diameter(gauge: float) -> float:
    """Diameter in mm of a wire gauge number: by definition 92 steps of 39 from 36 down."""
    return 0.127 * 92 ** ((36 - gauge) / 39)


def slip(column: Column, value: float) -> tuple[str, float, bool] | None:
    """Return what was typed by mistake, the value in the column's unit, and if that is sure.

    It is sure if the factor is at least 25 and wider than the plausible bounds: what
    bounds from 0.03 to 1.6 let through after conversion proves nothing.

    Parameters
    ----------
    column : Column
        With its unit and plausible bounds.
    value : float
        A value outside those bounds.

    Returns
    -------
    (str, float, bool) or None

    Examples
    --------
    >>> gouge = Column("gouge_centre_mm", "number", "mm", plausible=(1.0, 1.6))
    >>> slip(gouge, 0.051), slip(gouge, 2.5)
    (('inches', 1.2953999999999999, True), None)
    """
    if column.plausible is None or column.plausible[0] <= value <= column.plausible[1]:
        return None
    low, high = column.plausible
    candidates = SLIPS.get(column.unit, ())
    # Beyond these numbers there is no wire, and far beyond no diameter that can be reckoned.
    if column.name == "wire_gauge_mm" and 0 <= value <= 50 and value == round(value):
        candidates = (("a gauge number", _wire_diameter), *candidates)
    for what, convert in candidates:
        meant = convert(value)
        if value != 0 and low <= meant <= high:
            factor = max(abs(meant / value), abs(value / meant)) if meant else 0.0
            sure = factor > _SURE_FACTOR and low > 0 and high / low < factor
            return what, meant, sure
    return None
