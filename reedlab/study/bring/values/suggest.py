"""What a column's own cells say of how it is to be read: decimal mark, date order, unit.

A suggestion rests on the cells that can be read one way only; where these contradict each
other, or there are none, nothing is suggested. The maker confirms.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from reedlab.schema import Column
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values.amounts import Amount, read_amount
from reedlab.study.bring.values.dates import Day, Either, day_of
from reedlab.study.bring.values.marks import Digits, Doubt, plain_number
from reedlab.study.bring.values.tidy import tidied, unhedged
from reedlab.study.bring.values.units import unit_for, units_of

_LONGEST = 60
_RUN = re.compile(r"[+\-−–]?[0-9.,'’ \u00a0\u2009\u202f]*[0-9]")


@dataclass(frozen=True)
class Suggestion:
    """What is suggested, and what for and against it.

    Attributes
    ----------
    value : str
        The entry for the rule; empty if nothing can be suggested.
    because : str
        In one sentence.
    certain, doubtful : int
        Cells that can be read one way only, and those that need the answer.
    against : tuple of str
        Cells as typed that contradict the suggestion.
    """

    value: str
    because: str
    certain: int = 0
    doubtful: int = 0
    against: tuple[str, ...] = ()


def suggest_decimal(texts: Iterable[str]) -> Suggestion:
    """Return the decimal mark that a column's numbers show.

    Examples
    --------
    >>> suggestion = suggest_decimal(["1,30", "1,25 mm", "1.30", "24"])
    >>> suggestion.value, suggestion.against
    (',', ('1.30',))
    """
    votes: dict[str, list[str]] = {".": [], ",": []}
    doubtful = 0
    for typed, run in _runs(texts):
        found = plain_number(run)
        if isinstance(found, Doubt) and " " not in run:
            doubtful += 1
        elif isinstance(found, Digits) and "." in found.plain and "e" not in run.casefold():
            mark = max(".,", key=run.rfind)
            votes[mark].append(typed)
    return _majority(votes, doubtful, {".": "a decimal point", ",": "a decimal comma"})


def suggest_date_order(texts: Iterable[str]) -> Suggestion:
    """Return the order of day, month and year that a column's dates show.

    Examples
    --------
    >>> suggestion = suggest_date_order(["03/04/2025", "13/04/2025", "31/04/2025"])
    >>> suggestion.value, suggestion.doubtful, suggestion.because
    ('dmy', 1, "day first: 1 cell such as '13/04/2025' can only be read so.")
    """
    votes: dict[str, list[str]] = {"dmy": [], "mdy": [], "ymd": []}
    doubtful = 0
    for typed, text in _short(texts):
        found = day_of(text.partition(" ")[0] if ":" in text else text)
        if isinstance(found, Either) and found.days:
            doubtful += 1
        elif isinstance(found, Day):
            order = {"day first": "dmy", "month first": "mdy", "year first": "ymd"}.get(
                found.why.partition(",")[0]
            )
            if order:
                votes[order].append(typed)
    said = {"dmy": "day first", "mdy": "month first", "ymd": "year first"}
    return _majority(votes, doubtful, said, outright=True)


def suggest_unit(texts: Iterable[str], column: Column, decimal: str = "") -> Suggestion:
    """Return the one unit in which a column's bare numbers are all plausible.

    Examples
    --------
    >>> gouge = Column("gouge_centre_mm", "number", "mm", plausible=(1.0, 1.6))
    >>> suggest_unit(["51", "50", "49.5"], gouge).value, suggest_unit(["130"], gouge).value
    ('thou', '1/100 mm')
    """
    read = [_bare(text, column, decimal) for _, text in _short(texts)]
    bare = [number for number in read if number is not None]
    if not column.unit or not bare or column.plausible is None:
        return Suggestion("", "There is no bare number, or no plausible range to judge it by.")
    low, high = column.plausible
    fits = []
    for name in units_of(column.unit):
        unit = unit_for(name, column.unit)
        if unit and all(low <= number * unit.factor + unit.offset <= high for number in bare):
            fits.append(name)
    if len(fits) == 1:
        range_ = f"{low:g} to {high:g} {column.unit}"
        because = f"In {fits[0]} all {len(bare)} bare numbers lie in the usual range, {range_}."
        return Suggestion(fits[0], because, len(bare))
    many = f"more than one unit ({', '.join(fits)})" if fits else "no unit"
    return Suggestion("", f"In {many} the bare numbers all lie in the usual range.", 0, len(bare))


def _runs(texts: Iterable[str]) -> Iterable[tuple[str, str]]:
    """Yield each cell with the run of digits and marks that it begins with."""
    for typed, text in _short(texts):
        match = _RUN.match(unhedged(text)[0])
        if match:
            yield typed, match[0]


def _short(texts: Iterable[str]) -> Iterable[tuple[str, str]]:
    """Yield each cell that may be a value, as typed and tidied."""
    for typed in texts:
        text = tidied(typed)
        if 0 < len(text) <= _LONGEST:
            yield typed, text


def _bare(text: str, column: Column, decimal: str) -> Fraction | None:
    found = read_amount(unhedged(text)[0], ColumnRule(decimal=decimal), column.unit)
    return found.number if isinstance(found, Amount) and not found.unit else None


def _majority(
    votes: dict[str, list[str]], doubtful: int, said: dict[str, str], outright: bool = False
) -> Suggestion:
    """Suggest what most certain cells show; with `outright`, only if none contradicts."""
    ranked = sorted(votes, key=lambda value: -len(votes[value]))
    first, second = ranked[:2]
    against = tuple(typed for value in ranked[1:] for typed in votes[value])
    if not votes[first]:
        return Suggestion("", "No cell can be read one way only.", 0, doubtful)
    if len(votes[first]) == len(votes[second]) or (outright and against):
        because = f"'{votes[first][0]}' shows {said[first]} and '{against[0]}' {said[second]}."
        return Suggestion("", because, 0, doubtful, against)
    n = len(votes[first])
    cells = "1 cell" if n == 1 else f"{n} cells"
    because = f"{said[first]}: {cells} such as '{votes[first][0].strip()}' can only be read so."
    return Suggestion(first, because, n, doubtful, against)
