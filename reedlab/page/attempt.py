"""The test of one reed while it is on the page and not yet on disk.

What was accepted of its recordings, its ratings, what was typed; and how that becomes one
row of a filled testing sheet, cells as the record writes them.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from reedlab.page.takes import Take
from reedlab.study.plans import level_text

#: The folder of the recordings, inside that of the study.
RECORDINGS = "recordings"
#: Six digits, finer than any measured number is known.
DIGITS = 6
SEEN_FIRST = "rated after the numbers were seen"


@dataclass
class Attempt:
    """One reed tried once.

    Attributes
    ----------
    code : str
    place : int
        In the order of playing.
    trial : int
    taken : dict of str to Take
        The accepted recordings, by kind.
    ratings : dict of str to (str or float)
        By response.
    typed : dict of str to str
        Other boxes, as typed.
    note : str
    pending : Take or None
        Recorded, and neither accepted nor thrown away yet.
    seen : bool
        Whether a number was shown.
    seen_first : bool
        Whether one was shown before the reed was rated.
    """

    code: str
    place: int
    trial: int
    taken: dict[str, Take] = field(default_factory=dict)
    ratings: dict[str, str | float] = field(default_factory=dict)
    typed: dict[str, str] = field(default_factory=dict)
    note: str = ""
    pending: Take | None = None
    seen: bool = False
    seen_first: bool = False

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to save."""
        return not (self.taken or self.ratings or self.typed or self.note.strip())

    def cells(self, recordings: Iterable[str]) -> dict[str, str]:
        """Return the filled boxes of the row, by column.

        Parameters
        ----------
        recordings : iterable of str
            Names of the files, relative to the study's folder.
        """
        found: dict[str, str] = {}
        for take in self.taken.values():
            if take.heard:
                found |= {name: _text(value) for name, value in take.heard.numbers.items()}
        found |= {name: level_text(level) for name, level in self.ratings.items()}
        found |= self.typed
        found["recording"] = "; ".join(recordings)
        found["note"] = self._note()
        return {name: text for name, text in found.items() if text.strip()}

    def files(self, session_id: str, stage: str) -> dict[str, Path]:
        """Return the accepted recordings by the name that each gets in the study's folder."""
        parts = [_plain(text) for text in (self.code, session_id, stage, str(self.trial))]
        return {
            f"{RECORDINGS}/{'_'.join([*parts, kind])}{_ending(take.path)}": take.path
            for kind, take in self.taken.items()
        }

    def _note(self) -> str:
        """Return the maker's note, then what must be known of the row."""
        known = [
            f"{take.kind}: {text.removesuffix('.')}"
            for take in self.taken.values()
            for text in take.cautions
        ]
        if self.ratings and self.seen_first:
            known.append(SEEN_FIRST)
        return "; ".join(filter(None, [" ".join(self.note.split()), *known]))


def _text(value: float) -> str:
    """Write a number without an exponent; nothing is minus zero.

    Examples
    --------
    >>> [_text(value) for value in (340.998248, -41.28703, -1e-9, 62.0)]
    ['340.998', '-41.287', '0', '62']
    """
    number = round(value, DIGITS) + 0.0
    return np.format_float_positional(number, DIGITS, unique=False, fractional=False, trim="-")


def _plain(text: str) -> str:
    """Return a text as part of a file's name: the parts are parted by underscores."""
    return re.sub(r"[^\w .-]|_", "-", text).strip(" .") or "-"


def _ending(path: Path) -> str:
    return path.suffix.lower() if re.fullmatch(r"\.[A-Za-z0-9]{1,5}", path.suffix) else ".sound"
