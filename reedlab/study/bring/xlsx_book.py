"""What an XLSX workbook says of itself: its sheets, its number formats, its first day.

Number formats and days are openpyxl's business. Its reading of the parts is not used: it
keeps every tag it meets, shows no merges without loading all of a sheet, and cannot tell
a formula without a value from a blank cell.
"""

import posixpath
import re
from collections.abc import Mapping
from datetime import datetime, time, timedelta
from decimal import ROUND_HALF_UP, Decimal
from typing import NamedTuple

from reedlab.errors import RecordError
from reedlab.study.bring.xml_walk import XmlWalk
from reedlab.study.bring.zip_parts import ZipParts

#: Bytes of each part read here, unpacked.
_MOST = 10_000_000
_LITERAL = r'(?:"[^"]*"|\\.|_.|[ ])*'
_PLAIN = re.compile(rf"({_LITERAL})(#,##)?(0+)(?:\.(0+))?(%?)({_LITERAL})")
_CONDITION = re.compile(r"\[[^\]]*\]")


class SheetPart(NamedTuple):
    """One sheet: its name, the part that holds it, and whether it is hidden."""

    name: str
    part: str
    hidden: bool


class Book(NamedTuple):
    """What is needed of a workbook to read its sheets.

    `formats` are the number formats of the styles in order; `texts` is the part of the
    texts that cells share, empty if there is none; `since_1904` tells how days count.
    """

    sheets: tuple[SheetPart, ...]
    formats: tuple[str, ...]
    texts: str
    since_1904: bool


def read_book(file: str, parts: ZipParts) -> Book:
    """Read what a workbook says of itself.

    Raises
    ------
    RecordError
        If a part is missing or damaged.
    """
    top = _links(file, parts, "")
    main = next((path for kind, path in top.values() if kind == "officeDocument"), "")
    main = main or "xl/workbook.xml"
    links = _links(file, parts, main)
    book = _BookWalk(file, main)
    with parts.open(main, _MOST) as stream:
        book.run(stream)
    sheets = []
    for name, link, hidden in book.sheets:
        kind, path = links.get(link, ("", ""))
        if kind == "worksheet":  # the others are charts and dialogues
            sheets.append(SheetPart(name, path, hidden))
    if not sheets:
        raise RecordError(f"{file} has no sheet with cells.")
    found = dict(links.values())
    styles, texts = found.get("styles", ""), found.get("sharedStrings", "")
    return Book(
        tuple(sheets),
        _formats(file, parts, styles) if styles in parts else (),
        texts if texts in parts else "",
        book.since_1904,
    )


class Shown:
    """How numbers are shown, by the format of their style; each pair is worked out once.

    Parameters
    ----------
    book : Book
    """

    def __init__(self, book: Book) -> None:
        from openpyxl.styles.numbers import is_date_format, is_timedelta_format
        from openpyxl.utils.datetime import MAC_EPOCH, WINDOWS_EPOCH

        self._formats = book.formats
        self._days = [is_date_format(code) for code in book.formats]
        self._spans = [is_timedelta_format(code) for code in book.formats]
        self._epoch = MAC_EPOCH if book.since_1904 else WINDOWS_EPOCH
        self._known: dict[tuple[str, int], tuple[str, str, float | datetime | None]] = {}

    def number(self, typed: str, style: int) -> tuple[str, str, float | datetime | None]:
        """Return text, kind and value of a number as it is stored.

        A time of the day or a span of time is text, for it is no number of anything.
        """
        key = (typed, style)
        if key not in self._known:
            if len(self._known) > 20_000:
                self._known.clear()
            self._known[key] = self._read(typed, style)
        return self._known[key]

    def _read(self, typed: str, style: int) -> tuple[str, str, float | datetime | None]:
        value = float(typed)
        if not abs(value) < float("inf"):
            return typed, "text", None
        code = self._formats[style] if 0 <= style < len(self._formats) else ""
        if code and self._days[style]:
            moment = self._moment(value, self._spans[style])
            if isinstance(moment, datetime):
                return day_text(moment), "date", moment
            if moment is not None:
                return _clock_text(moment), "text", None
        return number_shown(typed, value, code), "number", value

    def _moment(self, value: float, span: bool) -> datetime | time | timedelta | None:
        from openpyxl.utils.datetime import from_excel

        if value < 0 and not span:
            return None  # before the first day: a spreadsheet shows #### and keeps the number
        try:
            found = from_excel(value, self._epoch, timedelta=span)
        except (OverflowError, ValueError):
            return None
        return found if isinstance(found, datetime | time | timedelta) else None


