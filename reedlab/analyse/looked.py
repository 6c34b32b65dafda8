"""What every analysis does beside answering: its tests go into the study's log.

A test is a term with its p value; the contrasts of a term that share one p value are one
test. The answer is given back with how many factors and responses were looked at in
the study until then, and with what is wrong with the log, if anything is.
"""

import inspect
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import date
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar, cast

import pandas as pd

import reedlab
from reedlab.analyse.strata import NAMES as NAMES_OF_KEYS
from reedlab.analyse.words import effect_text
from reedlab.answer import Answer, counted
from reedlab.errors import listed
from reedlab.study import Study
from reedlab.study.looks import Look
from reedlab.study.whereabouts import whereabouts

Asked = ParamSpec("Asked")
Found = TypeVar("Found", bound=Answer)
Call = TypeVar("Call", bound=Callable[..., Answer])

#: Arguments that the rest of a look tells, or that change no number.
TOLD = ("study", "response", "factors", "progress")
#: Questions that do not take out differences between the makers of a pool.
TOGETHER = ("adjusting", "lasting", "made_once", "stopping_rule")
#: Which column says what is tested, where a table has no terms.
NAMES = ("term", "contrast", "level", "rule", "method")


def looked(
    ask: Callable[Concatenate[Study, Asked], Found],
) -> Callable[Concatenate[Study, Asked], Found]:
    """Make a question write its tests into the log of the study that it is asked of.

    Parameters
    ----------
    ask : callable
        A public question: its first parameter is the study, and one may be named
        ``response``. Of its answer's table the rows with a ``p_value`` are tests.
    """
    signature = inspect.signature(ask)

    @wraps(ask)
    def ask_and_log(study: Study, *args: Asked.args, **options: Asked.kwargs) -> Found:
        answer = ask(study, *args, **options)
        given = signature.bind(study, *args, **options).arguments
        study.log.add(_looks(study, ask.__name__, given, answer))
        return replace(
            answer,
            cautions=tuple(
                dict.fromkeys(
                    (*answer.cautions, *_of_makers(study, ask.__name__), *study.log.cautions)
                )
            ),
            left_out=study.traced(answer.left_out),
            looked=tally(study, study.log.looks),
            asked=_asked(ask.__name__, given),
        )

    return ask_and_log


def with_asked(ask: Call) -> Call:
    """Make the answer of a question that tests nothing say how to ask it again.

    Parameters
    ----------
    ask : callable
        A public question: its first parameter is the study.
    """
    signature = inspect.signature(ask)

    @wraps(ask)
    def ask_and_tell(study: Study, *args: Any, **options: Any) -> Answer:
        answer = ask(study, *args, **options)
        given = signature.bind(study, *args, **options).arguments
        left_out = study.traced(answer.left_out)
        return replace(answer, left_out=left_out, asked=_asked(ask.__name__, given))

    return cast(Call, ask_and_tell)


def _of_makers(study: Study, call: str) -> tuple[str, ...]:
    if len(study.makers) < 2 or call not in TOGETHER:
        return ()
    return (
        f"The reeds of {len(study.makers)} makers are taken as one maker's: what differs between "
        "makers may look like an effect.",
    )


def tally(study: Study, looks: Iterable[Look]) -> str:
    """Say how many factors and responses were looked at, in how many questions and tests.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> tally(example_study("batch"), [])
    'Nothing was tested in this study yet.'
    """
    looks = list(looks)
    if not looks:
        return "Nothing was tested in this study yet."
    responses = {look.response for look in looks}
    factors = {part for look in looks if look.term for part in _parts(study, look.term)}
    questions = {look.question for look in looks}
    tests = {look.test for look in looks if look.p_value is not None}
    return (
        f"So far {counted(len(responses), 'response')} and {counted(len(factors), 'factor')} of "
        f"this study were looked at in {counted(len(questions), 'question')} "
        f"({counted(len(tests), 'test')})."
    )


def label_of(study: Study, name: str) -> str:
    """Return the words for a factor, a response or a key, or the name where there are none."""
    declared = {item.name: item.label for item in study.settings.declared}
    return declared.get(name, NAMES_OF_KEYS.get(name, name))


def _parts(study: Study, term: str) -> tuple[str, ...]:
    """Factors of a term; those of an interaction each for itself."""
    declared = {factor.name for factor in study.settings.factors}
    parts = tuple(term.split(":"))
    return parts if declared.issuperset(parts) else (term,)


def _looks(study: Study, call: str, given: Mapping[str, Any], answer: Answer) -> list[Look]:
    """Read the tests of an answer from its table; without any, the look at its response."""
    options = [f"{name} {_option(value)}" for name, value in given.items() if name not in TOLD]
    tests = _tests(answer.table) or {("", "", None): []}
    return [
        Look(
            asked=", ".join([call, *options]),
            # A question without a choice of response (lasting) is its own.
            response=str(given.get("response", call)),
            term=term,
            contrast=contrast,
            finding=_finding(study, term, rows),
            evidence=str(rows[0].get("evidence", "observed")) if rows else "",
            p_value=p_value,
            factors="; ".join(sorted({term for term, _, _ in tests})),
            rows_used=answer.rows_used,
            version=reedlab.__version__,
        )
        for (term, contrast, p_value), rows in tests.items()
    ]


def _asked(call: str, given: Mapping[str, Any]) -> dict[str, Any]:
    """Return call and arguments as JSON holds them; what it cannot hold by its name alone."""
    arguments, not_plain = {}, []
    for name, value in given.items():
        if name in ("study", "progress"):
            continue
        try:
            arguments[name] = _plain(value)
        except TypeError:
            not_plain.append(name)
    study = whereabouts(given["study"])
    return {"call": call, "arguments": arguments, "not_plain": not_plain, "study": study}


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, str | bool | int | float):
        return value
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, Mapping):
        return {str(name): _plain(one) for name, one in value.items()}
    raise TypeError(type(value).__name__)


def _option(value: Any) -> str:
    """Write what a question was asked with in one line: a table by its kind alone."""
    if isinstance(value, Mapping):
        return listed(f"{name} {_option(one)}" for name, one in value.items())
    if isinstance(value, list | tuple):
        return listed(map(_option, value))
    is_plain = value is None or isinstance(value, str | int | float | date)
    return str(value) if is_plain else type(value).__name__


def _tests(table: pd.DataFrame) -> dict[tuple[str, str, float | None], list[dict]]:
    """Put rows that are one test together: those of a term, unless each has its own p value."""
    name = next((column for column in NAMES if column in table), None)
    if "p_value" not in table or name is None:
        return {}
    tests: dict[tuple[str, str, float | None], list[dict]] = {}
    tested = table[table["p_value"].notna()]
    several = tested.groupby(name, observed=True)["p_value"].nunique() > 1
    for row in tested.to_dict("records"):
        contrast = str(row.get("contrast", "")) if several[row[name]] else ""
        tests.setdefault((str(row[name]), contrast, float(row["p_value"])), []).append(row)
    return tests


def _finding(study: Study, term: str, rows: list[dict]) -> str:
    # The grade has a column of its own, for it may change once more is looked at.
    # Of a contrast told in several ways, as an ordinal one level by level, the first is enough.
    first = {row.get("contrast"): row for row in reversed(rows)}
    effects = [
        effect_text({name: value for name, value in row.items() if name != "evidence"})
        for row in reversed(first.values())
    ]
    told = "; ".join(effect for effect in effects if effect)
    return f"{label_of(study, term)} {told}" if told else ""
