"""Playing the seasons that are asked for, on all cores, with progress and a file to go on from.

A season that stands in the file is not played again, so a long run may be broken off and
begun again. After any change of makers or tool begin a new file.
"""

import sys
import time
from collections.abc import Iterable, Sequence
from pathlib import Path

import pandas as pd

from tests.bench.workshop.outcomes import SETTING, read, write
from tests.bench.workshop.season import play
from tests.bench.workshop.settings import Setting

#: Seasons after which the file is written.
_WRITE = 50
Task = tuple[Setting, int, str]


def run(
    settings: Iterable[Setting], seeds: Sequence[int], makers: Sequence[str], keep: Path | None
) -> pd.DataFrame:
    """Let every maker work every world of every setting.

    Parameters
    ----------
    settings : iterable of Setting
    seeds : sequence of int
        The worlds.
    makers : sequence of str
    keep : Path or None
        A CSV of outcomes: those that it holds are taken from it, new ones are added.

    Returns
    -------
    DataFrame
        One row a season; all that the file then holds, if there is one.
    """
    rows = [] if keep is None or not keep.exists() else read(keep).to_dict("records")
    known = {_task_of(row) for row in rows}
    asked = dict.fromkeys((s, seed, maker) for s in settings for seed in seeds for maker in makers)
    tasks = [task for task in asked if task not in known]
    try:
        for done, row in enumerate(_played(tasks), start=1):
            rows.append(row)
            if keep is not None and done % _WRITE == 0:
                write(pd.DataFrame(rows), keep)
    finally:  # what a season that fails, or a stop from the keyboard, leaves is kept too
        if keep is not None and rows:
            write(pd.DataFrame(rows), keep)
    return pd.DataFrame(rows) if keep is None else read(keep)


def _played(tasks: Sequence[Task]) -> Iterable[dict[str, object]]:
    from joblib import Parallel, delayed

    begun = time.monotonic()
    jobs = Parallel(n_jobs=-1, return_as="generator")(delayed(_season)(task) for task in tasks)
    for done, row in enumerate(jobs, start=1):
        left = (time.monotonic() - begun) / done * (len(tasks) - done) / 60
        told = f"\r{done} of {len(tasks)} seasons, about {left:.0f} min to go   "
        print(told, end="\n" if done == len(tasks) else "", file=sys.stderr, flush=True)
        yield row


def _season(task: Task) -> dict[str, object]:
    setting, seed, maker = task
    changed = {"tube_share": setting.tube_share, "agreement": setting.agreement}
    outcome = play(setting.kind, seed, maker, setting.batch, **changed)
    return {**outcome, **setting.columns}


def _task_of(row: dict[str, object]) -> Task:
    setting = Setting(*(row[name] for name in SETTING))
    return setting, row["seed"], row["maker"]
