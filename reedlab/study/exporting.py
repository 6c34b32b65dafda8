"""Tables that leave the record for a spreadsheet: no cell becomes a formula there.

A spreadsheet reads a cell that begins with =, +, - or @ as a formula, which may fetch or run
something. In what is written for spreadsheets (findings, bench sheets) such a text gets an
apostrophe before it; a number with or without its unit stays as it is. The files of a study
are its record and keep every cell as typed.
"""

import re
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

#: What begins a formula, in the wide forms of East Asian keyboards too.
_MARKS = "=+-@＝＋－＠"
#: A number, and at most one word for its unit: +20, -1.5, -1,5, 2e-3, +0.05 mm, -15 %.
_NUMBER = re.compile(r"[+-](\d[\d.,]*|[.,]\d+)([eE][+-]?\d+)?( ?[^\W\d_]+| ?[%°])?")


def harmless(text: str) -> str:
    """Return a cell so that no spreadsheet takes it for a formula.

    A cell that begins with the apostrophe already gets another, so that each comes back.

    Examples
    --------
    >>> [harmless(text) for text in ("=1+1", "@cmd", "- soft", "-1.5", "+0.05 mm", "thin")]
    ["'=1+1", "'@cmd", "'- soft", '-1.5', '+0.05 mm', 'thin']
    """
    return f"'{text}" if _computes(text.lstrip("'")) else text


def as_meant(text: str) -> str:
    """Return a cell that came back from a spreadsheet, without the apostrophe it was given.

    Examples
    --------
    >>> [as_meant(text) for text in ("'=1+1", "'s", "-1.5")]
    ['=1+1', "'s", '-1.5']
    """
    return text[1:] if text.startswith("'") and _computes(text.lstrip("'")) else text


def export_table(table: "pd.DataFrame", path: Path) -> None:
    """Write a table as CSV for a spreadsheet, with the mark without which accents are garbled.

    Examples
    --------
    >>> import tempfile
    >>> import pandas as pd
    >>> path = Path(tempfile.mkdtemp()) / "faults.csv"
    >>> export_table(pd.DataFrame({"value": ["=1+1", "-1"], "change": [-1.5, 2.0]}), path)
    >>> path.read_text("utf-8-sig").split()
    ['value,change', "'=1+1,-1.5", '-1,2.0']
    """
    safe = table.map(lambda cell: harmless(cell) if isinstance(cell, str) else cell)
    safe.columns = [harmless(str(name)) for name in table.columns]
    safe.to_csv(path, index=False, encoding="utf-8-sig")


def _computes(text: str) -> bool:
    begun = text.lstrip()
    return begun[:1] in {*_MARKS} and not _NUMBER.fullmatch(begun)
