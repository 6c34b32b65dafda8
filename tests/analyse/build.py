"""Studies for tests out of one flat table: each column goes to the table of its stratum."""

from pathlib import Path

import numpy as np
import pandas as pd

from reedlab.schema import Factor, Response
from reedlab.study import BatchRecord, Settings, Study, write_study

KEYS = {"lots": "lot_id", "tubes": "tube_id", "reeds": "reed_id", "sessions": "session_id"}
#: What else each table holds if the flat table has it.
ALSO = {
    "lots": [],
    "tubes": ["lot_id"],
    "reeds": ["tube_id", "batch_id", "made_on", "fate"],
    "sessions": ["player_id", "started_at", "relative_humidity_pct", "temperature_c"],
    "tests": ["reed_id", "session_id", "stage", "trial", "minutes_played"],
}


GOUGE = Factor("gouge", stratum="tube", kind="numeric", unit="mm", step=0.05)
SHAPE = Factor("shape", ("narrow", "wide"))
CROW = Response("crow", unit="cents", table="reeds")
KEPT = Response("kept", "binary", table="reeds")


def flat_study(
    folder: Path,
    rows: pd.DataFrame,
    factors: list[Factor],
    responses: list[Response],
    *,
    invented: bool = True,
    batches: list[BatchRecord] | None = None,
    title: str = "",
) -> Study:
    """Write and open a study; `rows` has a row a test, or a row a reed if no session is in it."""
    settings = Settings(
        "bassoon",
        invented=invented,
        factors=factors,
        responses=responses,
        batches=batches or [],
    )
    tables = {}
    for name, also in ALSO.items():
        key = KEYS.get(name)
        if (key or "session_id") not in rows:
            continue
        own = [item.name for item in settings.declared if item.table == name]
        if key is None:
            whole = rows.assign(stage=rows.get("stage", "day 1"))
            columns = dict.fromkeys([*also, *own])
        else:
            whole = rows.drop_duplicates(key)
            columns = dict.fromkeys([key, *also, *own])
        tables[name] = whole[[column for column in columns if column in whole]]
    return write_study(folder, tables, settings, title)


def reeds_of(tubes: int, per_tube: int, lots: int = 0) -> pd.DataFrame:
    """A row a reed: reed_id, tube_id and, if asked, lot_id; tubes in order over the lots."""
    tube = np.repeat(np.arange(tubes), per_tube)
    rows = pd.DataFrame(
        {
            "reed_id": [f"R{i + 1:03}" for i in range(len(tube))],
            "tube_id": [f"T{i + 1:02}" for i in tube],
        }
    )
    if lots:
        rows["lot_id"] = [f"L{i * lots // tubes + 1}" for i in tube]
    return rows


def batch(tubes=8, per_tube=3, seed=1):
    """Invented: half of the tubes gouged thinner, two shapes within every tube."""
    rng = np.random.default_rng(seed)
    rows = reeds_of(tubes, per_tube)
    rows["gouge"] = np.repeat([1.25, 1.3] * (tubes // 2), per_tube)
    rows["shape"] = np.resize(["narrow", "wide"], len(rows))
    between = np.repeat(rng.normal(0, 8, tubes), per_tube)
    rows["crow"] = np.round(between + rng.normal(0, 8, len(rows)), 1)
    return rows


def two_sessions(stages=("day 1", "day 1")):
    """The invented batch tested in two sessions by one player."""
    rows = batch()
    rng = np.random.default_rng(5)
    parts = [
        rows.assign(
            session_id=f"S{number}",
            player_id="P1",
            stage=stage,
            trial=number,
            humidity=40.0 + 10 * number,
            crow=rows["crow"] + 6 * number + rng.normal(0, 3, len(rows)),
        )
        for number, stage in enumerate(stages, start=1)
    ]
    return pd.concat(parts, ignore_index=True)
