"""Small studies typed by hand, for tests: CSV text in, a folder out."""

import json
from pathlib import Path

import pandas as pd

from reedlab.schema import Factor
from reedlab.study import BatchRecord, Settings, Study, default_settings, open_study, write_study


def record(folder: Path, reedlab: dict | None = None, **files: str) -> Path:
    """Write CSV texts and the leanest descriptor that lists them."""
    folder.mkdir(exist_ok=True)
    resources = [{"name": name, "path": f"{name}.csv"} for name in files]
    describe(folder, {"instrument": "bassoon", **(reedlab or {})}, resources)
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text, "utf-8")
    return folder


def describe(folder: Path, reedlab: object, resources: object) -> None:
    package = {"name": "tried", "reedlab": reedlab, "resources": resources}
    (folder / "datapackage.json").write_text(json.dumps(package), "utf-8")


def opened(folder: Path, reedlab: dict | None = None, **files: str) -> Study:
    return open_study(record(folder, reedlab, **files))


def told(study: Study) -> list[tuple]:
    """Return (file, row, column, value, severity) of each fault."""
    columns = ["file", "row", "column", "value", "severity"]
    return list(study.check().table[columns].itertuples(index=False, name=None))


def only(study: Study) -> pd.Series:
    """Return the one fault that a study must have."""
    table = study.check().table
    assert len(table) == 1, table.to_string()
    return table.iloc[0]


def planned_batch(folder: Path) -> Study:
    """Write and open a study like a planned batch: 4 tubes, 8 reeds, 16 tests."""
    reeds = pd.DataFrame(
        {
            "reed_id": [f"{number:03}" for number in range(1, 9)],
            "blind_code": list("KQWZMXPB"),
            "batch_id": "B1",
            "tube_id": [f"T{1 + number // 2}" for number in range(8)],
            "made_on": pd.Timestamp("2026-01-10"),
            "gouge_centre_mm": [1.25, 1.35] * 4,
            "shape": ["narrow", "narrow", "wide", "wide"] * 2,
            "Soak time (h)": [2.0, 3.0, 2.0, 3.0, 3.0, 2.0, 3.0, 2.0],
            "fate": ["kept", "discarded", "discarded", "unfinished", "kept", None, "lost", "kept"],
            "spared": [None, True, False, None, None, None, None, None],
        }
    )
    tests = pd.DataFrame(
        {
            "reed_id": list(reeds["reed_id"]) * 2,
            "session_id": ["S1"] * 8 + ["S2"] * 8,
            "stage": ["day 1"] * 8 + ["day 4"] * 8,
            "trial": 1,
            "tip_opening_mm": 0.9,
            "crow_hz": [331.0, 345.5, 352.0, 340.2] * 4,
            "rating_overall": pd.array([3, None, 5, 1] * 4, dtype="Int64"),
            "recording": [f"day {day} ♭{number}.wav" for day in (1, 4) for number in range(8)],
        }
    )
    tables = {
        "tubes": pd.DataFrame({"tube_id": ["T1", "T2", "T3", "T4"], "pieces": 4}),
        "reeds": reeds,
        "sessions": pd.DataFrame(
            {
                "session_id": ["S1", "S2"],
                "started_at": [
                    pd.Timestamp("2026-02-01 19:30"),
                    pd.Timestamp("2026-02-04 10:00:30"),
                ],
                "player_id": ["Anna Ö", "B"],
                "temperature_c": [21.5, 19.0],
            }
        ),
        "tests": tests,
    }
    usual = default_settings("bassoon", invented=True)
    own = Factor("Soak time (h)", kind="numeric", unit="h", step=1)
    shape = Factor("shape", ("narrow", "wide"))
    factors = [factor for factor in usual.factors if factor.name != "shape"]
    settings = Settings(
        "bassoon",
        invented=True,
        factors=[*factors, shape, own],
        responses=usual.responses,
        batches=[BatchRecord("B1", ("gouge_centre_mm", "shape"), 7, "shape among tubes")],
    )
    return write_study(folder, tables, settings, "A planned batch")
