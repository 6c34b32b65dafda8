"""Is the season drifting: this lot, this month, this weather?"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd

from reedlab.analyse.drift_chart import chart
from reedlab.analyse.drift_frame import MOMENT, WEATHER, dated
from reedlab.analyse.drift_rows import drift_rows
from reedlab.analyse.drift_text import LEVEL, drift_cautions, drift_sentence
from reedlab.analyse.looked import looked
from reedlab.answer import Answer
from reedlab.errors import CallError
from reedlab.schema import Response
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class Drift(Answer):
    """Whether a response drifts over the season; made by :func:`drift`.

    Attributes
    ----------
    table : DataFrame
        One row a question, in ``term``: *trend* (for 30 days), *change point* (level
        after less level before), *alarms* (the point furthest out, less the centre),
        *relative_humidity_pct* and *temperature_c* (for a step, on the days before).
        ``contrast, estimate, std_error, df, conf_low, conf_high`` in ``unit``;
        ``statistic, p_value, p_adjusted`` (Holm, over the rows), ``n_tubes, n_reeds,
        n_tests`` and ``evidence``.
    points : DataFrame
        The chart: ``level`` (name of the point), ``moment, observed, average, limit_low,
        limit_high, outside, n_reeds, n_tests``. Of measurements the average is judged, of
        yes and no what was observed, in percent.
    division : str
        What a point is: week, fortnight, month, quarter, lot, batch or session.
    """

    points: pd.DataFrame = field(default_factory=pd.DataFrame)
    division: str = ""
    response: Response | None = None
    raw: pd.DataFrame = field(default_factory=pd.DataFrame)
    centre: float = float("nan")
    lag_days: tuple[float, ...] = ()

    @property
    def drifts(self) -> bool:
        """Whether trend, change point or chart is beyond chance, corrected for all rows."""
        own = ~self.table["term"].isin(WEATHER)
        return bool((self.table.loc[own, "p_adjusted"] < LEVEL).any())

    @property
    def _asked(self) -> Response:
        if self.response is None:
            raise CallError("This drift was made without its response.")
        return self.response

    def _say(self) -> str:
        return drift_sentence(self.table, self.points, self._asked, self.division, self.lag_days)

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the chart: rows as measured, levels, moving average, limits, alarms as crosses."""
        from reedlab.analyse.drift_pictures import draw_drift

        return draw_drift(self.points, self.raw, self.centre, self._asked, self.division, ax)


@looked
def drift(
    study: Study,
    response: str,
    by: str | None = None,
    lag_days: Sequence[float] = (0, 7),
) -> Drift:
    """Tell whether a response drifts over the season, and what went along with it.

    Parameters
    ----------
    study : Study
    response : str
        A recorded response: yes or no (such as kept: a chart of shares with limits for
        unequal numbers), continuous, or ordinal (levels as evenly spaced scores).
    by : {"lot", "batch", "month", "session"}, optional
        What a point of the chart is; left out, the finest of weeks, fortnights, months
        and quarters whose points mostly hold eight rows (and two sessions).
    lag_days : pair of numbers
        Weather is the mean over the sessions held so many days before, the nearer
        first; (0, 0) is the day itself. For what is recorded once a reed, the days
        before its first test.

    Returns
    -------
    Drift

    Raises
    ------
    CallError
        For a name or division that is not recorded, or a lag that is none.
    RecordError
        If rows stand twice.
    ModelError
        If no day is recorded, there are fewer than four points, or nothing varies.

    Notes
    -----
    A test counts on the day of its session, a reed on the day it was made. The chart's
    limits have the width at which 5 % of steady seasons have any point outside, by
    20,000 draws with the same sizes and the same sharing of tubes, reeds and sessions;
    so has the search for a change point. Measurements: levels by a mixed model with
    the stage and few players held; their moving average (Roberts 1959) with exact
    limits. Shares: Shewhart's p chart with limits for unequal numbers, widened where
    fates within a tube go together. Trend and weather: see reedlab.analyse.drift_rows.
    Checked against the NIST/SEMATECH e-Handbook's charts and the Nile's change of 1898;
    the rates of false alarms are measured by tests/analyse/test_calibration_drift.py.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> found = drift(example_study("season"), "crow_cents", by="month")
    >>> found.points["level"].tolist()
    ['Mar 2026', 'Apr 2026', 'May 2026', 'Jun 2026', 'Jul 2026']
    """
    if len(study.makers) > 1:
        raise CallError(
            f"drift is asked of one maker's season; these are {len(study.makers)} makers': take "
            f"one out by of('{study.makers[0]}')."
        )
    rows = dated(study, response, by, lag_days)
    made = chart(rows)
    table, notes = drift_rows(study, rows, made)
    frame = rows.frame
    asked = frame.response
    scale = 100 if asked.kind == "binary" else 1
    raw = pd.DataFrame(
        {"place": rows.codes, "moment": frame.data[MOMENT], "value": frame.data[asked.name]}
    )
    cautions = drift_cautions(asked, frame.units("lot"), by, len(frame.left_out))
    return Drift(
        question=f"Does {asked.label} drift over the season?",
        table=table,
        cautions=tuple(
            dict.fromkeys((*cautions, *rows.cautions, *made.cautions, *notes, *frame.cautions))
        ),
        rows_used=len(frame.data),
        left_out=frame.left_out,
        points=made.points,
        division=rows.division,
        response=asked,
        raw=raw,
        centre=scale * made.centre,
        lag_days=tuple(lag_days),
    )
