"""A filled sheet on its way into the record: typed cells, and all faults found so far.

The rules are those of the record's own check, applied before anything is written. Rows
are counted from 0 here and told as the spreadsheet numbers them.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from reedlab.errors import CallError, RecordError, listed
from reedlab.schema import Column, Table
from reedlab.study.cells import type_column
from reedlab.study.faults import Fault, collect, refusal
from reedlab.study.plans import Plan, alike, read_plan, records
from reedlab.study.rules import bounds_and_levels, spellings
from reedlab.study.sheets import read_filled_sheet
from reedlab.study.study import Study


class Tally(NamedTuple):
    """How many rows of a sheet were recorded, were recorded before, and are not done yet."""

    added: int
    known: int
    waiting: int
    fates: int = 0


class Filled:
    """One filled sheet.

    Parameters
    ----------
    path : Path

    Raises
    ------
    RecordError
        If it cannot be read at all, or holds no row.
    """

    def __init__(self, path: Path) -> None:
        self.sheet = read_filled_sheet(path)
        self.faults = [fault for fault in self.sheet.faults if fault.severity == "error"]
        if not self.sheet.rows and not self.faults:
            raise RecordError(f"{self.sheet.file} holds no row below its header.")

    @property
    def rows(self) -> range:
        """The rows, counted from 0."""
        return range(len(self.sheet.rows))

    def cell(self, row: int, column: str) -> str:
        """Return a cell as typed; empty if there is no such column."""
        return self.sheet.cell(self.sheet.numbers[row], column)

    def empty(self, row: int, columns: Iterable[str]) -> bool:
        """Say whether nothing is typed in any of the columns."""
        return not any(self.cell(row, name).strip() for name in columns)

    def fault(self, row: int, column: str, fault: str, remedy: str) -> None:
        """Note a fault of one cell."""
        number = self.sheet.numbers[row]
        value = self.sheet.cell(number, column)
        self.faults.append(Fault(self.sheet.file, number, column, value, "error", fault, remedy))

    def require(self, needed: Sequence[str], allowed: Iterable[str], what: str) -> None:
        """Refuse a sheet that lacks a column; note typed columns that nobody knows."""
        header, file = self.sheet.header, self.sheet.file
        lacking = [name for name in needed if name not in header]
        if lacking:
            raise RecordError(
                f"{file} lacks the column{'' if len(lacking) == 1 else 's'} {listed(lacking)}; "
                f"record the {what} sheet with the header that it was printed with."
            )
        known = list(dict.fromkeys([*needed, *allowed]))
        for name in dict.fromkeys(header):
            if name in known or not any(cell.strip() for cell in self.sheet.column(name)):
                continue
            near = get_close_matches(name, known, n=1, cutoff=0.6)
            guess = f"name it '{near[0]}' if that is meant, or " if near else ""
            fault, remedy = f"a {what} sheet has no column '{name}'", f"{guess}take it out"
            self.faults.append(Fault(file, 1, name, name, "error", fault, remedy))

    def plan(self, study: Study) -> Plan:
        """Return the plan of the one batch that the sheet belongs to."""
        batches = [batch.batch_id for batch in study.settings.batches]
        ids = [self.cell(row, "batch_id").strip() for row in self.rows]
        for row, batch_id in enumerate(ids):
            if batch_id not in batches:
                near = get_close_matches(batch_id, batches, n=1, cutoff=0.5) or batches
                remedy = f"write {listed(near)}" if near else "plan the batch first"
                self.fault(row, "batch_id", f"the study has no batch '{batch_id}'", remedy)
            elif batch_id != ids[0]:
                fault = f"this row is of batch '{batch_id}', the first of '{ids[0]}'"
                self.fault(row, "batch_id", fault, "record each batch by its own sheet")
        self.refuse_faults()
        try:
            return read_plan(study, ids[0])
        except CallError as error:
            raise RecordError(f"{self.sheet.file} cannot be recorded: {error}") from None

    def typed(
        self,
        study: Study,
        table: Table,
        names: Sequence[str],
        missing: frozenset[str],
        spelled: Mapping[str, Sequence[str]] | None = None,
    ) -> list[dict[str, Any]]:
        """Return columns as typed values, noting what cannot be right.

        Parameters
        ----------
        study : Study
        table : Table
            The table of the record that they are written to.
        names : sequence of str
        missing : frozenset of str
            The cells that mean "not recorded" there.
        spelled : mapping of str to sequence of str, optional
            Words that must not be spelled two ways, of columns without levels.

        Returns
        -------
        list of dict
            The values of each row by column; missing where a cell is empty or bad.
        """
        sheet = self.sheet
        columns = [
            table.column(name) if name in table.names else Column(name)
            for name in dict.fromkeys(names)
            if name in sheet.header
        ]
        values: dict[str, pd.Series] = {}
        for column in columns:
            cells = sheet.column(column.name)
            values[column.name], bad = type_column(cells, column, missing)
            for row, reason in bad.items():
                self.fault(row, column.name, *reason)
        frame = pd.DataFrame(values)
        frame.index = pd.Index(sheet.numbers, name="row", dtype="int64")
        self._apply_rules(study, table.name, columns, frame, spelled or {})
        return records(frame)

    def _apply_rules(
        self,
        study: Study,
        name: str,
        columns: Sequence[Column],
        frame: pd.DataFrame,
        spelled: Mapping[str, Sequence[str]],
    ) -> None:
        """Run the rules of the record's check over the sheet as if it were the table."""
        words = [
            Column(column.name, levels=column.levels or spelled[column.name])
            for column in columns
            if column.type == "text" and (column.levels or column.name in spelled)
        ]
        for rule, judged in ((spellings, words), (bounds_and_levels, columns)):
            alone = Study(
                study.folder,
                study.title,
                study.settings,
                {name: frame},
                {name: Table(name, (), [replace(column, required=False) for column in judged])},
                {name: self.sheet},
                (),
            )
            self.faults += [fault for fault in rule(alone, name) if fault.severity == "error"]

    def check_printed(self, row: int, column: str, printed: str) -> None:
        """Note a cell that was printed with the sheet and now says something else."""
        if column in self.sheet.header and not alike(self.cell(row, column), printed):
            fault = f"this was printed as '{printed}'; cells may have been shifted or sorted"
            remedy = f"write '{printed}' again and look at the whole row"
            self.fault(row, column, fault, remedy)

    def compare(
        self, row: int, new: Mapping[str, Any], number: int, old: Mapping[str, Any], file: str
    ) -> None:
        """Note the first cell that says something else than the record does already."""
        for name, value in new.items():
            if pd.isna(value):
                continue
            before = old.get(name)
            if pd.isna(before) or before != value:
                was = f"'{before}'" if pd.notna(before) else "empty"
                fault = f"this is recorded already in {file}, row {number}, where {name} is {was}"
                self.fault(row, name, fault, f"mend this cell, or {file} if that is wrong")
                return

    def refuse_faults(self) -> None:
        """Raise all faults at once, if there are any."""
        if self.faults:
            table = collect(self.faults, {self.sheet.file: self.sheet.header})
            ordered = [Fault(*cells) for cells in table.itertuples(index=False, name=None)]
            raise refusal(
                f"{self.sheet.file} cannot be recorded as it stands; nothing was written:", ordered
            )
