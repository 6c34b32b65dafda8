"""Opening a study's folder: every file read, every cell typed, every bad cell noted.

Opening fails only for what leaves nothing to work with: no folder, no descriptor, a
missing file, a key that is not there. A bad cell becomes missing and a fault.
"""

import os
from collections.abc import Iterator
from contextlib import nullcontext
from difflib import get_close_matches
from pathlib import Path

import pandas as pd

from reedlab.errors import RecordError
from reedlab.schema import Column, Table
from reedlab.study.cells import type_column
from reedlab.study.declared import is_usual
from reedlab.study.descriptor import DESCRIPTOR, read_descriptor, table_files
from reedlab.study.faults import Fault
from reedlab.study.intent import PENDING
from reedlab.study.lock import alone, write_protected
from reedlab.study.packed import is_packed, unpack
from reedlab.study.parquet import ENDING, is_parquet
from reedlab.study.resources import Resource
from reedlab.study.settings import Settings
from reedlab.study.sheets import Sheet, read_sheet
from reedlab.study.study import Study

#: After so many readings that others disturbed, a study is read under its lock.
_TRIES = 5


def open_study(folder: str | os.PathLike[str], read_only: bool = False) -> Study:
    """Open the study that lies in a folder, or in the zip of its open form.

    Parameters
    ----------
    folder : path
        Holds ``datapackage.json`` and the CSV or Parquet files that it lists. A zip of them is
        unpacked for as long as the program runs, and opened to be read only.
    read_only : bool
        Whether nothing may be written to it, not even the log of what was looked at.

    Returns
    -------
    Study
        Bad cells are missing in its tables and listed by ``study.check()``.

    Raises
    ------
    RecordError
        Listing all of: a missing or unreadable folder, descriptor or file, settings
        that do not fit, key columns that are not there.

    Examples
    --------
    >>> import tempfile
    >>> from reedlab.study import new_study
    >>> home = tempfile.mkdtemp()
    >>> _ = new_study(home, instrument="oboe")
    >>> open_study(home).settings.crow_target
    ('B4', 'C5')
    """
    path = Path(folder)
    if is_packed(path):
        path, read_only = unpack(path), True
    for _ in range(_TRIES):
        before = _marks(path)
        unfinished = _finished(path, read_only)
        try:
            study = _read(path, read_only, unfinished)
        except RecordError:
            if _marks(path) == before:
                raise
            continue
        if _marks(path) == before:
            return study
    with nullcontext() if read_only or write_protected(path) else alone(path):
        return _read(path, read_only, _finished(path, read_only))


def _finished(path: Path, read_only: bool) -> tuple[Fault, ...]:
    """Finish a save that was cut off; where that is impossible, say so as a fault."""
    if not (path / PENDING).exists():
        return ()
    fault = "a save was cut off here, so some files may be older than others"
    remedy = "open the study once where it can be written"
    if not read_only and not write_protected(path):
        try:
            with alone(path):
                return ()
        except RecordError as error:
            remedy = str(error).removesuffix(".")
    return (Fault(PENDING, None, "", "", "warning", fault, remedy),)


def _marks(path: Path) -> list[tuple[str, int, int, int]]:
    """Return what changes when somebody writes to the folder."""
    marks = []
    for file in (DESCRIPTOR, PENDING, *table_files(path)):
        try:
            status = (path / file).stat()
        except OSError:
            continue
        marks.append((file, status.st_ino, status.st_mtime_ns, status.st_size))
    return marks


def _read(path: Path, read_only: bool, unfinished: tuple[Fault, ...]) -> Study:
    described = read_descriptor(path)
    sheets: dict[str, Sheet] = {}
    problems: list[str] = []
    for resource in described.resources:
        problems.extend(_doubled(path, resource.path))
        try:
            sheet = read_sheet(path, resource.path)
        except RecordError as error:
            problems.append(str(error))
            continue
        sheets[resource.table.name] = sheet
        problems.extend(_missing_keys(resource, sheet))
    if problems:
        raise RecordError("\n".join(problems))
    tables: dict[str, pd.DataFrame] = {}
    schema: dict[str, Table] = {}
    faults = [*unfinished, *_undeclared(described.settings, sheets)]
    for resource in described.resources:
        name = resource.table.name
        faults.extend(sheets[name].faults)
        faults.extend(_header_faults(resource, sheets[name], described.settings))
        tables[name], schema[name] = _typed(resource, sheets[name], faults)
    return Study(
        path,
        described.title,
        described.settings,
        tables,
        schema,
        sheets,
        tuple(faults),
        read_only,
        described.told,
    )


