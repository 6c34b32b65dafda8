"""Rows of the record in the order of the season: their day, their point, the weather before.

A test has the day of its session. A reed has the day on which it was made, or where that
is not recorded, of its first test; the weather that counts for its fate is that of its
first test, which does not depend on how the tests went. Points of a chart are lots,
batches, months or sessions, or the finest of weeks, fortnights, months and quarters that
holds enough rows. Weather is the mean over the sessions of so many days before.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from reedlab.analyse.frame import Frame, gather
from reedlab.analyse.joined import sound_cells
from reedlab.answer import counted
from reedlab.errors import CallError, ModelError, unknown_name
from reedlab.schema import Response, is_number
from reedlab.study import Study

DIVISIONS = ("lot", "batch", "month", "session")
#: The column that holds each division that is no month, and the keys that it needs.
KEYS = {"lot": "lot_id", "batch": "batch_id", "session": "session_id"}
#: Fewer points make no chart; two or three levels are compared by `drivers`.
FEWEST_POINTS = 4
#: Rows, and sessions, that a point should hold in the middle of the points (common practice).
ENOUGH_ROWS, ENOUGH_SESSIONS = 8, 2
#: Weather columns of a session.
WEATHER = ("relative_humidity_pct", "temperature_c")
#: Columns that are added to a frame.
POINT, DAYS, MOMENT = "season point", "season days", "season moment"
#: The span of so many days within which sessions are compared where points hold too few.
SPAN, SPAN_DAYS = "season span", 30


@dataclass(frozen=True)
class Dated:
    """Rows of one response with their place in the season.

    Attributes
    ----------
    frame : Frame
        Its data also hold `MOMENT` (missing where no day is recorded), `DAYS` since the
        first, `POINT` and the weather before each row.
    points : tuple of str
        Names of the points, in order.
    division : str
        What a point is: week, fortnight, month, quarter, lot, batch or session.
    cautions : tuple of str
    """

    frame: Frame
    points: tuple[str, ...]
    division: str
    cautions: tuple[str, ...]

    @property
    def codes(self) -> np.ndarray:
        """Number of each row's point."""
        order = {name: number for number, name in enumerate(self.points)}
        return self.frame.data[POINT].map(order).to_numpy(dtype=int)


