"""Numbers that cannot be right where they stand, and what may have been meant.

Only the possible bounds of the schema refuse a value, and a slip of unit that is sure; what
is merely unusual comes in, for the check of the record to show.
"""

import math

from reedlab.schema import Column
from reedlab.study.bring.values.readings import Read, refused
from reedlab.study.slips import slip

#: Nothing on a bench is larger, and floating point counts whole numbers to here.
_MOST = 1e15
_LEAST = -1000.0


def impossible(column: Column, value: float, text: str) -> Read | None:
    """Return the refusal of a value that cannot be right; None if it may be.

    Examples
    --------
    >>> from reedlab.schema import table_named
    >>> gouge = table_named("reeds").column("gouge_centre_mm")
    >>> print(impossible(gouge, 130.0, "130").sentence)
    130 mm is impossible (0.01 to 7 mm); hundredths of a millimetre would be 1.30 mm.
    """
    unit = f" {column.unit}" if column.unit else ""
    if abs(value) > _MOST:
        return refused(f"{text} is too large a number", "type it again")
    low, high = column.possible or (-math.inf, math.inf)
    outside = not low <= value <= high
    # Far below zero there is no slip, and a wire's gauge number would overflow.
    found = slip(column, value) if value > _LEAST else None
    if found is not None and (outside or found[2]):
        what, meant, _sure = found
        hint = f"{what} would be {_likely(what, meant)}{unit}"
        if outside:
            return refused(f"{text}{unit} is impossible ({low:g} to {high:g}{unit})", hint)
        return refused(f"{text} is hardly in {column.unit}: it looks like {what}", hint)
    if outside:
        bounds = f"{low:g} to {high:g}{unit}"
        return refused(f"{text}{unit} is impossible ({bounds})", "measure or type it again")
    return None


def _likely(what: str, meant: float) -> str:
    return f"{meant:.2f}" if what.startswith("hundredths") else f"{meant:.4g}"
