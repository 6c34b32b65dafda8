"""How does a response change while a reed is broken in, and when has it settled?"""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd

from reedlab.analyse.break_in_rows import MINUTES, break_in_rows, fitted_curve, played
from reedlab.analyse.break_in_text import break_in_cautions, break_in_sentence
from reedlab.analyse.looked import looked
from reedlab.answer import Answer
from reedlab.errors import CallError
from reedlab.schema import Response
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class BreakIn(Answer):
    """How a response changes with the minutes played; made by :func:`break_in`.

    Attributes
    ----------
    table : DataFrame
        ``term``: *break-in* (the whole change, tested by F over the whole curve), *by 60
        minutes* and *by 120 minutes* (change until then, by t), and *settled* (from how
        many minutes on the curve stays near its end; ``contrast`` says how near).
        ``contrast, estimate, std_error, df, conf_low, conf_high`` in ``unit``;
        ``num_df, den_df, statistic, p_value, p_adjusted`` (Holm), ``n_reeds, n_tests``
        and ``evidence``.
    curve : DataFrame
        ``minutes, estimate, conf_low, conf_high``: the mean reed, 95 % at each minute.
    """

    curve: pd.DataFrame = field(default_factory=pd.DataFrame)
    response: Response | None = None
    raw: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def _asked(self) -> Response:
        if self.response is None:
            raise CallError("This break-in was made without its response.")
        return self.response

    def _say(self) -> str:
        return break_in_sentence(self.table, self._asked)

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw every reed as a thin line, and the curve of the mean reed with its interval."""
        from reedlab.analyse.break_in_pictures import draw_break_in

        return draw_break_in(self.curve, self.raw, self.table, self._asked, ax)


@looked
def break_in(study: Study, response: str) -> BreakIn:
    """Tell how a response changes with the minutes that a reed has been played.

    Parameters
    ----------
    study : Study
    response : str
        A recorded response of tests: continuous, or ordinal (levels as evenly spaced
        scores).

    Returns
    -------
    BreakIn

    Raises
    ------
    CallError
        For a name that is not recorded, a response that is not one of tests, or a study
        without minutes_played.
    RecordError
        If rows stand twice.
    ModelError
        If fewer than three reeds were tested at different minutes, or nothing varies.

    Notes
    -----
    A natural cubic spline in the square root of the minutes (reeds change fast at
    first), of two or three degrees of freedom, in a mixed model with reeds, tubes, lots
    and sessions as random terms and few players held; tests by Kenward and Roger. The
    curve has settled when it stays within half a standard deviation from test to test of
    its end; the interval of that time is the middle 95 % over 4000 draws of the curve.
    The basis is checked against scipy's natural spline, the fit against statsmodels'
    on open growth data.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> found = break_in(example_study("season"), "crow_cents")
    >>> found.table["term"].tolist()
    ['break-in', 'by 60 minutes', 'by 120 minutes', 'settled']
    """
    frame = played(study, response)
    fit, spline, notes = fitted_curve(frame)
    table, curve = break_in_rows(frame, fit, spline)
    keys = ["reed_id", MINUTES, frame.response.name]
    return BreakIn(
        question=f"How does {frame.response.label} change while a reed is broken in?",
        table=table,
        cautions=(*break_in_cautions(study, frame), *notes, *frame.cautions),
        rows_used=len(frame.data),
        left_out=frame.left_out,
        curve=curve,
        response=frame.response,
        raw=frame.data[keys].set_axis(["reed_id", "minutes", "value"], axis="columns"),
    )
