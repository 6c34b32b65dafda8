"""How somebody else can check a handout: data, seeds, versions, and the calls that were asked.

The hash of the data (:func:`reedlab.study.whereabouts.data_hash`) tells whether two people
have the same record.
"""

import platform
from collections.abc import Iterator, Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import reedlab
from reedlab.answer import Answer
from reedlab.errors import listed
from reedlab.publish.phrases import Phrases
from reedlab.study import Pooled, Study
from reedlab.study.whereabouts import data_hash, whereabouts

#: Libraries whose version may change a number.
_LIBRARIES = ("numpy", "pandas", "scipy", "statsmodels", "formulaic", "firthmodels", "mixedlm")


def check_lines(
    study: Study, answers: Sequence[Answer], say: Phrases
) -> tuple[tuple[str, str], ...]:
    """Write how to check a handout: what, and the value.

    Parameters
    ----------
    study : Study
    answers : sequence of Answer
    say : Phrases
    """
    return tuple(_lines(study, answers, say))


def asked_text(asked: Mapping[str, Any]) -> str:
    """Write a call as it is typed; empty if what was asked is not known.

    Examples
    --------
    >>> asked_text({"call": "drivers", "arguments": {"response": "crow_cents"}})
    "reedlab.analyse.drivers(study, response='crow_cents')"
    """
    if not asked:
        return ""
    given = asked["arguments"]
    if "season" in asked:
        # Grades and p values weighed over all tests of a season come with the season alone.
        responses = [*asked["season"]]
        call = f"reedlab.analyse.season(study, responses={responses!r})"
        return f"{call}.drivers[{given['response']!r}]"
    arguments = [f"{name}={value!r}" for name, value in given.items()]
    return f"reedlab.analyse.{asked['call']}({', '.join(['study', *arguments])})"


def _lines(study: Study, answers: Sequence[Answer], say: Phrases) -> Iterator[tuple[str, str]]:
    yield say("check.study"), study.title
    example = whereabouts(study).get("example", "")
    if isinstance(study, Pooled):
        yield say("check.data"), say("check.pooled_value", studies=say.joined([*study.sources]))
    elif example:
        yield say("check.data"), say("check.example_value", name=example)
    else:
        # The folder's own name: where it lies on the maker's disk is nobody's business.
        yield say("check.data"), say("check.data_value", folder=study.folder.name)
    yield say("check.hash"), data_hash(study)
    for batch in study.settings.batches:
        if batch.seed is not None:
            yield say("check.seed", batch=batch.batch_id), str(batch.seed)
    yield say("check.versions"), listed(_versions())
    if example:
        yield say("check.opened"), f"study = reedlab.demo.example_study({example!r})"
    elif not isinstance(study, Pooled):
        yield say("check.opened"), f"study = reedlab.open_study({study.folder.name!r})"
    for place, answer in enumerate(answers, start=1):
        call = asked_text(answer.asked)
        if not call:
            yield say("check.asked", n=place), say("check.not_asked")
            continue
        missing = [*answer.asked.get("not_plain", ())]
        more = f" {say('check.not_plain', names=say.joined(missing))}" if missing else ""
        yield say("check.asked", n=place), call + more
    told = [answer.looked for answer in answers if answer.looked]
    if told:
        yield say("check.looked"), told[-1]


def _versions() -> Iterator[str]:
    yield f"reedlab {reedlab.__version__}"
    yield f"Python {platform.python_version()}"
    for name in _LIBRARIES:
        try:
            yield f"{name} {version(name)}"
        except PackageNotFoundError:
            continue
