"""A handout in print is tagged, short, the same every time, and takes any text as text."""

from dataclasses import replace
from itertools import pairwise

import pytest

from reedlab.publish import handout
from reedlab.publish.pdf import pdf_of
from tests.publish.conftest import DAY
from tests.publish.printed import print_of, reader, squeezed, tags
from tests.publish.reading import texts

#: Mark-up of the typesetter and of others, what no document may hold, and scripts that the
#: usual font lacks.
HOSTILE = (
    "#panic(1) #sys.inputs *bold* _it_ $x^2$ `raw` @ref <label> = head\n- list // note /* */"
    ' \\u{41} \\ "quoted" <b>&amp;</b> \x00\x07\x1b \ud800 \ue000 \uffff 竹 أ \u202e'
)


@pytest.fixture(scope="module", params=["students", "colleagues"])
def told(request, batch, some_answers):
    return handout(batch, some_answers[:3], audience=request.param, made_on=DAY)


def test_the_same_page_gives_the_same_bytes(told):
    assert pdf_of(told.page) == told.pdf
    assert reader(told.pdf).metadata.creation_date_raw is None


def test_it_is_tagged_with_title_and_language(told):
    found = reader(told.pdf)
    root = found.trailer["/Root"]
    assert found.metadata.title == told.page.title
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"]["/Marked"].value
    assert root["/ViewerPreferences"]["/DisplayDocTitle"].value
    # PDF/UA-1 (ISO 14289-1) is claimed in the metadata; the typesetter checks what it can.
    assert b"<pdfuaid:part>1</pdfuaid:part>" in told.pdf


def test_headings_pictures_and_tables_have_their_tags(told):
    found = tags(told.pdf)
    kinds = [kind for kind, _ in found]
    levels = [int(kind[2:]) for kind in kinds if kind[1:2] == "H" and kind[2:].isdigit()]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(deeper <= level + 1 for level, deeper in pairwise(levels))
    tables = [one.table for one in told.page.sections if one.table]
    assert kinds.count("/Table") == len(tables) + 1
    assert kinds.count("/TH") == 3 + sum(len(one.headers) for one in tables)
    alts = [words for kind, words in found if kind == "/Figure"]
    assert alts == [one.picture.alt for one in told.page.sections if one.picture]


@pytest.mark.parametrize("count", [1, 2, 3])
def test_one_to_three_answers_fill_one_to_three_pages(
    batch, season, some_answers, observed_answers, count
):
    for audience in ("students", "colleagues"):
        for study, answers in ((batch, some_answers), (season, observed_answers)):
            told = handout(study, answers[:count], audience=audience, made_on=DAY)
            assert len(reader(told.pdf).pages) <= 3
            assert len(reader(told.pdf).pages) <= count + 1


def test_it_says_all_that_the_page_says(told):
    printed = print_of(told.pdf)
    page = replace(told.page, audience="", language="", headings={})
    words = [*texts(page), *(told.page.headings[name] for name in ("done", "found", "card"))]
    alts = {one.picture.alt for one in told.page.sections if one.picture}
    grades = {claim.grade for one in told.page.sections for claim in one.claims}
    missing = [one for one in words if squeezed(one) not in printed]
    assert [one for one in missing if one not in alts | grades] == []


def test_any_text_is_set_as_it_is(told):
    def spoilt(text):
        return f"{text} {HOSTILE}"

    page = told.page
    section = replace(page.sections[0], question=HOSTILE, not_shown=(HOSTILE,))
    section = replace(section, claims=(replace(section.claims[0], sentence=HOSTILE),))
    page = replace(
        page,
        title=spoilt(page.title),
        done=(HOSTILE, *page.done),
        sections=(section, *page.sections[1:]),
        card=(replace(page.card[0], setting=HOSTILE, value=HOSTILE, why=HOSTILE),),
        cautions=(HOSTILE,),
        check=(("", ""), (HOSTILE, HOSTILE)),
    )
    printed = print_of(pdf_of(page))
    plain = squeezed(
        "#panic(1)#sys.inputs*bold*_it_$x^2$`raw`@ref<label>=head-list//note/**/\\u{41}"
    )
    assert printed.count(plain) >= 9
    assert "\N{REPLACEMENT CHARACTER}" in printed


def test_a_region_of_a_language_and_a_very_long_word_are_taken(told):
    page = replace(told.page, language="en-GB", done=("x" * 3000,))
    pdf = pdf_of(page)
    assert reader(pdf).trailer["/Root"]["/Lang"] == "en-GB"
    assert "x" * 3000 in print_of(pdf)


def test_a_character_of_no_font_takes_the_claim_but_not_the_page(told):
    # Tangut has no font on a machine of the usual kind; if it has, the claim stands.
    page = replace(told.page, done=("\U00017000 reeds",))
    pdf = pdf_of(page)
    assert "reeds" in print_of(pdf)
    assert ("/Document", "") in tags(pdf)
