"""The commands of publishing: what they say, what they write, and a user's mistakes."""

import sys

import pytest

from reedlab import analyse
from reedlab.cli import main
from reedlab.demo import simulate_batch
from reedlab.publish.choosing import choose
from reedlab.study import new_study, open_study
from tests.publish.notebooks import write_notebook
from tests.publish.printed import reader
from tests.publish.reading import parsed


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return simulate_batch().write(tmp_path_factory.mktemp("told") / "reeds").folder


@pytest.fixture
def run(capsys, monkeypatch):
    """Run the command in this process, for the statistics are slow to import."""

    def command(*arguments):
        monkeypatch.setattr(sys, "argv", ["reedlab", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return ended.value.code, out, err

    return command


def test_a_handout_of_one_response(run, folder, tmp_path):
    asked = ["--response", "crow_cents", "--title", "Crow", "--out", tmp_path]
    code, out, err = run("handout", folder, *asked)
    assert (code, err) == (0, "")
    assert out.splitlines()[0].startswith("How many reeds are kept? 6 of 24 decided")
    assert out.splitlines()[-1] == f"  {tmp_path / 'handout.pdf'}"
    parsed((tmp_path / "handout.html").read_text("utf-8"))
    found = reader((tmp_path / "handout.pdf").read_bytes())
    assert found.metadata.title == "Crow"
    assert len(found.pages) <= 3


def test_what_is_told_unasked_and_what_is_not(folder):
    chosen = choose(open_study(folder))
    told = {one.asked["arguments"].get("response") for one in chosen.answers} - {None}
    assert {"dynamic_range_db", "low_evenness_cents"} <= told
    assert "Nothing was found for crow against target, attack" in chosen.notes[0]
    assert all(one.asked for one in chosen.answers)
    # That others were looked at is told with the last question.
    assert "8 questions" in chosen.answers[-1].looked


def test_a_handout_of_a_notebook_goes_beside_it(run, folder, monkeypatch):
    monkeypatch.chdir(folder.parent)
    asked = analyse.keep_rate(open_study("reeds"), by="shape")
    notebook = write_notebook(folder.parent / "run.ipynb", asked)
    code, out, err = run("handout", "--from", notebook)
    assert (code, err) == (0, "")
    assert out.splitlines()[0] == f"{asked.question} {asked.sentence}"
    assert (folder.parent / "handout" / "handout.pdf").exists()


def test_a_package_goes_beside_the_study_and_is_opened_again(run, folder):
    code, out, err = run("package", folder, "--licence", "CC-BY-4.0")
    assert (code, err) == (0, "")
    made = folder.with_name("reeds.zip")
    assert f"  {made}" in out.splitlines()
    assert open_study(made).title == open_study(folder).title
    again = run("package", folder, "--licence", "CC-BY-4.0")
    assert again == (2, "", f"{made} is there already; choose another name.\n")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["handout"], "Say of which study: reedlab handout FOLDER, or --from NOTEBOOK."),
        (["handout", "FOLDER", "--response", "crow"], "There is no response 'crow'."),
        (["handout", "FOLDER", "--response", "kept", "--audience", "all"], "no audience 'all'"),
        (
            ["handout", "FOLDER", "--response", "kept", "--from", "x.ipynb"],
            "The answers of a notebook are told as they are; leave --response out.",
        ),
        (["handout", "--from", "none.ipynb"], "none.ipynb cannot be read"),
        (["handout", "none"], "none"),
        (["package", "FOLDER"], "Say under which licence the data are opened"),
        (["package", "FOLDER", "--licence", "mine"], "There is no licence for data 'mine'."),
    ],
)
def test_a_mistake_is_one_sentence_and_exit_code_2(run, folder, arguments, message):
    code, out, err = run(*(folder if one == "FOLDER" else one for one in arguments))
    assert message in err
    assert len(err.splitlines()) == 1
    assert (code, out) == (2, "")


def test_an_empty_record_answers_nothing_yet(run, tmp_path):
    new_study(tmp_path / "autumn")
    found = run("handout", tmp_path / "autumn")
    said = "The record of 'autumn' answers nothing yet; fill in the tests.\n"
    assert found == (2, "", said)
