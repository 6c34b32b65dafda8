"""Numbers measured elsewhere into ``tests.csv``: empty cells are filled, rows are added.

A number that stands there already is never replaced: a different one is a fault. Either all
rows are recorded or none. Numbers are written with six digits, finer than any of them is known.
"""

from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from math import isclose
from typing import Any

import pandas as pd

from reedlab.errors import CallError, listed
from reedlab.schema import Column
from reedlab.study.cells import type_column
from reedlab.study.draft import Draft, Recorded
from reedlab.study.faults import Fault, refusal
from reedlab.study.study import Study

KEY = ("reed_id", "session_id", "stage", "trial")
FILE = "tests.csv"
#: Names of several recordings in one cell.
JOIN = "; "
_DIGITS = 6

Key = tuple[Any, ...]


def add_measurements(study: Study, rows: pd.DataFrame) -> Study:
    """Write measured numbers into the tests table of a study.

    Parameters
    ----------
    study : Study
    rows : DataFrame
        One row a recording: reed_id (or its blind code), session_id, stage, trial;
        ``recording``, the name of the file; and any of the number columns of the tests table.
        Several rows may belong to one test, and fill it together.

    Returns
    -------
    Study
        Opened again.

    Raises
    ------
    CallError
        If `rows` lacks a column, or has one that the tests table cannot have.
    RecordError
        Listing every fault: a reed or session that is not in the study, a number that
        cannot be, or one that differs from what is recorded. Nothing is written then.

    Notes
    -----
    Measured again, the same recording gives the same numbers, so that adding them twice
    changes nothing. A second recording of the same test is named behind the first.

    Examples
    --------
    >>> import tempfile
    >>> from reedlab.study import new_study
    >>> study = new_study(tempfile.mkdtemp())
    >>> rows = pd.DataFrame({"reed_id": ["R1"], "session_id": ["S1"], "stage": ["1"],
    ...                      "trial": [1], "recording": ["a.wav"], "crow_hz": [341.2]})
    >>> add_measurements(study, rows)
    Traceback (most recent call last):
    reedlab.errors.RecordError: The measurements cannot be recorded; nothing was written:
    - tests.csv, column 'reed_id', 'R1': a.wav: reeds.csv has no such reed; record the reed first.
    - tests.csv, column 'session_id', 'S1': a.wav: sessions.csv has no such session; record the
    session first.
    """
    draft = Draft(study.folder)
    draft.add_table("tests")
    names = _columns(draft, rows)
    faults: list[Fault] = []
    wanted = _by_test(draft, rows, names, faults)
    before = draft.rows_by("tests", KEY)
    puts = [
        put for key, cells in wanted.items() for put in _puts(before.get(key), cells, draft, faults)
    ]
    if faults:
        raise refusal("The measurements cannot be recorded; nothing was written:", faults)
    new = [_row(key, cells) for key, cells in wanted.items() if key not in before]
    if not puts and not new:
        return draft.study
    for number, name, text in puts:
        draft.add_column("tests", draft.resource("tests").table.column(name))
        draft.put("tests", number, name, text)
    draft.append_rows("tests", new)
    return draft.save()


def _columns(draft: Draft, rows: pd.DataFrame) -> list[str]:
    """Return the columns of numbers, or say what is wrong with the table that was given."""
    lacking = [name for name in (*KEY, "recording") if name not in rows]
    if lacking:
        raise CallError(f"The table of measurements lacks {listed(lacking)}.")
    table = draft.resource("tests").table
    names = [str(name) for name in rows if name not in (*KEY, "recording")]
    known = [column.name for column in table.columns if column.type in ("number", "integer")]
    strange = [name for name in names if name not in known or name in KEY]
    if strange:
        raise CallError(
            f"{listed(strange)} cannot be written: {FILE} has no such column of numbers. "
            f"It can have {listed(name for name in known if name not in KEY)}."
        )
    return names


def _by_test(
    draft: Draft, rows: pd.DataFrame, names: Sequence[str], faults: list[Fault]
) -> dict[Key, dict[str, tuple[str, str]]]:
    """Return the cells of each test with the recordings that they come from."""
    table = draft.resource("tests").table
    wanted: dict[Key, dict[str, tuple[str, str]]] = {}
    codes = _reeds(draft.study)
    sessions = _known(draft.study, "sessions", "session_id")
    for row in rows.to_dict("records"):
        file = str(row["recording"])
        found = [
            *_key_faults(row, file, codes, sessions),
            *_number_faults(row, file, [table.column(name) for name in names]),
        ]
        faults += found
        if found:
            continue
        trial = int(row["trial"])
        key = (codes[str(row["reed_id"])], str(row["session_id"]), str(row["stage"]), trial)
        cells = wanted.setdefault(key, {})
        recordings = cells.get("recording", ("", ""))[0].split(JOIN)
        joined = JOIN.join(dict.fromkeys([*filter(None, recordings), file]))
        cells["recording"] = (joined, file)
        for name in names:
            if pd.isna(row[name]):
                continue
            text = _text(float(row[name]), table.column(name))
            first, whence = cells.setdefault(name, (text, file))
            if first != text:
                fault = f"{file}: measured {text}, but {first} in {whence}, for the same test"
                remedy = "give one of the two recordings another trial"
                faults.append(Fault(FILE, None, name, text, "error", fault, remedy))
    return wanted