def dated(study: Study, response: str, by: str | None, lag_days: Sequence[float]) -> Dated:
    """Gather a response in the order of the season.

    Raises
    ------
    CallError
        For an unknown division or response, a lag that is none, or a division that the
        record does not have.
    ModelError
        If no day is recorded, or there are too few points.
    """
    if by is not None and by not in DIVISIONS:
        raise unknown_name("division", by, DIVISIONS)
    lag = _lag(lag_days)
    frame = gather(study, response, [])
    days, notes = _days(study, frame)
    data = frame.data.assign(**{MOMENT: days})
    if by in (None, "month") and days.isna().all():
        raise ModelError(
            f"{frame.response.label}: no day is recorded, neither of sessions (started_at) nor of "
            "making (made_on), so the rows have no order in time; ask by lot or by batch."
        )
    division, named, missing = _named_points(study, frame.response, data, by)
    if len(missing):
        frame = _without_rows(study, frame, missing, named.name)
    data = data.loc[frame.data.index].assign(**{POINT: named.loc[frame.data.index]})
    data[DAYS] = (data[MOMENT] - data[MOMENT].min()) / pd.Timedelta(days=1)
    data[SPAN] = (data[DAYS] // SPAN_DAYS).map("{:.0f}".format)
    data = data.assign(**_weather(study, data, lag))
    points = _ordered(data)
    if len(points) < FEWEST_POINTS:
        raise _too_few(frame.response, division, points)
    if data[MOMENT].isna().all():
        notes = (
            *notes,
            f"No day is recorded: the {plural(division)} stand in the order of the record, and "
            "neither trend nor weather can be told.",
        )
    return Dated(replace(frame, data=data), points, division, notes)


def plural(division: str) -> str:
    """Write more than one of what a point is.

    Examples
    --------
    >>> plural("week"), plural("batch")
    ('weeks', 'batches')
    """
    return f"{division}es" if division.endswith("ch") else f"{division}s"


def _lag(lag_days: Sequence[float]) -> tuple[float, float]:
    wrong = CallError(
        f"lag_days is two numbers of days before, the nearer first, as (0, 7); not {lag_days!r}."
    )
    if isinstance(lag_days, str) or not hasattr(lag_days, "__len__") or len(lag_days) != 2:
        raise wrong
    low, high = lag_days
    if not (is_number(low) and is_number(high) and 0 <= low <= high):
        raise wrong
    return float(low), float(high)


def _days(study: Study, frame: Frame) -> tuple[pd.Series, tuple[str, ...]]:
    """Day of each row, and what to know of it."""
    data = frame.data
    if "session_id" in data:
        return _looked_up(data["session_id"], _started(study)), ()
    if "reed_id" not in data:
        return pd.Series(pd.NaT, index=data.index), ()
    reeds = study.tables["reeds"]
    made = pd.Series(pd.NaT, index=data.index, dtype="datetime64[ns]")
    if "made_on" in reeds:
        known = reeds.dropna(subset=["reed_id"]).drop_duplicates("reed_id")
        made = _looked_up(data["reed_id"], known.set_index("reed_id")["made_on"])
    first = _looked_up(data["reed_id"], _first_tests(study))
    lost = int((made.isna() & first.notna()).sum())
    notes = (
        (f"{counted(lost, 'reed')} without a day of making: placed at the first test.",)
        if lost
        else ()
    )
    return made.fillna(first), notes


def _started(study: Study) -> pd.Series:
    """Moment of each session that has one, by its id."""
    sessions = study.tables.get("sessions", pd.DataFrame())
    if not {"session_id", "started_at"} <= set(sessions):
        return pd.Series(dtype="datetime64[ns]", index=pd.Index([], dtype=object))
    known = sessions.dropna(subset=["session_id", "started_at"]).drop_duplicates("session_id")
    return pd.to_datetime(known.set_index("session_id")["started_at"])


def _first_tests(study: Study) -> pd.Series:
    """Moment of each reed's first test."""
    tests = study.tables.get("tests", pd.DataFrame())
    if not {"reed_id", "session_id"} <= set(tests):
        return pd.Series(dtype="datetime64[ns]", index=pd.Index([], dtype=object))
    held = _looked_up(tests["session_id"], _started(study))
    return held.groupby(tests["reed_id"]).min()


def _looked_up(ids: pd.Series, moments: pd.Series) -> pd.Series:
    """Moment of each id; missing where it has none."""
    found = pd.to_datetime(moments).reindex(pd.Index(ids)).to_numpy()
    return pd.Series(found, index=ids.index)


def _named_points(
    study: Study, response: Response, data: pd.DataFrame, by: str | None
) -> tuple[str, pd.Series, pd.Index]:
    """What a point is, the name of each row's point, and the rows that have none."""
    if by in (None, "month"):
        known = data[data[MOMENT].notna()]
        division = by or _division(known)
        named = _periods(known[MOMENT], division).reindex(data.index).rename("day")
        return division, named, data.index[named.isna()]
    key = KEYS[by]
    column = data.get(key)
    if by == "batch" and "reed_id" in data and "batch_id" in study.tables["reeds"]:
        reeds = study.tables["reeds"].dropna(subset=["reed_id"]).drop_duplicates("reed_id")
        column = data["reed_id"].map(reeds.set_index("reed_id")["batch_id"])
    if column is None or column.isna().all():
        why = f"{response.label} is recorded in {response.table}, and no {by} is recorded with it"
        raise CallError(f"{why}: choose another division ({', '.join(DIVISIONS)}) or none.")
    return by, column.rename(key), data.index[column.isna()]


def _division(data: pd.DataFrame) -> str:
    """The finest division whose points mostly hold enough rows and sessions."""
    usable = []
    for division in ("week", "fortnight", "month", "quarter"):
        points = data.groupby(_periods(data[MOMENT], division))
        if points.ngroups < FEWEST_POINTS:
            break
        usable.append(division)
        sessions = points["session_id"].nunique().median() if "session_id" in data else np.inf
        if points.size().median() >= ENOUGH_ROWS and sessions >= ENOUGH_SESSIONS:
            return division
    return usable[-1] if usable else "week"


def _periods(moments: pd.Series, division: str) -> pd.Series:
    """Name of the period of each moment; weeks begin on a Monday."""
    if division in ("month", "quarter"):
        start = moments.dt.to_period("M" if division == "month" else "Q").dt.start_time
        return (
            start.dt.strftime("%b %Y")
            if division == "month"
            else ("from " + start.dt.strftime("%b %Y"))
        )
    monday = moments.dt.normalize() - pd.to_timedelta(moments.dt.day_of_week, unit="D")
    if division == "fortnight":
        first = monday.min()
        monday = first + (monday - first) // pd.Timedelta(days=14) * pd.Timedelta(days=14)
    return "from " + monday.dt.strftime("%d %b %Y").str.removeprefix("0")


def _without_rows(study: Study, frame: Frame, rows: pd.Index, what: object) -> Frame:
    file = study.sheets[frame.response.table].file
    lost = pd.DataFrame({"file": file, "row": rows, "fault": f"{what} not recorded"})
    left_out = pd.concat([frame.left_out, lost], ignore_index=True).sort_values(
        "row", ignore_index=True
    )
    return replace(frame, data=frame.data.drop(index=rows), left_out=left_out)


def _ordered(data: pd.DataFrame) -> tuple[str, ...]:
    """Names of the points by their mean moment, else in the order of the record."""
    means = data.groupby(POINT, sort=False)[MOMENT].mean()
    return tuple(means.sort_values(kind="stable").index)


def _too_few(response: Response, division: str, points: Sequence[str]) -> ModelError:
    if len(points) == 1:
        return ModelError(
            f"{response.label}: all rows are of one {division} ({points[0]}), so there is nothing "
            "to compare over time."
        )
    return ModelError(
        f"{response.label}: {len(points)} {plural(division)} are too few points for a chart; it "
        f"takes {FEWEST_POINTS}. Record on, or choose a finer division."
    )


def _weather(study: Study, data: pd.DataFrame, lag: tuple[float, float]) -> dict[str, pd.Series]:
    """Mean of each weather column over the sessions held so many days before each row."""
    sessions = study.tables.get("sessions", pd.DataFrame())
    if not {"session_id", "started_at"} <= set(sessions):
        return {}
    day = pd.to_datetime(sessions["started_at"]).dt.normalize()
    at = data[MOMENT]
    if "session_id" not in data and "reed_id" in data:
        at = _looked_up(data["reed_id"], _first_tests(study)).fillna(at)
    found = {}
    for name in WEATHER:
        if name not in sessions or sessions[name].isna().all():
            continue
        cells = sound_cells(study, "sessions")[name]
        held = cells.notna() & day.notna()
        unique = at.dt.normalize().dropna().drop_duplicates().to_numpy()
        values = cells[held].to_numpy(dtype=float)
        before = (unique[:, None] - day[held].to_numpy()[None]) / np.timedelta64(1, "D")
        inside = (before >= lag[0]) & (before <= lag[1])
        count = inside.sum(axis=1)
        mean = np.divide(inside @ values, count, out=np.full(len(unique), np.nan), where=count > 0)
        found[name] = at.dt.normalize().map(pd.Series(mean, index=unique))
    return found
