"""A filled testing sheet: one reed tried once a row, into ``tests.csv``, by blind code.

The reed is known by its code alone; the key is not read. A row of which no box is
filled is not done yet. What became of a reed goes to its row in ``reeds.csv``.
"""

from collections.abc import Mapping
from difflib import get_close_matches
from typing import Any

import pandas as pd

from reedlab.errors import CallError, listed
from reedlab.schema import read_code
from reedlab.study.belonging import OUTSIDE, outside
from reedlab.study.draft import NOTE, Draft
from reedlab.study.filled import Filled, Tally
from reedlab.study.plans import Plan, alike, records

_PRINTED = ("batch_id", "session_id", "place", "blind_code", "stage", "trial")
_FATES = ("fate", "fate_reason")
_KEY = ("reed_id", "session_id", "stage", "trial")


def record_tests(draft: Draft, filled: Filled) -> Tally:
    """Take the rows of a testing sheet into the draft, and what is wrong into its faults.

    Parameters
    ----------
    draft : Draft
    filled : Filled

    Returns
    -------
    Tally
    """
    plan = filled.plan(draft.study)
    draft.add_table("tests")
    resource = draft.resource("tests")
    asked = [name for step in draft.study.settings.protocol for name in step.fills]
    allowed = dict.fromkeys([*asked, *resource.table.names, NOTE.name])
    del allowed["reed_id"]
    boxes = [name for name in filled.sheet.header if name in allowed and name not in _KEY]
    boxes = list(dict.fromkeys(boxes))
    filled.require(_PRINTED, [*allowed, *_FATES], "testing")
    names = ["stage", "trial", *boxes]
    typed = filled.typed(draft.study, resource.table, names, resource.missing)
    reeds = _reeds(draft, plan)
    before = draft.rows_by("tests", _KEY)
    seen: dict[tuple[Any, ...], int] = {}
    new: list[dict[str, str]] = []
    fated: dict[int, dict[str, Any]] = {}
    known = waiting = 0
    for row in filled.rows:
        code = _code(filled, row, plan, reeds)
        if filled.empty(row, [*boxes, *_FATES]):
            waiting += 1
            continue
        session = _session(draft, filled, row)
        if code is None:
            continue
        fated[row] = reeds[code]
        if filled.empty(row, boxes):
            continue
        if outside(filled.cell(row, "recording"), draft.study.folder):
            filled.fault(row, "recording", *OUTSIDE)
            continue
        blank = [name for name in ("stage", "trial") if filled.empty(row, [name])]
        for name in blank:
            filled.fault(row, name, f"{name} is blank", "write it as it was printed")
        reed = reeds[code]["reed_id"]
        key = (reed, session, typed[row]["stage"], typed[row]["trial"])
        if blank:
            continue
        if seen.setdefault(key, row) != row:
            earlier = filled.sheet.numbers[seen[key]]
            fault = f"the same reed, session, stage and trial stand in row {earlier}"
            filled.fault(row, "blind_code", fault, "take one row out, or give it another trial")
        elif key in before:
            known += 1
            filled.compare(
                row, {name: typed[row][name] for name in boxes}, *before[key], "tests.csv"
            )
        else:
            cells = {name: filled.cell(row, name) for name in names}
            new.append({"reed_id": reed, "session_id": session, **cells})
    draft.append_rows("tests", new)
    fates = _record_fates(draft, filled, fated)
    return Tally(len(new), known, waiting, fates)


def _reeds(draft: Draft, plan: Plan) -> dict[str, dict[str, Any]]:
    """Return what reeds.csv holds of the batch's reeds, and in which row, by code."""
    reeds = draft.study.tables["reeds"]
    own = reeds[reeds["batch_id"] == plan.record.batch_id]
    rows = zip(own.index, records(own), strict=True)
    return {row["blind_code"]: row | {"row": int(number)} for number, row in rows}


def _code(filled: Filled, row: int, plan: Plan, reeds: Mapping[str, Any]) -> str | None:
    """Read the code of a row; none, with a fault, if it is no code of the batch."""
    batch = plan.record.batch_id
    try:
        code = read_code(filled.cell(row, "blind_code"), reeds)
    except CallError as error:
        fault = str(error).removesuffix(".")
        filled.fault(row, "blind_code", fault, "write the code that is on the reed")
        return None
    if code not in reeds:
        near = get_close_matches(code, reeds, n=1, cutoff=0.5)
        guess = f"write '{near[0]}' if that is meant, or " if near else ""
        fault = f"batch '{batch}' has no reed with the code '{code}'"
        filled.fault(row, "blind_code", fault, f"{guess}look at the reed again")
        return None
    played = plan.testing.loc[plan.testing["blind_code"] == code, "place"].astype("str").tolist()
    place = filled.cell(row, "place").strip()
    if place and not any(alike(place, known) for known in played):
        fault = f"the plan has '{code}' at place {listed(played)} of its sessions, not at {place}"
        remedy = "cells may have been shifted or sorted: look at the whole row"
        filled.fault(row, "place", fault, remedy)
    return code


def _session(draft: Draft, filled: Filled, row: int) -> str:
    session = filled.cell(row, "session_id").strip()
    sessions = draft.study.tables.get("sessions", pd.DataFrame({"session_id": []}))
    known = sessions["session_id"].dropna().tolist()
    if session not in known:
        near = get_close_matches(session, known, n=1, cutoff=0.8)
        guess = f", or write '{near[0]}' if that is meant" if near else ""
        fault = f"session '{session}' is not in sessions.csv"
        filled.fault(row, "session_id", fault, f"record the sessions sheet first{guess}")
    return session


def _record_fates(draft: Draft, filled: Filled, fated: Mapping[int, Mapping[str, Any]]) -> int:
    """Write what became of the reeds where their rows do not say so yet; count them."""
    names = [name for name in _FATES if name in filled.sheet.header]
    resource = draft.resource("reeds")
    typed = filled.typed(draft.study, resource.table, names, resource.missing)
    told: dict[tuple[int, str], tuple[str, str]] = {}
    for row, reed in fated.items():
        for name in names:
            value = typed[row][name]
            if pd.isna(value):
                continue
            number = reed["row"]
            if pd.notna(reed.get(name)):
                where = f"reeds.csv, row {number},"
                first = told.setdefault((number, name), (reed[name], where))
            else:
                where = f"row {filled.sheet.numbers[row]} of this sheet"
                first = told.setdefault((number, name), (value, where))
                draft.add_column("reeds", name)
                draft.put("reeds", number, name, filled.cell(row, name))
            if first[0] != value:
                fault = f"{first[1]} has '{first[0]}' for this reed"
                filled.fault(row, name, fault, "mend one of the two")
    return len({number for (number, _), (_, where) in told.items() if "sheet" in where})
