"""What a handout holds once all wording is settled.

A `Page` is finished text: numbers and dates are written, phrases are in the page's
language, claims fit their grade. What sets it (HTML, print) words nothing, so that all
forms of a handout say the same.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Picture:
    """A picture with its words.

    Attributes
    ----------
    svg : str
        A whole SVG document without anything outside it.
    png : bytes
        The same picture in dots, for what cannot set SVG.
    alt : str
        What a reader who does not see it needs: the sentence and the numbers.
    caption : str
    """

    svg: str
    png: bytes
    alt: str
    caption: str


@dataclass(frozen=True)
class ShownTable:
    """A table as it is read: cells are text, `numeric` says which columns hold numbers."""

    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]
    caption: str


@dataclass(frozen=True)
class Claim:
    """A sentence with its grade.

    Attributes
    ----------
    sentence : str
    evidence : str
        The grade in words, as the badge says it.
    evidence_means : str
        What the grade allows to be said.
    rests_on : str
        E.g. "8 tubes, 24 reeds"; empty where the answer does not say.
    grade : str
        randomised, observed, exploratory, or empty where nothing is compared.
    """

    sentence: str
    evidence: str
    evidence_means: str
    rests_on: str
    grade: str = ""


@dataclass(frozen=True)
class Section:
    """One answer: its question, what is claimed, the picture, what it does not show.

    `asks` is the answer's `asked`: how to ask again.
    """

    question: str
    claims: tuple[Claim, ...]
    picture: Picture | None = None
    table: ShownTable | None = None
    not_shown: tuple[str, ...] = ()
    asks: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class CardLine:
    """A line of the recipe card: what to set, to what (with range and unit), and why."""

    setting: str
    value: str
    why: str


@dataclass(frozen=True)
class Page:
    """A handout, all wording settled.

    Attributes
    ----------
    title, language, audience, made_on : str
        `language` is a tag such as "en"; `audience` students or colleagues; `made_on` the day
        in words.
    done : tuple of str
        Paragraphs: what was done.
    sections : tuple of Section
    card : tuple of CardLine
        What to do at the bench.
    cautions : tuple of str
        What stands beside the card.
    check : tuple of (str, str)
        How to check it: what, and the value.
    headings : mapping of str to str
        The fixed words of the page, by key.
    """

    title: str
    language: str
    audience: str
    made_on: str
    done: tuple[str, ...]
    sections: tuple[Section, ...]
    card: tuple[CardLine, ...]
    cautions: tuple[str, ...]
    check: tuple[tuple[str, str], ...]
    headings: Mapping[str, str]
