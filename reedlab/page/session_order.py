"""Whose turn it is: the order of playing of one session, beside what is on disk already.

The order was drawn when the batch was planned. Nothing but places and codes is taken from
the plan, so that nothing of the levels can reach the page.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches

import pandas as pd

from reedlab.errors import CallError, listed
from reedlab.schema import read_code
from reedlab.study import Plan, Study
from reedlab.study.plans import session_factors

#: What the printed testing sheets call the stage of a reed that was never tested.
FIRST_STAGE = "new"


@dataclass(frozen=True)
class Occasion:
    """One session of the plan.

    Attributes
    ----------
    number : int
        As the plan counts it, from 1.
    session_id : str
        Its id, as it is printed on the sheets.
    recorded : bool
        Whether sessions.csv has it.
    """

    number: int
    session_id: str
    recorded: bool


@dataclass(frozen=True)
class Turn:
    """One reed in the order of playing.

    Attributes
    ----------
    place : int
        In the order of playing, from 1.
    code : str
    trials : tuple of int
        Those that are on disk, of this session and stage.
    """

    place: int
    code: str
    trials: tuple[int, ...] = ()


def occasions(study: Study, plan: Plan) -> tuple[Occasion, ...]:
    """Return the sessions of a plan, in order."""
    known = study.tables.get("sessions", pd.DataFrame({"session_id": []}))
    held = set(known["session_id"].dropna())
    numbers = sorted({int(number) for number in plan.testing["session"]})
    ids = [(number, f"{plan.record.batch_id}-S{number}") for number in numbers]
    return tuple(Occasion(number, name, name in held) for number, name in ids)


def turns(study: Study, plan: Plan, occasion: Occasion, stage: str) -> tuple[Turn, ...]:
    """Return the order of playing of a session, with what is on disk of it.

    Parameters
    ----------
    study : Study
    plan : Plan
    occasion : Occasion
    stage : str

    Returns
    -------
    tuple of Turn
    """
    here = plan.testing[plan.testing["session"] == occasion.number].sort_values("place")
    ids = reed_ids(study, plan)
    tried: dict[str, list[int]] = {}
    tests = tests_of(study, occasion.session_id)
    for row in tests[tests["stage"] == stage].to_dict("records"):
        tried.setdefault(row["reed_id"], []).append(int(row["trial"]))
    pairs = zip(here["place"], here["blind_code"], strict=True)
    return tuple(
        Turn(int(place), code, tuple(sorted(tried.get(ids.get(code, ""), ()))))
        for place, code in pairs
    )


def next_turn(order: Sequence[Turn]) -> Turn | None:
    """Return the first reed that is not tested yet; none if all are."""
    return next((turn for turn in order if not turn.trials), None)


def read_turn(text: str, order: Sequence[Turn], study: Study, plan: Plan) -> Turn:
    """Find the reed of a code that was typed or scanned.

    Raises
    ------
    CallError
        If it cannot be a code, or is none of this batch; the batch that it is of is named.
    """
    codes = {turn.code: turn for turn in order}
    code = read_code(text, codes)
    if code in codes:
        return codes[code]
    batch = plan.record.batch_id
    reeds = study.tables["reeds"]
    if {"blind_code", "batch_id"} <= set(reeds):
        other = reeds.loc[reeds["blind_code"] == code, "batch_id"].dropna()
        if len(other):
            raise CallError(
                f"'{code}' is a reed of batch '{other.iloc[0]}'; this page tests batch '{batch}'."
            )
    near = get_close_matches(code, codes, n=2, cutoff=0.5)
    hint = f" Nearest given out: {listed(near)}." if near else ""
    raise CallError(f"Batch '{batch}' has no reed with the code '{code}'; look again.{hint}")


def first_trial(turn: Turn, occasion: Occasion) -> int:
    """Return the trial of the next test: the printed one, or the first after those on disk."""
    return max(turn.trials) + 1 if turn.trials else occasion.number


def usual_stage(study: Study, plan: Plan) -> str:
    """Return the stage at which the batch is being tested: the last one on disk."""
    tests = study.tables.get("tests", pd.DataFrame())
    if {"reed_id", "stage"} <= set(tests):
        own = tests[tests["reed_id"].isin(reed_ids(study, plan).values())]["stage"].dropna()
        if len(own):
            return str(own.iloc[-1])
    return FIRST_STAGE


def tests_of(study: Study, session_id: str) -> pd.DataFrame:
    """Return the tests of a session that are on disk and can be told apart."""
    key = ["reed_id", "session_id", "stage", "trial"]
    tests = study.tables.get("tests", pd.DataFrame())
    if not set(key) <= set(tests):
        return pd.DataFrame(columns=key)
    return tests[tests["session_id"] == session_id].dropna(subset=key)


def reed_ids(study: Study, plan: Plan) -> dict[str, str]:
    """Return the ids of the reeds of a batch by their codes."""
    reeds = study.tables["reeds"]
    own = reeds[reeds["batch_id"] == plan.record.batch_id].dropna(subset=["blind_code"])
    return dict(zip(own["blind_code"], own["reed_id"], strict=True))


def may_start(study: Study, plan: Plan) -> bool:
    """Say whether a session can be written down here: not where it is given a level."""
    return not session_factors(study, plan.testing)
