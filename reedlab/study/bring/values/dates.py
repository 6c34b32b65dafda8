"""Days and moments, written year-month-day; times of day as 24 hours.

An order of day and month is never guessed: a date made of numbers is read if it can be
one day only, or if the rule settles the order; else it is asked about. Years of two digits
are 1970 to 2069, the usual turn of computers, and that is said.
"""

import re
from datetime import date, datetime, time, timedelta
from typing import NamedTuple

from reedlab.schema import Column
from reedlab.study.bring.grid import Cell
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values.date_words import month_of
from reedlab.study.bring.values.readings import Read, asked, refused, shown, taken
from reedlab.study.bring.values.tidy import tidied

_ORDERS = ("dmy", "mdy", "ymd")
_SAID = {"dmy": "day first", "mdy": "month first", "ymd": "year first"}
_NUMBERS = re.compile(r"([0-9]{1,4})\s?([./\- ])\s?([0-9]{1,2})\s?\2\s?([0-9]{4}|[0-9]{1,2})\.?")
_SHORT = re.compile(r"([0-9]{1,2})[./-]([0-9]{1,2})\.?")
_DAY_WORD = re.compile(
    r"([0-9]{1,2})(?:st|nd|rd|th|\.|er)?[\s\-/]*([^\W\d]+)\.?[\s\-/,']*([0-9]{4}|[0-9]{2})"
)
_WORD_DAY = re.compile(
    r"([^\W\d]+)\.?[\s\-/]*([0-9]{1,2})(?:st|nd|rd|th)?[\s\-/,]+([0-9]{4}|[0-9]{2})"
)
_COMPACT = re.compile(r"([12][0-9]{3})([0-9]{2})([0-9]{2})")
_SERIAL = re.compile(r"[0-9]{5}(?:[.,][0-9]+)?")
_NO_DAY = re.compile(
    r"(?:[0-9]{4}|[0-9]{1,2}[./-][0-9]{4}|[0-9]{4}-[0-9]{1,2}|[^\W\d]+\.? [0-9]{4})"
)
_WEEKDAY = re.compile(
    r"((?:mon|tue|wed|thu|fri|sat|sun|mo|di|mi|do|fr|sa|so|lun|mar|mer|jeu|ven|sam|dim)"
    r"[a-zäöüé]*)\.?,?\s+(?=[0-9])",
    re.IGNORECASE,
)
_ZONE = re.compile(r".*[0-9](?:z|\s?utc|\s?gmt|[+-][0-9]{2}:?[0-9]{2})", re.I)
_TIME = re.compile(
    r"(?P<hour>[0-9]{1,2})(?:\s?[:.h]\s?(?P<minute>[0-9]{2}))?(?::(?P<second>[0-9]{2})(?:\.0+)?)?"
    r"\s*(?P<half>[ap]\.?\s?m\.?)?\s*(?:uhr|h|hrs?)?",
    re.IGNORECASE,
)
_WITH_TIME = re.compile(
    r"(?P<day>.*?[0-9.])(?:\s*,\s*|T|\s+(?:at|um|à|@)?\s*)"
    r"(?P<time>[0-9]{1,2}(?:\s?[:h]\s?[0-9]{2}.*|\.[0-9]{2}\s*uhr|\s*[ap]\.?m\.?.*|\s*uhr))",
    re.IGNORECASE,
)
_WRITE = {"date": "write it like 2026-03-04", "datetime": "write it like 2026-03-04 19:30"}
#: Days are counted from here in most spreadsheets, and from 1904 in some.
_EPOCH, _EPOCH_1904 = date(1899, 12, 30), date(1904, 1, 1)


class Day(NamedTuple):
    """A day that is certain, and how it was read."""

    day: date
    why: str


class Either(NamedTuple):
    """Days that a date may be, by the order of its numbers; none if it is none."""

    days: dict[str, date]


