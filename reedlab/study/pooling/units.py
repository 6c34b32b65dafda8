"""Units in which makers write the same column, and how one turns into the other.

Lengths through reedlab.schema.units; times by definition. Other units have no factor here,
so columns in them must say the same unit or stay out.
"""

from reedlab.schema.units import LENGTH_UNITS, to_mm

#: Seconds in each unit of time, by definition.
_SECONDS = {
    "ms": 0.001,
    "s": 1.0,
    "seconds": 1.0,
    "min": 60.0,
    "minutes": 60.0,
    "h": 3600.0,
    "hours": 3600.0,
    "days": 86400.0,
    "weeks": 604800.0,
}


def factor_between(unit: str, other: str) -> float | None:
    """By what a number in one unit is multiplied to be in another; None if it cannot be.

    Examples
    --------
    >>> factor_between("in", "mm"), factor_between("hours", "minutes"), factor_between("dB", "mm")
    (25.4, 60.0, None)
    """
    if unit == other:
        return 1.0
    if unit in LENGTH_UNITS and other in LENGTH_UNITS:
        return to_mm(f"1 {unit}") / to_mm(f"1 {other}")
    if unit in _SECONDS and other in _SECONDS:
        return _SECONDS[unit] / _SECONDS[other]
    return None
