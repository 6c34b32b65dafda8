"""Note names as makers write them, in English, German and solfège, turned into one spelling.

A name says a letter with its accidentals, an octave where one is typed (C4 is middle C),
and cents off. B and H, and names that only German has, need a declared convention.
"""

import re
import unicodedata
from decimal import Decimal
from typing import NamedTuple

_SEMITONE = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_NAMES = ("C", "C♯", "D", "E♭", "E", "F", "F♯", "G", "A♭", "A", "B♭", "B")
_SYLLABLES = {"do": "C", "ut": "C", "re": "D", "mi": "E", "fa": "F", "sol": "G", "la": "A"}
_SYLLABLES |= {"si": "B", "ti": "B"}
_SOLFEGE_SHARPS = {"": 0, "diese": 1, "dieze": 1, "diesis": 1, "sostenido": 1, "sharp": 1}
_SOLFEGE_FLATS = {"bemol": -1, "bemolle": -1, "flat": -1}
_SIGNS = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1, "x": 2, "##": 2, "♯♯": 2, "bb": -2, "♭♭": -2}
#: German syllables behind the letter; Es, As and Hes are irregular.
_GERMAN = {
    "es": ("E", -1), "as": ("A", -1), "eses": ("E", -2), "asas": ("A", -2), "heses": ("B", -2),
    "h": ("B", 0), "his": ("B", 1), "b": ("B", -1),
}  # fmt: skip
_GERMAN |= {f"{letter}is": (letter.upper(), 1) for letter in "cdefga"}
_GERMAN |= {f"{letter}es": (letter.upper(), -1) for letter in "cdfg"}

_LETTER = re.compile(r"([A-Ha-h])\s?(##|♯♯|bb|♭♭|[#♯b♭x]|\s?(?:sharp|flat)\b)?")
_WORDS = {"sharp": 1, "flat": -1}
_SOLFEGE = re.compile(r"(do|ut|re|mi|fa|sol|la|si|ti)(?:\s*(#|♯|b|♭)|\s+([a-z]+))?", re.IGNORECASE)


class Name(NamedTuple):
    """A note as read: its letter class, and in which conventions it is written so."""

    letter: str
    accidental: int
    how: str  # "plain", "german", "english" or "solfege"

    def number(self, octave: int) -> int:
        """Semitones above C0."""
        return 12 * octave + _SEMITONE[self.letter] + self.accidental


def name_of(number: int) -> str:
    """Return the usual name of a note by its semitones above C0.

    Examples
    --------
    >>> name_of(52), name_of(53)
    ('E4', 'F4')
    """
    return f"{_NAMES[number % 12]}{number // 12}"


def read_name(typed: str, notes: str = "") -> Name | tuple[str, ...] | None:
    """Return the note of a name without octave; the two it may be; or None if it is no note.

    Parameters
    ----------
    typed : str
        E.g. ``"Eb"``, ``"Es"``, ``"Fa dièse"``.
    notes : {"", "english", "german", "solfege"}
        The declared convention.

    Examples
    --------
    >>> read_name("Fa dièse"), read_name("B")
    (Name(letter='F', accidental=1, how='solfege'), ('B', 'B♭'))
    >>> read_name("B", "german"), read_name("fig") is None
    (Name(letter='B', accidental=-1, how='german'), True)
    """
    plain = " ".join(typed.split())
    solfege = _SOLFEGE.fullmatch(_unaccented(plain))
    if solfege:
        return _solfege(solfege)
    german = _GERMAN.get(plain.casefold())
    if german and notes == "german":
        return Name(*german, "german")
    if plain.casefold() == "b" and notes in ("", "solfege"):
        return ("B", "B♭")
    if german and plain.casefold() != "b":
        letter, accidental = german
        return (letter + {1: "♯", -1: "♭", -2: "♭♭"}.get(accidental, ""),)
    match = _LETTER.fullmatch(plain)
    if match is None or match[1] in "Hh":
        return None
    sign = (match[2] or "").strip()
    if sign == "x" and match[1].islower():
        return None
    letter = match[1].upper()
    if letter == "B" and notes == "german":
        return ("B♭", "B♭♭") if sign in ("b", "♭") else None
    how = "english" if letter == "B" else "plain"
    return Name(letter, _WORDS[sign] if sign in _WORDS else _SIGNS[sign], how)


def _solfege(match: re.Match[str]) -> Name | None:
    syllable, sign, word = match.groups()
    by = _SIGNS[sign] if sign else (_SOLFEGE_SHARPS | _SOLFEGE_FLATS).get((word or "").lower())
    if by is None:
        return None
    return Name(_SYLLABLES[syllable.lower()], by, "solfege")


def _unaccented(text: str) -> str:
    apart = unicodedata.normalize("NFD", text)
    return unicodedata.normalize(
        "NFC", "".join(c for c in apart if c != "\u0301" and c != "\u0300")
    )


class Pitch(NamedTuple):
    """A pitch: semitones above C0, and cents above that note."""

    number: int
    cents: Decimal

    @property
    def name(self) -> str:
        """The note with its cents, as it may be typed, e.g. ``"E4 +20"``."""
        if not self.cents:
            return name_of(self.number)
        return f"{name_of(self.number)} {self.cents:+f}"
