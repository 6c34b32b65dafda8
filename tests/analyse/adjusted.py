"""Invented reeds that are tested, adjusted because they were bad, and tested again."""

from pathlib import Path

import numpy as np
import pandas as pd

from reedlab.schema import Response
from reedlab.study import Settings, Study, write_study

GAP = Response("gap", unit="ms", direction="lower", label="slur gap")
#: Variance of each source, as shares of one.
TUBE, REED, SESSION, TEST = 0.40, 0.20, 0.07, 0.33
#: A reed is adjusted if the mean of what was seen of it lies about this high.
BAD = 0.5


def season(rng, tubes=15, per_tube=4, stages=3, effect=0.0, fuzzy=0.3, noise=0.0):
    """Return tests and adjustments of one season; `effect` is what an adjustment does.

    Reeds of five groups come to their sessions together. Every reed that seemed bad is
    adjusted; `fuzzy` is how far the maker's limit wavers. `noise` is the standard deviation
    of how bad a reed seems for a reason that is not recorded, and that is no quality of it.
    """
    n = tubes * per_tube
    reed, tube = np.arange(n), np.repeat(np.arange(tubes), per_tube)
    made = rng.normal(0, TUBE**0.5, tubes)[tube] + rng.normal(0, REED**0.5, n)
    state, seen, tests, done = made.copy(), [], [], []
    for stage in range(stages):
        group = reed % 5
        occasion = rng.normal(0, SESSION**0.5, 5)[group]
        value = state + occasion + rng.normal(0, TEST**0.5, n)
        seen.append(value)
        where = {"reed": reed, "tube": tube, "stage": stage, "session": 5 * stage + group}
        bad = np.mean(seen, axis=0) + rng.normal(0, np.hypot(fuzzy, noise), n) > BAD
        tests.append(pd.DataFrame({**where, "gap": value}))
        done.append(pd.DataFrame(where)[bad])
        state = state + effect * bad
    return pd.concat(tests, ignore_index=True), pd.concat(done, ignore_index=True)


def named(tests, done):
    """Give reeds, tubes, sessions and stages the names of a record."""
    ids = {"reed": "reed_id", "tube": "tube_id", "session": "session_id"}

    def text(table):
        out = table.rename(columns=ids)
        for column, letter in (("reed_id", "R"), ("tube_id", "T"), ("session_id", "S")):
            out[column] = [f"{letter}{number + 1:02}" for number in out[column]]
        return out.assign(stage=[f"day {number + 1}" for number in table["stage"]])

    done = text(done).assign(action="scrape", where="rails", step=1)
    return text(tests), done.drop(columns=["tube_id", "stage"])


def adjusted_study(
    folder: Path, tests: pd.DataFrame, done: pd.DataFrame | None, responses=(GAP,), days=True
) -> Study:
    """Write and open a study out of tests (reed_id, session_id, a response) and adjustments."""
    tests = tests.assign(stage=tests.get("stage", "day 1"), trial=tests.get("trial", 1))
    reeds = tests.drop_duplicates("reed_id")
    ids = [name for name in ("reed_id", "tube_id") if name in reeds]
    sessions = pd.DataFrame({"session_id": sorted(tests["session_id"].unique())})
    if days:
        sessions["started_at"] = pd.date_range("2026-03-02", periods=len(sessions), freq="D")
    tables = {"reeds": reeds[ids], "sessions": sessions}
    if "tube_id" in reeds:
        tables = {"tubes": reeds[["tube_id"]].drop_duplicates(), **tables}
    tables["tests"] = tests.drop(columns="tube_id", errors="ignore")
    if done is not None:
        tables["adjustments"] = done
    return write_study(
        folder, tables, Settings("bassoon", invented=True, responses=[*responses]), ""
    )
