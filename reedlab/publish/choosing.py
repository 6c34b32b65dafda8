"""What a maker would want told of a study, where it is not said: three kinds of answers.

The keep rate; what drives each response, weighed over all that were looked at; and the
recipe for the responses told. Unasked, responses in which nothing was found are left out by
name, and the page says how many were looked at.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass

from reedlab.analyse import Drivers, drivers, keep_rate, recipe
from reedlab.analyse.asked import telling
from reedlab.analyse.exploration import over_season
from reedlab.answer import Answer
from reedlab.errors import CallError, ModelError, listed
from reedlab.study import Study


@dataclass(frozen=True)
class Chosen:
    """What is told; made by :func:`choose`.

    Attributes
    ----------
    study : Study
    answers : tuple of Answer
    without : tuple of str
        Labels of responses that were looked at without a finding, and are not told.
    refused : dict of str to str
        Responses that the record cannot answer, with the reason.
    """

    study: Study
    answers: tuple[Answer, ...]
    without: tuple[str, ...]
    refused: dict[str, str]

    @property
    def notes(self) -> tuple[str, ...]:
        """What is not told, in sentences."""
        nothing = (f"Nothing was found for {listed(self.without)}.",) if self.without else ()
        return (*nothing, *(f"{label}: {reason}" for label, reason in self.refused.items()))


def choose(
    study: Study,
    responses: Sequence[str] = (),
    progress: Callable[[str], None] | None = None,
) -> Chosen:
    """Ask what a handout tells.

    Parameters
    ----------
    study : Study
    responses : sequence of str, optional
        These are told, found or not. Left out, all with a value that are no time are asked,
        and those with a finding told; where there is none, the first.
    progress : callable, optional
        Told in words what is being worked on.

    Raises
    ------
    CallError
        For a response that is not recorded, or if the record answers nothing at all.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> [type(one).__name__ for one in choose(example_study("batch"), ["crow_cents"]).answers]
    ['KeepRate', 'Drivers', 'Recipe']
    """
    tell = progress or (lambda _: None)
    looked_at = [response for response in study.responses if response.kind != "time"]
    asked = (
        [study.response(name) for name in dict.fromkeys(responses)]
        if responses
        else telling(study, looked_at)
    )
    found: dict[str, Drivers] = {}
    refused = {}
    for response in asked:
        tell(f"drivers of {response.label}")
        try:
            found[response.name] = drivers(study, response.name)
        except ModelError as error:
            refused[response.label] = str(error)
    found = over_season(found)
    told = [*responses] or [name for name, one in found.items() if one.strong] or [*found][:1]
    answers: list[Answer] = []
    # A record may be too small for any of these; what it can answer is told.
    with suppress(CallError, ModelError):
        answers.append(keep_rate(study))
    answers += [found[name] for name in dict.fromkeys(told) if name in found]
    tell("the recipe")
    with suppress(CallError, ModelError):
        answers.append(recipe(study, [name for name in found if name in told]))
    if not answers:
        raise CallError(f"The record of '{study.title}' answers nothing yet; fill in the tests.")
    without = [one.response.label for name, one in found.items() if name not in told]
    return Chosen(study, tuple(answers), tuple(without), refused)
