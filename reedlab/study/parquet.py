"""Tables as Parquet: for records that are too long for sheets, read and written by pyarrow.

A value becomes the text that it would have in a CSV file, so that the same rules judge it.
What a file claims of itself is bounded before anything is unpacked, and it is read a batch of
rows at a time. Nothing is recorded into Parquet: who records works in CSV.
"""

import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import pandas as pd

from reedlab.errors import RecordError
from reedlab.schema import Table

if TYPE_CHECKING:
    import pyarrow as pa
    from pyarrow.parquet import ParquetFile

ENDING = ".parquet"
#: How every such file begins and ends.
MARK = b"PAR1"
MAX_ROWS = 5_000_000
MAX_COLUMNS = 500
#: Cells of one file: an opened record holds about 100 bytes for each, 1.5 GB at most.
MAX_CELLS = 15_000_000
#: Bytes of all values as the file claims them, and characters of one cell.
MAX_UNPACKED = 500_000_000
MAX_TEXT = 32_767
_BATCH = 50_000
#: Names and settings that a file's own description holds, in bytes and in number.
_MAX_NAMES, _MAX_PARTS = 20_000_000, 1_000_000
#: Different values of a column whose texts are kept, for most columns hold few.
_REMEMBERED = 100_000


class Typed(NamedTuple):
    """One cell: its text, what kind of value it was, and the value behind it."""

    text: str
    kind: str
    value: float | datetime | bool | None


_BLANK = Typed("", "blank", None)


def is_parquet(file: str) -> bool:
    """Say whether a table's file is Parquet, by its name.

    Examples
    --------
    >>> is_parquet("tests.parquet"), is_parquet("tests.csv")
    (True, False)
    """
    return file.lower().endswith(ENDING)


def parquet_records(folder: Path, file: str) -> list[list[str]]:
    """Read a table as texts: its header, then its rows.

    Raises
    ------
    RecordError
        If the file is missing, damaged, holds lists or the like, or more than is read, or
        pyarrow is not installed.
    """
    path = folder / file
    if not path.is_file():
        raise RecordError(f"{file} is missing from the folder {folder}.")
    with opened(file, path) as table:
        header = list(table.schema_arrow.names)
        records = [header]
        for rows in batches(file, table):
            records += ([cell.text for cell in row] for row in rows)
    return records


@contextmanager
def opened(file: str, source: Path | io.BytesIO) -> Iterator["ParquetFile"]:
    """Open a file whose claims are within the bounds; what is wrong with it is one sentence."""
    arrow, parquet = _library(file)
    try:
        with parquet.ParquetFile(
            source,
            thrift_string_size_limit=_MAX_NAMES,
            thrift_container_size_limit=_MAX_PARTS,
            page_checksum_verification=True,
        ) as table:
            _within_bounds(file, table)
            yield table
    except RecordError:
        raise
    # A spoiled file fails wherever its bytes are looked at: as a library's error, a text that is
    # no text, a day outside the calendar, a number too large for it.
    except (arrow.ArrowException, OSError, ValueError, OverflowError, KeyError) as error:
        reason = " ".join(str(error).split())[:80].rstrip(".") or "it ends too early"
        raise RecordError(
            f"{file} is damaged, or no Parquet ({reason}); write or fetch it once more."
        ) from None


def batches(file: str, table: "ParquetFile") -> Iterator[Iterator[tuple[Typed, ...]]]:
    """Read so many rows at a time, each row as its cells."""
    readers = [_Reader(file, field) for field in table.schema_arrow]
    rows = 0
    for batch in table.iter_batches(_BATCH):
        rows += len(batch)
        if rows > table.metadata.num_rows:
            raise _too_much(file, f"the {table.metadata.num_rows:,} rows that it tells of")
        columns = [read(column) for read, column in zip(readers, batch.columns, strict=True)]
        yield zip(*columns, strict=True)
    if rows < table.metadata.num_rows:
        raise ValueError(f"{rows:,} of {table.metadata.num_rows:,} rows are there")


