"""Text files to a grid: which encoding, which separator, which cells.

A byte order mark or strict UTF-8 settles the encoding. What is neither is taken for
CP1252 if that reads as a western European language, else what charset-normalizer finds.
The separator is the one that cuts most rows into the same number of cells.
"""

import codecs
import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from reedlab.errors import RecordError
from reedlab.study.bring.grid import ERRORS, MAX_TEXT, Grid, GridRows

_MARKS = (
    (codecs.BOM_UTF8, "utf-8", "UTF-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le", "UTF-32"),  # before UTF-16 LE, whose mark it begins with
    (codecs.BOM_UTF32_BE, "utf-32-be", "UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16-le", "UTF-16 LE"),
    (codecs.BOM_UTF16_BE, "utf-16-be", "UTF-16 BE"),
)
#: Encodings that charset-normalizer may choose between.
_SOME = [
    "cp1250", "mac_roman", "cp850", "cp852", "cp1251", "koi8_r", "cp1253", "cp1254", "cp1257",
    "iso8859_15", "shift_jis", "gb18030", "big5", "euc_kr",
]  # fmt: skip
_SAMPLE = 65_536
#: Characters of a line; all columns that a sheet may have need less.
_MAX_LINE = 2_000_000
_LETTER = "A-Za-zÀ-ÖØ-öø-ÿŒœŠšŽžŸ"
#: In CP1252: signs that no word has inside it, signs that no sheet has, and letters as they
#: follow each other in no western European language.
_NOT_WESTERN = re.compile(
    rf"[{_LETTER}][‚„”“†‡ˆ‰‹›•˜¡¢£¤¥¦§¨©ª«¬®¯°±²³´¶·¸¹º»¼½¾¿][{_LETTER}]|[ƒ¤¦¬¸ÞþÝý]|[a-z][À-ÖØ-ÞŠŽŸ]"
    r"|[À-ÖØ-öø-ÿ]{3}"
)
_CONTROL = re.compile("[\x00-\x08\x0e-\x1b\x7f]")
_BEYOND_ASCII = re.compile(b"[\x80-\xff]")
_HINT = re.compile(r"sep=(.)\r?\n")
#: In order of preference where two cut a file equally well.
_SEPARATORS = "\t;|,"
_RARE = "~^!#:/¦§"
_FORMULA = re.compile(r"=\s*[A-Za-zÀ-ÿ(+\-$].*|[=+\-@][A-Za-z][A-Za-z.]*\(.*", re.DOTALL)
_AS_TEXT = re.compile(r'="([^"]*)"')


def text_grid(
    path: Path, data: bytes, tell: Callable[[int, int], None], encoding: str = ""
) -> Grid:
    """Read a text file.

    Parameters
    ----------
    path : Path
        Of the file; its stem names the grid.
    data : bytes
    tell : callable
        Told how many bytes are read, and of how many.
    encoding : str, optional
        Empty: it is found out.

    Raises
    ------
    RecordError
        If it is no text, its encoding cannot be told, or a quotation mark is not closed.
    """
    file = path.name
    skip, codec, said = _encoding(file, data, encoding)
    head = _head(file, data[skip : skip + _SAMPLE], codec)
    hint = _HINT.match(head)
    separator = hint[1] if hint else _separator(head)
    raw = io.BytesIO(data)
    raw.seek(skip)
    lines = io.TextIOWrapper(raw, encoding=codec, newline="")
    if hint:
        lines.readline()
    rows, kinds = GridRows(file), _Kinds(file)
    try:
        for number, record in enumerate(_records(_lines(file, lines), separator), start=1):
            kinds.row = number
            rows.add(*kinds.of(record))
            if not number % 5000:
                tell(raw.tell(), len(data))
    except csv.Error as error:
        raise _not_closed(file, kinds.row + 1, error) from None
    except UnicodeError as error:
        place = f"after row {kinds.row}" if kinds.row else "in its first row"
        raise RecordError(
            f"{file} is not {said} text all through ({place}: {getattr(error, 'reason', error)}); "
            "open it in a spreadsheet and save it as .xlsx."
        ) from None
    tell(len(data), len(data))
    named = {"": "one column", "\t": "separated by tabs", " ": "separated by spaces"}
    how = f"{said}, {named.get(separator, f'separated by {separator}')}"
    return Grid(path.stem, rows.done(), False, how, separator)


def _encoding(file: str, data: bytes, asked: str) -> tuple[int, str, str]:
    """Return how many bytes to skip, the codec, and how it is called."""
    for mark, codec, said in _MARKS:
        if data.startswith(mark):
            return len(mark), codec, f"{said} with a byte order mark"
    if asked:
        try:
            return 0, codecs.lookup(asked).name, asked.upper()
        except LookupError:
            raise RecordError(f"There is no encoding '{asked}'; write e.g. cp1252.") from None
    head = data[:_SAMPLE]
    if b"\0" in head:
        even, odd = head[::2].count(0), head[1::2].count(0)
        wide = max(even, odd) > 10 * min(even, odd) and max(even, odd) > len(head) / 20
        if len(data) % 2 or not wide:
            raise RecordError(f"{file} is neither a sheet nor text.")
        return (0, "utf-16-le", "UTF-16 LE") if odd > even else (0, "utf-16-be", "UTF-16 BE")
    if _decodes(data, "utf-8"):
        return 0, "utf-8", "UTF-8"
    if _decodes(data, "cp1252") and not _NOT_WESTERN.search(_telling(data).decode("cp1252")):
        return 0, "cp1252", "CP1252"
    return _guessed(file, data)


