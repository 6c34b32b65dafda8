"""How many looks a study has had, and which findings stand given all of them."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.multitest import multipletests

from reedlab.analyse import drivers, looks, season
from reedlab.analyse.evidence import CAUTIONS
from reedlab.analyse.exploration import over_season, weighed
from reedlab.analyse.looked import looked
from reedlab.answer import Answer
from reedlab.errors import CallError, ModelError
from reedlab.model.comparisons import holm
from reedlab.schema import Factor, Response
from reedlab.study import BatchRecord, open_study
from reedlab.study.looks import LOG
from tests.analyse.build import CROW, GOUGE, SHAPE, batch

#: The 15 p values of Benjamini & Hochberg (1995), J. R. Statist. Soc. B 57, 289-300, section 4:
#: at 5 % Bonferroni's method rejects 3, theirs 4. Holm's count and the fourth adjusted value are
#: statsmodels' below.
PUBLISHED = (
    *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459),
    *(0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0),
)
ATTACK = Response("attack", unit="ms", table="reeds")


def some_tests(p_values, evidence="observed", question="one"):
    return pd.DataFrame({"p_value": p_values, "evidence": evidence, "question": question})


def two_responses(**more):
    """The invented batch with a second response."""
    rng = np.random.default_rng(3)
    return batch().assign(attack=np.round(60 + rng.normal(0, 9, 24), 1), **more)


def test_the_published_p_values_give_the_published_findings():
    found = weighed(some_tests(PUBLISHED, question=range(15)))
    assert found["stands"].sum() == 4
    assert found["p_season"].iloc[3] == pytest.approx(0.035625)
    assert sum(p <= 0.05 / 15 for p in PUBLISHED) == 3
    assert (holm(np.array(PUBLISHED)) <= 0.05).sum() == 3
    _, expected, *_ = multipletests(PUBLISHED, method="fdr_bh")
    assert found["p_season"].to_numpy() == pytest.approx(expected)


def test_the_order_of_the_tests_does_not_matter():
    shuffled = some_tests(PUBLISHED, question=range(15)).sample(frac=1, random_state=1)
    expected = weighed(some_tests(PUBLISHED, question=range(15)))
    pd.testing.assert_frame_equal(weighed(shuffled).sort_index(), expected)


def test_a_finding_that_stood_alone_is_exploratory_among_many():
    lonely = some_tests([0.004, 0.5], question="crow")
    assert weighed(lonely)["evidence"].tolist() == ["observed", "observed"]
    others = some_tests(np.linspace(0.1, 0.9, 40), question=range(40))
    found = weighed(pd.concat([lonely, others], ignore_index=True))
    assert found["evidence"].tolist()[:2] == ["exploratory", "observed"]
    assert not found["stands"].any()


def test_randomised_comparisons_are_apart():
    planned = some_tests([0.02, 0.5], "randomised", "planned")
    many = some_tests(np.linspace(0.1, 0.9, 40), question=range(40))
    found = weighed(pd.concat([planned, many], ignore_index=True))
    assert found["evidence"].tolist()[:2] == ["randomised", "randomised"]
    assert found["p_season"].isna().tolist()[:3] == [True, True, False]
    assert found["stands"].tolist()[:3] == [True, False, False]  # Holm: 0.04 and 0.5
    assert found["p_season"].iloc[2:].to_numpy() == pytest.approx(
        weighed(many)["p_season"].to_numpy()
    )


def test_nothing_looked_at_yet_is_said(study):
    found = looks(study(batch()))
    assert found.sentence == "Nothing was tested in this study yet."
    assert found.table.empty
    with pytest.raises(ModelError, match="There is no picture: Nothing was tested in this study"):
        found.plot()


def test_every_answer_says_how_much_was_looked_at(study):
    made = study(two_responses(), responses=[CROW, ATTACK])
    first = drivers(made, "crow")
    assert first.looked == (
        "So far 1 response and 2 factors of this study were looked at in 1 question (2 tests)."
    )
    assert first.looked in first._repr_html_()
    assert drivers(made, "crow", ["shape", "gouge"]).looked == first.looked
    assert drivers(made, "crow", ["shape"]).looked.endswith("in 2 questions (3 tests).")
    assert drivers(made, "attack").looked.startswith("So far 2 responses and 2 factors")
    found = looks(made)
    assert found.sentence.startswith(
        "So far 2 responses and 2 factors of this study were looked at in 3 questions (5 tests). "
        "At a false discovery rate of 5 % none of 5 tests of the record stands."
    )
    assert looks(made).looked == found.looked  # to ask for the log is no look


def test_what_was_asked_before_changes_no_sentence_and_no_caution(study):
    alone = drivers(study(batch(), name="alone"), "crow")
    made = study(batch(), name="after")
    drivers(made, "crow", ["shape"])
    after = drivers(made, "crow")
    assert (after.sentence, after.cautions) == (alone.sentence, alone.cautions)
    pd.testing.assert_frame_equal(after.table, alone.table)


def test_the_log_of_a_real_study_is_a_file_of_its_folder(study):
    made = study(two_responses(), responses=[CROW, ATTACK], invented=False)
    drivers(made, "crow")
    before = (made.folder / LOG).read_bytes()
    reopened = open_study(made.folder)
    drivers(reopened, "crow")
    assert (made.folder / LOG).read_bytes() == before
    drivers(reopened, "attack")
    assert (made.folder / LOG).read_bytes().startswith(before)
    assert "in 2 questions (4 tests)" in looks(open_study(made.folder)).sentence
    assert any(LOG in text for text in looks(made).cautions)


def test_findings_that_stand_are_told_with_effect_interval_grade_and_units(study):
    rows = two_responses()
    rows["crow"] += 60 * (rows["shape"] == "wide")
    made = study(rows, responses=[CROW, ATTACK])
    alone = drivers(made, "crow")
    drivers(made, "attack")
    found = looks(made)
    told = next(part for part in alone.sentence.split("; ") if "shape" in part).split(": ", 1)[1]
    assert "At a false discovery rate of 5 % 1 of 4 tests of the record stands: " in found.sentence
    assert f"crow: {told.replace('observed, 24 reeds).', '24 reeds; observed).')}" in found.sentence
    assert found.standing["term"].tolist() == ["shape"]
    assert found.table["p_value"].is_monotonic_increasing
    assert CAUTIONS["observed"] in found.cautions


def test_a_question_asked_again_as_the_record_grows_is_told(study, tmp_path):
    rows = batch()
    made = study(rows, invented=False, name="early")
    drivers(made, "crow")
    grown = study(batch(tubes=10), invented=False, name="late")
    (grown.folder / LOG).write_bytes((made.folder / LOG).read_bytes())
    last = drivers(grown, "crow")
    found = looks(grown)
    assert found.table["times"].tolist() == [2, 2]
    expected = last.table.set_index("term")["p_value"]
    # The file holds six digits.
    assert found.table.set_index("term")["p_value"][expected.index].tolist() == pytest.approx(
        expected.tolist(), rel=1e-5
    )
    assert found.cautions[1] == (
        "2 tests came from questions asked again while the record changed: asking until something "
        "shows makes chance findings likelier than 5 %."
    )


def test_a_damaged_log_is_told_by_every_answer_and_stops_none(study):
    made = study(batch(), invented=False)
    drivers(made, "crow", ["shape"])
    with (made.folder / LOG).open("a", encoding="utf-8") as file:
        file.write("drivers,crow\n")
    found = drivers(made, "crow")
    assert sum(f"{LOG} row 3" in text for text in found.cautions) == 1
    assert len(looks(made).table) == 3
    assert sum(f"{LOG} row 3" in text for text in looks(made).cautions) == 1


def test_questions_of_a_planned_batch_say_what_is_left_to_chance(study):
    rows = two_responses(batch_id="B1")
    made = study(
        rows, [SHAPE], [CROW, ATTACK], batches=[BatchRecord("B1", ("shape",))], name="planned"
    )
    drivers(made, "crow")
    assert "Within their questions none of 1 randomised comparison stands." in looks(made).sentence
    assert not any("Name before testing" in text for text in looks(made).cautions)
    drivers(made, "attack")
    (caution,) = [text for text in looks(made).cautions if "Name before testing" in text]
    assert "2 independent questions would call an effect in 10 % of batches" in caution
    assert looks(made).table["p_season"].isna().all()


def test_a_refused_question_is_no_look(study):
    made = study(batch())
    with pytest.raises(CallError, match="There is no response 'crown'"):
        drivers(made, "crown")
    assert looks(made).table.empty


def test_an_interaction_is_a_look_at_both_factors_and_contrasts_may_be_tests_of_their_own(study):
    @looked
    def pairs(study, response, at="day 1"):
        table = pd.DataFrame(
            {
                "term": ["gouge:shape", "wire", "wire", "soak"],
                "contrast": ["", "B - A", "C - A", "+60"],
                "p_value": [0.2, 0.3, 0.4, np.nan],
            }
        )
        return Answer("Which pairs?", table, rows_used=24)

    made = study(batch())
    found = pairs(made, "crow", at="day 3")
    assert found.looked.startswith("So far 1 response and 3 factors of this study were looked at")
    assert [(look.term, look.contrast) for look in made.log.looks] == [
        ("gouge:shape", ""),
        ("wire", "B - A"),
        ("wire", "C - A"),
    ]
    assert {look.asked for look in made.log.looks} == {"pairs, at day 3"}
    assert pairs.__name__ == "pairs"


def test_a_question_without_a_response_or_without_tests_is_counted_too(study):
    @looked
    def lasting(study, factors=None, *, bounds=None):
        return Answer("How long do reeds last?", pd.DataFrame({"term": ["median"], "share": 0.5}))

    made = study(batch())
    found = lasting(made, bounds={"until": 3, "table": batch()})
    assert found.looked == (
        "So far 1 response and 0 factors of this study were looked at in 1 question (0 tests)."
    )
    (look,) = made.log.looks
    assert (look.asked, look.response) == ("lasting, bounds until 3, table DataFrame", "lasting")
    assert looks(made).sentence == found.looked


def test_a_contrast_told_level_by_level_is_written_down_once(study):
    @looked
    def ratings(study, response):
        table = pd.DataFrame(
            {
                "term": "shape",
                "contrast": ["B - A", "B - A", "C - A", "C - A"],
                "estimate": [1.0, 2.0, 3.0, 4.0],
                "p_value": 0.2,
            }
        )
        return Answer("What moves the rating?", table)

    made = study(batch())
    ratings(made, "crow")
    assert [look.finding for look in made.log.looks] == [
        "shape B − A: 1 (no interval); C − A: 3 (no interval)"
    ]


def test_a_season_weighs_all_its_tests(found_season):
    tests = [
        answer.table.drop_duplicates("term").assign(question=name)
        for name, answer in found_season.drivers.items()
    ]
    together = pd.concat(tests, ignore_index=True)
    _, expected, *_ = multipletests(together["p_value"], method="fdr_bh")
    assert together["p_season"].to_numpy() == pytest.approx(expected)
    for answer in found_season.drivers.values():
        assert list(answer.table.columns).index("p_season") == 1 + list(answer.table.columns).index(
            "p_adjusted"
        )
        assert answer.table.groupby("term")["p_season"].nunique().eq(1).all()


def test_a_season_grades_again_what_does_not_stand(study):
    made = study(two_responses(), responses=[CROW, ATTACK])
    found = {name: drivers(made, name) for name in ("crow", "attack")}
    weak = found["crow"].table.assign(p_value=[0.02, 0.6], p_adjusted=[0.04, 0.6])
    found["crow"] = replace(found["crow"], table=weak)
    none = found["attack"].table.assign(p_value=[0.5, 0.6], p_adjusted=[1.0, 1.0])
    found["attack"] = replace(found["attack"], table=none)
    again = over_season(found)
    assert again["crow"].table["evidence"].tolist() == ["exploratory", "observed"]
    assert "; exploratory, 8 tubes" in again["crow"].sentence
    assert CAUTIONS["exploratory"] in again["crow"].cautions
    assert found["crow"].table["evidence"].tolist() == ["observed", "observed"]
    assert again["attack"].table["evidence"].tolist() == ["observed", "observed"]
    assert over_season({}) == {}


def test_the_season_asks_and_the_log_knows(study):
    made = study(two_responses(), [GOUGE, Factor("shape")], [CROW, ATTACK])
    season(made)
    table = looks(made).table
    assert sorted(table["response"].unique()) == ["attack", "crow"]
    assert len(table) == 4


def test_the_picture_shows_every_test_and_the_line(study):
    rows = two_responses()
    rows["crow"] += 60 * (rows["shape"] == "wide")
    made = study(rows, responses=[CROW, ATTACK])
    drivers(made, "crow")
    drivers(made, "attack")
    found = looks(made)
    ax = found.plot()
    line, *marks = ax.get_lines()
    assert line.get_ydata().tolist() == pytest.approx([0.0125, 0.025, 0.0375, 0.05])
    drawn = np.sort(np.concatenate([mark.get_ydata() for mark in marks]))
    assert drawn.tolist() == pytest.approx(found.table["p_value"].clip(lower=1e-12).tolist())
    assert [text.get_text() for text in ax.texts] == ["crow: shape"]
    assert ax.get_ylabel() == "p value of the test"
