"""Writing a study: CSV files that open well in a spreadsheet, or Parquet, beside a descriptor.

Files are UTF-8 with a byte order mark, without which common spreadsheets garble
accents and flats. Each file is written under another name first and then renamed; the
descriptor comes last, so that what is half written is no study yet.
"""

import csv
import os
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd

from reedlab.errors import CallError, RecordError, unknown_name
from reedlab.schema import Column, Table, tables_for
from reedlab.study.cells import type_column
from reedlab.study.declared import with_declarations
from reedlab.study.descriptor import DESCRIPTOR, descriptor_text
from reedlab.study.faults import refusal
from reedlab.study.files import replace_files
from reedlab.study.folder import open_study
from reedlab.study.intent import sweep
from reedlab.study.parquet import ENDING, parquet_bytes
from reedlab.study.resources import Resource
from reedlab.study.settings import Settings, default_settings
from reedlab.study.study import Study


def new_study(
    folder: str | os.PathLike[str], instrument: str = "bassoon", title: str = ""
) -> Study:
    """Start an empty study: a descriptor and one file a table, with headers only.

    Parameters
    ----------
    folder : path
        Must not exist yet or be empty.
    instrument : str
        As in :data:`reedlab.schema.INSTRUMENTS`; decides staple columns and bounds.
    title : str, optional
        The folder's name if left out.

    Returns
    -------
    Study

    Raises
    ------
    CallError
        For an unknown instrument.
    RecordError
        If the folder holds something already or cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> study = new_study(Path(tempfile.mkdtemp()) / "autumn")
    >>> study.title, list(study.tables)[:3]
    ('autumn', ['lots', 'tubes', 'reeds'])
    """
    tables = {
        table.name: pd.DataFrame(columns=list(table.names)) for table in tables_for(instrument)
    }
    return write_study(folder, tables, default_settings(instrument), title)


def write_study(
    folder: str | os.PathLike[str],
    tables: Mapping[str, pd.DataFrame],
    settings: Settings,
    title: str = "",
) -> Study:
    """Write tables as a new study and open it.

    Parameters
    ----------
    folder : path
        Must not exist yet or be empty.
    tables : mapping of str to pandas.DataFrame
        By the names of the schema; only those that are recorded, each with only the
        columns that are recorded. The derived ``kept`` is not written beside ``fate``.
    settings : Settings
        Declares the maker's own factors and responses.
    title : str, optional
        The folder's name if left out.

    Returns
    -------
    Study

    Raises
    ------
    CallError
        For an unknown table, a table without its first key column, or values that
        their column cannot hold; all at once.
    RecordError
        If the folder holds something already or cannot be written.
    """
    path = Path(folder)
    known = {table.name: table for table in tables_for(settings.instrument)}
    for name in tables:
        if name not in known:
            raise unknown_name("table", name, known)
    texts: dict[str, str] = {}
    present: list[Table] = []
    problems: list[str] = []
    for name, table in known.items():
        if name in tables:
            fitted = _fitted(table, tables[name], settings, problems)
            present.append(fitted)
            texts[fitted.file] = _csv_text(fitted, tables[name], problems)
    if problems:
        raise CallError("\n".join(problems))
    label = path.resolve().name
    texts[DESCRIPTOR] = descriptor_text(label, title or label, settings, present)
    # The descriptor comes last: what is half written is no study yet.
    encodings = {file: "utf-8" if file == DESCRIPTOR else "utf-8-sig" for file in texts}
    contents = {file: text.encode(encodings[file]) for file, text in texts.items()}
    _make_room(path, contents)
    replace_files(path, contents)
    return open_study(path)


def write_parquet(study: Study, folder: str | os.PathLike[str]) -> Study:
    """Write a study, or a pool, as Parquet tables to a new folder: for over 100,000 rows.

    What is written can be opened, checked and asked like any study, and is read only: who
    records works in CSV. Of a pool each row keeps its maker, and is numbered anew.

    Parameters
    ----------
    study : Study
        Without cells that could not be read.
    folder : path
        Must not exist yet or be empty.

    Returns
    -------
    Study
        Opened from there.

    Raises
    ------
    RecordError
        If a cell or row could not be read, for its text would be lost; if the folder holds
        something already or cannot be written; if pyarrow is not installed.

    Examples
    --------
    >>> import tempfile
    >>> from reedlab.demo import example_study
    >>> again = write_parquet(example_study("batch"), Path(tempfile.mkdtemp()) / "batch")
    >>> again.read_only
    'its tables are Parquet, which is for reading; record in CSV'
    """
    lost = [fault for fault in study.reading if fault.severity == "error"]
    if lost:
        raise refusal(f"{study.title} cannot be written as Parquet:", lost)
    path = Path(folder)
    contents: dict[str, bytes] = {}
    present: list[Table] = []
    for name, frame in study.tables.items():
        whole, typed = study.schema[name], study.sheets[name].header
        columns = [column for column in whole.columns if column.name in typed]
        present.append(Table(name, whole.key, columns, whole.references))
        contents[f"{name}{ENDING}"] = parquet_bytes(present[-1], frame)
    label = path.resolve().name
    text = descriptor_text(
        label, study.title, study.settings, present, parquet=True, told=study.told
    )
    contents[DESCRIPTOR] = text.encode()
    _make_room(path, contents)
    replace_files(path, contents)
    return open_study(path)


