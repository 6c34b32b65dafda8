"""The log of what was looked at in a study, to which every analysis adds its tests.

It is the file ``looks.csv`` in the study's folder, a row a test, in the order asked and
without the hour, so that the same questions give the same bytes. What is asked again of
the same rows counts once; asked of other rows, or beside other factors, it is another
look. An invented study is asked the same by everybody who tries it, often in a folder
that is shared, so its log lives as long as it is opened and is not written. The log is
never a reason for an analysis to fail: what cannot be written is kept with the opened
study, and what cannot be read is named and left as it is.
"""

from collections.abc import Iterable
from dataclasses import dataclass, fields
from pathlib import Path

import pandas as pd

from reedlab.errors import RecordError
from reedlab.schema import Column
from reedlab.study.cells import Bad, type_column
from reedlab.study.exporting import as_meant, harmless
from reedlab.study.files import replace_file
from reedlab.study.lock import alone
from reedlab.study.sheets import Sheet, read_sheet
from reedlab.study.writing import csv_lines

LOG = "looks.csv"
#: Grades of evidence; empty where nothing was tested.
GRADES = ("randomised", "observed", "exploratory", "")
#: So many damaged rows are told one by one.
TOLD = 3


@dataclass(frozen=True)
class Look:
    """One test that somebody has seen.

    Attributes
    ----------
    asked : str
        The question: name of its function, and what it was asked with.
    response, term, contrast : str
        What was tested for which term; the contrast only where each has a test of its own.
    finding : str
        The effect in words, with unit, interval and units; empty if the test has none.
    evidence : str
        Its grade when it was asked.
    p_value : float or None
        Written with six digits, so that another machine's last digits are no other look.
    factors : str
        All terms that were examined together.
    rows_used : int
        Rows of the record that it rests on.
    version : str
        Of reedlab.
    """

    asked: str
    response: str
    term: str
    contrast: str
    finding: str
    evidence: str
    p_value: float | None
    factors: str
    rows_used: int
    version: str

    @property
    def question(self) -> tuple[str, str, str]:
        """What one call asks."""
        return self.asked, self.response, self.factors

    @property
    def test(self) -> tuple[str, ...]:
        """What is tested, however often it was looked at."""
        return *self.question, self.term, self.contrast

    @property
    def cells(self) -> dict[str, str]:
        """Its row of the file, by column."""
        p_value = "" if self.p_value is None else f"{self.p_value:.6g}"
        written = {**self.__dict__, "p_value": p_value}
        return {name: harmless(str(written[name])) for name in COLUMNS}

    @property
    def identity(self) -> tuple[str, ...]:
        """What makes it another look: all but the words for it."""
        words = ("finding", "evidence", "version")
        return tuple(cell for name, cell in self.cells.items() if name not in words)


COLUMNS = tuple(field.name for field in fields(Look))
#: Those that are read as they stand.
WORDS = tuple(name for name in COLUMNS if name not in ("p_value", "rows_used"))