def read_date(cell: Cell, column: Column, rule: ColumnRule) -> Read:
    """Return the reading of a cell in a column of days or of moments.

    Examples
    --------
    >>> made = Column("made_on", "date")
    >>> read_date(Cell("13/04/2025"), made, ColumnRule()).text
    '2025-04-13'
    >>> print(read_date(Cell("03/04/2025"), made, ColumnRule()).ask)
    '03/04/2025' is 2025-04-03 with the day first and 2025-03-04 with the month first: which?
    """
    typed = tidied(cell.text)
    if isinstance(cell.value, datetime):
        return _moment(cell, cell.value.date(), _clock(cell.value), "a date of the sheet", column)
    if isinstance(cell.value, bool):
        return refused(f"{shown(cell.text)} is not a date", _WRITE[column.type])
    if isinstance(cell.value, int | float) or _SERIAL.fullmatch(typed):
        return _serial(cell, typed, column, rule)
    if _ZONE.fullmatch(typed) and ":" in typed:
        return refused(
            f"{shown(cell.text)} names a time zone", "write the local day and time without it"
        )
    day_text, clock = typed, None
    parted = _WITH_TIME.fullmatch(typed)
    if parted:
        day_text, clock = parted["day"], _time_of(parted["time"])
        if clock is None:
            return refused(f"{shown(cell.text)} has no such time of day", _WRITE["datetime"])
    elif _time_of(typed) and not _SHORT.fullmatch(typed) and not typed.isdecimal():
        return refused(f"{shown(cell.text)} is a time without a day", _WRITE[column.type])
    found = day_of(day_text, rule.date_order)
    if isinstance(found, Day):
        return _moment(cell, found.day, clock, found.why, column)
    return _no_day(cell, found, day_text, column, rule)


def day_of(typed: str, order: str = "") -> Day | Either | None:
    """Return the day that is typed, the days that it may be, or None if it is no date.

    Parameters
    ----------
    typed : str
        A day without a time.
    order : {"", "dmy", "mdy", "ymd"}
        The settled order of the column.

    Examples
    --------
    >>> day_of("4-May-25").day.isoformat(), sorted(day_of("5/6/2025").days)
    ('2025-05-04', ['dmy', 'mdy'])
    """
    plain = _without_weekday(" ".join(typed.split()))
    numbers = _NUMBERS.fullmatch(plain)
    if numbers:
        first, _, second, third = numbers.groups()
        return _by_order((first, second, third), order)
    for pattern, places in ((_DAY_WORD, (0, 1, 2)), (_WORD_DAY, (1, 0, 2))):
        match = pattern.fullmatch(plain)
        month = month_of(match[places[1] + 1]) if match else None
        if match and month:
            return _named(match[places[0] + 1], month, match[3])
    compact = _COMPACT.fullmatch(plain)
    if compact:
        return _only(_day(*compact.groups()), "year, month, day")
    return None


def _without_weekday(typed: str) -> str:
    """Take a weekday off the front; "mar" is one in French, but March before a number."""
    match = _WEEKDAY.match(typed)
    return typed[match.end() :] if match and not month_of(match[1]) else typed


def _by_order(parts: tuple[str, str, str], order: str) -> Day | Either:
    if len(parts[0]) == 4:
        return _only(_day(*parts), "")
    if len(parts[0]) == 3:
        return Either({})
    fits = {name: day for name in _ORDERS if (day := _ordered(parts, name)) is not None}
    if len(parts[2]) == 4:
        fits.pop("ymd", None)
    if order in fits:
        return Day(fits[order], _SAID[order] + _century(parts, order))
    if order and fits:
        return Either(fits)  # the column's order does not fit, so something is wrong
    days = set(fits.values())
    if len(days) == 1:
        name = next(iter(fits))
        return Day(days.pop(), (_SAID[name] if len(fits) == 1 else "") + _century(parts, name))
    return Either(fits)


def _ordered(parts: tuple[str, str, str], order: str) -> date | None:
    by = dict(zip(order, parts, strict=True))
    return _day(by["y"], by["m"], by["d"])


def _century(parts: tuple[str, str, str], order: str) -> str:
    year = parts[order.index("y")]
    return f", year {_year(year)}" if len(year) < 4 else ""


