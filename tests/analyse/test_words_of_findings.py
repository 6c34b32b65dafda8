"""A record of what makers chose never yields the word "cause": not in any form, not even denied.

Checked twice: no text that this room can write holds it (every string of its files but the
docstrings, which are for developers), and no answer on the two invented studies does, with
its table, sentence, cautions and the words of its picture.
"""

import ast
import inspect
import re
from pathlib import Path

import pytest
from matplotlib.text import Text

import reedlab.analyse
from reedlab import analyse
from reedlab.errors import CallError, ModelError

#: cause, causes, caused, causing, causal, causality, causation; not because, not cautious.
CAUSE = re.compile(r"\bcaus(e[sd]?|ing|al(ly|ity)?|ation)\b", re.IGNORECASE)
FILES = sorted(Path(reedlab.analyse.__file__).parent.glob("*.py"))
#: Every question that takes a study, and a response if it is asked for one.
QUESTIONS = sorted(
    name
    for name in analyse.__all__
    if name != "season"
    and inspect.isfunction(getattr(analyse, name))
    and [*inspect.signature(getattr(analyse, name)).parameters][:1] == ["study"]
)


def texts_written(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        text = getattr(node, "value", None) if isinstance(node, ast.Constant) else None
        if isinstance(text, str) and id(node) not in docstrings:
            yield text


def texts_of(answer):
    yield from (answer.question, answer.sentence, answer.looked, *answer.cautions)
    yield from map(str, answer.table.to_numpy().ravel())
    yield from answer.left_out["fault"]


def texts_of_picture(answer):
    try:
        ax = answer.plot()
    except ModelError as error:
        return [str(error)]
    return [text.get_text() for text in ax.get_figure().findobj(Text)]


def asked(name, study, response):
    ask = getattr(analyse, name)
    parameters = inspect.signature(ask).parameters
    return ask(study, response) if "response" in parameters else ask(study)


def test_the_word_is_known_in_all_its_forms():
    assert all(map(CAUSE.search, ["It causes", "a Cause", "caused by", "causal", "no causation"]))
    assert not any(map(CAUSE.search, ["because", "a caution", "causeway"]))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_no_text_of_this_room_holds_the_word(path):
    assert [text for text in texts_written(path) if CAUSE.search(text)] == []


@pytest.mark.parametrize("which", ["batch", "season"])
def test_no_answer_of_a_season_in_one_piece_holds_it(which, request):
    found = request.getfixturevalue(f"found_{which}")
    texts = [text for answer in found.answers.values() for text in texts_of(answer)]
    texts += [*found.cautions, *found.refused.values()]
    assert len(texts) > 100
    assert [text for text in texts if CAUSE.search(text)] == []


@pytest.mark.slow
@pytest.mark.parametrize("which", ["batch", "season"])
@pytest.mark.parametrize("name", QUESTIONS)
def test_no_answer_to_a_single_question_holds_it(name, which, request):
    study = request.getfixturevalue(f"demo_{which}")
    for response in ("crow_cents", "kept"):
        try:
            answer = asked(name, study, response)
            texts = [*texts_of(answer), *texts_of_picture(answer)]
        except (CallError, ModelError) as error:
            texts = [str(error)]
        assert [text for text in texts if CAUSE.search(text)] == []