def number_shown(typed: str, value: float, code: str) -> str:
    """Return a number as its format shows it, where the format is a plain one.

    Parameters
    ----------
    typed : str
        The number as stored.
    value : float
    code : str
        E.g. ``"0.00"``, ``"000"``, ``'0.0" mm"'``; others show the number as it is.

    Examples
    --------
    >>> number_shown("1.3", 1.3, "0.00"), number_shown("7", 7.0, "000")
    ('1.30', '007')
    >>> number_shown("0.30000000000000004", 0.30000000000000004, "General")
    '0.3'
    """
    plain = _PLAIN.fullmatch(_CONDITION.sub("", code.split(";")[0]))
    if plain is None or abs(value) >= 1e15:
        return typed if typed.lstrip("-").isdigit() else f"{value:.15g}"
    before, thousands, whole, decimals, percent, after = plain.groups()
    number = Decimal(repr(value)) * (100 if percent else 1)
    rounded = abs(number).quantize(Decimal(1).scaleb(-len(decimals or "")), ROUND_HALF_UP)
    places = len(decimals) if decimals else 0
    width = len(whole) + (places + 1 if places else 0)
    digits = f"{rounded:,f}" if thousands else f"{rounded:f}".zfill(width)
    sign = "-" if value < 0 and rounded else ""
    return f"{sign}{_literal(before)}{digits}{percent}{_literal(after)}"


def day_text(moment: datetime) -> str:
    """Return a day, and the hour if it has one, as ISO 8601 writes it.

    Examples
    --------
    >>> day_text(datetime(2025, 1, 5)), day_text(datetime(2025, 1, 5, 19, 30))
    ('2025-01-05', '2025-01-05 19:30')
    """
    if moment.time() == time(0):
        return moment.date().isoformat()
    exact = "seconds" if moment.second or moment.microsecond else "minutes"
    return moment.replace(microsecond=0).isoformat(" ", exact)


def _clock_text(moment: time | timedelta) -> str:
    if isinstance(moment, time):
        seconds = moment.hour * 3600 + moment.minute * 60 + moment.second
    else:
        seconds = round(moment.total_seconds())
    minutes, rest = divmod(abs(seconds), 60)
    sign = "-" if seconds < 0 else ""
    text = f"{sign}{minutes // 60}:{minutes % 60:02}"
    return f"{text}:{rest:02}" if rest else text


def _literal(code: str) -> str:
    """Return what the literal part of a format shows: 'mm' of '" mm"'."""
    return re.sub(r'"([^"]*)"|\\(.)|_(.)', lambda m: m[1] or m[2] or (" " if m[3] else ""), code)


def _links(file: str, parts: ZipParts, part: str) -> Mapping[str, tuple[str, str]]:
    """Return what a part links to: kind and path of each by the name of the link."""
    folder, name = posixpath.split(part)
    place = posixpath.join(folder, "_rels", f"{name}.rels")
    walk = _LinksWalk(file, place, folder)
    if place in parts:
        with parts.open(place, _MOST) as stream:
            walk.run(stream)
    return walk.links


def _formats(file: str, parts: ZipParts, part: str) -> tuple[str, ...]:
    from openpyxl.styles.numbers import BUILTIN_FORMATS

    walk = _StylesWalk(file, part)
    with parts.open(part, _MOST) as stream:
        walk.run(stream)
    codes = {**BUILTIN_FORMATS, **walk.codes}
    return tuple(codes.get(number, "General") for number in walk.used)


class _LinksWalk(XmlWalk):
    """The links of a part; their kind is the last word of a long address."""

    def __init__(self, file: str, part: str, folder: str) -> None:
        super().__init__(file, part)
        self._folder = folder
        self.links: dict[str, tuple[str, str]] = {}

    def opened(self, name: str, attributes: dict[str, str]) -> None:
        if name == "Relationship":
            target = attributes.get("Target", "")
            path = posixpath.normpath(posixpath.join("/", self._folder, target))
            kind = attributes.get("Type", "").rpartition("/")[2]
            self.links[attributes.get("Id", "")] = kind, path.lstrip("/")


class _BookWalk(XmlWalk):
    """The sheets in order, and the first day of the calendar."""

    def __init__(self, file: str, part: str) -> None:
        super().__init__(file, part)
        self.sheets: list[tuple[str, str, bool]] = []
        self.since_1904 = False

    def opened(self, name: str, attributes: dict[str, str]) -> None:
        if name == "sheet":
            link = next((attributes[key] for key in attributes if key.endswith(":id")), "")
            hidden = attributes.get("state", "visible") != "visible"
            self.sheets.append((" ".join(attributes.get("name", "").split())[:100], link, hidden))
            if len(self.sheets) > 1000:
                raise self.refused("more than 1,000 sheets")
        elif name == "workbookPr":
            self.since_1904 = attributes.get("date1904") in ("1", "true")


class _StylesWalk(XmlWalk):
    """The formats declared, and which of them the style of each cell uses."""

    def __init__(self, file: str, part: str) -> None:
        super().__init__(file, part)
        self.codes: dict[int, str] = {}
        self.used: list[int] = []
        self._of_cells = False

    def opened(self, name: str, attributes: dict[str, str]) -> None:
        if name == "numFmt":
            number = int(attributes.get("numFmtId", 0))
            self.codes[number] = attributes.get("formatCode", "General")[:255]
        elif name == "cellXfs":
            self._of_cells = True
        elif name == "xf" and self._of_cells:
            self.used.append(int(attributes.get("numFmtId", 0)))
            if len(self.used) > 65_536:
                raise self.refused("more than 65,536 styles")

    def closed(self, name: str) -> None:
        if name == "cellXfs":
            self._of_cells = False