def _year(text: str) -> int:
    year = int(text)
    if len(text) > 2:
        return year
    return year + (2000 if year < 70 else 1900)


def _day(year: str, month: str, day: str) -> date | None:
    if len(year) not in (2, 4):
        return None
    try:
        return date(_year(year), int(month), int(day))
    except ValueError:
        return None


def _only(day: date | None, why: str) -> Day | Either:
    return Either({}) if day is None else Day(day, why)


def _named(day: str, month: int, year: str) -> Day | Either:
    why = f"year {_year(year)}" if len(year) == 2 else ""
    return _only(_day(year, str(month), day), why)


def _time_of(typed: str) -> time | None:
    match = _TIME.fullmatch(typed.strip())
    if match is None:
        return None
    hour, minute, second = (int(match[part] or 0) for part in ("hour", "minute", "second"))
    if match["half"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if match["half"][0] in "pP" else 0)
    elif match["minute"] is None and not re.search(r"uhr|h", typed, re.IGNORECASE):
        return None
    return time(hour, minute, second) if hour < 24 and minute < 60 and second < 60 else None


def _clock(value: datetime) -> time | None:
    clock = value.time().replace(microsecond=0)
    return clock if clock != time() else None


def _moment(cell: Cell, day: date, clock: time | None, why: str, column: Column) -> Read:
    if not 1900 <= day.year <= 2100:
        return refused(f"{shown(cell.text)} is the year {day.year}", _WRITE[column.type])
    reasons = [part for part in why.split(", ") if part]
    value = datetime.combine(day, clock or time())
    text = f"{value:%Y-%m-%d}"
    if column.type == "datetime" and clock is not None:
        text = f"{value:%Y-%m-%d %H:%M:%S}" if value.second else f"{value:%Y-%m-%d %H:%M}"
    elif clock is not None:
        reasons += [] if clock == time() else ["the time is not kept"]
        value = datetime.combine(day, time())
    return taken(cell.text, value, text, reasons)


def _serial(cell: Cell, typed: str, column: Column, rule: ColumnRule) -> Read:
    """Read or ask about a day number of a spreadsheet, or refuse a number that is none."""
    number = (
        float(cell.value) if isinstance(cell.value, int | float) else float(typed.replace(",", "."))
    )
    if not 10000 <= number < 100000:
        whole = f"{number:.0f}" if number == number and abs(number) < 1e9 else typed
        found = day_of(whole)
        if isinstance(found, Day):
            return _moment(cell, found.day, None, found.why, column)
        return refused(f"{shown(cell.text)} is not a date", _WRITE[column.type])
    days = timedelta(days=int(number))
    if rule.serials:
        day = (_EPOCH if rule.serials == "1900" else _EPOCH_1904) + days
        return _moment(cell, day, None, f"number of days from {rule.serials}", column)
    return asked(
        f"{shown(cell.text)} may be a spreadsheet's number for {_EPOCH + days} (or for "
        f"{_EPOCH_1904 + days}, if it counts from 1904): does it count from 1900 or 1904?"
    )


def _no_day(
    cell: Cell, found: Either | None, day_text: str, column: Column, rule: ColumnRule
) -> Read:
    if found is None:
        if _SHORT.fullmatch(day_text):
            return refused(f"{shown(cell.text)} has no year", _WRITE[column.type])
        if _NO_DAY.fullmatch(day_text):
            return refused(f"{shown(cell.text)} names no day", _WRITE[column.type])
        return refused(f"{shown(cell.text)} is not a date", _WRITE[column.type])
    if not found.days:
        return refused(f"{shown(cell.text)} is no day of the calendar", _WRITE[column.type])
    readings = [f"{day} with the {_SAID[order]}" for order, day in found.days.items()]
    if rule.date_order:
        return asked(
            f"{shown(cell.text)} is no day with the {_SAID[rule.date_order]} as in the rest of the "
            f"column, but {' or '.join(readings)}: which day is it?"
        )
    return asked(f"{shown(cell.text)} is {' and '.join(readings)}: which?")
