"""Units as they are typed in a cell, with their exact factors to the unit of the record.

Factors are fractions, so that no digit is lost: 1 in = 25.4 mm by definition, thou and
mil = 0.0254 mm. How lengths are spelled is the schema's affair; the time, temperature and
density words here are English, German and French.
"""

from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

from reedlab.schema import LENGTH_UNITS


class Unit(NamedTuple):
    """From a typed unit to the record's: multiply, then add."""

    factor: Fraction
    offset: Fraction = Fraction(0)


#: Millimetres in the lengths that the schema names.
_MM = {
    "millimeter": Fraction(1),
    "centimeter": Fraction(10),
    "micrometer": Fraction(1, 1000),
    "inch": Fraction(254, 10),
    "thou": Fraction(254, 10000),
}
_HUNDREDTH = (
    "1/100 mm | 1/100mm | 0.01 mm | 0.01mm | 0,01 mm | hundredths | hundredth | "
    "hundredths of a mm | hundredths of a millimetre | hundredths mm | hundertstel | "
    "hundertstel mm | centièmes | centièmes de mm"
)
_MORE_LENGTHS = {
    "inch": "ins | zoll | pouce | pouces | '' | ′′ | “ | ´´",
    "thou": "thous | thousandth | thousandths | 1/1000 in | 0.001 in",
    "millimeter": "millimetre | millimetres | millimeter | millimeters | millimètres",
}
_MINUTES = {
    "min | mins | minute | minutes | minuten | '": Fraction(1),
    "h | hr | hrs | hour | hours | std | stunde | stunden | heure | heures": Fraction(60),
    "s | sec | secs | second | seconds | sek | sekunden": Fraction(1, 60),
    "d | day | days | tag | tage | jour | jours": Fraction(1440),
}
_DAYS = {
    "d | day | days | tag | tage | tagen | jour | jours": Fraction(1),
    "w | wk | wks | week | weeks | woche | wochen | semaine | semaines": Fraction(7),
}
_MONTHS = {
    "m | month | months | monat | monate | mois": Fraction(1),
    "y | yr | yrs | year | years | jahr | jahre | an | ans": Fraction(12),
}


def _scaled(groups: dict[str, Fraction], by: Fraction = Fraction(1)) -> dict[str, Unit]:
    return {
        spelling: Unit(factor * by)
        for spellings, factor in groups.items()
        for spelling in spellings.split(" | ")
    }


def _lengths() -> dict[str, Unit]:
    found = {spelling: Unit(_MM[name]) for spelling, name in LENGTH_UNITS.items()}
    more = {spellings: _MM[name] for name, spellings in _MORE_LENGTHS.items()}
    return found | _scaled(more) | _scaled({_HUNDREDTH: Fraction(1, 100)})


#: By the unit of the record: the units that may be typed instead.
UNITS: dict[str, dict[str, Unit]] = {
    "mm": _lengths(),
    "0.01 mm": _scaled({_HUNDREDTH: Fraction(1), "mm": Fraction(100)}),
    "minutes": _scaled(_MINUTES),
    "hours": _scaled(_MINUTES, Fraction(1, 60)),
    "days": _scaled(_DAYS),
    "months": _scaled(_MONTHS),
    "years": _scaled(_MONTHS, Fraction(1, 12)),
    "ms": _scaled({"ms | msec": Fraction(1), "s | sec": Fraction(1000), "µs": Fraction(1, 1000)}),
    "Hz": _scaled({"hz | hertz": Fraction(1), "khz": Fraction(1000)}),
    "cents": _scaled({"cents | cent | ct | cts | c | ¢": Fraction(1)}),
    "dB": _scaled({"db": Fraction(1)}),
    "%": _scaled({"% | pct | percent | per cent | prozent | % rh | %rh | % rf": Fraction(1)}),
    "kg/m3": _scaled(
        {
            "kg/m3 | kg/m³ | kg/m^3 | kg/cbm": Fraction(1),
            "g/cm3 | g/cm³ | g/cm^3 | g/cc | g/ml | kg/l": Fraction(1000),
        }
    ),
    "°C": {
        **_scaled({"°c | c | ° | deg c | ℃ | º c | ºc | grad": Fraction(1)}),
        **dict.fromkeys(("°f", "f", "deg f", "℉"), Unit(Fraction(5, 9), Fraction(-160, 9))),
        "k": Unit(Fraction(1), Fraction(-27315, 100)),
    },
}

#: What messages offer where more than the column's own unit is usual.
_OFFERED = {
    "mm": ("mm", "inches", "thou", "1/100 mm"),
    "minutes": ("minutes", "hours"),
    "hours": ("hours", "minutes"),
    "days": ("days", "weeks"),
    "months": ("months", "years"),
    "ms": ("ms", "s"),
    "kg/m3": ("kg/m3", "g/cm3"),
    "°C": ("°C", "°F"),
}


@lru_cache(maxsize=512)
def unit_for(typed: str, record_unit: str) -> Unit | None:
    """Return how a typed unit turns into the unit of a column; None if it is not known there.

    Parameters
    ----------
    typed : str
        A unit, e.g. ``"thou"``; spaces, case and a full stop at the end do not matter.
    record_unit : str
        Unit of the column in the record.

    Examples
    --------
    >>> float(unit_for("thou", "mm").factor), unit_for("dB", "mm")
    (0.0254, None)
    """
    known = UNITS.get(record_unit, {})
    # The capitals of a unit are not casefolded blindly: that would turn µ into μ only.
    wanted = " ".join(typed.split())
    for spelling in (wanted, wanted.casefold(), wanted.casefold().rstrip(". ")):
        if spelling in known:
            return known[spelling]
    if record_unit and wanted.casefold() == record_unit.casefold():
        return Unit(Fraction(1))
    return None


def units_of(record_unit: str) -> tuple[str, ...]:
    """Return a few units that may be typed for a column, for messages.

    Examples
    --------
    >>> units_of("mm")
    ('mm', 'inches', 'thou', '1/100 mm')
    """
    return _OFFERED.get(record_unit, (record_unit,))


def either(names: tuple[str, ...]) -> str:
    """Write names with "or" before the last.

    Examples
    --------
    >>> either(("mm", "inches", "thou"))
    'mm, inches or thou'
    """
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
