"""A study in memory: settings, typed tables, the text they were read from, faults.

Each table's index is named "row" and holds the row number as a spreadsheet shows it:
the header is row 1, the first record row 2.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Self, TypeVar

import pandas as pd

from reedlab.errors import CallError, unknown_name
from reedlab.schema import Factor, Response, Table
from reedlab.study.faults import Fault, Faults
from reedlab.study.lock import write_protected
from reedlab.study.parquet import is_parquet
from reedlab.study.settings import Settings
from reedlab.study.sheets import Sheet

if TYPE_CHECKING:
    from reedlab.study.looks import Log
    from reedlab.study.plans import Plan

Item = TypeVar("Item", Factor, Response)
#: The column of every table of a pool that says whose row it is.
MAKER = "maker_id"


@dataclass(frozen=True, eq=False, repr=False)
class Study:
    """One study.

    Attributes
    ----------
    folder : Path
        Where it lies.
    title : str
    settings : Settings
        Instrument, tuning, crow target, factors, responses, protocol, batches.
    tables : mapping of str to pandas.DataFrame
        By name; text as ``str``, numbers as float64, whole numbers as Int64, true and
        false as boolean, days and times as datetime64. Missing is missing. ``reeds``
        has the column ``kept`` wherever it has a ``fate``: true if kept, false if
        discarded, else missing. They are read, never changed: what is found in them is kept.
    schema : mapping of str to Table
        The columns that each file has, with type, unit, bounds and levels.
    sheets : mapping of str to Sheet
        The files as typed.
    reading : tuple of Fault
        What was found wrong while reading.
    for_reading : bool
        Whether it was opened to be read only; then nothing is written to it.
    told : tuple of str
        Of a pool, what differs between its studies without being a clash: columns that only
        some have, cells that stay out.
    """

    folder: Path
    title: str
    settings: Settings
    tables: Mapping[str, pd.DataFrame]
    schema: Mapping[str, Table]
    sheets: Mapping[str, Sheet]
    reading: tuple[Fault, ...]
    for_reading: bool = False
    told: tuple[str, ...] = ()

    @property
    def in_parquet(self) -> bool:
        """Whether a table of it lies in a Parquet file."""
        return any(is_parquet(sheet.file) for sheet in self.sheets.values())

    @property
    def read_only(self) -> str:
        """Why nothing can be written to it; empty if it can."""
        if self.for_reading:
            return "it was opened read-only"
        if self.in_parquet:
            return "its tables are Parquet, which is for reading; record in CSV"
        return write_protected(self.folder) if self.folder.is_dir() else ""

    @property
    def factors(self) -> tuple[Factor, ...]:
        """The declared factors that are recorded."""
        return self._recorded(self.settings.factors)

    @property
    def responses(self) -> tuple[Response, ...]:
        """The declared responses that are recorded."""
        return self._recorded(self.settings.responses)

    def factor(self, name: str) -> Factor:
        """Return the recorded factor of that name, or say which are near."""
        return self._named("factor", name, self.settings.factors)

    def response(self, name: str) -> Response:
        """Return the recorded response of that name, or say which are near."""
        return self._named("response", name, self.settings.responses)

    def tuning_hz(self, session_id: str | None) -> float:
        """Return A4 of a session as it was recorded; where it was not, that of the study."""
        sessions = self.tables.get("sessions", pd.DataFrame())
        if not {"session_id", "a4_hz"} <= set(sessions):
            return self.settings.a4_hz
        own = sessions.loc[sessions["session_id"] == session_id, "a4_hz"].dropna()
        return float(own.iloc[0]) if len(own) else self.settings.a4_hz

    @cached_property
    def faults(self) -> Faults:
        """Everything in the record that is wrong or should be looked at."""
        from reedlab.study.check import check_study  # its rules are slow to import

        return check_study(self)

    @cached_property
    def log(self) -> "Log":
        """What was looked at in this study so far; each analysis adds its tests."""
        from reedlab.study.looks import Log  # it writes, and writing opens studies

        return Log(None if self.settings.invented else self.folder, self.for_reading)

    def check(self) -> Faults:
        """Return every fault of the record at once.

        Returns
        -------
        Faults
            With the columns file, row, column, value, severity, fault and remedy.
        """
        return self.faults

    @property
    def makers(self) -> tuple[str, ...]:
        """The makers of a pool, in the order met; of one maker's own study none is named."""
        reeds = self.tables.get("reeds", pd.DataFrame())
        return tuple(reeds[MAKER].dropna().unique()) if MAKER in reeds else ()

    def of(self, maker: str) -> Self:
        """Return the part of a pool that is one maker's, in the pool's units and words.

        Raises
        ------
        CallError
            For a maker that is not in the pool.
        """
        if maker not in self.makers:
            raise unknown_name("maker", maker, self.makers)
        own = {name: frame[frame[MAKER] == maker] for name, frame in self.tables.items()}
        return replace(self, title=maker, tables=own)

    def table_of(self, file: str) -> str | None:
        """Return the table that a file holds, if it holds one."""
        return {sheet.file: table for table, sheet in self.sheets.items()}.get(file)

    def traced(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Return rows (columns file, row) as they stand; those of a pool in their own files."""
        return rows

    def plan(self, batch_id: str) -> "Plan":
        """Read what is to be made and tested in a batch; its key stays sealed.

        Parameters
        ----------
        batch_id : str

        Returns
        -------
        Plan
            With the tables making, testing and made.

        Raises
        ------
        CallError
            If there is no such batch, or it has no plan in this study.
        RecordError
            If a file of the plan cannot be read.
        """
        from reedlab.study.plans import read_plan

        return read_plan(self, batch_id)

    def labels(self, batch_id: str) -> pd.DataFrame:
        """Read the key of a batch, to label its reeds, or to know its plan once it is opened.

        Whoever judges the reeds should not see it.

        Parameters
        ----------
        batch_id : str

        Returns
        -------
        pandas.DataFrame
            place, blind_code.

        Raises
        ------
        CallError
            If there is no such batch, or it has no key.
        """
        from reedlab.study.plans import read_labels

        return read_labels(self, batch_id)

    def record(self, path: str | PathLike[str]) -> "Study":
        """Record a filled sheet: making, sessions or testing, told by its header.

        Nothing is filled in that was not typed, and a row without a filled box is not
        done yet. Rows that were recorded before are skipped if they say the same.

        Parameters
        ----------
        path : path
            The sheet, saved as CSV.

        Returns
        -------
        Study
            Opened again. :func:`reedlab.study.record_sheet` also counts the rows.

        Raises
        ------
        RecordError
            Listing every fault of the sheet; nothing is written then.
        """
        from reedlab.study.recording import record_sheet

        return record_sheet(self, path).study

    def undo(self) -> "Study":
        """Take back the last addition: a recorded sheet, measured numbers, a plan.

        The journal notes it like any other change. Taken back again, the addition before
        it goes, and so on. The opening of a key stays, for its levels have been seen.

        Returns
        -------
        Study
            Opened again. :func:`reedlab.study.undo` also says what was taken back.

        Raises
        ------
        RecordError
            If there is nothing to take back, or what was added was changed by hand since.
            Nothing is written then.
        """
        from reedlab.study.undoing import undo

        return undo(self).study

    def unblind(self, batch_id: str, on: date | str | None = None) -> "Study":
        """Open the key of a batch and write down what each reed really was.

        Reeds get tube_id, piece, their levels as made, made_on and minutes_spent, tubes
        and lots the levels that were given to the whole of them; lost places get the
        fate "lost". The day stands in the batch's record from then on, beside how many
        reeds were made otherwise than planned.

        Parameters
        ----------
        batch_id : str
        on : datetime.date or str, optional
            The day, ``2026-03-04``; today if left out.

        Returns
        -------
        Study
            Opened again.

        Raises
        ------
        CallError
            If there is no such batch, or it was opened before or never sealed.
        RecordError
            If a place is not recorded as made yet, or a cell says something else already.
        """
        from reedlab.study.unblinding import unblind

        return unblind(self, batch_id, on)

    def _recorded(self, items: Sequence[Item]) -> tuple[Item, ...]:
        return tuple(item for item in items if item.name in self.tables.get(item.table, ()))

    def _named(self, kind: str, name: str, declared: Sequence[Item]) -> Item:
        for item in declared:
            if item.name == name:
                if item.name in self.tables.get(item.table, ()):
                    return item
                raise CallError(
                    f"The {kind} '{name}' is declared, but the table '{item.table}' has no "
                    "such column."
                )
        raise unknown_name(kind, name, [item.name for item in self._recorded(declared)])

    def __repr__(self) -> str:
        sizes = ", ".join(f"{len(table)} {name}" for name, table in self.tables.items())
        reason = self.read_only
        return f"<Study '{self.title}': {sizes}{reason and f'; read-only: {reason}'}>"
