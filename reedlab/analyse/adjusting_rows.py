"""Before and after: what was measured around each adjustment, one row a pair of tests.

Adjustments come after the tests of their session. `before` is a reed's last session up to
then in which the response was recorded, `after` its next; tests of one session are
averaged. A pair with nothing done between is an untouched retest. Beside `before` stand
what else may have decided that a reed was adjusted: the mean of its earlier sessions, and
whether it had been adjusted before. Values are in the response's unit.
"""

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from reedlab.analyse.adjusting_pairs import Pairs
from reedlab.analyse.frame import Frame, gather
from reedlab.analyse.joined import PARENTS, require_unique_keys
from reedlab.answer import counted
from reedlab.errors import CallError, ModelError, listed, unknown_name
from reedlab.schema import Response
from reedlab.study import Study

#: The action of a reed that was drawn to be left alone, or on which nothing was done.
NOTHING = "nothing"
#: What tells one kind of adjustment from another.
BY = ("action", "where")
#: Keys of a pair that come from its second test.
KEYS = ("lot_id", "tube_id", "reed_id", "session_id", "player_id")


def pairs_of(
    study: Study,
    response: str,
    given: Sequence[str] = (),
    by: Sequence[str] = BY,
) -> Pairs:
    """Pair the sessions of every reed, and say what was done between.

    Parameters
    ----------
    study : Study
    response : str
        A continuous or ordinal response of the tests.
    given : sequence of str
        Further numbers of the tests, taken from the session before.
    by : sequence of str
        What makes a kind: action, where, or both.

    Raises
    ------
    CallError
        For a response or a column that does not fit.
    RecordError
        If rows stand twice.
    ModelError
        If no adjustment is recorded, or none has a test before and after.
    """
    asked = study.response(response)
    _require_before_and_after(asked)
    _require_columns(study, asked, given)
    if not by or not set(by) <= set(BY) or isinstance(by, str):
        raise CallError(f"by is {by!r}; a kind is told by action, where or both: ['action'].")
    if "adjustments" not in study.tables or study.tables["adjustments"].empty:
        raise ModelError("No adjustment is recorded: the table adjustments has no row.")
    require_unique_keys(study, "adjustments")
    frame = gather(study, response, [])
    places, notes = _order(study, frame)
    held = _sessions_of_reeds(study, frame, places, given)
    data = _paired(held, given)
    done, faults = _placed(study, held, places, by)
    gaps = data[[f"given {name}" for name in given]].isna().any(axis=1)
    if gaps.any():
        notes = (*notes, f"{counted(gaps.sum(), 'pair')} without {listed(given)} left out.")
    data = data[~gaps]
    done = done[done["pair"].isin(data.index)]
    file = study.sheets["adjustments"].file
    rows = [(file, row, fault) for row, fault in faults]
    left_out = pd.DataFrame(rows, columns=["file", "row", "fault"])
    if done.empty:
        reasons = left_out["fault"].value_counts()
        why = "; ".join(f"{count} × {fault}" for fault, count in reasons.head(3).items())
        raise ModelError(
            f"{asked.label}: no adjustment has a test before it and one after ({why})."
        )
    data["drawn"] = data.index.isin(done.loc[done["by_chance"], "pair"]).astype(float)
    done = done[done["kind"] != ""]
    data["adjusted"] = _adjusted_earlier(data, done)
    left_out = pd.concat([frame.left_out, left_out], ignore_index=True)
    return Pairs(asked, data, done, left_out, (*notes, *frame.cautions), file)


def _require_before_and_after(asked: Response) -> None:
    if asked.table != "tests":
        raise CallError(
            f"'{asked.name}' is recorded once a reed, so it has no before and after: ask for a "
            "response of the tests."
        )
    if asked.kind not in ("continuous", "ordinal"):
        raise CallError(
            f"'{asked.name}' is {asked.kind}: what adjusting does is told for continuous and "
            "ordinal responses."
        )


def _require_columns(study: Study, asked: Response, given: Sequence[str]) -> None:
    if isinstance(given, str):
        raise CallError(f'given is a list of names: write ["{given}"].')
    tests = study.tables[asked.table]
    numbers = [name for name in tests if pd.api.types.is_numeric_dtype(tests[name])]
    for name in given:
        if name not in numbers:
            raise unknown_name("number in the tests", name, numbers)


def _order(study: Study, frame: Frame) -> tuple[dict[str, int], tuple[str, ...]]:
    """Give every session its place in time, and say how it was found."""
    sessions = study.tables.get("sessions")
    if sessions is None:
        return {name: i for i, name in enumerate(frame.data["session_id"].unique())}, (
            "No sessions are recorded: their order is that in which the tests name them.",
        )
    known = sessions[sessions["session_id"].notna()]
    if "started_at" not in known or known["started_at"].isna().any():
        return {name: i for i, name in enumerate(known["session_id"])}, (
            "Not every session has its day: their order is that of the sessions file.",
        )
    known = known.sort_values("started_at", kind="stable")
    return {name: i for i, name in enumerate(known["session_id"])}, ()


