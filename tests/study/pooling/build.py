"""Small invented studies of several makers, to be pooled."""

from pathlib import Path

import numpy as np
import pandas as pd

from reedlab.schema import Factor, Response
from reedlab.study import Settings, Study, write_study

GOUGE = Factor("gouge_centre_mm", stratum="reed", kind="numeric", unit="mm", step=0.05)
SHAPE = Factor("shape", ("narrow", "wide"))
CROW = Response("crow_cents", unit="cents", direction="target", target=0.0)
RATING = Response("rating_overall", "ordinal", levels=(1, 2, 3, 4, 5))


def tables_of(seed: int = 1, tubes: int = 4, per_tube: int = 3) -> dict[str, pd.DataFrame]:
    """One maker's tables: a test a reed, tuned to 440 Hz, its crow against F4."""
    rng = np.random.default_rng(seed)
    n = tubes * per_tube
    ids = [f"R{i + 1}" for i in range(n)]
    hertz = np.round(349.23 * 2 ** (rng.normal(20, 15, n) / 1200), 2)
    return {
        "lots": pd.DataFrame({"lot_id": ["L1"], "harvest_year": [2024]}),
        "tubes": pd.DataFrame({"tube_id": [f"T{i + 1}" for i in range(tubes)], "lot_id": "L1"}),
        "reeds": pd.DataFrame(
            {
                "reed_id": ids,
                "tube_id": np.repeat([f"T{i + 1}" for i in range(tubes)], per_tube),
                "gouge_centre_mm": np.round(rng.normal(1.28, 0.04, n), 2),
                "shape": np.resize(["narrow", "wide"], n),
                "fate": np.resize(["kept", "discarded", "discarded"], n),
            }
        ),
        "sessions": pd.DataFrame({"session_id": ["S1"], "player_id": f"P{seed}", "a4_hz": [440.0]}),
        "tests": pd.DataFrame(
            {
                "reed_id": ids,
                "session_id": "S1",
                "stage": "day 1",
                "trial": 1,
                "crow_hz": hertz,
                "crow_cents": np.round(1200 * np.log2(hertz / 349.2282), 1),
                "rating_overall": rng.integers(1, 6, n),
            }
        ),
    }


def settings_of(**more) -> Settings:
    """Settings that all makers share unless told otherwise."""
    usual = {
        "crow_target": "F4",
        "invented": True,
        "factors": (GOUGE, SHAPE),
        "responses": (CROW, RATING, Response("kept", "binary", "", "higher", table="reeds")),
    }
    return Settings("bassoon", **{**usual, **more})


def study_of(folder: Path, name: str, seed: int, change=None, **more) -> Study:
    """Write one maker's study; `change` may alter its tables in place first."""
    tables = tables_of(seed)
    if change:
        change(tables)
    return write_study(folder / name, tables, settings_of(**more), name)
