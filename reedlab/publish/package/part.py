"""One file of the package: where it lies, what it holds, and for a table its columns."""

from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import file_digest, sha256
from pathlib import Path

from reedlab.schema import Table
from reedlab.study.writing import csv_lines


@dataclass(frozen=True)
class Part:
    """One file of the package.

    Attributes
    ----------
    file : str
        Where it lies in the package.
    holds : str
        What it holds, in words.
    content : bytes or Path
        What is in it, or where that lies for now.
    table : Table or None
        Its columns if it is a table.
    cells : sequence of sequence of str
        Of a table: the text of its rows.
    of_the_record : bool
        Whether it is one of the study's own tables.
    """

    file: str
    holds: str
    content: bytes | Path
    table: Table | None = None
    cells: Sequence[Sequence[str]] = ()
    of_the_record: bool = False

    @property
    def size(self) -> int:
        """How many bytes it has."""
        if isinstance(self.content, Path):
            return self.content.stat().st_size
        return len(self.content)

    @property
    def checksum(self) -> str:
        """Its SHA-256 in hexadecimal."""
        if isinstance(self.content, Path):
            with self.content.open("rb") as file:
                return file_digest(file, "sha256").hexdigest()
        return sha256(self.content).hexdigest()


def table_part(
    file: str,
    holds: str,
    table: Table,
    cells: Sequence[Sequence[str]],
    of_the_record: bool = False,
) -> Part:
    """Return a table as a file: UTF-8 with the mark without which accents are garbled."""
    content = csv_lines([table.names, *cells]).encode("utf-8-sig")
    return Part(file, holds, content, table, cells, of_the_record)


def text_part(file: str, holds: str, text: str) -> Part:
    """Return a text as a file."""
    return Part(file, holds, text.encode("utf-8"))