def _telling(data: bytes) -> bytes:
    """Return lines that are not plain ASCII, the first of them, for only they tell anything."""
    first = _BEYOND_ASCII.search(data)
    start = max(0, first.start() - 1000) if first else 0
    lines = data[start : start + _SAMPLE].splitlines()
    return b"\n".join(line for line in lines if not line.isascii())


def _guessed(file: str, data: bytes) -> tuple[int, str, str]:
    """Ask charset-normalizer, telling it which encodings old sheets may have."""
    from charset_normalizer import from_bytes

    best = from_bytes(_telling(data), cp_isolation=_SOME).best()
    for codec in ([best.encoding] if best else []) + ["cp1252"]:
        if _decodes(data, codec):
            return 0, codec, f"{codec.upper()} (guessed)"
    raise RecordError(
        f"{file} is neither a sheet nor text in any encoding that is known; open it in a "
        "spreadsheet and save it as .xlsx."
    )


def _decodes(data: bytes, codec: str) -> bool:
    decoder = codecs.getincrementaldecoder(codec)()
    try:
        for start in range(0, len(data), 1_000_000):
            decoder.decode(data[start : start + 1_000_000])
        decoder.decode(b"", True)
    except UnicodeError:
        return False
    return True


def _head(file: str, data: bytes, codec: str) -> str:
    """Return the beginning, without its last line if that may be cut off."""
    try:
        text = codecs.getincrementaldecoder(codec)().decode(data)
    except UnicodeError:
        text = data.decode(codec, "replace")
    if _CONTROL.search(text):
        raise RecordError(f"{file} is neither a sheet nor text.")
    if len(data) < _SAMPLE:
        return text
    return text[: text.rfind("\n") + 1] or text


def _separator(head: str) -> str:
    """Return the separator that cuts most rows into the same number of cells, or none."""
    best, best_share = "", 0.0
    for separator in _SEPARATORS:
        share = _share(head, separator)
        if share > best_share:
            best, best_share = separator, share
    if best:
        return best
    lines = [line for line in head.splitlines() if line.strip()]
    for separator in _RARE:
        counts = {line.count(separator) for line in lines}
        if len(lines) > 1 and len(counts) == 1 and counts != {0}:
            return separator
    widths = {len(line.split()) for line in lines}
    numbers = any(word.replace(".", "", 1).isdigit() for word in lines[-1].split()[1:])
    return " " if len(lines) > 2 and len(widths) == 1 and widths != {1} and numbers else ""


def _share(head: str, separator: str) -> float:
    """Return the share of rows that have the most common number of cells, if above one."""
    widths: Counter[int] = Counter()
    try:
        for record in csv.reader(io.StringIO(head, newline=""), delimiter=separator):
            widths[len(record)] += any(map(str.strip, record))
    except csv.Error:
        return 0.0
    widths[0] = 0
    width, rows = max(widths.items(), key=lambda item: (item[1] * (item[0] > 1), item[0]))
    return rows / widths.total() if width > 1 and rows else 0.0


def _lines(file: str, stream: io.TextIOWrapper) -> Iterator[str]:
    """Read line by line, none longer than is kept in memory without thought."""
    number = 0
    while line := stream.readline(_MAX_LINE):
        number += 1
        if len(line) == _MAX_LINE:
            raise _too_long(file, number)
        yield line


def _records(lines: Iterable[str], separator: str) -> Iterator[list[str]]:
    if separator == " ":
        return (line.split() for line in lines)
    if not separator:
        # Quotation marks may stand around a cell nevertheless; no sheet holds this sign.
        return csv.reader(lines, delimiter="\x1f", strict=True)
    return csv.reader(lines, delimiter=separator, strict=True)


class _Kinds:
    """Text and kind of cells, worked out once for each different text."""

    def __init__(self, file: str) -> None:
        self._file = file
        self._known: dict[str, tuple[str, str]] = {}
        self.row = 0

    def of(self, record: list[str]) -> tuple[list[str], list[str]]:
        """Return the texts of a row as a spreadsheet shows them, and their kinds."""
        texts, kinds = [], []
        for typed in record:
            known = self._known.get(typed)
            if known is None:
                if len(self._known) > 20_000:
                    self._known.clear()
                known = self._known[typed] = self._look(typed)
            texts.append(known[0])
            kinds.append(known[1])
        return texts, kinds

    def _look(self, typed: str) -> tuple[str, str]:
        if not typed.isprintable() and _CONTROL.search(typed):
            raise RecordError(
                f"{self._file}, row {self.row}: a cell holds a control character; this is no "
                "plain text. Open it in a spreadsheet and save it as .xlsx."
            )
        if len(typed) > MAX_TEXT:
            raise _too_long(self._file, self.row)
        bare = typed.strip()
        if not bare:
            return typed, "blank"
        if bare[0] == "#" and bare.upper() in ERRORS:
            return typed, "error"
        if bare[0] in "=+-@":
            as_text = _AS_TEXT.fullmatch(bare)
            if as_text:
                return as_text[1], "text"  # ="007" is how text is kept text
            if _FORMULA.fullmatch(bare):
                return typed, "formula"
        return typed, "text"


def _not_closed(file: str, row: int, error: csv.Error) -> RecordError:
    if "field limit" in str(error):
        return _too_long(file, row)
    return RecordError(
        f"{file}, row {row}: a quotation mark opens a cell and does not close it as it should "
        f"({error}). Double each quotation mark inside a cell."
    )


def _too_long(file: str, row: int) -> RecordError:
    return RecordError(
        f"{file}, row {row}: a cell has more than {MAX_TEXT:,} characters, which no sheet holds; "
        "perhaps a quotation mark is not closed."
    )
