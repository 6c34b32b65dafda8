"""Names of the months as makers write them: English, German, French, Italian, Spanish, Dutch."""

import re
import unicodedata

_DAY_MONTH = re.compile(r"([0-9]{1,4})[-./ ]+([^\W\d]{3,})\.?(?:[-./ ]+[0-9]{2,4})?")
_MONTH_DAY = re.compile(r"([^\W\d]{3,})\.?[-./ ]+([0-9]{1,4})")
_NAMES = (
    "jan january januar jänner janvier janv gennaio gen enero ene januari",
    "feb february februar févr fév février febbraio febrero februari",
    "mar march mär märz mrz maerz mars marzo maart mrt",
    "apr april avr avril aprile abril abr",
    "may mai maggio mag mayo mei",
    "jun june juni juin giugno giu junio",
    "jul july juli juil juillet luglio lug julio",
    "aug august août aout agosto ago augustus",
    "sep sept september septembre settembre set septiembre",
    "oct october okt oktober octobre ottobre ott octubre",
    "nov november novembre noviembre",
    "dec december dez dezember déc décembre dicembre dic diciembre",
)


def _plain(word: str) -> str:
    apart = unicodedata.normalize("NFD", word.casefold())
    return "".join(c for c in apart if not unicodedata.combining(c)).strip(".")


_MONTH = {_plain(word): place for place, words in enumerate(_NAMES, 1) for word in words.split()}


def month_of(word: str) -> int | None:
    """Return the month that a word names, 1 to 12; None if it names none.

    Examples
    --------
    >>> month_of("May"), month_of("März"), month_of("déc."), month_of("Monday")
    (5, 3, 12, None)
    """
    return _MONTH.get(_plain(word))


def day_and_month(typed: str) -> tuple[int, int] | None:
    """Return day and month of what a spreadsheet makes of 5-1 or 5.1; None if it is no date.

    Examples
    --------
    >>> day_and_month("05-Jan"), day_and_month("Jan-05"), day_and_month("r-01")
    ((5, 1), (5, 1), None)
    """
    for pattern, day, word in ((_DAY_MONTH, 1, 2), (_MONTH_DAY, 2, 1)):
        match = pattern.fullmatch(typed)
        month = month_of(match[word]) if match else None
        if match and month:
            return int(match[day]), month
    return None
