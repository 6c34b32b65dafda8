"""A handout is whole, honest, the same every time, and cannot be broken by what a study holds."""

import re
from base64 import b64decode
from dataclasses import replace
from datetime import date
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pytest

from reedlab import analyse
from reedlab.answer import Answer, number_text, p_text
from reedlab.errors import CallError, ModelError, RecordError
from reedlab.publish import data_hash, handout, html
from reedlab.publish.phrases import read_phrases
from reedlab.study import open_study
from tests.publish.conftest import DAY
from tests.publish.reading import addresses, elements, parsed, texts, words
from tests.study.pooling.build import CROW, SHAPE, settings_of, tables_of


@pytest.fixture(scope="module", params=["students", "colleagues"])
def told(request, batch, some_answers):
    return handout(batch, some_answers, audience=request.param, made_on=DAY)


def test_it_is_valid_and_fetches_nothing(told):
    tree = parsed(told.html)
    assert all(one.startswith("data:image/svg+xml;base64,") for one in addresses(tree))
    assert len(addresses(tree)) == len([one for one in told.page.sections if one.picture])
    assert elements(tree, "script") == []
    assert elements(tree, "html")[0].get("lang") == "en"


def test_its_pictures_fetch_nothing_and_run_nothing(told):
    for section in told.page.sections:
        svg = section.picture.svg
        assert svg.startswith("<svg")
        assert svg.endswith("</svg>")
        assert "<script" not in svg
        assert all(one.startswith("#") for one in re.findall(r'href="([^"]*)"', svg))
        assert all(one.startswith("#") for one in re.findall(r"url\(([^)]*)\)", svg))
        assert section.picture.png.startswith(b"\x89PNG")


def test_headings_come_in_order(told):
    levels = [
        int(one.tag[-1]) for one in parsed(told.html).iter() if re.search(r"}h[1-6]$", str(one.tag))
    ]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later <= earlier + 1 for earlier, later in pairwise(levels))


def test_sentences_cautions_and_grades_are_the_answers_own(told, some_answers):
    shown = words(parsed(told.html))
    for answer, section in zip(some_answers, told.page.sections, strict=True):
        assert section.claims[0].sentence == answer.sentence
        assert " ".join(answer.sentence.split()) in shown
        assert answer.sentence in section.picture.alt
        own = set(answer.cautions) - set(section.not_shown)
        assert own <= set(analyse.evidence.CAUTIONS.values())
        assert section.claims[0].evidence
        assert section.claims[0].evidence_means in shown
    assert [section.claims[0].grade for section in told.page.sections] == [
        "randomised",
        "",
        "randomised",
        "",
        "randomised",
    ]


def test_the_picture_tells_the_numbers_of_the_table(told, some_answers):
    drivers, alt = some_answers[0], told.page.sections[0].picture.alt
    for row in drivers.table.to_dict("records"):
        value, low, high = (number_text(row[n]) for n in ("estimate", "conf_low", "conf_high"))
        assert f"{value} cents ({low} to {high})" in alt


def test_colleagues_read_the_table_and_students_do_not(batch, some_answers):
    students, colleagues = (
        handout(batch, some_answers[:1], audience=audience, made_on=DAY)
        for audience in ("students", "colleagues")
    )
    assert elements(parsed(students.html), "table") == []
    (table,) = elements(parsed(colleagues.html), "table")
    shown = words(table)
    for row in some_answers[0].table.to_dict("records"):
        assert number_text(row["estimate"]) in shown
        tiny = row["statistic"] < 0.001
        assert (p_text(row["statistic"]) if tiny else number_text(row["statistic"])) in shown
        assert f"{number_text(row['conf_low'])} to {number_text(row['conf_high'])}" in shown
        assert f"{row['p_value']:.3f}" in shown


def test_the_page_says_what_was_done(told):
    done = " ".join(told.page.done)
    assert "invented" in done
    assert "24 reeds, 8 tubes of cane, 2 lots, 48 tests and 2 sessions" in done
    assert "chance assigned the levels of gouge, centre, shape and wire tension (seed 6)" in done
    assert "carry blind codes, but no day is recorded" in done
    assert "1 player played them." in done
    assert "made from 15 August 2026" in done
    assert "crow against target (cents)" in done


def test_an_observed_record_is_told_as_one(season, observed_answers):
    page = handout(season, observed_answers, made_on=DAY).page
    assert "Nothing was assigned by chance: the maker chose the levels." in " ".join(page.done)
    claim = page.sections[0].claims[0]
    assert claim.evidence == "observed"
    assert claim.rests_on.startswith("29 tubes of cane and 111 reeds, 345 rows; 47 rows could not")
    assert "14 × hardness not recorded" in claim.rests_on
    assert not any("rows left out" in limit for limit in page.sections[0].not_shown)
    assert any("planned batch can" in limit for limit in page.sections[0].not_shown)


