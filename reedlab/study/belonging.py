"""To which test of a study a recording belongs, and what is wrong where it belongs to none.

Reeds are known by id or blind code; the key of a sealed batch is not read. Ids are text: 7 is
not 007, but the one that may be meant is told.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from os.path import realpath
from pathlib import Path

import pandas as pd

from reedlab.errors import CallError, listed
from reedlab.study.faults import Fault, refusal
from reedlab.study.links import hint
from reedlab.study.resources import is_inside
from reedlab.study.study import Study

KEY = ("reed_id", "session_id", "stage", "trial")
REFUSED = "The measurements cannot be recorded; nothing was written:"
#: Names of several recordings in one cell.
JOIN = "; "
#: What is wrong with a recording that lies elsewhere, and what would be right.
OUTSIDE = (
    "a recording must lie in the study's folder",
    "copy it there and write its name, such as recordings/R07.wav",
)

Key = tuple[str, str, str, int]


def require_tests(study: Study, rows: pd.DataFrame) -> None:
    """Refuse recordings that belong to no test the study could have, all of them at once.

    Parameters
    ----------
    study : Study
    rows : DataFrame
        One row a recording, with reed_id (or its blind code), session_id, stage, trial and
        ``recording``, the name of its file.

    Raises
    ------
    RecordError
        Naming each reed or session that is not in the study, and each stage or trial that
        is none.
    """
    _, faults = keys_in(study, rows)
    if faults:
        raise refusal(REFUSED, faults)


def keys_in(study: Study, rows: pd.DataFrame) -> tuple[list[Key | None], list[Fault]]:
    """Return the test of each recording, none where it is not told, and what is wrong there.

    Parameters
    ----------
    study : Study
    rows : DataFrame
        As for :func:`require_tests`.

    Returns
    -------
    list of tuple
        reed_id, session_id, stage and trial, or None.
    list of Fault
    """
    require_columns(rows)
    known = _known(study)
    keys: list[Key | None] = []
    faults: list[Fault] = []
    for row in rows.to_dict("records"):
        cells = {name: "" if pd.isna(row[name]) else str(row[name]) for name in KEY}
        file = str(row["recording"])
        found = [*_key_faults(cells, file, known)]
        stray = outside(file, study.folder)
        if stray:
            found.append(Fault(file, None, "recording", stray, "error", *OUTSIDE))
        faults += found
        reed, session, stage, trial = cells.values()
        keys.append(None if found else (known.reeds[reed], session, stage, int(trial)))
    return keys, faults


def outside(recording: str, folder: Path | None = None) -> str:
    """Return the first of the named recordings that would lie outside the study; else nothing.

    In a folder, links that lead out of it are followed.

    Examples
    --------
    >>> outside("day 1/R07.wav; R08.wav"), outside("R07.wav; ../R08.wav")
    ('', '../R08.wav')
    """
    names = [name.strip() for name in recording.split(JOIN.strip())]
    return next((name for name in names if name and not _lies_inside(name, folder)), "")


def strays(study: Study) -> Iterator[Fault]:
    """Find recordings in the record that lie outside the study, typed there by hand."""
    for name, sheet in study.sheets.items():
        if "recording" not in study.tables[name]:
            continue
        for row, text in study.tables[name]["recording"].dropna().items():
            stray = outside(str(text), study.folder)
            if stray:
                yield Fault(sheet.file, int(str(row)), "recording", stray, "error", *OUTSIDE)


def _lies_inside(name: str, folder: Path | None) -> bool:
    if folder is None or not is_inside(name):
        return is_inside(name)
    return Path(realpath(folder / name)).is_relative_to(realpath(folder))


def require_columns(rows: pd.DataFrame) -> None:
    """Refuse a table that cannot say to which tests its recordings belong."""
    lacking = [name for name in (*KEY, "recording") if name not in rows]
    if lacking:
        raise CallError(f"The table of measurements lacks {listed(lacking)}.")


@dataclass(frozen=True)
class _Known:
    """What the study has: reeds by id and by mark, sessions, stages, names of files."""

    reeds: Mapping[str, str]
    sessions: Sequence[str]
    stages: Sequence[str]
    shared_marks: Sequence[str]
    files: Mapping[str, str]


def _known(study: Study) -> _Known:
    reeds = study.tables.get("reeds", pd.DataFrame())
    marked = reeds.dropna(subset="blind_code") if "blind_code" in reeds else reeds.iloc[:0]
    by_mark = {}
    shared: list[str] = []
    if len(marked):
        twice = marked["blind_code"].duplicated(keep=False)
        shared = [*marked.loc[twice, "blind_code"].unique()]
        by_mark = dict(marked.loc[~twice, ["blind_code", "reed_id"]].to_numpy())
    ids = _names(study, "reeds", "reed_id")
    return _Known(
        reeds=by_mark | dict(zip(ids, ids, strict=True)),
        sessions=_names(study, "sessions", "session_id"),
        stages=_names(study, "tests", "stage"),
        shared_marks=[mark for mark in shared if mark not in ids],
        files={
            name: study.sheets[name].file if name in study.sheets else f"{name}.csv"
            for name in ("reeds", "sessions", "tests")
        },
    )


def _names(study: Study, table: str, column: str) -> list[str]:
    frame = study.tables.get(table, pd.DataFrame())
    return [str(name) for name in frame[column].dropna().unique()] if column in frame else []


def _key_faults(cells: Mapping[str, str], file: str, known: _Known) -> Iterator[Fault]:
    for table, names in (("reeds", list(known.reeds)), ("sessions", known.sessions)):
        column = f"{table.removesuffix('s')}_id"
        value, where = cells[column], known.files[table]
        if table == "reeds" and value in known.shared_marks:
            fault, remedy = f"several reeds of {where} carry this mark", "write the reed's id"
            yield Fault(file, None, column, value, "error", fault, remedy)
        elif value not in names:
            fault = f"{where} has no such {table.removesuffix('s')}"
            yield Fault(file, None, column, value, "error", fault, hint(value, names, where))
    stage, trial = cells["stage"], cells["trial"]
    if not stage.strip():
        yield Fault(file, None, "stage", "", "error", "stage is blank", "write it")
    # Any word may be a stage, but one that differs by a space would be another stage unseen.
    alike = [name for name in known.stages if _bare(name) == _bare(stage)]
    if alike and stage not in alike:
        fault = f"{known.files['tests']} has the stage '{alike[0]}'"
        remedy = f"write '{alike[0]}' if that is meant, or another word"
        yield Fault(file, None, "stage", stage, "error", fault, remedy)
    if not (trial.isascii() and trial.isdecimal()) or int(trial) < 1:
        fault, remedy = "trial is no whole number from 1", "write 1 for the first try"
        yield Fault(file, None, "trial", trial, "error", fault, remedy)


def _bare(stage: str) -> str:
    return "".join(stage.split()).casefold()
