"""Other words for the people of a study, the same ones wherever they are named.

A player becomes P1, P2, ... in an order drawn with a key that is not published. Names are
found in any text: whole, or one part of them, in any case, with or without accents, run
together, percent-encoded as in a web address. What also is a word of the record (a player
called Reed) or too short (B) is replaced only where it stands alone in a column of people.
"""

import hmac
import re
import unicodedata
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from urllib.parse import quote

from reedlab.schema import INSTRUMENTS, TABLES

#: Columns whose words are people, beside those that are asked for.
_PERSON = "player|rater|judge|maker|tester|musician|listener|performer"
PEOPLE = re.compile(rf"(?:.*[\W_])?(?:{_PERSON})s?(?:[\W_]?(?:id|name|code|\d+))?", re.IGNORECASE)
#: Fewer letters are no name that could be found in a text.
SHORTEST = 3
#: From so many letters on a name is found inside longer words too.
LONG = 5
#: What a part of a name becomes that two people share.
SHARED = "a player"
_LETTER = r"[^\W\d_]"


@lru_cache(maxsize=1)
def _words_of_the_record() -> str:
    """Return all words of headers and their meanings, in small letters."""
    texts = [item.name for item in INSTRUMENTS]
    for table in TABLES:
        texts.append(table.name)
        for column in table.columns:
            texts += [column.name, column.meaning, *map(str, column.levels)]
    return " ".join(texts).casefold().replace("_", " ")


@dataclass(frozen=True)
class Naming:
    """Which word stands for which.

    Attributes
    ----------
    people : mapping of str to str
        From each person's name as typed to the other word.
    places : mapping of str to mapping
        By column that is hidden besides: from its words to the other ones.
    whole_only : tuple of str
        People who can be replaced only where the name stands alone in its column.
    """

    people: Mapping[str, str] = field(default_factory=dict)
    places: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    whole_only: tuple[str, ...] = ()

    def said(self, text: str) -> str:
        """Return a text with the other words in the place of names.

        Examples
        --------
        >>> naming = named(["Écru Gorse", "P7"], "a key", {})
        >>> other = naming.people["Écru Gorse"]
        >>> naming.said("ecru's crow; ÉCRUGORSE.wav; %C3%89cru").replace(other, "-")
        "-'s crow; -.wav; -"
        """
        if self._pattern is None:
            return text
        return self._pattern.sub(lambda found: self._others[(found.lastindex or 1) - 1], text)

    def cell(self, column: str, text: str) -> str:
        """Return a cell of a column: as a whole where the column holds people or places."""
        words = self.places.get(column) or (self.people if PEOPLE.fullmatch(column) else {})
        if text in words:
            return words[text]
        if words is self.people and len(people_in(text)) > 1:
            return "; ".join(words.get(name, self.said(name)) for name in people_in(text))
        return self.said(text)

    @cached_property
    def traces(self) -> tuple[str, ...]:
        """The parts of names, in small letters, that must be found nowhere."""
        parts = {part for name in self.people for part in _parts(name)}
        words = _words_of_the_record()
        return tuple(
            sorted(p for p in map(str.casefold, parts) if len(p) > SHORTEST and p not in words)
        )

    @cached_property
    def trade_words(self) -> tuple[str, ...]:
        """The parts of names that are words of the record too, and stay where they stand alone."""
        words = _words_of_the_record().split()
        parts = {
            part for name in self.people if name not in self.whole_only for part in _parts(name)
        }
        return tuple(sorted(part for part in parts if part.casefold() in words))

    @cached_property
    def _searched(self) -> list[tuple[str, str]]:
        """Each pattern with its other word: places, whole names, then parts of names."""
        whole: dict[str, str] = {}
        owners: dict[str, set[str]] = {}
        words = _words_of_the_record()
        names = {name.lower() for name in self.people}
        for name, other in self.people.items():
            if name in self.whole_only:
                continue
            parts = _parts(name)
            if parts != [name]:
                whole.setdefault(rf"(?<![^\W_]){re.escape(name)}(?![^\W_])", other)
            if len(parts) > 1:
                whole.setdefault(r"[\W_]*".join(map(_forms, parts)), other)
            for part in {part.lower() for part in parts} - {*words.split()}:
                # A part that is somebody's whole name is that person's.
                if part == name.lower() or part not in names:
                    owners.setdefault(_bounded(part, words), set()).add(other)
        parts_of = {
            pattern: others.pop() if len(others) == 1 else SHARED
            for pattern, others in sorted(owners.items())
        }
        places = {
            rf"(?<!{_LETTER}){_forms(name)}(?!{_LETTER})": other
            for column in self.places.values()
            for name, other in column.items()
            if _parts(name)
        }
        return [
            pair
            for found in (places, whole, parts_of)
            for pair in sorted(found.items(), key=lambda pair: (-len(pair[0]), pair[0]))
        ]

    @cached_property
    def _others(self) -> list[str]:
        return [other for _, other in self._searched]

    @cached_property
    def _pattern(self) -> re.Pattern[str] | None:
        joined = "|".join(f"({pattern})" for pattern, _ in self._searched)
        return re.compile(joined, re.IGNORECASE) if joined else None


