"""An answer about the factors of one response, with the rows that it rests on.

What drivers and ratings share: the rows, how well the response repeats itself, which
factors stand beyond chance, and what is said of rows that could not be used.
"""

from dataclasses import dataclass

from reedlab.analyse.evidence import LEVEL
from reedlab.analyse.frame import Frame
from reedlab.analyse.reliability import Reliability
from reedlab.answer import Answer, counted
from reedlab.errors import CallError, unknown_name
from reedlab.schema import Factor, Response

#: What marks the caution of one finding about rows that it could not use.
GAPS = " rows left out: "


@dataclass(frozen=True)
class Framed(Answer):
    """An answer that keeps its rows.

    Attributes
    ----------
    frame : Frame or None
    reliability : Reliability or None
        How well the response repeats itself; None for what is recorded once a reed.
    """

    frame: Frame | None = None
    reliability: Reliability | None = None

    @property
    def response(self) -> Response:
        """The response asked about."""
        return self._frame.response

    @property
    def strong(self) -> tuple[str, ...]:
        """Factors whose effect is beyond chance, corrected for the number looked at."""
        return tuple(self.table.loc[self.table["p_adjusted"] < LEVEL, "term"].unique())

    def label(self, term: str) -> str:
        """Words for a factor."""
        return self._factor(term).label

    @property
    def _frame(self) -> Frame:
        if self.frame is None:
            raise CallError("This answer was made without its rows.")
        return self.frame

    def _factor(self, name: str) -> Factor:
        for factor in self._frame.factors:
            if factor.name == name:
                return factor
        raise unknown_name("factor", name, [f.name for f in self._frame.factors])


def gaps_caution(frame: Frame) -> list[str]:
    """Say how many rows were left out and why, if any were."""
    if not len(frame.left_out):
        return []
    everything = len(frame.data) + len(frame.left_out)
    reasons = frame.left_out["fault"].value_counts()
    listed = "; ".join(f"{count} × {fault}" for fault, count in reasons.head(4).items())
    more = f"; {counted(len(reasons) - 4, 'more reason')}" if len(reasons) > 4 else ""
    return [f"{frame.response.label}: {len(frame.left_out)} of {everything}{GAPS}{listed}{more}."]