def test_the_card_takes_a_recipe_and_gives_no_direction_for_what_merely_goes_along(
    season, observed_answers
):
    drivers, recipe = observed_answers
    alone = handout(season, drivers, made_on=DAY).page.card
    assert [(line.setting, line.value) for line in alone] == [
        ("gouge, centre", "nothing yet: make a planned batch")
    ]
    both = handout(season, [drivers, recipe], made_on=DAY).page
    gouge = next(line for line in both.card if line.setting == "gouge, centre")
    row = recipe.table.set_index("term").loc["gouge_centre_mm"]
    assert number_text(row["estimate"]) in gouge.value
    assert f"{number_text(row['conf_low'])} to {number_text(row['conf_high'])} mm" in gouge.value
    assert "observed" in gouge.why
    assert any("rests on what went together" in caution for caution in both.cautions)


@pytest.mark.parametrize(
    ("direction", "estimate", "value"),
    [
        ("higher", 4.0, "more of it, within 1.25 to 1.3 mm"),
        ("higher", -4.0, "less of it, within 1.25 to 1.3 mm"),
        ("lower", -4.0, "more of it, within 1.25 to 1.3 mm"),
        ("target", 4.0, "see the effect"),
    ],
)
def test_the_card_gives_a_direction_where_chance_assigned(
    batch, some_answers, direction, estimate, value
):
    drivers = some_answers[0]
    table = drivers.table.assign(p_adjusted=[0.01, 1.0, 1.0])
    table.loc[0, "estimate"] = estimate
    wanted = replace(drivers.frame.response, direction=direction)
    answer = replace(drivers, table=table, frame=replace(drivers.frame, response=wanted))
    (line,) = handout(batch, answer, made_on=DAY).page.card
    assert line.value == value
    assert "randomised" in line.why


def test_the_card_names_the_better_level(batch, some_answers):
    drivers = some_answers[0]
    table = drivers.table.assign(p_adjusted=[1.0, 0.01, 1.0])
    wanted = replace(drivers.frame.response, direction="lower")
    answer = replace(drivers, table=table, frame=replace(drivers.frame, response=wanted))
    (line,) = handout(batch, answer, made_on=DAY).page.card
    assert (line.setting, line.value) == ("shape", "narrow")


def test_an_interval_with_zero_in_it_is_told(told):
    limits = " ".join(told.page.sections[0].not_shown)
    assert "anything inside these intervals would fit as well" in limits
    assert "gouge, centre +0.05 mm: −56.1 to 14.2 cents" in limits


def test_how_to_check_it_can_be_followed(told, batch, some_answers):
    check = dict(told.page.check)
    assert check["Data hash (SHA-256 of the study's tables and settings)"] == data_hash(batch)
    assert check["Seed of batch B1"] == "6"
    assert "reedlab " in check["Made with"]
    again = eval(  # as a colleague would type it
        check["Question 1, asked again"],
        {"reedlab": __import__("reedlab"), "study": open_study(batch.folder, read_only=True)},
    )
    pd.testing.assert_frame_equal(again.table, some_answers[0].table)


def test_the_hash_is_of_the_data_and_nothing_else(tmp_path):
    from reedlab.demo import example_study

    one, other = example_study("batch"), example_study("batch")
    assert data_hash(one) == data_hash(other)
    reeds = other.folder / "reeds.csv"
    reeds.write_bytes(reeds.read_bytes().replace(b"wide", b"wode", 1))
    assert data_hash(one) != data_hash(other)
    reeds.unlink()
    with pytest.raises(RecordError, match=r"reeds\.csv cannot be read"):
        data_hash(other)


def test_the_same_gives_the_same_bytes(batch, some_answers):
    first, second = (handout(batch, some_answers, made_on=DAY).html for _ in range(2))
    assert first == second
    assert "1 December 2026" in first
    today = handout(batch, some_answers[1]).page.made_on
    assert today == read_phrases().day(date.today())


EVIL = (
    "<script>alert(1)</script><img src=x onerror=alert(1)>\"'&amp; ]]> --> $\\frac{x}{0}$ "
    "{{ 7*7 }} {study} %s \x00\x07\ud800 \u202eרזמן עברי \U0001f3b6 " + "x" * 300
)


