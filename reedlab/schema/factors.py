"""Factors: what the maker varies, and the thing to which each level is given.

The stratum (lot, tube, reed, session) is the one idea that runs through the whole
package: it decides how levels are randomised, which variation a factor is judged
against, and how many units a finding really rests on.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from numbers import Real
from typing import TypeGuard

from reedlab.errors import CallError

#: From the largest thing to the smallest; a session cuts across the other three.
STRATA = ("lot", "tube", "reed", "session")

#: Lots, sessions and players fewer than this are taken out as blocks, for their variance could
#: not be known; more are a random term (common practice, no source).
FEW = 5

#: Where a factor of each stratum is recorded, and the key of that table.
STRATUM_TABLE = {"lot": "lots", "tube": "tubes", "reed": "reeds", "session": "sessions"}
STRATUM_KEY = {"lot": "lot_id", "tube": "tube_id", "reed": "reed_id", "session": "session_id"}


@dataclass(frozen=True)
class Factor:
    """A process variable with the stratum to which its levels are given.

    Parameters
    ----------
    name : str
        The column that holds it.
    levels : sequence of str or numbers, optional
        The levels in their natural order; numbers make a numeric factor. Left
        empty, the levels are those of the record.
    stratum : {"lot", "tube", "reed", "session"}
        The thing to which a level is given. A tube-level factor is shared by all
        reeds cut from the tube, however many they are.
    unit : str, optional
        Unit of a numeric factor, e.g. ``"mm"``.
    label : str, optional
        Words for pictures and sentences; the name with spaces if left out.
    kind : {"numeric", "categorical"}, optional
        Needed only for a numeric factor without levels.
    step : float, optional
        The change of a numeric factor that a maker would make, in its unit;
        effects are reported for it.

    Raises
    ------
    CallError
        For an unknown stratum or kind, levels given twice, or numbers and words mixed.

    Examples
    --------
    >>> Factor("gouge_centre_mm", levels=(1.25, 1.30, 1.35), unit="mm").kind
    'numeric'
    >>> Factor("shape", levels=("narrow", "wide"), stratum="reed").label
    'shape'
    """

    name: str
    levels: Sequence[str | float] = ()
    stratum: str = "reed"
    unit: str = ""
    label: str = ""
    kind: str = ""
    step: float | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "levels", tuple(self.levels))
        if not self.label:
            object.__setattr__(self, "label", self.name.replace("_", " "))
        if self.stratum not in STRATA:
            raise CallError(
                f"Factor '{self.name}' has the stratum '{self.stratum}'; "
                f"a level can be given to a {', a '.join(STRATA[:-1])} or a {STRATA[-1]}."
            )
        numeric = {is_number(level) for level in self.levels}
        if len(numeric) > 1:
            raise CallError(
                f"Factor '{self.name}' mixes numbers and words among its levels: "
                f"{', '.join(map(repr, self.levels))}."
            )
        if len(set(self.levels)) < len(self.levels):
            raise CallError(f"Factor '{self.name}' lists a level twice: {self.levels}.")
        if not self.kind:
            object.__setattr__(self, "kind", "numeric" if numeric == {True} else "categorical")
        if self.kind not in ("numeric", "categorical"):
            raise CallError(f"Factor '{self.name}' is '{self.kind}'; say numeric or categorical.")
        if self.kind == "numeric" and False in numeric:
            raise CallError(f"Factor '{self.name}' is called numeric but has levels in words.")
        if self.step is not None and not self.step > 0:
            raise CallError(f"Factor '{self.name}' has the step {self.step}; it must be above 0.")

    @property
    def table(self) -> str:
        """The table of the record that holds the factor."""
        return STRATUM_TABLE[self.stratum]


def is_number(value: object) -> TypeGuard[float]:
    """Tell whether a value is a real number, of any library; yes and no are none."""
    return isinstance(value, Real) and not isinstance(value, bool)
