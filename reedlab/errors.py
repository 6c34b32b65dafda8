"""What went wrong, told so that it can be put right.

One family, three members, by whose move it is: the record is at fault (mend the
sheet), the call is at fault (mend the line of code), or the model is not to be
trusted (ask a smaller question or make more reeds).
"""

from collections.abc import Iterable
from difflib import get_close_matches


class ReedlabError(Exception):
    """Any error that reedlab raises on purpose; its text is meant to be read."""


class RecordError(ReedlabError):
    """The study's files hold something that cannot be used as it stands."""


class CallError(ReedlabError):
    """A call names or asks for something that does not exist or does not fit."""


class ModelError(ReedlabError):
    """The data cannot answer the question asked of the model."""


class InestimableTermError(ModelError):
    """One term of a model cannot be told from the others; `term` says which."""

    def __init__(self, message: str, term: str) -> None:
        super().__init__(message)
        self.term = term

    def __reduce__(self) -> tuple[type, tuple[str, str]]:
        # Without it the error could not come back from another process.
        return type(self), (str(self), self.term)


def listed(names: Iterable[object]) -> str:
    """Write names one after the other, as messages show them.

    Examples
    --------
    >>> listed(["thin", 2])
    'thin, 2'
    """
    return ", ".join(str(name) for name in names)


def unknown_name(kind: str, name: object, known: Iterable[object]) -> CallError:
    """Build the error for a wrong name: the nearest right ones first, then all.

    Examples
    --------
    >>> str(unknown_name("response", "crow_cent", ["crow_cents", "soft_db"]))
    "There is no response 'crow_cent'. Nearest: crow_cents. Present: crow_cents, soft_db."
    """
    names = sorted(map(str, known))
    near = get_close_matches(str(name), names, n=3, cutoff=0.5)
    nearest = f" Nearest: {', '.join(near)}." if near else ""
    present = f" Present: {', '.join(names)}." if names else f" There is no {kind} at all here."
    return CallError(f"There is no {kind} '{name}'.{nearest}{present}")
