"""Sentence, table, picture's words, web page and print give the numbers of the answer's table.

Numbers are written here by the rules of decimal arithmetic, not by the package: three
significant digits, half to even, a real minus sign.
"""

import re
from decimal import ROUND_HALF_EVEN, Decimal

import pytest

from reedlab.analyse import Drivers
from reedlab.publish import handout
from tests.publish.conftest import DAY
from tests.publish.printed import print_of, reader, squeezed, tags
from tests.publish.reading import elements, parsed, words

NUMBER = re.compile(r"−?\d+(?:\.\d+)?")


def written(value):
    """Three significant digits, without zeros at the end."""
    exact = Decimal(float(value))
    if not exact:
        return "0"
    step = Decimal(1).scaleb(exact.adjusted() - 2)
    short = exact.quantize(step, ROUND_HALF_EVEN) if step < 1 else exact.quantize(Decimal(1))
    text = f"{short:f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return text.replace("-", "−")


@pytest.fixture(scope="module", params=["students", "colleagues"])
def pairs(request, batch, season, some_answers, observed_answers):
    """Handouts of the planned batch and of the season, each with its answers."""
    return [
        (handout(study, answers, audience=request.param, made_on=DAY), answers)
        for study, answers in ((batch, some_answers), (season, observed_answers))
    ]


def estimates(answer):
    """Estimate and interval of every row that has them, as they have to be read."""
    if "estimate" not in answer.table:
        return []
    rows = answer.table.dropna(subset=["estimate", "conf_low", "conf_high"])
    return [
        tuple(written(row[name]) for name in ("estimate", "conf_low", "conf_high"))
        for row in rows.to_dict("records")
    ]


def test_a_sentence_has_the_numbers_of_its_table(some_answers, observed_answers):
    for answer in (*some_answers, *observed_answers):
        if isinstance(answer, Drivers):
            for row in answer.shown.to_dict("records"):
                told = [written(row[name]) for name in ("estimate", "conf_low", "conf_high")]
                assert set(told) <= set(NUMBER.findall(answer.sentence))


def test_sentences_are_the_same_in_both_files(pairs):
    for made, answers in pairs:
        tree, printed = parsed(made.html), print_of(made.pdf)
        shown = [words(one) for one in elements(tree, "p") if one.get("class") == "sentence"]
        assert shown == [" ".join(answer.sentence.split()) for answer in answers]
        assert all(squeezed(answer.sentence) in printed for answer in answers)


def test_the_words_of_pictures_have_the_numbers_of_the_table(pairs):
    for made, answers in pairs:
        web = [one.get("alt") for one in elements(parsed(made.html), "img")]
        assert web == [alt for kind, alt in tags(made.pdf) if kind == "/Figure"]
        told = [
            answer for answer, one in zip(answers, made.page.sections, strict=True) if one.picture
        ]
        for answer, alt in zip(told, web, strict=True):
            assert answer.sentence in alt
            for estimate, low, high in estimates(answer)[:8]:
                assert re.search(rf"(?<![\d.−]){estimate}[^()]* \({low} to {high}\)", alt)


def test_tables_have_the_numbers_of_the_table_in_both_files(pairs):
    for made, answers in pairs:
        printed = print_of(made.pdf)
        tables = elements(parsed(made.html), "table")
        sections = [one for one in made.page.sections if one.table]
        assert len(tables) == len(sections)
        told = [
            answer for answer, one in zip(answers, made.page.sections, strict=True) if one.table
        ]
        for answer, table in zip(told, tables, strict=True):
            body = [[words(cell) for cell in row] for row in elements(table, "tr")[1:]]
            for estimate, low, high in estimates(answer):
                row = [cells for cells in body if f"{low} to {high}" in cells]
                assert any(estimate in cells for cells in row)
            for cells in body:
                assert squeezed("".join(cells)) in printed


def test_no_number_stands_in_print_that_does_not_stand_on_the_web(pairs):
    for made, _ in pairs:
        pictures = [one.picture.svg for one in made.page.sections if one.picture]
        drawn = [
            re.sub(r"<style.*?</style>|<[^>]*>", " ", svg, flags=re.DOTALL) for svg in pictures
        ]
        web = squeezed(words(elements(parsed(made.html), "body")[0]) + " ".join(drawn))
        pages = [page.extract_text().rsplit("\n", 1)[0] for page in reader(made.pdf).pages]
        numbers = {number for page in pages for number in NUMBER.findall(page)}
        assert len(numbers) > 30
        assert {number for number in numbers if number not in web} == set()
