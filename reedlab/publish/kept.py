"""The answers that a run notebook kept, asked again and compared with what was kept.

Whatever answer a notebook shows, it keeps what was asked, of which study, the sentence and the
table as read (:attr:`reedlab.answer.Answer.kept`). Nothing of that is published: each question
is asked again of the study, and what comes out otherwise is told. A notebook may come from
anybody, so only questions of :mod:`reedlab.analyse` are asked, and the study that it names is
opened to be read only.
"""

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

import reedlab
from reedlab import analyse
from reedlab.analyse.exploration import over_season
from reedlab.answer import KEPT_TYPE, Answer
from reedlab.errors import CallError, RecordError, ReedlabError, listed
from reedlab.study import Study, open_study
from reedlab.study.whereabouts import data_hash

Part = Mapping[str, Any]


@dataclass(frozen=True)
class Kept:
    """Answers of a notebook, asked again; made by :func:`answers_of`.

    Attributes
    ----------
    study : Study
        What they were asked of.
    answers : tuple of Answer
        As they come out now, in the order of the notebook.
    changed : tuple of str
        Which of them come out otherwise than the notebook shows, each with the likely reason.
    missing : tuple of str
        Which cannot be asked again, each with the reason.
    """

    study: Study
    answers: tuple[Answer, ...]
    changed: tuple[str, ...]
    missing: tuple[str, ...]

    @property
    def notes(self) -> tuple[str, ...]:
        """What is told otherwise than the notebook shows it, or not at all."""
        return (*self.changed, *self.missing)


def answers_of(
    notebook: str | PathLike[str],
    study: Study | None = None,
    progress: Callable[[str], None] | None = None,
) -> Kept:
    """Ask the questions again whose answers a run notebook kept.

    Parameters
    ----------
    notebook : path
        A notebook that was run and saved; cells that end with an answer itself keep it.
    study : Study, optional
        Left out, it is the one that the notebook names.
    progress : callable, optional
        Told in words what is being worked on.

    Returns
    -------
    Kept

    Raises
    ------
    CallError
        If it is no notebook, keeps no answer, asked several studies, names none that can be
        found again, or nothing can be asked again.
    RecordError
        If the study cannot be opened.
    """
    path = Path(notebook)
    parts = [*_parts(path)]
    if not parts:
        raise CallError(
            f"{path.name} keeps no answer: end a cell with the answer itself, run the notebook "
            "and save it."
        )
    opened = study or _study_of(path, parts)
    answers, changed, missing = [], [], []
    for part in parts:
        if progress:
            progress(part["question"])
        try:
            answer = _asked_again(opened, part)
        except ReedlabError as error:
            missing.append(f"'{part['question']}' cannot be asked again: {error}")
            continue
        answers.append(answer)
        now = answer.kept
        if (now["sentence"], now["table"]) != (part["sentence"], part["table"]):
            changed.append(
                f"'{part['question']}' comes out otherwise: {_reason(opened, part)} "
                f"The notebook says: {part['sentence']}"
            )
    if not answers:
        raise CallError(f"Nothing in {path.name} can be told. {' '.join(missing)}")
    return Kept(opened, tuple(answers), tuple(changed), tuple(missing))


def _parts(path: Path) -> Iterator[Part]:
    """Give what a notebook kept; of a question that it asked twice alike the later one."""
    try:
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        outputs = [one for cell in cells for one in cell.get("outputs", [])]
        found = [one["data"][KEPT_TYPE] for one in outputs if KEPT_TYPE in one.get("data", {})]
    except OSError as error:
        raise CallError(f"{path} cannot be read: {error.strerror}.") from None
    except (ValueError, LookupError, TypeError, AttributeError):
        raise CallError(f"{path.name} is no notebook.") from None
    whole = [part for part in found if _is_whole(part)]
    if len(whole) < len(found):
        raise CallError(f"{path.name} keeps a damaged answer; run it again and save it.")
    yield from {json.dumps(part["asked"], sort_keys=True): part for part in whole}.values()


def _is_whole(part: Any) -> bool:
    kinds = {"question": str, "asked": dict, "version": str, "sentence": str, "table": dict}
    if not isinstance(part, dict):
        return False
    if not all(isinstance(part.get(name), kind) for name, kind in kinds.items()):
        return False
    asked, kinds = part["asked"], {"arguments": dict, "not_plain": list, "study": dict}
    return all(isinstance(asked.get(name), kind) for name, kind in kinds.items())


def _study_of(path: Path, parts: list[Part]) -> Study:
    """Open the one study that a notebook asked."""
    from reedlab.demo import example_study

    named = [part["asked"]["study"] for part in parts]
    places = {str(one.get("folder") or one.get("example") or one.get("title")) for one in named}
    told = f"say which study: reedlab handout FOLDER --from {path.name}."
    if len(places) > 1:
        raise CallError(f"{path.name} asked {listed(sorted(places))}; {told}")
    first = named[0]
    if "example" in first:
        return example_study(first["example"])
    if "folder" not in first:
        raise CallError(
            f"{path.name} asked '{first.get('title')}', which lies where it cannot be found "
            f"again; {told}"
        )
    return open_study(path.parent / str(first["folder"]), read_only=True)


def _asked_again(study: Study, part: Part) -> Answer:
    asked = part["asked"]
    title = asked["study"].get("title")
    if title != study.title:
        raise CallError(f"it was asked of '{title}', not of '{study.title}'.")
    if asked["not_plain"]:
        raise CallError(f"a notebook cannot keep {listed(asked['not_plain'])}.")
    try:
        if "season" in asked:
            return _weighed(study, asked)
        return _ask(study, asked["call"], asked["arguments"])
    except (TypeError, ValueError, LookupError) as error:
        # What was kept by another version, or written by another hand.
        raise CallError(f"'{asked['call']}' cannot be asked so: {error}.") from None


def _weighed(study: Study, asked: Part) -> Answer:
    """Ask again for drivers that were graded with those of other responses."""
    arguments = asked["arguments"]
    found = {
        name: _ask(study, "drivers", arguments | {"response": name}) for name in asked["season"]
    }
    return over_season(found)[arguments["response"]]


def _ask(study: Study, call: str, arguments: dict[str, Any]) -> Any:
    question: Any = getattr(analyse, call) if call in analyse.__all__ else None
    # A question is wrapped, for it tells what it was asked (reedlab.analyse.looked).
    if not hasattr(question, "__wrapped__"):
        raise CallError(f"reedlab {reedlab.__version__} has no question '{call}'.")
    return question(study, **arguments)


def _reason(study: Study, part: Part) -> str:
    kept = part["asked"]["study"].get("data_hash")
    if kept is None:
        return "whether the record has changed since is not known."
    if kept != _hash_of(study):
        return "the record has changed since."
    if part["version"] != reedlab.__version__:
        return f"it was asked with reedlab {part['version']}, now with {reedlab.__version__}."
    return "record and reedlab are the same, so a library has changed, or it was edited."


def _hash_of(study: Study) -> str:
    try:
        return data_hash(study)
    except RecordError:
        return ""
