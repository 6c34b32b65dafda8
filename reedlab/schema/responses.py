"""Responses: what a finished reed is judged by, with type, unit and direction."""

from collections.abc import Sequence
from dataclasses import dataclass

from reedlab.errors import CallError

KINDS = ("continuous", "binary", "ordinal", "time")
DIRECTIONS = ("higher", "lower", "target", "")


@dataclass(frozen=True)
class Response:
    """A measured or judged quality of a reed.

    Parameters
    ----------
    name : str
        The column that holds it.
    kind : {"continuous", "binary", "ordinal", "time"}
        Decides how it is analysed.
    unit : str, optional
        Unit of its values, e.g. ``"cents"``.
    direction : {"higher", "lower", "target", ""}
        What is better; ``""`` where neither is.
    target : float, optional
        The value to come near to, in the unit; needed for direction "target".
    levels : sequence of str or numbers, optional
        Of an ordinal response: from the lowest to the highest.
    table : str
        The table of the record that holds it.
    label : str, optional
        Words for pictures and sentences; the name with spaces if left out.

    Raises
    ------
    CallError
        For an unknown kind or direction, or a target or levels that are missing.

    Examples
    --------
    >>> Response("crow_cents", unit="cents", direction="target", target=0.0).label
    'crow cents'
    """

    name: str
    kind: str = "continuous"
    unit: str = ""
    direction: str = ""
    target: float | None = None
    levels: Sequence[str | float] = ()
    table: str = "tests"
    label: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "levels", tuple(self.levels))
        if not self.label:
            object.__setattr__(self, "label", self.name.replace("_", " "))
        if self.kind not in KINDS:
            raise CallError(
                f"Response '{self.name}' is '{self.kind}'; it can be {', '.join(KINDS)}."
            )
        if self.direction not in DIRECTIONS:
            raise CallError(
                f"Response '{self.name}' has the direction '{self.direction}'; "
                "it can be higher, lower, target or left empty."
            )
        if self.direction == "target" and self.target is None:
            raise CallError(f"Response '{self.name}' aims at a target; say which value.")
        if self.kind == "ordinal" and not self.levels:
            raise CallError(
                f"Response '{self.name}' is ordinal: list its levels from lowest to highest, "
                "for words sort by the alphabet and not by meaning."
            )
