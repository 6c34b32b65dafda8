"""To which test a recording belongs: by its name, or by a table that says so.

A name is ``<reed>_<session>_<stage>_<trial>`` and may go on with ``_`` and anything. Ids are
text and stay as they are: 007 is 007. Everything that is unclear is told at once.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any
from unicodedata import normalize

import pandas as pd

from reedlab.errors import RecordError, listed
from reedlab.measure.file_list import names_of, parts_of
from reedlab.study.belonging import KEY
from reedlab.study.faults import Fault, refusal
from reedlab.study.sheets import read_filled_sheet

PATTERN = "<reed>_<session>_<stage>_<trial>"
COLUMNS = ("file", *KEY)
UNTOLD = "It is not told to which tests the recordings belong:"

Key = dict[str, Any]


def keys_of(files: Sequence[Path], mapping: pd.DataFrame | str | Path | None = None) -> list[Key]:
    """Return reed_id, session_id, stage and trial of each file.

    Parameters
    ----------
    files : sequence of Path
    mapping : DataFrame or path, optional
        With the columns file, reed_id, session_id, stage, trial. A file may be written with
        the folders before it, and must be where two have the same name. Rows of other files
        are not looked at.

    Returns
    -------
    list of dict

    Raises
    ------
    RecordError
        Naming every file whose test is not told, and every cell of the table that is at
        fault, rows numbered as a spreadsheet shows them (of a DataFrame, by its index).

    Examples
    --------
    >>> keys_of([Path("007_S3_day 2_1_crow.wav")])
    [{'reed_id': '007', 'session_id': 'S3', 'stage': 'day 2', 'trial': 1}]
    """
    if mapping is None:
        keys, faults = _by_name(files)
    else:
        keys, faults = _by_table(files, _read(mapping))
    if faults:
        raise refusal(UNTOLD, faults)
    return keys


def _by_name(files: Sequence[Path]) -> tuple[list[Key], list[Fault]]:
    keys: list[Key] = []
    faults: list[Fault] = []
    for file, name in zip(files, names_of(files), strict=True):
        parts = normalize("NFC", file.stem).split("_")
        if len(parts) < len(KEY) or not all(part.strip() for part in parts[: len(KEY)]):
            fault = f"the name is not {PATTERN}"
            remedy = "rename it like R07_S3_day2_1.wav, or give a mapping"
            faults.append(Fault(name, None, "", "", "error", fault, remedy))
        elif not _is_trial(parts[3]):
            fault = f"of {PATTERN} the trial is '{parts[3]}', which is no whole number from 1"
            remedy = "ids and stage must hold no _; rename it like R07_S3_day2_1.wav"
            faults.append(Fault(name, None, "", "", "error", fault, remedy))
        else:
            keys.append(dict(zip(KEY, [*parts[:3], int(parts[3])], strict=True)))
    return keys, faults


@dataclass(frozen=True)
class _Mapping:
    """The rows of a mapping as texts, by their numbers; made by :func:`_read`."""

    name: str
    rows: Mapping[int, Mapping[str, str]]


def _read(mapping: pd.DataFrame | str | Path) -> _Mapping:
    if isinstance(mapping, pd.DataFrame):
        name, header = "the mapping", [str(column) for column in mapping]
        _require_columns(name, header)
        cells = mapping[[*COLUMNS]].to_numpy(dtype=object).tolist()
        texts = [dict(zip(COLUMNS, map(_cell, row), strict=True)) for row in cells]
        return _Mapping(name, dict(zip(mapping.index.tolist(), texts, strict=True)))
    sheet = read_filled_sheet(Path(mapping))
    errors = [fault for fault in sheet.faults if fault.severity == "error"]
    if errors:
        raise refusal(UNTOLD, errors)
    _require_columns(sheet.file, sheet.header)
    return _Mapping(
        sheet.file,
        {
            number: {column: _cell(sheet.cell(number, column)) for column in COLUMNS}
            for number in sheet.numbers
        },
    )


def _require_columns(name: str, header: Sequence[str]) -> None:
    lacking = [column for column in COLUMNS if column not in header]
    if lacking:
        raise RecordError(
            f"{name} has no column {listed(lacking)}; it needs {listed(COLUMNS)}, and has "
            f"{listed(header)}."
        )


def _cell(value: Any) -> str:
    """Return a cell as text: of a table a whole number may come as 1.0."""
    if pd.isna(value):
        return ""
    whole = isinstance(value, float) and value.is_integer()
    return normalize("NFC", str(int(value) if whole else value).strip())


def _by_table(files: Sequence[Path], mapping: _Mapping) -> tuple[list[Key], list[Fault]]:
    keys: list[Key] = []
    faults: list[Fault] = []
    told_of: dict[int, str] = {}
    for file, name in zip(files, names_of(files), strict=True):
        rows = [row for row, cells in mapping.rows.items() if _means(cells["file"], file)]
        found = [*_row_faults(mapping, name, rows)]
        for row in rows[:1]:
            if row in told_of:
                fault = f"two recordings are called so: {told_of[row]} and {name}"
                remedy = "write the folder before the name"
                typed = mapping.rows[row]["file"]
                found = [Fault(mapping.name, row, "file", typed, "error", fault, remedy)]
            told_of.setdefault(row, name)
        faults += found
        if not found:
            cells = mapping.rows[rows[0]]
            keys.append({column: cells[column] for column in KEY} | {"trial": int(cells["trial"])})
    return keys, faults


def _means(typed: str, file: Path) -> bool:
    """Tell whether a file is meant by what was typed: its name, with folders before or not."""
    parts = [part for part in typed.replace("\\", "/").split("/") if part not in ("", ".")]
    return bool(parts) and parts == [*parts_of(file)[-len(parts) :]]


def _row_faults(mapping: _Mapping, name: str, rows: Sequence[int]) -> Iterator[Fault]:
    """Give what is wrong with the rows of one file."""
    if not rows:
        known = {cells["file"].casefold(): row for row, cells in mapping.rows.items()}
        near = get_close_matches(name.casefold(), known, n=1, cutoff=0.6)
        remedy = f"add a row for {name}"
        if near:
            row = known[near[0]]
            remedy += f", or mend row {row}, which has '{mapping.rows[row]['file']}'"
        yield Fault(mapping.name, None, "", "", "error", f"{name} is not in it", remedy)
        return
    first, *others = rows
    for row in others:
        fault, typed = f"the file stands in row {first} already", mapping.rows[row]["file"]
        remedy = "take one of the two rows out"
        yield Fault(mapping.name, row, "file", typed, "error", fault, remedy)
    cells = mapping.rows[first]
    for column in KEY:
        if not cells[column]:
            fault, remedy = f"{column} of {name} is blank", "write it"
            yield Fault(mapping.name, first, column, "", "error", fault, remedy)
    if cells["trial"] and not _is_trial(cells["trial"]):
        fault = f"the trial of {name} is no whole number from 1"
        remedy = "write 1 for the first try"
        yield Fault(mapping.name, first, "trial", cells["trial"], "error", fault, remedy)


def _is_trial(text: str) -> bool:
    return text.isascii() and text.isdecimal() and int(text) > 0
