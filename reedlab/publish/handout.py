"""A handout: what a study found, on one page for people.

All wording is settled in a `Page` (content.py) before anything is set; the page on the web
and the page in print say the same. The same study, answers and day give the same bytes.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from os import PathLike
from pathlib import Path

from reedlab.answer import Answer
from reedlab.errors import CallError, unknown_name
from reedlab.publish.card import card_cautions, card_of
from reedlab.publish.checking import check_lines
from reedlab.publish.content import Page
from reedlab.publish.done import done_paragraphs
from reedlab.publish.html import html_of
from reedlab.publish.phrases import read_phrases
from reedlab.publish.sections import section_of
from reedlab.study import Study

AUDIENCES = ("students", "colleagues")
#: How the files of a handout are called.
NAME = "handout"


@dataclass(frozen=True)
class Handout:
    """A handout; made by :func:`handout`.

    Attributes
    ----------
    page : Page
        Its texts, pictures and tables.
    """

    page: Page

    @cached_property
    def html(self) -> str:
        """The page for the web: one file that needs nothing else."""
        return html_of(self.page)

    @cached_property
    def pdf(self) -> bytes:
        """The page in print."""
        from reedlab.publish.pdf import pdf_of  # the typesetter is slow to import

        return pdf_of(self.page)

    def write(self, folder: str | PathLike[str]) -> tuple[Path, Path]:
        """Write handout.html and handout.pdf into a folder; return both.

        Raises
        ------
        CallError
            If the folder cannot be made or written to.
        """
        folder = Path(folder)
        web, printed = folder / f"{NAME}.html", folder / f"{NAME}.pdf"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            web.write_text(self.html, encoding="utf-8", newline="\n")
            printed.write_bytes(self.pdf)
        except OSError as error:
            raise CallError(f"{folder} cannot be written: {error.strerror}.") from None
        return web, printed


def handout(
    study: Study,
    answers: Answer | Iterable[Answer] | Mapping[str, Answer],
    title: str = "",
    audience: str = "students",
    to: str | PathLike[str] | None = None,
    language: str | PathLike[str] = "en",
    made_on: date | None = None,
) -> Handout:
    """Make a handout of answers about a study.

    Parameters
    ----------
    study : Study
        What was asked.
    answers : Answer, or several
        Each becomes a section, in the order given; ``season(study).answers`` will do.
    title : str, optional
        Left out, it is the study's.
    audience : {"students", "colleagues"}
        Students get sentences, pictures and the card; colleagues the tables of tests as well.
    to : path, optional
        A folder to write handout.html and handout.pdf into.
    language : str or path
        "en", or a catalogue of phrases of one's own; see :mod:`reedlab.publish.phrases`. The
        sentences and cautions of answers, and the usual cautions for bench and testing, are
        English whatever the language.
    made_on : datetime.date, optional
        The day that stands on the page; today if left out.

    Returns
    -------
    Handout

    Raises
    ------
    CallError
        If there is no answer, what is given is none, or there is no such audience or language.
    RecordError
        If a file of the study is gone.
    ModelError
        If a text says more than its grade allows; then nothing is made.

    Examples
    --------
    >>> from reedlab.analyse import keep_rate
    >>> from reedlab.demo import example_study
    >>> study = example_study("batch")
    >>> told = handout(study, [keep_rate(study)], made_on=date(2026, 10, 1))
    >>> told.page.sections[0].claims[0].sentence
    '6 of 24 decided reeds kept: 25 % (95 % 12 % to 45 %).'
    >>> told.page.card[0].value
    'nothing yet: make a planned batch'
    """
    if audience not in AUDIENCES:
        raise unknown_name("audience", audience, AUDIENCES)
    asked = _answers(answers)
    say = read_phrases(language)
    page = Page(
        title=title or study.title,
        language=say.language,
        audience=say(f"audience.{audience}"),
        made_on=say.day(made_on or date.today()),
        done=done_paragraphs(study, asked, say),
        sections=tuple(section_of(study, one, audience, say) for one in asked),
        card=card_of(study, asked, say),
        cautions=card_cautions(study, asked, say),
        check=check_lines(study, asked, say),
        headings=say.headings,
    )
    made = Handout(page)
    if to is not None:
        made.write(to)
    return made


def _answers(given: Answer | Iterable[Answer] | Mapping[str, Answer]) -> tuple[Answer, ...]:
    if isinstance(given, Answer):
        return (given,)
    answers = tuple(given.values() if isinstance(given, Mapping) else given)
    if not answers:
        raise CallError(
            "A handout needs an answer; ask one, e.g. reedlab.analyse.keep_rate(study)."
        )
    for one in answers:
        if not isinstance(one, Answer):
            raise CallError(f"A handout is made of answers; {type(one).__name__} is none.")
    return answers