def _sessions_of_reeds(
    study: Study, frame: Frame, places: dict[str, int], given: Sequence[str]
) -> pd.DataFrame:
    """One row a reed and session, in order: the mean of its tests, and its keys."""
    value = frame.response.name
    data = frame.data.rename(columns={value: "value"})
    extra = study.tables[frame.response.table].loc[data.index, [*given]].astype(float)
    data = data.join(extra.set_axis([f"given {name}" for name in given], axis=1))
    means = dict.fromkeys(("value", *(f"given {name}" for name in given)), "mean")
    firsts = {key: "last" for key in ("lot_id", "tube_id", "player_id", "stage") if key in data}
    held = data.groupby(["reed_id", "session_id"], observed=True).agg(means | firsts).reset_index()
    held["place"] = held["session_id"].map(places)
    return held.sort_values(["reed_id", "place"], ignore_index=True)


def _paired(held: pd.DataFrame, given: Sequence[str]) -> pd.DataFrame:
    """Set each session of a reed beside the one before; the index is its row in `held`."""
    reeds = held.groupby("reed_id", observed=True)
    number = reeds.cumcount()
    total = reeds["value"].cumsum() - held["value"] - reeds["value"].shift().fillna(0)
    columns = {
        "before": reeds["value"].shift(),
        "after": held["value"],
        "earlier": (total / (number - 1)).where(number > 1, 0.0),
        "tested": (number > 1).astype(float),
    }
    columns["passage"] = reeds["stage"].shift() + " to " + held["stage"]
    columns |= {f"given {name}": reeds[f"given {name}"].shift() for name in given}
    columns |= {key: held[key] for key in KEYS if key in held}
    return pd.DataFrame(columns)[number > 0]


def _placed(
    study: Study, held: pd.DataFrame, places: dict[str, int], by: Sequence[str]
) -> tuple[pd.DataFrame, list[tuple[int, str]]]:
    """Find the pair of each adjustment; those without one with the reason."""
    table = study.tables["adjustments"]
    found, faults = [], []
    known = {
        key: set(study.tables[name][key])
        for key, name in PARENTS.items()
        if key in ("reed_id", "session_id") and name in study.tables
    }
    by_reed = dict(iter(held.groupby("reed_id", observed=True)["place"]))
    for row, told in zip(table.index, _told(table, by), strict=True):
        reed, session = told["reed_id"], told["session_id"]
        fault = _unknown(study, told, known) or (
            f"session_id {session} is not among the sessions" if session not in places else ""
        )
        if not fault and told["kind"] is None:
            fault = f"{' and '.join(by)} not recorded"
        if fault:
            faults.append((row, fault))
            continue
        own = by_reed.get(reed, pd.Series(dtype=int))
        next_one = int(np.searchsorted(own.to_numpy(), places[session], side="right"))
        if next_one == 0:
            faults.append((row, "no test of the reed up to then"))
        elif next_one == len(own):
            faults.append((row, "no test of the reed afterwards"))
        else:
            found.append({**told, "row": row, "pair": own.index[next_one]})
    columns = ["pair", "row", "kind", "step", "amount", "amount_unit", "by_chance"]
    done = pd.DataFrame(found, columns=columns)
    return done.astype({"amount": float, "by_chance": bool}), faults


def _told(table: pd.DataFrame, by: Sequence[str]) -> Iterator[dict]:
    """Read what each row of the adjustments says; kind is empty where nothing was done."""
    for row in table.to_dict("records"):
        # A cell that is not recorded is one missing value or another: all become None.
        cells = {name: None if pd.isna(value) else value for name, value in row.items()}
        words = [str(cells[name]) for name in BY if name in by and cells.get(name)]
        kind = ", ".join(words) or None
        yield {
            "reed_id": cells["reed_id"],
            "session_id": cells["session_id"],
            "kind": "" if str(cells.get("action")).casefold() == NOTHING else kind,
            "step": cells.get("step"),
            "amount": cells.get("amount"),
            "amount_unit": cells.get("amount_unit"),
            "by_chance": cells.get("by_chance") is True,
        }


def _unknown(study: Study, told: dict, known: dict[str, set]) -> str:
    """Say which of an adjustment's reed and session is recorded nowhere, if one is."""
    for key in ("reed_id", "session_id"):
        if told[key] is None:
            return f"{key} not recorded"
        if key in known and told[key] not in known[key]:
            return f"{key} {told[key]} is not in {study.sheets[PARENTS[key]].file}"
    return ""


def _adjusted_earlier(data: pd.DataFrame, done: pd.DataFrame) -> pd.Series:
    """Whether the reed had been adjusted before the first session of a pair."""
    touched = pd.Series(data.index.isin(done["pair"]), data.index).astype(float)
    reeds = touched.groupby(data["reed_id"], observed=True)
    return ((reeds.cumsum() - touched) > 0).astype(float)
