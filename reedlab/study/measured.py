"""Numbers measured elsewhere into ``tests.csv``: empty cells are filled, rows are added.

A number that stands there already is never replaced: a different one is a fault. Either all
rows are recorded or none. Numbers are written with six digits, finer than any of them is known.
"""

from collections.abc import Iterator, Mapping, Sequence
from math import isclose
from typing import Any

import pandas as pd

from reedlab.errors import CallError, listed
from reedlab.schema import Column
from reedlab.study.belonging import JOIN, KEY, REFUSED, Key, keys_in, require_columns
from reedlab.study.cells import type_column
from reedlab.study.draft import Draft, KnownRow
from reedlab.study.faults import Fault, refusal
from reedlab.study.lock import one_at_a_time
from reedlab.study.study import Study

_DIGITS = 6

#: By column: what is to be written, and the recording that it comes from.
Cells = dict[str, tuple[str, str]]


@one_at_a_time
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
    - a.wav, column 'reed_id', 'R1': reeds.csv has no such reed; add it to reeds.csv, or mend
    the id.
    - a.wav, column 'session_id', 'S1': sessions.csv has no such session; add it to
    sessions.csv, or mend the id.
    """
    draft = Draft(study.folder)
    draft.add_table("tests")
    names = _numbers(draft, rows)
    keys, faults = keys_in(draft.study, rows)
    wanted = _by_test(draft, rows, names, keys, faults)
    before = draft.rows_by("tests", KEY)
    puts = [
        put
        for key, cells in wanted.items()
        if key in before
        for put in _puts(before[key], cells, draft, faults)
    ]
    if faults:
        raise refusal(REFUSED, faults)
    new = [_row(key, cells) for key, cells in wanted.items() if key not in before]
    if not puts and not new:
        return draft.study
    for number, name, text in puts:
        draft.add_column("tests", name)
        draft.put("tests", number, name, text)
    draft.append_rows("tests", new)
    return draft.save(f"measured {len(rows)} recording{'' if len(rows) == 1 else 's'}")


def _numbers(draft: Draft, rows: pd.DataFrame) -> list[str]:
    """Return the columns of numbers, or say what is wrong with the table that was given."""
    require_columns(rows)
    names = [str(name) for name in rows if name not in (*KEY, "recording")]
    known = [
        column.name
        for column in draft.resource("tests").table.columns
        if column.type in ("number", "integer") and column.name not in KEY
    ]
    strange = [name for name in names if name not in known]
    if strange:
        raise CallError(
            f"{listed(strange)} cannot be written: the tests table has no such column of numbers. "
            f"It can have {listed(known)}."
        )
    return names


def _by_test(
    draft: Draft,
    rows: pd.DataFrame,
    names: Sequence[str],
    keys: Sequence[Key | None],
    faults: list[Fault],
) -> dict[Key, Cells]:
    """Return the cells of each test with the recordings that they come from."""
    columns = [draft.resource("tests").table.column(name) for name in names]
    wanted: dict[Key, Cells] = {}
    for key, row in zip(keys, rows.to_dict("records"), strict=True):
        file = str(row["recording"])
        impossible = [*_impossible(row, file, columns)]
        faults += impossible
        if key is None or impossible:
            continue
        cells = wanted.setdefault(key, {})
        joined, _ = cells.get("recording", ("", ""))
        cells["recording"] = (_joined(joined, file), file)
        for column in columns:
            if pd.isna(row[column.name]):
                continue
            text = _text(float(row[column.name]), column)
            first, whence = cells.setdefault(column.name, (text, file))
            if first != text:
                fault = f"for the same test {whence} measures {first}"
                remedy = "give one of the two recordings another trial"
                faults.append(Fault(file, None, column.name, text, "error", fault, remedy))
    return wanted


def _impossible(row: Mapping[Any, Any], file: str, columns: Sequence[Column]) -> Iterator[Fault]:
    for column in columns:
        value = row[column.name]
        if pd.isna(value) or column.possible is None:
            continue
        low, high = column.possible
        if not low <= float(value) <= high:
            fault = f"this cannot be, it lies outside {low:g} to {high:g} {column.unit}".rstrip()
            remedy = "look at the recording, and leave it out"
            yield Fault(
                file, None, column.name, _text(float(value), column), "error", fault, remedy
            )


def _puts(
    recorded: KnownRow, cells: Cells, draft: Draft, faults: list[Fault]
) -> Iterator[tuple[int, str, str]]:
    """Give the empty cells of a recorded test that are to be filled; note what differs."""
    number, before = recorded
    table = draft.resource("tests").table
    sheet = draft.study.sheets["tests"].file
    for name, (text, file) in cells.items():
        old = before.get(name)
        unread = _unread(draft, number, name)
        if name == "recording":
            joined = _joined("" if pd.isna(old) else str(old), text)
            if pd.isna(old) or joined != str(old):
                yield number, name, joined
        elif unread:
            fault = f"this cannot be read, and {file} measures {text}"
            faults.append(Fault(sheet, number, name, unread, "error", fault, "mend the cell"))
        elif pd.isna(old):
            yield number, name, text
        elif not isclose(float(old), float(text), rel_tol=10.0 ** (1 - _DIGITS)):
            typed = _text(float(old), table.column(name))
            fault = f"this is recorded already, but {file} measures {text}"
            remedy = "keep one: empty this cell, or give the recording another trial"
            faults.append(Fault(sheet, number, name, typed, "error", fault, remedy))


def _joined(named: str, files: str) -> str:
    """Return the names of recordings with those that are not among them behind.

    Examples
    --------
    >>> _joined("a.wav;b.wav", "b.wav"), _joined("a.wav", "c.wav; d.wav"), _joined("", "e.wav")
    ('a.wav;b.wav', 'a.wav; c.wav; d.wav', 'e.wav')
    """
    known = [part.strip() for part in named.split(JOIN.strip())]
    new = [file for file in files.split(JOIN) if file not in known]
    return JOIN.join(filter(None, [named, *new]))


def _unread(draft: Draft, number: int, name: str) -> str:
    """Return what stands in a cell that could not be read; empty if nothing does."""
    sheet = draft.study.sheets["tests"]
    if name not in sheet.header:
        return ""
    typed = sheet.cell(number, name)
    resource = draft.resource("tests")
    _, bad = type_column([typed], resource.table.column(name), resource.missing)
    return typed if bad else ""


def _row(key: Key, cells: Cells) -> dict[str, str]:
    return dict(zip(KEY, map(str, key), strict=True)) | {
        name: text for name, (text, _) in cells.items()
    }


def _text(value: float, column: Column) -> str:
    """Write a number without an exponent; nothing is minus zero.

    Examples
    --------
    >>> [_text(value, Column("hz", "number")) for value in (341.20049, -1e-9, 1234567.0)]
    ['341.2', '0', '1234567']
    """
    if column.type == "integer":
        return str(round(value))
    text = f"{round(value, _DIGITS) + 0.0:.{_DIGITS}g}"
    return f"{value:.{_DIGITS}f}".rstrip("0").rstrip(".") if "e" in text else text
