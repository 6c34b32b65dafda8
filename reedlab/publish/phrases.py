"""Every fixed phrase of a handout, by key, from one file a language.

A catalogue is ``phrases/<language>.toml``; a translation is that one file with the same
keys and the same {names}. It also says how numbers and days are written. Numbers come as
values and are written with three significant digits and a real minus sign.
"""

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from os import PathLike
from pathlib import Path
from string import Formatter
from typing import Any

from reedlab.answer import number_text, p_text
from reedlab.errors import CallError, listed, unknown_name

FOLDER = Path(__file__).with_name("phrases")
#: The language that the others are translated from.
FIRST = "en"
#: So many missing or wrong phrases are named.
MOST_NAMED = 5


@dataclass(frozen=True)
class Phrases:
    """A catalogue; made by :func:`read_phrases`.

    Attributes
    ----------
    texts : mapping of str to str
        By key, e.g. ``"heading.done"``; a list has the keys ``"month.1"`` and so on.
    """

    texts: Mapping[str, str]

    def __call__(self, key: str, **names: object) -> str:
        """Return a phrase with its names filled in.

        Raises
        ------
        CallError
            If there is no such phrase.
        """
        if key not in self.texts:
            raise unknown_name("phrase", key, self.texts)
        return self.texts[key].format(**names)

    @property
    def language(self) -> str:
        """The tag of the language, e.g. "en"."""
        return self.texts["language"]

    @cached_property
    def headings(self) -> dict[str, str]:
        """The fixed words of a page, by their key without "heading."."""
        return dict(self.under("heading"))

    def under(self, part: str) -> Iterator[tuple[str, str]]:
        """Give the phrases of one part of the catalogue, by the rest of their key."""
        opening = f"{part}."
        for key, text in self.texts.items():
            if key.startswith(opening):
                yield key.removeprefix(opening), text

    def number(self, value: float) -> str:
        """Write a number with three significant digits; what is missing as empty text."""
        return self._marked(number_text(value))

    def p_value(self, value: float) -> str:
        """Write a p value: three decimals, and never zero."""
        return self._marked(p_text(value))

    def percent(self, share: float) -> str:
        """Write a share of 0 to 1 in whole percent; what is missing as empty text."""
        if share != share:  # missing
            return ""
        return self("percent", number=f"{share * 100:.0f}".replace("-", "−"))

    def day(self, day: date) -> str:
        """Write a day in words."""
        return self("day", day=day.day, month=self(f"month.{day.month}"), year=day.year)

    def count(self, count: int, noun: str) -> str:
        """Write a count with its noun, one of the part "count" of the catalogue."""
        return self(f"count.{noun}.{1 if count == 1 else 2}", n=count)

    def joined(self, words: list[str]) -> str:
        """Write words one after the other, the last after "and"."""
        if len(words) < 2:
            return "".join(words)
        return self("joined", words=", ".join(words[:-1]), last=words[-1])

    def _marked(self, text: str) -> str:
        return text.replace(".", self("decimal_mark"))


def read_phrases(language: str | PathLike[str] = FIRST) -> Phrases:
    """Read the catalogue of a language.

    Parameters
    ----------
    language : str or path
        A language that reedlab speaks, or a catalogue (``my/de.toml``).

    Returns
    -------
    Phrases

    Raises
    ------
    CallError
        If there is no such catalogue, it cannot be read, or phrases are missing, unknown, or
        have other {names} than the English ones.

    Examples
    --------
    >>> say = read_phrases("en")
    >>> say.number(-16.2), say.count(1, "reed"), say.day(date(2026, 5, 4))
    ('−16.2', '1 reed', '4 May 2026')
    """
    path = Path(language)
    if path.suffix != ".toml":
        path = FOLDER / f"{language}.toml"
        if not path.exists():
            raise unknown_name("language", language, [own.stem for own in FOLDER.glob("*.toml")])
    texts = dict(_flat(_toml(path)))
    first = dict(_flat(_toml(FOLDER / f"{FIRST}.toml")))
    faults = [f"'{key}' is missing" for key in first if key not in texts]
    faults += [f"'{key}' is no phrase of a handout" for key in texts if key not in first]
    faults += [
        f"'{key}' must name {listed(sorted(_names(first[key]) or ())) or 'nothing'} in braces"
        for key in first
        if key in texts and _names(texts[key]) != _names(first[key])
    ]
    if faults:
        more = f"; and {len(faults) - MOST_NAMED} more" if len(faults) > MOST_NAMED else ""
        raise CallError(f"{path.name}: {'; '.join(faults[:MOST_NAMED])}{more}.")
    return Phrases(texts)


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise CallError(f"{path} cannot be read: {error.strerror}.") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise CallError(f"{path} is no catalogue of phrases: {error}.") from None


def _flat(part: Mapping[str, Any], opening: str = "") -> Iterator[tuple[str, str]]:
    for key, value in part.items():
        if isinstance(value, list):
            value = {str(place): one for place, one in enumerate(value, start=1)}
        if isinstance(value, Mapping):
            yield from _flat(value, f"{opening}{key}.")
        else:
            yield f"{opening}{key}", str(value)


def _names(text: str) -> set[str] | None:
    """Return the names in braces, as written: ``{a.b}`` is not the name a; None if broken."""
    try:
        return {name for _, name, _, _ in Formatter().parse(text) if name is not None}
    except ValueError:
        return None