def parquet_bytes(table: Table, frame: pd.DataFrame) -> bytes:
    """Return a table's columns as a Parquet file.

    Raises
    ------
    RecordError
        If pyarrow is not installed.
    """
    arrow, parquet = _library(f"{table.name}{ENDING}")
    kinds = {
        "text": arrow.string(),
        "number": arrow.float64(),
        "integer": arrow.int64(),
        "boolean": arrow.bool_(),
        "date": arrow.date32(),
        "datetime": arrow.timestamp("us"),
    }
    schema = arrow.schema([(column.name, kinds[column.type]) for column in table.columns])
    packed = io.BytesIO()
    with parquet.ParquetWriter(
        packed, schema, compression="zstd", write_page_checksum=True
    ) as writer:
        for start in range(0, max(len(frame), 1), 2 * _BATCH):
            part = frame.iloc[start : start + 2 * _BATCH]
            arrays = [
                arrow.Array.from_pandas(part[field.name], type=field.type) for field in schema
            ]
            writer.write_table(arrow.Table.from_arrays(arrays, schema=schema))
    return packed.getvalue()


def _library(file: str) -> tuple[Any, Any]:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise RecordError(
            f"{file} is Parquet, which needs pyarrow: pip install 'reedlab[parquet]'."
        ) from None
    return pyarrow, pyarrow.parquet


def _within_bounds(file: str, table: "ParquetFile") -> None:
    told = table.metadata
    if told.num_rows > MAX_ROWS:
        raise _too_much(file, f"{MAX_ROWS:,} rows")
    if told.num_columns > MAX_COLUMNS:
        raise _too_much(file, f"{MAX_COLUMNS} columns")
    if told.num_rows * told.num_columns > MAX_CELLS:
        raise _too_much(file, f"{MAX_CELLS:,} cells")
    unpacked = sum(told.row_group(place).total_byte_size for place in range(told.num_row_groups))
    if not 0 <= unpacked <= MAX_UNPACKED:
        raise _too_much(file, f"{MAX_UNPACKED / 1e6:,.0f} MB of values")


class _Reader:
    """Cells of one column; texts of values that come again are kept."""

    def __init__(self, file: str, field: "pa.Field") -> None:
        from pyarrow import types

        kind = field.type.value_type if types.is_dictionary(field.type) else field.type
        self._file, self._name = file, field.name
        self._known: dict[Any, Typed] = {}
        # A time is read with its microseconds and no finer, or refused.
        self._as: str | None = "timestamp[us]" if types.is_timestamp(kind) else None
        self._cell = self._cell_of(kind)

    def __call__(self, column: "pa.Array") -> list[Typed]:
        values = (column.cast(self._as) if self._as else column).to_pylist()
        if len(self._known) > _REMEMBERED:
            self._known.clear()
        known = self._known
        for value in set(values) - known.keys():
            known[value] = _BLANK if value is None or value != value else self._cell(value)
        return [known[value] if value == value else _BLANK for value in values]

    def _cell_of(self, kind: Any) -> Callable[[Any], Typed]:
        from pyarrow import types

        if types.is_string(kind) or types.is_large_string(kind) or types.is_string_view(kind):
            return self._text
        if types.is_boolean(kind):
            return lambda value: Typed("true" if value else "false", "bool", value)
        if types.is_integer(kind):
            return lambda value: Typed(str(value), "number", float(value))
        if types.is_floating(kind):
            return lambda value: Typed(_number_text(value), "number", value)
        if types.is_decimal(kind):
            return lambda value: Typed(f"{value:f}", "number", float(value))
        if types.is_date(kind) or (types.is_timestamp(kind) and kind.tz is None):
            return _moment
        if types.is_null(kind):
            return lambda _value: _BLANK
        told = "times with a time zone" if types.is_timestamp(kind) else f"values of type {kind}"
        raise RecordError(
            f"{self._file}, column '{self._name}', holds {told}; read are texts, numbers, "
            "yes or no, days, and times without a zone."
        )

    def _text(self, value: str) -> Typed:
        if len(value) > MAX_TEXT:
            raise _too_much(self._file, f"{MAX_TEXT:,} characters in a cell of '{self._name}'")
        return Typed(value, "text" if value.strip() else "blank", None)


def _number_text(value: float) -> str:
    """Return a number as typed: whole ones without a point, for they may be ids or counts."""
    return f"{value:.0f}" if value.is_integer() and abs(value) < 1e15 else repr(value)


def _moment(value: date) -> Typed:
    if not isinstance(value, datetime):
        return Typed(value.isoformat(), "date", datetime(value.year, value.month, value.day))
    if value == datetime(value.year, value.month, value.day):
        return Typed(f"{value:%Y-%m-%d}", "date", value)
    text = value.isoformat(" ")
    return Typed(text.removesuffix(":00"), "date", value)


def _too_much(file: str, what: str) -> RecordError:
    return RecordError(f"{file} holds more than {what}, which is more than is read.")
