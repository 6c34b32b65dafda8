"""Days moved by a whole number, wherever a text says one: 2026-03-04, 2026/03/04, 20260304."""

import re
from datetime import date, timedelta

_DAY = re.compile(r"(?<!\d)(?P<year>(?:19|20)\d\d)(?P<mark>[-./_]?)(\d\d)(?P=mark)(\d\d)(?!\d)")
_MONTHS = "jan|feb|mar|mär|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez"
#: Days said in another way, which stay: 4.3.2026, 4 March, March 2026, 2026-03.
OTHER = re.compile(
    rf"\b\d{{1,2}}[./-]\d{{1,2}}[./-](?:\d\d)?\d\d\b|\b\d{{1,2}}\.? (?:{_MONTHS})[a-z]*\b"
    rf"|\b(?:{_MONTHS})[a-z]* \d|(?<!\d)(?:19|20)\d\d-\d\d(?![\d-])",
    re.IGNORECASE,
)


def moved(text: str, days: int) -> str:
    """Return a text with its days moved by so many.

    Examples
    --------
    >>> moved("2026-03-04 19:30; R07_20260304.wav; 1234-56-78", 7)
    '2026-03-11 19:30; R07_20260311.wav; 1234-56-78'
    """

    def later(found: re.Match[str]) -> str:
        try:
            day = date(int(found["year"]), int(found[3]), int(found[4])) + timedelta(days=days)
        except (ValueError, OverflowError):
            return found[0]  # no day of the calendar
        return found["mark"].join((f"{day:%Y}", f"{day:%m}", f"{day:%d}"))

    return _DAY.sub(later, text) if days else text
