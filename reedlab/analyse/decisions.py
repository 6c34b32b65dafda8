"""What to do with a season: the questions beside its sources and drivers.

When to stop, what adjusting does, how reeds break in and how long they last, whether the
season drifts, and what to set next; each asked of the response that tells most. A
question that the record cannot answer is refused with its reason, in a sentence.
"""

from collections.abc import Callable, Iterator, Sequence
from math import inf

from reedlab.analyse.adjusting import Adjusting, adjusting
from reedlab.analyse.break_in import break_in
from reedlab.analyse.drift import drift
from reedlab.analyse.lasting import lasting
from reedlab.analyse.looks import looks
from reedlab.analyse.recipe import recipe
from reedlab.analyse.stopping import stopping_rule
from reedlab.answer import Answer
from reedlab.errors import CallError, ModelError
from reedlab.schema import Response
from reedlab.study import Study

#: A name fit for a file, words for it, and the question itself.
Question = tuple[str, str, Callable[[], Answer]]


def decide(
    study: Study, asked: Sequence[Response], tell: Callable[[str], None]
) -> tuple[dict[str, Answer], dict[str, str], dict[str, str]]:
    """Ask what to do of a season.

    Parameters
    ----------
    study : Study
    asked : sequence of Response
        Responses that the season is asked about, the one that tells most first.
    tell : callable
        Told in words what is being worked on.

    Returns
    -------
    answers, words, refused : dict of str
        Answers and the words for their questions by a name fit for a file; and, by the words,
        why a question has no answer.
    """
    answers: dict[str, Answer] = {}
    words: dict[str, str] = {}
    refused: dict[str, str] = {}
    for name, about, ask in _questions(study, asked):
        tell(about)
        try:
            answers[name], words[name] = ask(), about
        except (CallError, ModelError) as error:
            refused[about] = str(error)
    seen = looks(study)
    if len(seen.table):
        answers["looks"], words["looks"] = seen, "all that was looked at"
    return answers, words, refused


def _questions(study: Study, asked: Sequence[Response]) -> Iterator[Question]:
    measured = next((r for r in asked if r.table == "tests" and r.kind != "binary"), None)
    kept = next((r for r in asked if r.name == "kept"), None)
    if kept and measured:
        yield "stopping_rule", "when to stop", lambda: stopping_rule(study, "first test")
    if measured:
        name, label = measured.name, measured.label
        if "adjustments" in study.tables:
            yield "adjusting", "adjusting", lambda: _adjusting(study, asked)
        yield "break_in", "breaking in", lambda: break_in(study, name)
        yield "drift", f"drift of {label}", lambda: drift(study, name)
    if kept:
        yield "drift_kept", "drift of the keep rate", lambda: drift(study, "kept")
    if "life" in study.tables:
        yield "lasting", "how long reeds last", lambda: lasting(study)
    both = [response.name for response in (measured, kept) if response]
    if both:
        yield "recipe", "the next recipe", lambda: recipe(study, both)


def _adjusting(study: Study, asked: Sequence[Response]) -> Answer:
    """Ask what adjusting does to each response; tell where it does most, by its p value.

    What stands over all of them is weighed with everything else that was looked at.
    """
    found: list[Adjusting] = []
    refused: list[ModelError | CallError] = []
    for response in asked:
        if response.table == "tests" and response.kind != "binary":
            try:
                found.append(adjusting(study, response.name))
            except (CallError, ModelError) as error:
                refused.append(error)
    if not found:
        raise refused[0]
    # One that could not be tested at all has no p value, and comes last.
    return min(found, key=lambda one: float(one.table["p_value"].fillna(inf).min()))
