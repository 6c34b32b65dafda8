"""Opened batches for the tests: planned and written as a maker does, then filled in at once."""

import shutil
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from reedlab.plan import Batch, design_batch
from reedlab.schema import Factor, Response
from reedlab.study import BatchRecord, Settings, Study, open_study, write_study
from tests.analyse.build import ALSO, KEYS

GOUGE = Factor("gouge", (1.25, 1.30), "tube", "mm", step=0.05)
SHAPE = Factor("shape", ("narrow", "wide"))
TENSION = Factor("wire_tension", ("normal", "tight"))
KEPT = Response("kept", "binary", table="reeds")


def cane(tubes: int, pieces: int, lots: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(3)
    return pd.DataFrame(
        {
            "tube_id": [f"T{i + 1:02}" for i in range(tubes)],
            "lot_id": [f"L{i * lots // tubes + 1}" for i in range(tubes)],
            "pieces": pieces,
            "outer_diameter_mm": np.round(rng.normal(25, 0.5, tubes), 1),
        },
        index=pd.RangeIndex(2, tubes + 2, name="row"),
    )


def batch_of(
    factors: Sequence[Factor], tubes: int = 8, per_tube: int = 3, lots: int = 1, seed: int = 1
) -> Batch:
    """Plan a batch from as many tubes."""
    return design_batch([*factors], cane(tubes, per_tube, lots), tubes * per_tube, seed=seed)


def opened(
    folder: Path,
    batch: Batch,
    columns: Mapping[str, Sequence[object]],
    responses: Sequence[Response] = (KEPT,),
    *,
    tests: pd.DataFrame | None = None,
    made: Mapping[str, Sequence[object]] | None = None,
    record: BatchRecord | None = None,
) -> Study:
    """Write an opened batch; `columns` go to the reeds in the order of the plan's places.

    `made` changes levels as made; `tests` needs ``place`` in place of ``reed_id``.
    """
    rows = batch.table.merge(batch.key, on="place").assign(batch_id=batch.batch_id)
    rows = rows.assign(reed_id=[f"R{i + 1:02}" for i in range(len(rows))], **(made or {}))
    rows = rows.assign(**columns)
    record = replace(record or batch.record, sealed=False, unblinded="2026-03-20")
    settings = Settings(
        "bassoon", invented=True, factors=batch.factors, responses=responses, batches=[record]
    )
    tables = {}
    for name in ("lots", "tubes", "reeds"):
        own = [item.name for item in settings.declared if item.table == name]
        names = dict.fromkeys([KEYS[name], *ALSO[name], "blind_code", *own])
        if name != "reeds":
            names.pop("blind_code")
        here = rows.drop_duplicates(KEYS[name])
        tables[name] = here[[column for column in names if column in here]]
    tables["reeds"] = tables["reeds"][tables["reeds"].get("reed_id").notna()]
    if tests is not None:
        reed = dict(zip(rows["place"], rows["reed_id"], strict=True))
        tables["sessions"] = tests[["session_id"]].drop_duplicates()
        tables["tests"] = tests.assign(reed_id=tests["place"].map(reed)).drop(columns="place")
    write_study(folder, tables, settings)
    plain = folder.with_name(folder.name + " plan")
    lots = {"lots": tables["lots"], "tubes": cane(len(tables["tubes"]), 9)}
    empty = Settings("bassoon", invented=True, factors=batch.factors, responses=responses)
    written = write_study(plain, {**lots, "tubes": tables["tubes"]}, empty)
    batch.write(written)
    for part in ("plans", "keys"):
        shutil.copytree(plain / part, folder / part)
    return open_study(folder)