def _reeds(study: Study) -> dict[str, str]:
    """Return the id of each reed by its id, and by its blind code where that is no id."""
    ids = _known(study, "reeds", "reed_id")
    reeds = study.tables["reeds"]
    by_code: dict[str, str] = {}
    if "blind_code" in reeds:
        coded = reeds[reeds["blind_code"].notna()]
        by_code = dict(zip(coded["blind_code"], coded["reed_id"], strict=True))
    return by_code | {name: name for name in ids}


def _known(study: Study, table: str, column: str) -> list[str]:
    frame = study.tables.get(table, pd.DataFrame({column: []}))
    return [str(name) for name in frame[column].dropna()]


def _key_faults(
    row: Mapping[Any, Any], file: str, reeds: Mapping[str, str], sessions: Sequence[str]
) -> Iterator[Fault]:
    for column, known, what in (
        ("reed_id", list(reeds), "reed"),
        ("session_id", sessions, "session"),
    ):
        value = "" if pd.isna(row[column]) else str(row[column])
        if value not in known:
            near = get_close_matches(value, known, n=1, cutoff=0.6)
            guess = f"write '{near[0]}' if that is meant, or " if near else ""
            fault = f"{file}: {what}s.csv has no such {what}"
            remedy = f"{guess}record the {what} first"
            yield Fault(FILE, None, column, value, "error", fault, remedy)
    if pd.isna(row["stage"]) or not str(row["stage"]).strip():
        yield Fault(FILE, None, "stage", "", "error", f"{file}: stage is blank", "write it")
    trial = str(row["trial"])
    if not trial.isdecimal() or int(trial) < 1:
        fault, remedy = f"{file}: trial is no whole number from 1", "write 1 for the first try"
        yield Fault(FILE, None, "trial", trial, "error", fault, remedy)


def _number_faults(row: Mapping[Any, Any], file: str, columns: Sequence[Column]) -> Iterator[Fault]:
    for column in columns:
        value = row[column.name]
        if pd.isna(value) or column.possible is None:
            continue
        low, high = column.possible
        if not low <= float(value) <= high:
            text = _text(float(value), column)
            fault = f"{file}: this cannot be, it lies outside {low:g} to {high:g} {column.unit}"
            remedy = "look at the recording, and leave it out"
            yield Fault(FILE, None, column.name, text, "error", fault.rstrip(), remedy)


def _puts(
    recorded: Recorded | None,
    cells: Mapping[str, tuple[str, str]],
    draft: Draft,
    faults: list[Fault],
) -> Iterator[tuple[int, str, str]]:
    """Give the empty cells of a recorded test that are to be filled; note what differs."""
    if recorded is None:
        return
    number, before = recorded
    table = draft.resource("tests").table
    for name, (text, file) in cells.items():
        old = before.get(name)
        if name == "recording":
            named = [] if pd.isna(old) else [part.strip() for part in str(old).split(";")]
            joined = JOIN.join(dict.fromkeys([*named, *text.split(JOIN)]))
            if pd.isna(old) or joined != JOIN.join(named):
                yield number, name, joined
        elif _typed_badly(draft, number, name) or pd.isna(old):
            typed = _typed_badly(draft, number, name)
            if not typed:
                yield number, name, text
                continue
            fault = f"this cannot be read, and {file} measures {text}"
            faults.append(Fault(FILE, number, name, typed, "error", fault, "mend the cell"))
        elif not isclose(float(old), float(text), rel_tol=10.0 ** (1 - _DIGITS)):
            typed = _text(float(old), table.column(name))
            fault = f"this is recorded already, but {file} measures {text}"
            remedy = "keep one: empty this cell, or give the recording another trial"
            faults.append(Fault(FILE, number, name, typed, "error", fault, remedy))


def _typed_badly(draft: Draft, number: int, name: str) -> str:
    """Return what stands in a cell that could not be read; empty if nothing does."""
    sheet = draft.study.sheets.get("tests", None)
    if sheet is None or name not in sheet.header:
        return ""
    typed = sheet.cell(number, name)
    missing = draft.resource("tests").missing
    _, bad = type_column([typed], draft.resource("tests").table.column(name), missing)
    return typed if bad else ""


def _row(key: Key, cells: Mapping[str, tuple[str, str]]) -> dict[str, str]:
    return dict(zip(KEY, map(str, key), strict=True)) | {
        name: text for name, (text, _) in cells.items()
    }


def _text(value: float, column: Column) -> str:
    if column.type == "integer":
        return str(round(value))
    text = f"{value:.{_DIGITS}g}"
    return text if "e" not in text else f"{value:.{_DIGITS}f}".rstrip("0").rstrip(".")
