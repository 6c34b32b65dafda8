"""What the maker asked for, and how a text of the record reads under it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from reedlab.publish.package.days import moved
from reedlab.publish.package.licences import Licence
from reedlab.publish.package.naming import Naming

#: The column that names the recordings of a test.
RECORDING = "recording"


@dataclass(frozen=True)
class Choices:
    """What goes into the package, and in which words.

    Attributes
    ----------
    licence : Licence
    naming : Naming
        Other words for people and places; none where names may stay.
    notes, recordings, pseudonyms : bool
    days : int
        By how many days all days are moved.
    maker : str
        Who is to be cited; empty if nobody is named.
    renamed : mapping of str to str
        From each recording of the study to where it lies in the package.
    """

    licence: Licence
    naming: Naming = field(default_factory=Naming)
    notes: bool = False
    recordings: bool = False
    pseudonyms: bool = True
    days: int = 0
    maker: str = ""
    renamed: Mapping[str, str] = field(default_factory=dict)

    def said(self, text: str) -> str:
        """Return a text of the record as it is published."""
        return moved(self.naming.said(text), self.days)

    def cell(self, column: str, text: str) -> str:
        """Return a cell of a column of words as it is published."""
        if column == RECORDING:
            return "; ".join(self.renamed[file] for file in files_in(text) if file in self.renamed)
        return moved(self.naming.cell(column, text), self.days)

    def said_in(self, value: Any) -> Any:
        """Return parsed JSON with every text as it is published."""
        if isinstance(value, str):
            return self.said(value)
        if isinstance(value, Mapping):
            return {name: self.said_in(item) for name, item in value.items()}
        if isinstance(value, list):
            return [self.said_in(item) for item in value]
        return value


def files_in(cell: str) -> list[str]:
    """Return the recordings that a cell names.

    Examples
    --------
    >>> files_in("day 1/a.wav; day 1/b.wav")
    ['day 1/a.wav', 'day 1/b.wav']
    """
    return [file.strip() for file in cell.split(";") if file.strip()]
