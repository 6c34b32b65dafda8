"""Which ratings count: an ordered scale, not all alike, and the player before the session."""

from dataclasses import replace

from reedlab.analyse.frame import Frame
from reedlab.analyse.rating_effects import rating_name
from reedlab.answer import counted
from reedlab.errors import CallError, ModelError, listed
from reedlab.study import Study


def require_rating(study: Study, response: str) -> None:
    """Refuse a response that is no rating on an ordered scale."""
    asked = study.response(response)
    if asked.kind != "ordinal":
        known = [r.name for r in study.settings.responses if r.kind == "ordinal"]
        have = f"Ratings here: {listed(known)}." if known else "No rating is declared here."
        raise CallError(
            f"'{response}' is {asked.kind} and no rating on an ordered scale: ask "
            f"drivers(study, '{response}'). {have}"
        )


def rows_that_differ(frame: Frame) -> Frame:
    """Return the rows to fit: sessions that are players' only ones out, copies of a rating out.

    Raises
    ------
    ModelError
        If all ratings are the same.
    """
    _require_two(frame)
    return _once_where_alike(_players_first(frame))


def _require_two(frame: Frame) -> None:
    values = frame.data[frame.response.name]
    if values.nunique() < 2:
        raise ModelError(
            f"{frame.response.label}: all {counted(len(values), 'rating')} are "
            f"{rating_name(frame, values.iloc[0])}, so nothing can be seen to move it."
        )


def _players_first(frame: Frame) -> Frame:
    """Let the player stand for sessions where each has one: its level is what is asked."""
    data = frame.data
    if not {"player_id", "session_id"} <= {*data}:
        return frame
    pairs = data[["player_id", "session_id"]].drop_duplicates()
    alike = pairs["player_id"].is_unique and pairs["session_id"].is_unique
    if not alike or any(factor.stratum == "session" for factor in frame.factors):
        return frame
    return replace(frame, data=data.drop(columns="session_id"))


def _once_where_alike(frame: Frame) -> Frame:
    """Count each reed once where all of its ratings at a stage are the same, as in every reed.

    Then nothing is left from which to learn how ratings of a reed differ.
    """
    data, name = frame.data, frame.response.name
    keys = [key for key in ("reed_id", "stage") if key in data]
    if "reed_id" not in keys or any(factor.stratum == "session" for factor in frame.factors):
        return frame
    things = data.groupby(keys, observed=True)[name]
    if len(things) == len(data) or (things.nunique() > 1).any():
        return frame
    once = data.drop_duplicates(keys).drop(columns=["player_id", "session_id"], errors="ignore")
    why = (
        f"{frame.response.label}: all ratings of a reed are the same in each of "
        f"{counted(len(once), 'reed')}, so each counts once."
    )
    return replace(frame, data=once, cautions=(*frame.cautions, why))
