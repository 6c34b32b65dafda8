"""From the page to the disk: one row through the record's own door, recordings first.

A row is written as a filled testing sheet and recorded like any other, with all its checks.
The recordings lie in the study before the row names them; if the row is refused they are
taken away again. What is on disk is read from there before anybody is told.
"""

import tempfile
from pathlib import Path

from reedlab.errors import RecordError
from reedlab.page.attempt import Attempt
from reedlab.page.session_order import Occasion, reed_ids, tests_of
from reedlab.study import Plan, Study, record_sheet
from reedlab.study.exporting import harmless
from reedlab.study.files import replace_file, replace_files
from reedlab.study.lock import one_at_a_time
from reedlab.study.writing import csv_lines

SHEET = "bench page.csv"


@one_at_a_time
def save_attempt(
    study: Study, plan: Plan, occasion: Occasion, stage: str, attempt: Attempt
) -> tuple[Study, tuple[Path, ...]]:
    """Write one test and its recordings.

    Parameters
    ----------
    study : Study
    plan : Plan
    occasion : Occasion
    stage : str
    attempt : Attempt

    Returns
    -------
    Study
        Opened again, with the row in it.
    tuple of Path
        The recordings that were written.

    Raises
    ------
    RecordError
        If the row cannot be recorded; no recording is left behind then. Or if it is not
        found on disk afterwards.
    """
    contents = {
        _free(study.folder, name): path.read_bytes()
        for name, path in attempt.files(occasion.session_id, stage).items()
    }
    row = {
        "batch_id": plan.record.batch_id,
        "session_id": occasion.session_id,
        "place": str(attempt.place),
        "blind_code": attempt.code,
        "stage": stage,
        "trial": str(attempt.trial),
    } | attempt.cells(contents)
    written = tuple(study.folder / name for name in contents)
    replace_files(study.folder, contents)
    try:
        fresh = record_row(study, row)
    except BaseException:
        for path in written:
            path.unlink(missing_ok=True)
        raise
    if not _is_there(fresh, plan, occasion, stage, attempt):
        raise RecordError(
            f"After saving, the test of {attempt.code} is not found in tests.csv; look at the file "
            "before you save again."
        )
    return fresh, written


def record_row(study: Study, row: dict[str, str]) -> Study:
    """Record one row of a filled sheet; what is refused is told without the sheet's name."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / SHEET
        replace_file(
            path, csv_lines([list(row), [*map(harmless, row.values())]]).encode("utf-8-sig")
        )
        try:
            return record_sheet(study, path).study
        except RecordError as error:
            raise RecordError(_told(str(error))) from None


def _told(text: str) -> str:
    """Say what was refused in the words of the page, which knows no sheet and no rows."""
    first, *faults = text.split("\n")
    if not faults:
        return first.replace(SHEET, "This test")
    lines = [line.removeprefix(f"- {SHEET}, ").removeprefix("row 2, ") for line in faults]
    return "\n".join(["Not saved:", *lines])


def _is_there(study: Study, plan: Plan, occasion: Occasion, stage: str, attempt: Attempt) -> bool:
    tests = tests_of(study, occasion.session_id)
    reed = reed_ids(study, plan)[attempt.code]
    same = (tests["reed_id"] == reed) & (tests["stage"] == stage)
    return bool((same & (tests["trial"] == attempt.trial)).any())


def _free(folder: Path, name: str) -> str:
    """Return the name, or with a number behind where a recording is called so already."""
    path, number = Path(name), 2
    while (folder / path).exists():
        path = Path(name).with_stem(f"{Path(name).stem}_{number}")
        number += 1
    return path.as_posix()