def csv_lines(rows: Iterable[Sequence[str]]) -> str:
    """Return rows as CSV with plain line feeds, which version control shows best.

    Examples
    --------
    >>> csv_lines([["reed_id", "note"], ["R1", "thin, soft"]]).splitlines()
    ['reed_id,note', 'R1,"thin, soft"']
    """
    lines: list[str] = []
    # The writer quotes a cell only for the line ends that it writes itself, and a lone
    # carriage return needs quotes too.
    writer = csv.writer(SimpleNamespace(write=lines.append), lineterminator="\r\n")
    writer.writerows(rows)
    return "".join(line.removesuffix("\r\n") + "\n" for line in lines)


def _make_room(path: Path, contents: Mapping[str, bytes]) -> None:
    """Make the folder; one in which the same study was begun and cut off is gone on with."""
    if path.exists() and not path.is_dir():
        raise RecordError(f"{path} is a file; a study needs a folder.")
    if (path / DESCRIPTOR).exists():
        raise RecordError(f"{path} holds a study already; choose another folder.")
    try:
        path.mkdir(parents=True, exist_ok=True)
        others = [
            entry.name
            for entry in path.iterdir()
            if not entry.name.startswith(".")
            and not (entry.is_file() and entry.read_bytes() == contents.get(entry.name))
        ]
        if others:
            raise RecordError(
                f"{path} is not empty (it holds {min(others)}); choose another folder."
            )
        sweep(path)
    except OSError as error:
        raise RecordError(f"{path} cannot be made: {error.strerror}.") from None


def _fitted(base: Table, frame: pd.DataFrame, settings: Settings, problems: list[str]) -> Table:
    """Return the table with the columns that the frame has, in the frame's order."""
    key = tuple(name for name in base.key if name in frame)
    if base.key[0] not in frame:
        problems.append(f"The table '{base.name}' lacks the column '{base.key[0]}'.")
    declared = with_declarations(Resource(base, base.file, (), frozenset({""})), settings).table
    names = [str(name) for name in frame.columns]
    if "fate" in names and "kept" in names:
        names.remove("kept")
    columns = [
        declared.column(name) if name in declared.names else _column_of(name, frame[name])
        for name in names
    ]
    references = {name: table for name, table in base.references.items() if name in names}
    return Table(base.name, key, columns, references)


def _column_of(name: str, values: pd.Series) -> Column:
    """Return a column that nothing declares, with the type of its values."""
    if pd.api.types.is_bool_dtype(values):
        return Column(name, "boolean")
    if pd.api.types.is_numeric_dtype(values):
        return Column(name, "number")
    if pd.api.types.is_datetime64_any_dtype(values):
        return Column(name, "datetime")
    return Column(name)


def _csv_text(table: Table, frame: pd.DataFrame, problems: list[str]) -> str:
    cells = []
    for column in table.columns:
        texts = [cell_text(value, column.type) for value in frame[column.name]]
        _, bad = type_column(texts, column)
        problems.extend(
            f"{table.file}, column '{column.name}', record {place + 1}: {reason.fault}."
            for place, reason in bad.items()
        )
        cells.append(texts)
    return csv_lines([table.names, *zip(*cells, strict=True)])


def cell_text(value: Any, kind: str) -> str:
    """Return a value as it is typed in a sheet; what is missing as the empty cell.

    Examples
    --------
    >>> cell_text(1.30, "number"), cell_text(None, "text"), cell_text(True, "boolean")
    ('1.3', '', 'true')
    """
    if pd.isna(value):
        return ""
    if kind == "boolean":
        return {True: "true", False: "false"}.get(value, str(value))
    if kind == "integer" and float(value).is_integer():
        return str(int(value))
    if kind == "number" and not isinstance(value, str):
        return repr(float(value))
    if isinstance(value, datetime):
        if kind == "date":
            return f"{value:%Y-%m-%d}"
        return f"{value:%Y-%m-%d %H:%M:%S}" if value.second else f"{value:%Y-%m-%d %H:%M}"
    return value.isoformat() if isinstance(value, date) else str(value)
