"""The command: how long until it answers. Each run is a process of its own.

The floor is Python with nothing to do. Beside `check` stands a script that loads pandas and pandera
and reads the sheets; beside `season` the loading of the libraries that one would ask the same
questions with. The record is the demo, of so many of its reeds.
"""

import csv
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from shutil import copytree

from tests.bench.frame import Elsewhere, Row, Run, Side, home

DEMO = Path(__file__).parents[3] / "data" / "demo_season"
REEDS = (30, 60, 90, 120)
#: A command that reads no record is started so many times.
TIMES = (1, 2, 3, 4)
#: At its end each process says on its error stream how much memory it has held at most, in kB.
TELL = """
import atexit, sys
def tell():
    with open("/proc/self/status") as file:
        lines = [line for line in file if line.startswith("VmHWM")]
    print(*lines, file=sys.stderr)
atexit.register(tell)
"""
COMMAND = "from reedlab.cli import main; main()"
READ = """
import pathlib
import pandas as pd, pandera.pandas
for sheet in pathlib.Path(sys.argv[1]).glob("*.csv"): pd.read_csv(sheet)
"""
LOAD = "import pandas, statsmodels.formula.api, pingouin, seaborn, matplotlib.pyplot"


def _demo(reeds: int) -> str:
    """A copy of the demo with its first reeds, for asking a study leaves marks in its folder."""
    folder = home("start") / str(reeds)
    if not folder.exists():
        copytree(DEMO, folder)
        lines = (folder / "reeds.csv").read_text(encoding="utf-8-sig").splitlines()
        kept = {line.split(",")[0] for line in lines[1 : 1 + reeds]}
        for name in ("reeds", "tests", "life", "adjustments"):
            _keep(folder / f"{name}.csv", kept)
    return str(folder)


def _keep(path: Path, reeds: set[str]) -> None:
    """Leave the rows of these reeds in a sheet."""
    with path.open(newline="", encoding="utf-8-sig") as file:
        header, *rows = csv.reader(file)
    place = header.index("reed_id")
    with path.open("w", newline="", encoding="utf-8-sig") as file:
        csv.writer(file).writerows([header, *(row for row in rows if row[place] in reeds)])


def _started(code: str, *words: str) -> Callable[[int], Run]:
    """Start Python on a text of code so many times, with words as its command line."""
    return lambda times: _run(times, code, *words)


def _asked(code: str, *words: str) -> Callable[[int], Run]:
    """Start Python on a text of code once; the last word of its command line is the record."""
    return lambda reeds: _run(1, code, *words, _demo(reeds))


def _run(times: int, code: str, *words: str) -> Run:
    command = [sys.executable, "-c", TELL + code, *words]

    def run() -> object:
        for _ in range(times):
            ended = subprocess.run(command, check=True, capture_output=True, text=True)
        told = [line for line in ended.stderr.splitlines() if line.startswith("VmHWM")]
        return Elsewhere(int(told[-1].split()[1]) / 1024)

    return run


HELP = Row(
    "start: help",
    "reedlab --help",
    "starts",
    Side("reedlab --help", _started(COMMAND, "--help"), TIMES, 1),
    (Side("python alone", _started("pass"), TIMES, 1),),
)
CHECK = Row(
    "start: check",
    "reedlab check on the demo season",
    "reeds",
    Side("reedlab check", _asked(COMMAND, "check"), REEDS, 120),
    (Side("pandas read, pandera loaded", _asked(READ), REEDS, 120, ("pandera",)),),
)
SEASON = Row(
    "start: season",
    "reedlab season on the demo season, tables and pictures written",
    "reeds",
    Side("reedlab season", _asked(COMMAND, "season"), REEDS, 120),
    (
        Side(
            "loading statsmodels, pingouin, seaborn",
            _asked(LOAD),
            REEDS,
            120,
            ("statsmodels", "pingouin", "seaborn"),
        ),
    ),
)