def people_in(cell: str) -> list[str]:
    """Return the people that a cell names; they are parted by ; + or &.

    Examples
    --------
    >>> people_in("Player, First; Other"), people_in("P1")
    (['Player, First', 'Other'], ['P1'])
    """
    return [name.strip() for name in re.split("[;+&]", cell) if name.strip()]


def named(
    people: Iterable[str],
    key: str,
    places: Mapping[str, Iterable[str]],
    taken: Collection[str] = (),
) -> Naming:
    """Draw other words for people and places.

    Parameters
    ----------
    people : iterable of str
        Names as typed.
    key : str
        The same one draws the same words; who knows it can find out who is who.
    places : mapping of str to iterable of str
        By column: what stands in it.
    taken : collection of str
        All words that stand alone anywhere else in the record.

    Returns
    -------
    Naming
    """
    names = sorted(set(people))
    words = _words_of_the_record().split()
    whole_only = [
        name
        for name in names
        if (not _parts(name) and (name in taken or not re.search(r"\d", name)))
        or (_parts(name) and all(part.casefold() in words for part in _parts(name)))
    ]
    stems = ("P", "Player", "Somebody")
    stem = next(
        (
            stem
            for stem in stems
            if not {f"{stem}{number}" for number in range(1, len(names) + 1)} & set(taken)
        ),
        "Person",
    )
    return Naming(
        {name: f"{stem}{place}" for place, name in enumerate(_drawn(names, key), start=1)},
        {
            column: {
                name: f"{column.removesuffix('_id').replace('_', ' ')} {place}"
                for place, name in enumerate(_drawn(sorted(set(values)), key), start=1)
            }
            for column, values in places.items()
        },
        tuple(whole_only),
    )


def _drawn(names: Iterable[str], key: str) -> list[str]:
    secret = key.encode("utf-8")
    return sorted(names, key=lambda name: hmac.digest(secret, name.encode("utf-8"), "sha256"))


def _parts(name: str) -> list[str]:
    """Return the parts of a name that are long enough to be found; a code has none."""
    # An accent that is typed apart from its letter belongs to it.
    whole = unicodedata.normalize("NFC", name)
    return [
        part
        for part in re.split(r"[\W\d_]+", whole)
        if len(part) >= SHORTEST or (len(part) > 1 and not _has_cases(part))
    ]


def _has_cases(part: str) -> bool:
    """Say whether a script has capitals; one that has none parts no words, and says much in two."""
    return part.upper() != part.lower()


def _forms(name: str) -> str:
    """Return a pattern for the ways of writing a name."""
    whole, apart = (unicodedata.normalize(form, name) for form in ("NFC", "NFD"))
    bare = "".join(mark for mark in apart if not unicodedata.combining(mark)).translate(_BARE)
    spelt = whole.translate(_SPELT)
    forms = {apart, whole, bare, spelt.translate(_BARE), spelt}
    # Capitals of some letters are other ones (ß, ı), and bytes of an address have no case.
    forms |= {change(form) for form in forms for change in (str.lower, str.upper)}
    forms |= {quote(form) for form in forms}
    ordered = sorted(forms, key=lambda form: (-len(form), form))
    return f"(?:{'|'.join(map(re.escape, ordered))})"


#: Letters that do not come apart into a plain one and its accent.
_BARE = str.maketrans(
    {"ø": "o", "Ø": "O", "ł": "l", "Ł": "L", "đ": "d", "Đ": "D", "ı": "i", "æ": "ae", "Æ": "AE"}
    | {"œ": "oe", "Œ": "OE", "ß": "ss"}
)
#: Letters that some write as two.
_SPELT = str.maketrans(
    {"ä": "ae", "ö": "oe", "ü": "ue", "ø": "oe", "å": "aa", "Ä": "Ae", "Ö": "Oe", "Ü": "Ue"}
    | {"Ø": "Oe", "Å": "Aa"}
)


def _bounded(part: str, words: str) -> str:
    """Return a pattern for a part of a name: a short one only as a word of its own."""
    if not _has_cases(part) or (len(part) >= LONG and part not in words):
        return _forms(part)
    return rf"(?<!{_LETTER}){_forms(part)}(?=s?(?!{_LETTER}))"
