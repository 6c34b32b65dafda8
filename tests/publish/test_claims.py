"""No text claims more than its grade, for every kind of answer that the package can give."""

import dataclasses
import importlib
import pkgutil

import pytest

import reedlab
from reedlab import analyse
from reedlab.answer import Answer
from reedlab.publish import handout
from reedlab.publish.claims import overclaims, require_no_overclaim
from reedlab.publish.phrases import read_phrases
from reedlab.publish.sections import own_words
from tests.publish.conftest import DAY
from tests.publish.reading import parsed

#: Answers that are about files and their faults: nothing of them is a finding to be told.
ABOUT_FILES = {"Faults", "Brought", "Measured", "Package"}


@pytest.mark.parametrize(
    "text",
    [
        "A thin gouge causes a low crow.",
        "The crow is low because of the gouge.",
        "It is sharp due to dry air.",
        "Dry air leads to a sharp crow.",
        "A wide shape makes the rating higher.",
        "The wire made reeds of this lot last longer.",
        "Soaking increases the range.",
        "Soaking improved the rating.",
        "The gouge moves the crow.",
        "Humidity affects it.",
        "A loss resulting in fewer keepers.",
    ],
)
def test_words_of_making_are_refused_unless_chance_assigned(text):
    for grade in ("observed", "exploratory", ""):
        assert overclaims(text, grade)
        with pytest.raises(reedlab.errors.ModelError, match="says more than the grade"):
            require_no_overclaim(text, grade)
    assert require_no_overclaim(text, "randomised") == text


@pytest.mark.parametrize(
    "text",
    [
        "Gouge goes with crow beyond chance: −16.2 cents.",
        "Of 10 factors looked at, 3 go with crow.",
        "Reeds with a wide shape were kept more often.",
        "The caution: a causeway of reeds.",
        "A higher crow was seen where cane was dense.",
    ],
)
def test_words_of_going_together_pass(text):
    assert overclaims(text, "observed") == ()


def test_the_makers_own_words_claim_nothing():
    text = "What causes buzz goes with leads to nowhere."
    assert overclaims(text, "observed", {"What causes buzz", "leads to nowhere", ""}) == ()
    assert overclaims(text, "observed", {"c", "lead"}) == ("causes", "leads to")


def test_no_fixed_phrase_says_more_than_its_grade():
    for key, text in read_phrases().texts.items():
        if not key.endswith(".randomised"):
            assert overclaims(text, "observed") == (), key


def _kinds():
    """Every class of answer in the package."""
    for module in pkgutil.walk_packages(reedlab.__path__, "reedlab."):
        if not module.name.startswith(("reedlab.demo.__main__", "reedlab.page")):
            importlib.import_module(module.name)
    waiting, found = [Answer], set()
    while waiting:
        one = waiting.pop()
        waiting += one.__subclasses__()
        if one.__module__.startswith("reedlab.") and one is not Answer:
            found.add(one.__name__)
    return found


@pytest.mark.slow
def test_every_kind_of_answer_of_the_package_is_told(
    batch, season, studio, once, batch_answers, season_answers, studio_answers, other_answers
):
    told = set()
    for study, answers in (
        (batch, batch_answers),
        (season, season_answers),
        (studio, studio_answers),
        (batch, other_answers),
        (once, {"once": analyse.made_once(once, "rate")}),
    ):
        told |= {type(answer).__name__ for answer in answers.values()}
        # Colleagues read all of them; students the same sentences, so one of each kind.
        kinds = {type(answer): name for name, answer in answers.items()}
        students = {name: answers[name] for name in kinds.values()}
        for audience, some in (("colleagues", answers), ("students", students)):
            made = handout(study, some, audience=audience, made_on=DAY)
            _told_within_its_grade(study, made.page, some)
            parsed(made.html)
    assert _kinds() - told - ABOUT_FILES - {"Framed"} == set()


def _told_within_its_grade(study, page, answers):
    names = own_words(study)
    for section, answer in zip(page.sections, answers.values(), strict=True):
        (claim,) = section.claims
        grades = set(answer.table["evidence"].dropna()) if "evidence" in answer.table else set()
        assert claim.grade in grades or (not claim.grade and not grades)
        assert claim.evidence
        texts = [claim.sentence, *section.not_shown]
        texts += [section.picture.alt, section.picture.caption] if section.picture else []
        # A question only asks; an answer begins with it in the words of its picture.
        texts = [text.replace(answer.question, "") for text in texts]
        for text in texts:
            assert overclaims(text, claim.grade, names) == (), (answer.question, text)
        if answer.asked:
            assert section.asks == answer.asked
    randomised = {answer_grade(answer) for answer in answers.values()} == {"randomised"}
    for line in page.card:
        for text in dataclasses.astuple(line):
            assert randomised or overclaims(text, "observed", names) == ()


def answer_grade(answer):
    return answer.table["evidence"].iloc[0] if "evidence" in answer.table else ""
