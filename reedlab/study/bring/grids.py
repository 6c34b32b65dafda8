"""From the bytes of an old sheet to cells, whatever its name says it is.

What a file is, is told by what it holds. Files that cannot be read say what to do: save
as .xlsx. Nothing of a cell is interpreted here (`values/` does that) and nothing written.
"""

import gc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from reedlab.errors import RecordError
from reedlab.study.bring.grid import Cell, Grid
from reedlab.study.bring.zip_parts import ZipParts, locked
from reedlab.study.parquet import MARK

__all__ = ["Cell", "Grid", "read_grids"]

#: Bytes of a file.
MAX_FILE = 50_000_000
_AGAIN = "open it in a spreadsheet and save it as .xlsx"
#: How files begin that are often taken for sheets, and what they are.
_OTHERS = (
    (b"%PDF", "a PDF"),
    (b"{\\rtf", "a text document"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"\x1f\x8b", "a packed file"),
    (b"7z\xbc\xaf", "a packed file"),
    (b"Rar!", "a packed file"),
)
_OLD = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_MIMETYPE_ODS = b"application/vnd.oasis.opendocument.spreadsheet"


def read_grids(
    path: str | Path,
    progress: Callable[[int, int], None] | None = None,
    *,
    encoding: str = "",
) -> tuple[Grid, ...]:
    r"""Read all sheets of an XLSX, ODS, CSV, TSV or Parquet file into grids of cells.

    Parameters
    ----------
    path : path
        Of the file; its ending does not matter.
    progress : callable, optional
        Called with how many bytes were read, and of how many, for a progress bar.
    encoding : str, optional
        Of a text file, e.g. ``"cp1252"``, where the one found is wrong.

    Returns
    -------
    tuple of Grid
        In the order of the file; hidden sheets are named and have no rows.

    Raises
    ------
    RecordError
        If the file is missing, empty, damaged, locked, no sheet, or holds more than is
        read (50 MB, a million cells).

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "spring.csv"
    ...     _ = path.write_text("Rohr;Höhlung\n007;1,30\n", "cp1252")
    ...     grid = read_grids(path)[0]
    >>> grid.how, [cell.text for cell in grid.rows[1]]
    ('CP1252, separated by ;', ['007', '1,30'])
    """
    path = Path(path)
    data = _bytes(path)
    tell = progress or (lambda _done, _of: None)
    with _collector_at_rest():
        if data.startswith(b"PK\x03\x04"):
            return _zipped(path.name, data, tell)
        if data.startswith(MARK):
            from reedlab.study.bring.grid_parquet import parquet_grid

            return (parquet_grid(path, data, tell),)
        _refuse_others(path.name, data)
        from reedlab.study.bring.grid_text import text_grid

        return (text_grid(path, data, tell, encoding),)


@contextmanager
def _collector_at_rest() -> Iterator[None]:
    """Stop the search for cycles: cells form none, and looking at each takes half the time."""
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


def _bytes(path: Path) -> bytes:
    name = path.name or str(path)
    try:
        if path.is_dir():
            raise RecordError(f"{name} is a folder; name the sheet in it.")
        size = path.stat().st_size
        if size > MAX_FILE:
            raise RecordError(
                f"{name} has {size / 1e6:,.0f} MB, and {MAX_FILE / 1e6:.0f} MB are read at most; "
                "save the rows that are to be brought in as a file of their own."
            )
        data = path.read_bytes()
    except FileNotFoundError:
        raise RecordError(f"There is no file {path}.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise RecordError(f"{name} cannot be read: {reason}.") from None
    if not data.strip():
        raise RecordError(f"{name} is empty.")
    return data


def _zipped(file: str, data: bytes, tell: Callable[[int, int], None]) -> tuple[Grid, ...]:
    parts = ZipParts(file, data)
    if parts.head("mimetype", 100).startswith(_MIMETYPE_ODS) or (
        "content.xml" in parts and "[Content_Types].xml" not in parts
    ):
        from reedlab.study.bring.grid_ods import ods_grids

        return ods_grids(file, parts, tell)
    if "xl/workbook.bin" in parts:
        raise RecordError(f"{file} is a binary workbook; {_AGAIN}.")
    if "[Content_Types].xml" in parts and not parts.any_in("word/", "ppt/"):
        from reedlab.study.bring.grid_xlsx import xlsx_grids

        return xlsx_grids(file, parts, tell)
    raise RecordError(f"{file} is a packed file without a sheet in it; {_AGAIN}.")


def _refuse_others(file: str, data: bytes) -> None:
    """Say of what is neither a sheet nor plain text what it is and what to do."""
    if data.startswith(_OLD):
        if "EncryptedPackage".encode("utf-16-le") in data:
            raise locked(file)
        raise RecordError(f"{file} is in the old .xls format; {_AGAIN}.")
    for beginning, what in _OTHERS:
        if data.startswith(beginning):
            raise RecordError(f"{file} is {what}, no sheet; {_AGAIN}.")
    head = data[:2000].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if head.startswith((b"<!doctype html", b"<html", b"<table", b"<?xml")):
        raise RecordError(f"{file} is a page or document of tags, no sheet; {_AGAIN}.")
