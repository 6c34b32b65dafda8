"""Reading one XML part of a spreadsheet as a stream, without trust in it.

Nothing of the part is kept but what a walk picks from it. Entities are refused, and so
are parts that nest deeper, hold longer tags, more elements or more text than any sheet
of `grid.MAX_CELLS` cells could: time and memory stay bounded whatever the part claims.
"""

from collections.abc import Callable
from typing import IO
from xml.parsers import expat

from reedlab.errors import RecordError

MAX_DEPTH = 100
MAX_ELEMENTS = 12_000_000
#: Bytes of a single tag or comment, and characters of a single text.
MAX_TAG = 1_000_000
#: Characters of all texts of a part together.
MAX_CHARACTERS = 40_000_000
_CHUNK = 65_536


class XmlWalk:
    """A walk through one part; who reads it says what is opened and closed.

    Parameters
    ----------
    file, part : str
        Names, for messages.

    Notes
    -----
    `opened` and `closed` are called with names as `namespaces` says. Text is collected
    between `collect` and `collected` only.
    """

    #: Whether names are told with their namespace, "namespace local", or without prefix.
    namespaces = False

    def __init__(self, file: str, part: str) -> None:
        self._file, self._part = file, part
        self.depth = 0
        self._elements = 0
        self._characters = self._before = 0
        self._pieces: list[str] = []

    def opened(self, name: str, attributes: dict[str, str]) -> None:
        """Take note of the beginning of an element."""

    def closed(self, name: str) -> None:
        """Take note of the end of an element."""

    def collect(self) -> None:
        """Begin to collect text."""
        self._pieces.clear()
        self._before = self._characters
        self._parser.CharacterDataHandler = self.heard

    def pause(self, again: bool = False) -> None:
        """Let text pass unheard, until it is heard again."""
        self._parser.CharacterDataHandler = self.heard if again else None

    def collected(self) -> str:
        """Return the text collected, and collect no more."""
        self.pause()
        return "".join(self._pieces)

    def heard(self, text: str) -> None:
        """Take text as part of what is collected."""
        self._characters += len(text)
        if self._characters > MAX_CHARACTERS:
            raise self.refused(f"more than {MAX_CHARACTERS:,} characters")
        if self._characters - self._before > MAX_TAG:
            raise self.refused("one text of more than a million characters")
        self._pieces.append(text)

    def run(self, stream: IO[bytes], tell: Callable[[int], None] = lambda _: None) -> None:
        """Walk through the part; `tell` hears how many bytes were read since it last did.

        Raises
        ------
        RecordError
            If the part is no XML, or more than a sheet could be.
        """
        self._parser = expat.ParserCreate(namespace_separator=" " if self.namespaces else None)
        self._parser.buffer_text = True
        self._parser.StartElementHandler = self._opened
        self._parser.EndElementHandler = self._closed
        self._parser.StartDoctypeDeclHandler = self._doctype
        read = 0
        try:
            while chunk := stream.read(_CHUNK):
                self._parser.Parse(chunk, False)
                read += len(chunk)
                if read - self._parser.CurrentByteIndex > MAX_TAG:
                    raise self.refused("one tag of more than a million bytes")
                tell(len(chunk))
            self._parser.Parse(b"", True)
        except expat.ExpatError as error:
            raise RecordError(
                f"{self._file} is damaged ({self._part}, line {error.lineno}: "
                f"{expat.ErrorString(error.code)}); open it in a spreadsheet and save it again."
            ) from None

    def refused(self, what: str) -> RecordError:
        """Return the error that a part holds what no sheet holds."""
        return RecordError(
            f"{self._file} holds {what} ({self._part}), which no sheet needs; it is not read. "
            "Open it in a spreadsheet and save it again."
        )

    def _opened(self, name: str, attributes: dict[str, str]) -> None:
        self.depth += 1
        self._elements += 1
        if self.depth > MAX_DEPTH:
            raise self.refused(f"more than {MAX_DEPTH} tags inside each other")
        if self._elements > MAX_ELEMENTS:
            raise self.refused(f"more than {MAX_ELEMENTS:,} tags")
        if not self.namespaces and ":" in name:
            name = name[name.index(":") + 1 :]
        self.opened(name, attributes)

    def _closed(self, name: str) -> None:
        self.depth -= 1
        if not self.namespaces and ":" in name:
            name = name[name.index(":") + 1 :]
        self.closed(name)

    def _doctype(self, *_: object) -> None:
        raise self.refused("declarations of a document type")
