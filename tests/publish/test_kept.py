"""What a run notebook keeps is asked again; what comes out otherwise is told by name."""

import json
import re
from dataclasses import replace

import nbformat
import pandas as pd
import pytest

import reedlab
from reedlab import analyse
from reedlab.answer import KEPT_TYPE, Answer
from reedlab.demo import example_study, simulate_batch
from reedlab.errors import CallError, RecordError
from reedlab.publish.kept import answers_of
from reedlab.study import open_study
from tests.publish.notebooks import write_notebook


@pytest.fixture
def home(tmp_path, monkeypatch):
    """A folder with a study and, as a kernel has it, the working folder."""
    monkeypatch.chdir(tmp_path)
    simulate_batch().write(tmp_path / "reeds")
    return tmp_path


@pytest.fixture
def study(home):
    return open_study("reeds")


def edited(notebook, change):
    """Change what each cell kept."""
    read = json.loads(notebook.read_text("utf-8"))
    for cell in read["cells"]:
        for output in cell["outputs"]:
            if KEPT_TYPE in output["data"]:
                output["data"][KEPT_TYPE] = change(output["data"][KEPT_TYPE])
    notebook.write_text(json.dumps(read), "utf-8")
    return notebook


def test_all_is_told_as_it_was(home, study):
    asked = [
        analyse.drivers(study, "crow_cents"),
        analyse.keep_rate(study, by="shape"),
        analyse.sources(study, response="crow_cents"),
    ]
    kept = answers_of(write_notebook(home / "run.ipynb", *asked))
    assert [one.sentence for one in kept.answers] == [one.sentence for one in asked]
    assert kept.notes == ()
    assert kept.study.read_only == "it was opened read-only"


def test_a_notebook_with_kept_answers_is_valid_and_names_no_place_of_the_machine(home, study):
    notebook = write_notebook(home / "run.ipynb", analyse.drivers(study, "crow_cents"))
    read = nbformat.read(notebook, 4)
    nbformat.validate(read)
    kept = read.cells[0].outputs[0].data[KEPT_TYPE]
    assert kept["asked"]["study"]["folder"] == "reeds"
    assert kept["version"] == reedlab.__version__
    assert str(home) not in notebook.read_text("utf-8")
    assert not re.search(r"/tmp|/home|/root", json.dumps(kept))
    assert len(json.dumps(kept)) < 10_000
    assert "text/html" in read.cells[0].outputs[0].data


def test_the_same_question_keeps_the_same(study):
    first, second = (analyse.drivers(open_study("reeds"), "crow_cents").kept for _ in range(2))
    assert first == second


def test_an_answer_that_was_asked_of_no_study_keeps_nothing(home):
    class Plain(Answer):
        def _say(self):
            return "Nothing."

    notebook = write_notebook(home / "run.ipynb", Plain("What?", pd.DataFrame()), 3)
    assert KEPT_TYPE not in notebook.read_text("utf-8")
    with pytest.raises(CallError, match=r"run\.ipynb keeps no answer: end a cell with the answer"):
        answers_of(notebook)


def test_a_changed_record_is_told_by_the_question(home, study):
    notebook = write_notebook(
        home / "run.ipynb", analyse.drivers(study, "crow_cents"), analyse.keep_rate(study)
    )
    sheet = home / "reeds" / "reeds.csv"
    sheet.write_bytes(sheet.read_bytes().replace(b",discarded,", b",kept,", 1))
    kept = answers_of(notebook)
    assert len(kept.answers) == 2
    assert [note.split(":")[0] for note in kept.changed] == [
        "'How many reeds are kept?' comes out otherwise"
    ]
    assert "the record has changed since. The notebook says: 6 of 24 decided" in kept.changed[0]
    assert kept.missing == ()


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"version": "0.0.1"}, r"it was asked with reedlab 0\.0\.1, now with"),
        ({}, "record and reedlab are the same, so a library has changed, or it was edited"),
    ],
)
def test_the_likely_reason_is_told(home, study, change, reason):
    notebook = write_notebook(home / "run.ipynb", analyse.keep_rate(study))
    edited(notebook, lambda part: part | {"sentence": "All were kept."} | change)
    assert re.search(reason, answers_of(notebook).changed[0])


def test_drivers_that_were_weighed_over_a_season_are_weighed_again(home, study):
    names = ["crow_cents", "dynamic_range_db"]
    found = analyse.season(study, names).drivers["dynamic_range_db"]
    kept = answers_of(write_notebook(home / "run.ipynb", found))
    assert "p_season" in kept.answers[0].table
    assert kept.notes == ()