class Log:
    """All looks at one opened study.

    Parameters
    ----------
    folder : Path or None
        Where the file is to be; None keeps the log in memory.
    for_reading : bool
        Whether the file is read only, and not written.

    Examples
    --------
    >>> log = Log(None)
    >>> look = Look("drivers", "crow", "shape", "", "", "observed", 0.03, "shape", 24, "0.3.0")
    >>> log.add([look, look])
    >>> [seen.term for seen in log.looks]
    ['shape']
    """

    def __init__(self, folder: Path | None, for_reading: bool = False) -> None:
        self._folder = folder
        self._for_reading = for_reading
        self._held: dict[tuple[str, ...], Look] = {}
        self._unwritten = ""

    @property
    def looks(self) -> tuple[Look, ...]:
        """Every look once, in the order asked."""
        written, _ = self._read()
        return tuple((written | self._held).values())

    @property
    def cautions(self) -> tuple[str, ...]:
        """What is wrong with the file and what would be right, or why it is not written."""
        _, damage = self._read()
        # A file that cannot be read is not written either, for the same reason.
        return tuple(text for text in (damage or self._unwritten,) if text)

    def add(self, looks: Iterable[Look]) -> None:
        """Add those that are new; the file is read first, for others may have added to it."""
        written, _ = self._read()
        for look in looks:
            if look.identity not in written:
                self._held.setdefault(look.identity, look)
        if self._folder is None or self._for_reading or not self._held:
            return
        try:
            with alone(self._folder):
                self._append(self._folder)
        except RecordError as error:
            self._unwritten = f"What was looked at is counted only while the study is open: {error}"
        else:
            self._held, self._unwritten = {}, ""

    def _append(self, folder: Path) -> None:
        """Append what is held to the file; rows that stand there stay as they are."""
        written, _ = self._read()
        fresh = [look.cells for name, look in self._held.items() if name not in written]
        if not fresh:
            return
        path, before, header = folder / LOG, csv_lines([COLUMNS]).encode("utf-8-sig"), COLUMNS
        if path.exists():
            header, before = _sheet(folder).header, path.read_bytes()
        lines = csv_lines([row.get(name, "") for name in header] for row in fresh)
        replace_file(path, before.removesuffix(b"\n") + b"\n" + lines.encode("utf-8"))

    def _read(self) -> tuple[dict[tuple[str, ...], Look], str]:
        """Return the looks in the file, and what is wrong with it."""
        if self._folder is None or not (self._folder / LOG).exists():
            return {}, ""
        try:
            sheet = _sheet(self._folder)
        except RecordError as error:
            return {}, f"What was looked at before cannot be counted: {error}"
        looks, faults = _looks(sheet)
        return {look.identity: look for look in looks}, _told(faults)


def _sheet(folder: Path) -> Sheet:
    """Read the file.

    Raises
    ------
    RecordError
        If it is no CSV file with the columns of the log.
    """
    sheet = read_sheet(folder, LOG)
    absent = [name for name in COLUMNS if name not in sheet.header]
    if absent:
        raise RecordError(
            f"{LOG} lacks the column '{absent[0]}'; its header must hold {', '.join(COLUMNS)}. "
            "Mend it, or move it away to begin anew."
        )
    return sheet


def _looks(sheet: Sheet) -> tuple[list[Look], dict[int, str]]:
    """Return the looks of a sheet, and by row what is wrong with the others."""
    faults = {f.row: f"{f.fault}; {f.remedy}" for f in sheet.faults if f.row}
    p_values, bad_p = type_column(sheet.column("p_value"), Column("p_value", "number"))
    counts, bad_counts = type_column(sheet.column("rows_used"), Column("rows_used", "integer"))
    looks = []
    for place, number in enumerate(sheet.numbers):
        p_value, rows_used = p_values.iloc[place], counts.iloc[place]
        bad = bad_p.get(place) or bad_counts.get(place)
        if bad is None and not (pd.isna(p_value) or 0 <= p_value <= 1):
            bad = Bad(f"the p_value {p_value:g} is none", "write a number from 0 to 1")
        grade = sheet.cell(number, "evidence")
        if bad is None and grade not in GRADES:
            bad = Bad(f"there is no grade of evidence '{grade}'", f"write {', '.join(GRADES[:3])}")
        if bad is None and pd.isna(rows_used):
            bad = Bad("rows_used is empty", "write how many rows were used")
        if bad is not None:
            faults[number] = f"{bad.fault}; {bad.remedy}"
            continue
        words = {name: as_meant(sheet.cell(number, name)) for name in WORDS}
        tested = None if pd.isna(p_value) else float(p_value)
        looks.append(Look(**words, p_value=tested, rows_used=int(rows_used)))
    return looks, faults


def _told(faults: dict[int, str]) -> str:
    if not faults:
        return ""
    rows = sorted(faults)
    told = ". ".join(f"{LOG} row {row}: {faults[row]}" for row in rows[:TOLD])
    more = f", and {len(rows) - TOLD} more rows" if len(rows) > TOLD else ""
    return f"Not counted among what was looked at: {told}{more}."
