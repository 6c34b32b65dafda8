"""A study in which every text that a maker may write is markup that would run."""

import csv
import json
from pathlib import Path

from reedlab.study import Study, open_study
from tests.page.build import ready

#: Each sets a flag if a browser takes it for markup.
IMAGE = "<img src=x onerror='window.ran=1'>"
SCRIPT = "<script>window.ran=1</script>"
BOTH = IMAGE + SCRIPT


def hostile(tmp_path: Path) -> Study:
    """Return a sealed batch whose title, words, notes, player and an older reed's id are markup."""
    folder = ready(tmp_path).folder
    path = folder / "datapackage.json"
    package = json.loads(path.read_text("utf-8-sig"))
    package["title"] = package["description"] = BOTH
    for step in package["reedlab"]["protocol"]:
        step["name"] += BOTH
        step["instruction"] = BOTH
    for response in package["reedlab"]["responses"]:
        response["label"] = BOTH
    path.write_text(json.dumps(package), "utf-8")
    _change(folder / "sessions.csv", lambda row: row | {"player_id": BOTH, "note": BOTH})
    _change(folder / "tests.csv", lambda row: _renamed(row) | {"note": BOTH})
    _change(folder / "reeds.csv", lambda row: _renamed(row) | {"fate_reason": BOTH, "note": BOTH})
    return open_study(folder)


def _renamed(row: dict[str, str]) -> dict[str, str]:
    return row | {"reed_id": IMAGE if row["reed_id"] == "001" else row["reed_id"]}


def _change(path: Path, change) -> None:
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = [change(row) for row in csv.DictReader(file)]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
