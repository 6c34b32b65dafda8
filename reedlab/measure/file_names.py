"""To which test a recording belongs: by its name, or by a table that says so.

A name is ``<reed>_<session>_<stage>_<trial>`` and may go on with ``_`` and anything. Ids are
text and stay as they are: 007 is 007.
"""

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import pandas as pd

from reedlab.errors import CallError, RecordError, listed
from reedlab.study.sheets import read_filled_sheet

KEY = ("reed_id", "session_id", "stage", "trial")
PATTERN = "<reed>_<session>_<stage>_<trial>"


def keys_of(
    files: Sequence[Path], mapping: pd.DataFrame | str | Path | None = None
) -> list[dict[str, Any]]:
    """Return reed_id, session_id, stage and trial of each file.

    Parameters
    ----------
    files : sequence of Path
    mapping : DataFrame or path, optional
        With the columns file, reed_id, session_id, stage, trial.

    Returns
    -------
    list of dict

    Raises
    ------
    CallError
        If the mapping lacks a column.
    RecordError
        Naming every file whose test is not told.

    Examples
    --------
    >>> keys_of([Path("007_S3_day 2_1_crow.wav")])
    [{'reed_id': '007', 'session_id': 'S3', 'stage': 'day 2', 'trial': 1}]
    """
    if mapping is None:
        return _by_name(files)
    name = "The mapping" if isinstance(mapping, pd.DataFrame) else Path(mapping).name
    table = mapping if isinstance(mapping, pd.DataFrame) else _read(Path(mapping))
    lacking = [column for column in ("file", *KEY) if column not in table]
    if lacking:
        raise CallError(f"{name} lacks {listed(lacking)}; it needs file, {listed(KEY)}.")
    return _by_table(files, table, name)


def _by_name(files: Sequence[Path]) -> list[dict[str, Any]]:
    keys, faults = [], []
    for file in files:
        parts = file.stem.split("_")
        if len(parts) < 4 or not all(part.strip() for part in parts[:4]):
            faults.append(f"- {file.name} is not {PATTERN}.")
        elif not _is_trial(parts[3]):
            faults.append(f"- {file.name}: the trial is '{parts[3]}', which is no whole number.")
        else:
            keys.append(dict(zip(KEY, [*parts[:3], int(parts[3])], strict=True)))
    if faults:
        raise RecordError(
            "\n".join(
                [
                    "These names do not say to which test the recordings belong; rename them like "
                    "R07_S3_day2_1.wav, or give a mapping:",
                    *faults,
                ]
            )
        )
    return keys


def _read(path: Path) -> pd.DataFrame:
    sheet = read_filled_sheet(path)
    if sheet.faults:
        fault = sheet.faults[0]
        raise RecordError(f"{path.name}, row {fault.row}: {fault.fault}; {fault.remedy}.")
    return pd.DataFrame(sheet.rows, columns=list(sheet.header), dtype=str)


def _by_table(files: Sequence[Path], table: pd.DataFrame, name: str) -> list[dict[str, Any]]:
    rows: dict[str, Mapping[Any, Any]] = {}
    faults = []
    for row in table.to_dict("records"):
        file = Path(str(row["file"]).strip()).name
        if file in rows:
            faults.append(f"- {file} stands twice.")
        rows[file] = row
    keys = []
    for path in files:
        if path.name not in rows:
            near = get_close_matches(path.name, rows, n=1, cutoff=0.6)
            faults.append(f"- {path.name} is not in it{f'; nearest: {near[0]}' if near else ''}.")
            continue
        cells = {column: _cell(rows[path.name][column]) for column in KEY}
        blank = [column for column in KEY if not cells[column]]
        if blank:
            faults.append(f"- {path.name}: {listed(blank)} is blank.")
        elif not _is_trial(cells["trial"]):
            faults.append(
                f"- {path.name}: the trial is '{cells['trial']}', which is no whole number."
            )
        else:
            keys.append(cells | {"trial": int(cells["trial"])})
    if faults:
        told = "does not say to which test the recordings belong:"
        raise RecordError("\n".join([f"{name} {told}", *faults]))
    return keys


def _cell(value: Any) -> str:
    return "" if pd.isna(value) else str(value).strip()


def _is_trial(text: str) -> bool:
    return text.isascii() and text.isdecimal() and int(text) > 0