def test_nothing_in_a_study_runs_or_breaks_the_page(tmp_path):
    shape = replace(SHAPE, label=EVIL.replace("\x00", "").replace("\ud800", ""))
    crow = replace(CROW, label="<b>crow</b> & causes", unit="<i>cents</i>")
    from reedlab.study import write_study

    study = write_study(
        tmp_path / "<b>evil", tables_of(1), settings_of(factors=(shape,), responses=(crow,)), "t"
    )
    answer = analyse.drivers(study, "crow_cents")
    odd = replace(answer, question=EVIL, cautions=(EVIL, "=HYPERLINK(1)"))
    told = handout(study, odd, title=EVIL, audience="colleagues", made_on=DAY)
    tree = parsed(told.html)
    assert elements(tree, "script") == []
    assert elements(tree, "b") == []
    assert len(elements(tree, "img")) == 1
    assert not any(name.startswith("on") for one in tree.iter() for name in one.attrib)
    (title,) = elements(tree, "h1")
    assert words(title).startswith("<script>alert(1)</script><img src=x onerror=alert(1)>")
    assert "{{ 7*7 }} {study} %s" in words(title)
    svg = b64decode(elements(tree, "img")[0].get("src").partition(",")[2]).decode()
    assert "<script" not in svg


def test_it_is_written_beside_its_print(tmp_path, batch, some_answers):
    pytest.importorskip("reedlab.publish.pdf")
    told = handout(batch, some_answers[1], made_on=DAY, to=tmp_path / "new" / "folder")
    web, printed = told.write(tmp_path / "new" / "folder")
    assert web.read_text(encoding="utf-8") == told.html
    assert printed.read_bytes() == told.pdf
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(CallError, match=r"file cannot be written: "):
        told.write(tmp_path / "file")


def test_a_wrong_call_is_told(batch, some_answers):
    with pytest.raises(CallError, match=r"no audience 'student'\. Nearest: students"):
        handout(batch, some_answers, audience="student")
    with pytest.raises(CallError, match="A handout needs an answer"):
        handout(batch, [])
    with pytest.raises(CallError, match="str is none"):
        handout(batch, ["drivers"])
    with pytest.raises(CallError, match="no language 'xx'"):
        handout(batch, some_answers, language="xx")


class Boast(Answer):
    def _say(self):
        return "A thinner gouge makes the crow much lower."


@pytest.mark.parametrize("grade", ["observed", "exploratory", None])
def test_a_sentence_that_says_too_much_is_not_published(batch, grade):
    table = pd.DataFrame({"term": ["gouge_centre_mm"], "evidence": [grade]})
    with pytest.raises(ModelError, match="says more than the grade"):
        handout(batch, Boast("Q?", table), made_on=DAY)


def test_a_randomised_one_is(batch):
    table = pd.DataFrame({"term": ["gouge_centre_mm"], "evidence": ["randomised"]})
    page = handout(batch, Boast("Q?", table), made_on=DAY).page
    assert page.sections[0].claims[0].evidence == "randomised"
    assert page.sections[0].picture is None


def test_the_weakest_grade_stands_where_grades_are_mixed(batch):
    table = pd.DataFrame({"term": ["a", "b"], "evidence": ["randomised", "observed"]})
    with pytest.raises(ModelError, match="grade observed"):
        handout(batch, Boast("Q?", table), made_on=DAY)


def test_every_text_of_the_page_is_in_the_file(told):
    shown = words(parsed(told.html))
    alts = {one.get("alt") for one in elements(parsed(told.html), "img")}
    for text in texts(told.page):
        flat = " ".join(text.split())
        if flat and text not in ("en", "randomised", "observed") and text not in alts:
            assert flat in shown or text in told.page.headings.values(), text


def test_text_stands_out_from_its_ground():
    css = (Path(html.__file__).with_name("page.css")).read_text(encoding="utf-8")
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", css))
    for text in ("ink", "quiet"):
        for ground in ("paper", "card"):
            assert contrast(colours[text], colours[ground]) >= 4.5
    # No other colour is given to text, and none but white to a ground.
    assert set(re.findall(r"(?<![-\w])color: ([^;]+);", css)) == {"var(--ink)", "var(--quiet)"}


def contrast(one, other):
    """Contrast ratio of WCAG 2.1 (W3C 2018): (L1 + 0.05) / (L2 + 0.05) of relative luminances."""

    def luminance(colour):
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted(map(luminance, (one, other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_reckoned_as_published():
    # Black on white 21:1 and #767676 on white 4.54:1 (W3C, Understanding SC 1.4.3; from memory).
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


def test_what_is_found_is_not_called_nothing(studio, studio_answers):
    (section,) = handout(studio, studio_answers, audience="colleagues", made_on=DAY).page.sections
    limits = " ".join(section.not_shown)
    assert "No effect was found" not in limits
    assert "the interval includes zero: shape wide − narrow: −9.17 to 15.4 cents" in limits
    assert "95 % interval, new maker" in section.table.headers
