"""An invented batch of six reeds for the tests: its plan, and its sheets as a maker fills them."""

import csv
from pathlib import Path

import numpy as np
import pandas as pd

from reedlab.schema import Factor, draw_codes
from reedlab.study import BatchRecord, Study, add_plan, open_study
from tests.study.build import planned_batch

FACTORS = (
    Factor("gouge_centre_mm", (1.25, 1.35), unit="mm"),
    Factor("wire, second", ("loose", "tight")),
    Factor("cutter", ("A", "B"), "tube"),
    Factor("hall", ("dry", "wet"), "session"),
)
CODES = draw_codes(6, np.random.default_rng(1))
BOXES = ("resoaked", "tip_opening_mm", "crow_hz", "crow_cents", "rating_overall")


def plan_tables() -> dict[str, pd.DataFrame]:
    making = pd.DataFrame(
        {
            "place": range(1, 7),
            "tube_id": ["T1", "T2", "T1", "T3", "T2", "T3"],
            "piece": [3, 2, 4, 1, 3, 2],
            "spare_pieces": ["", "4", "", "3 4", "4", "3 4"],
            "gouge_centre_mm": [1.25, 1.35] * 3,
            "wire, second": ["loose", "loose", "tight", "tight", "tight", "loose"],
            "cutter": ["A", "B", "A", "A", "B", "A"],
            "shuffled_among": "all tubes",
        }
    )
    orders = [np.random.default_rng(seed).permutation(CODES) for seed in (2, 3)]
    testing = pd.DataFrame(
        {
            "session": [1] * 6 + [2] * 6,
            "place": [*range(1, 7)] * 2,
            "blind_code": np.concatenate(orders).tolist(),
            "hall": ["dry"] * 6 + ["wet"] * 6,
        }
    )
    key = pd.DataFrame({"place": range(1, 7), "blind_code": CODES})
    return {"making": making, "testing": testing, "key": key}


def sealed(folder: Path, factors=FACTORS, batch_id: str = "B2", **tables) -> Study:
    record = BatchRecord(batch_id, [factor.name for factor in factors], 5, "shuffled whole tubes")
    study = open_study(folder) if folder.exists() else planned_batch(folder)
    return add_plan(study, record, factors, **(plan_tables() | tables))


def contents(folder: Path) -> dict[str, bytes]:
    """Return the files of the record, without its journal and its lock."""
    found = (path.relative_to(folder) for path in sorted(folder.rglob("*")) if path.is_file())
    kept = [path for path in found if path.parts[0] not in ("journal", ".lock")]
    return {str(path): (folder / path).read_bytes() for path in kept}


def sheet(path: Path, rows: list[dict[str, str]]) -> Path:
    """Write a sheet as a spreadsheet saves it."""
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\r\n")
        writer.writeheader()
        writer.writerows(rows)
    return path


def making_rows() -> list[dict[str, str]]:
    """Return the making sheet as printed: every box empty."""
    making = plan_tables()["making"].astype("str")
    names = [factor.name for factor in FACTORS[:3]]
    rows = []
    for row in making.to_dict("records"):
        printed = {"batch_id": "B2"}
        printed |= {name: row[name] for name in ("place", "tube_id", "piece", "spare_pieces")}
        printed |= {f"{name} (plan)": row[name] for name in names}
        boxes = ("as_planned", *names, "piece_used", "made_on", "minutes_spent", "lost", "note")
        rows.append(printed | dict.fromkeys(boxes, ""))
    return rows


def made_rows() -> list[dict[str, str]]:
    """Return the making sheet filled: one reed made otherwise, one lost."""
    rows = making_rows()
    for row in rows:
        row |= {"as_planned": "yes", "made_on": "2026-11-03", "minutes_spent": "45"}
    rows[2] |= {"as_planned": "no", "gouge_centre_mm": "1.250", "wire, second": "loose"}
    rows[2] |= {"cutter": "A", "note": 'slipped, the "bark" tore – très vite'}
    rows[4] |= {"as_planned": "", "lost": "yes", "minutes_spent": "", "note": "cracked"}
    rows[5] |= {"piece_used": "3"}
    return rows


def session_rows() -> list[dict[str, str]]:
    boxes = ("started_at", "player_id", "room", "relative_humidity_pct", "temperature_c", "a4_hz")
    rows = [
        {"batch_id": "B2", "session": str(number), "session_id": f"B2-S{number}"}
        | dict.fromkeys(boxes, "")
        | {"hall (plan)": ["dry", "wet"][number - 1], "hall": ""}
        for number in (1, 2)
    ]
    rows[0] |= {"started_at": "2026-11-10 19:30", "player_id": "Zoë", "a4_hz": "442", "hall": "dry"}
    return rows


def played_rows(session: int = 1) -> list[dict[str, str]]:
    testing = plan_tables()["testing"]
    rows = []
    for row in testing[testing["session"] == session].to_dict("records"):
        printed = {"batch_id": "B2", "session_id": f"B2-S{session}", "place": str(row["place"])}
        printed |= {"blind_code": row["blind_code"], "stage": "new", "trial": str(session)}
        rows.append(printed | dict.fromkeys((*BOXES, "fate", "fate_reason", "note"), ""))
    return rows