def test_a_question_asked_twice_is_told_once(home, study):
    rate = analyse.keep_rate(study)
    assert len(answers_of(write_notebook(home / "run.ipynb", rate, rate)).answers) == 1


def test_an_example_is_found_by_its_name(home):
    asked = analyse.keep_rate(example_study("batch"))
    assert asked.asked["study"]["example"] == "batch"
    kept = answers_of(write_notebook(home / "run.ipynb", asked))
    assert kept.notes == ()


def test_what_cannot_be_asked_again_is_told_with_its_reason(home, study):
    answers = [
        analyse.keep_rate(study),
        replace(analyse.drivers(study, "crow_cents"), question="With a table?"),
        replace(analyse.sources(study, "crow_cents"), question="Of another?"),
    ]
    answers[1].asked["not_plain"].append("minutes")
    answers[2].asked["study"]["title"] = "Another"
    kept = answers_of(write_notebook(home / "run.ipynb", *answers))
    assert len(kept.answers) == 1
    assert kept.missing[0] == (
        "'With a table?' cannot be asked again: a notebook cannot keep minutes."
    )
    assert "it was asked of 'Another', not of 'Invented: a planned batch" in kept.missing[1]


@pytest.mark.parametrize(
    ("asked", "reason"),
    [
        ({"call": "season"}, "has no question 'season'"),
        ({"call": "Drivers"}, r"reedlab [\d.]+ has no question 'Drivers'"),
        ({"call": "__import__"}, "has no question '__import__'"),
        ({"call": ["drivers"]}, "has no question"),
        ({"arguments": {"by": 3, "colour": "red"}}, "'keep_rate' cannot be asked so: .*colour"),
        ({"arguments": {"by": "shap"}}, "There is no .*'shap'"),
        ({"season": ["crow_cents"], "arguments": {"response": "kept"}}, "cannot be asked so"),
        ({"season": 3}, "cannot be asked so"),
    ],
)
def test_only_questions_are_asked_whatever_a_notebook_names(home, study, asked, reason):
    notebook = write_notebook(home / "run.ipynb", analyse.keep_rate(study))
    edited(notebook, lambda part: part | {"asked": part["asked"] | asked})
    with pytest.raises(CallError, match=f"Nothing in run.ipynb can be told. .*{reason}"):
        answers_of(notebook)


def test_answers_of_several_studies_need_to_be_told_which(home, study):
    other = example_study("batch")
    notebook = write_notebook(
        home / "run.ipynb", analyse.keep_rate(study), analyse.keep_rate(other)
    )
    with pytest.raises(CallError, match=r"asked batch, reeds; say which study: reedlab handout"):
        answers_of(notebook)
    assert answers_of(notebook, study).notes == ()


def test_a_study_that_cannot_be_found_again_has_to_be_given(home, study):
    asked = analyse.keep_rate(study)
    del asked.asked["study"]["folder"], asked.asked["study"]["data_hash"]
    notebook = write_notebook(home / "run.ipynb", asked)
    with pytest.raises(CallError, match="which lies where it cannot be found again; say which"):
        answers_of(notebook)
    edited(notebook, lambda part: part | {"sentence": "All."})
    told = answers_of(notebook, study).changed[0]
    assert "whether the record has changed since is not known" in told


def test_a_study_that_is_gone_is_told(home, study):
    notebook = write_notebook(home / "run.ipynb", analyse.keep_rate(study))
    (home / "reeds").rename(home / "moved")
    with pytest.raises(RecordError, match="reeds"):
        answers_of(notebook)


def test_no_notebook_and_a_damaged_one_are_told(home, study):
    with pytest.raises(CallError, match=r"none\.ipynb cannot be read: No such file"):
        answers_of(home / "none.ipynb")
    for text in (
        "[1]",
        "{}",
        "nothing",
        '{"cells": 3}',
        '{"cells": [3]}',
        '{"cells": [{"outputs": [3]}]}',
    ):
        (home / "bad.ipynb").write_text(text)
        with pytest.raises(CallError, match=r"bad\.ipynb is no notebook\."):
            answers_of(home / "bad.ipynb")
    notebook = write_notebook(home / "run.ipynb", analyse.keep_rate(study))
    for broken in (3, {}, {"asked": {}}):
        with pytest.raises(CallError, match=r"run\.ipynb keeps a damaged answer; run it again"):
            answers_of(edited(notebook, lambda part, broken=broken: broken))