def _doubled(folder: Path, file: str) -> Iterator[str]:
    """Refuse a table that is there twice: nobody knows which of the two is the record."""
    other = str(Path(file).with_suffix(".csv" if is_parquet(file) else ENDING))
    if (folder / other).exists():
        yield f"{file} and {other} both lie in {folder}; take away the one that is not the record."


def _missing_keys(resource: Resource, sheet: Sheet) -> Iterator[str]:
    for name in resource.table.key:
        if name not in sheet.header:
            near = get_close_matches(name, sheet.header, n=1, cutoff=0.5)
            hint = f"nearest: '{near[0]}'" if near else f"its headers: {', '.join(sheet.header)}"
            yield f"{sheet.file} lacks the key column '{name}'; {hint}."


def _typed(resource: Resource, sheet: Sheet, faults: list[Fault]) -> tuple[pd.DataFrame, Table]:
    """Type a table column by column, adding to the faults; return it with its schema."""
    known = {column.name: column for column in resource.table.columns}
    values: dict[str, pd.Series] = {}
    columns: list[Column] = []
    for name in dict.fromkeys(sheet.header):
        column = known.get(name, Column(name))
        columns.append(column)
        cells = sheet.column(name)
        values[name], bad = type_column(cells, column, resource.missing)
        faults.extend(
            Fault(sheet.file, sheet.numbers[place], name, cells[place], "error", *reason)
            for place, reason in bad.items()
        )
    if resource.table.name == "reeds" and "fate" in values and "kept" not in values:
        fate = values["fate"]
        kept = (fate == "kept").astype("boolean")
        values["kept"] = kept.where(fate.isin(["kept", "discarded"]))
        columns.append(Column("kept", "boolean", "", "true if kept, false if discarded"))
    frame = pd.DataFrame(values)
    frame.index = pd.Index(sheet.numbers, name="row", dtype="int64")
    table = resource.table
    references = {name: there for name, there in table.references.items() if name in values}
    return frame, Table(table.name, table.key, columns, references)


def _header_faults(resource: Resource, sheet: Sheet, settings: Settings) -> Iterator[Fault]:
    """Compare the headers with what the descriptor declares."""
    declared = dict.fromkeys(resource.declared or resource.table.names)
    declared |= dict.fromkeys(
        item.name for item in settings.declared if item.table == resource.table.name
    )
    absent = {_plain(name): name for name in declared if name not in sheet.header}
    for name in dict.fromkeys(sheet.header):
        if name in declared or not name.strip():
            continue
        meant = absent.get(_plain(name))
        if meant is not None:
            fault = f"the header '{name}' differs from '{meant}' only by case or space"
            yield Fault(sheet.file, 1, name, name, "error", fault, f"rename it to '{meant}'")
        else:
            fault = f"the column '{name}' is not in the descriptor, so it is read as text"
            if name in resource.table.names:
                fault = f"the column '{name}' is not in the descriptor"
            near = get_close_matches(name, declared, n=1, cutoff=0.8)
            remedy = f"add it to the fields of '{resource.table.name}' in {DESCRIPTOR}"
            if near:
                remedy = f"rename it if '{near[0]}' is meant, or {remedy}"
            yield Fault(sheet.file, 1, name, name, "warning", fault, remedy)
    present = {_plain(name) for name in sheet.header}
    for name in resource.declared:
        if _plain(name) not in present:
            fault = f"the descriptor declares a column '{name}' that the file does not have"
            remedy = f"add the column, or take it out of {DESCRIPTOR}"
            yield Fault(sheet.file, 1, name, "", "warning", fault, remedy)


def _undeclared(settings: Settings, sheets: dict[str, Sheet]) -> Iterator[Fault]:
    """Name the maker's own factors and responses that no header stands for."""
    # What a sealed batch varies gets its column when the key is opened.
    sealed = {
        name
        for batch in settings.batches
        if batch.sealed
        for term in (*batch.randomised, *batch.terms)
        for name in term.split(":")
    }
    for item in settings.declared:
        sheet = sheets.get(item.table)
        if sheet is None or item.name in sheet.header or is_usual(item.name):
            continue
        if item.name in sealed:
            continue
        near = get_close_matches(item.name, sheet.header, n=1, cutoff=0.6)
        remedy = f"name it '{near[0]}' there" if near else "add the column, or take it out there"
        fault = f"'{item.name}' is declared, but {sheet.file} has no such column"
        yield Fault(DESCRIPTOR, None, item.name, item.name, "warning", fault, remedy)


def _plain(name: str) -> str:
    return "".join(name.split()).casefold()
