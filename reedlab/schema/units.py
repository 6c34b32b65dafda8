"""Lengths as they are typed at the bench, turned into millimetres.

Bench sheets come in millimetres, thousandths of an inch and fractions of an inch. A
length must carry its unit, and a comma is never guessed at: it may be a decimal mark
or a mark of thousands.
"""

import re
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING

from reedlab.errors import CallError

if TYPE_CHECKING:
    from pint import UnitRegistry

#: The units that a bench sheet may use, as typed, with the name that pint knows.
#: Both code points of the micro sign are in use. In pint a bare "mil" is an angle.
LENGTH_UNITS = {
    "mm": "millimeter",
    "cm": "centimeter",
    "µm": "micrometer",  # U+00B5, micro sign
    "μm": "micrometer",  # U+03BC, Greek mu
    "um": "micrometer",
    "micron": "micrometer",
    "microns": "micrometer",
    "in": "inch",
    "in.": "inch",
    "inch": "inch",
    "inches": "inch",
    '"': "inch",
    "″": "inch",
    "”": "inch",
    "thou": "thou",
    "mil": "thou",
    "mils": "thou",
}

_QUANTITY = re.compile(
    r"(?P<sign>[-−]?)(?:(?P<decimal>\d+\.?\d*|\.\d+)|(?:(?P<whole>\d+)\s+)?(?P<ratio>\d+/0*[1-9]\d*))"
    r"\s*(?P<unit>\D*)"
)


def to_mm(text: str) -> float:
    """Return a typed length in millimetres.

    Parameters
    ----------
    text : str
        A number or a fraction with its unit.

    Returns
    -------
    float
        Millimetres.

    Raises
    ------
    CallError
        For a comma, a missing or unknown unit, or what is no number.

    Examples
    --------
    >>> [round(to_mm(text), 4) for text in ("51 thou", "0.051 in", "1/16 in", '3/8"', "1.30mm")]
    [1.2954, 1.2954, 1.5875, 9.525, 1.3]
    """
    typed = text.strip()
    if "," in typed:
        raise CallError(
            f"'{text}' holds a comma; write a decimal point: {typed.replace(',', '.')}."
        )
    match = _QUANTITY.fullmatch(typed)
    if match is None:
        raise CallError(f"'{text}' is not a length; write e.g. 1.30 mm, 51 thou or 1/16 in.")
    unit = match["unit"].strip()
    if unit not in LENGTH_UNITS:
        what = f"the unit '{unit}', which is not known here" if unit else "no unit"
        raise CallError(f"'{text}' has {what}; use {', '.join(LENGTH_UNITS)}.")
    number = Fraction(match["decimal"] or match["ratio"]) + Fraction(match["whole"] or 0)
    value = -float(number) if match["sign"] else float(number)
    return value * _mm_per(LENGTH_UNITS[unit])


#: All that a bench needs, exact by definition; the full list of units takes pint
#: a quarter of a second to read.
_DEFINITIONS = (
    "meter = [length]",
    "centi- = 1e-2",
    "milli- = 1e-3",
    "micro- = 1e-6",
    "inch = 0.0254 * meter",
    "thou = 0.001 * inch",
)


@cache
def _registry() -> "UnitRegistry":
    import pint  # slow, so only when a typed unit is met

    registry: UnitRegistry = pint.UnitRegistry(None)
    for definition in _DEFINITIONS:
        registry.define(definition)
    return registry


@cache
def _mm_per(unit: str) -> float:
    return float(_registry().Quantity(1.0, unit).to("millimeter").magnitude)
