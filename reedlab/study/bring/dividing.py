"""One row of a sheet divided into what it says of single rows of the record.

A row may tell of a reed, its tube and several tests at once. Ids stand once in a sheet and
serve every table; what no column says comes from the mapping's fixed entries. A row that
the others point to (the tube of a reed, the session of a test) becomes a part with its id
alone where the sheet says no more of it.
"""

import re
from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from reedlab.schema import TABLES
from reedlab.study.bring.mapping import SheetMapping
from reedlab.study.bring.reading import ReadColumn
from reedlab.study.bring.values.readings import Read
from reedlab.study.cells import type_column
from reedlab.study.draft import Draft

Key = tuple[Any, ...]
#: Columns that tell rows apart or point to other tables, wherever they stand in a sheet.
IDS = frozenset(name for table in TABLES for name in (*table.key, *table.references))

#: A table, the ids that are known, and the cells that go there.
_Piece = tuple[str, dict[str, Read], dict[str, Read]]
_FIELD = re.compile(r"\{([^{}]*)\}")


class Part(NamedTuple):
    """What a row of the sheet says of one row of the record, ids included."""

    table: str
    key: Key
    cells: dict[str, Read]


class Told(NamedTuple):
    """What became of a row of the sheet: "kept", "refused" or "left out", and why."""

    outcome: str
    why: str = ""
    remedy: str = ""


class Divider:
    """Divides the rows of one sheet.

    Parameters
    ----------
    columns : sequence of ReadColumn
        Those that come in.
    mapping : SheetMapping
    draft : Draft
    """

    def __init__(self, columns: Sequence[ReadColumn], mapping: SheetMapping, draft: Draft) -> None:
        self._ids = [
            (one.column.name, one.rule.table, one.reads)
            for one in columns
            if one.column.name in IDS
        ]
        self._values = [
            (one.column.name, (one.rule.table, one.rule.stage, one.rule.trial), one.reads)
            for one in columns
            if one.column.name not in IDS
        ]
        self._fixed = {name.rpartition(".")[2]: text for name, text in mapping.fixed.items()}
        self._tables = {table.name: draft.resource(table.name).table for table in TABLES}
        self._told = {
            name: tuple(dict.fromkeys([*table.key, *table.references]))
            for name, table in self._tables.items()
        }
        # What else is the same in every row, by table.
        self._more = {
            table: [
                name.partition(".")[2]
                for name in mapping.fixed
                if name.startswith(f"{table}.") and name.partition(".")[2] not in IDS
            ]
            for table in self._tables
        }
        self._present = {*draft.study.tables, *(one.rule.table for one in columns)}
        self._typed: dict[tuple[str, str], Read | Told] = {}

    def parts(self, place: int) -> list[Part] | Told:
        """Return the parts of a row, or why there is none.

        Parameters
        ----------
        place : int
            Which record of the sheet, from 0.
        """
        own: dict[str, Read] = {}
        for name, _, reads in self._ids:
            read = reads[place]
            if read.fault:
                return Told("refused", read.fault, read.remedy)
            if read.value is not None:
                own[name] = read
        groups: dict[tuple[str, str, int], dict[str, Read]] = {}
        for name, occasion, reads in self._values:
            read = reads[place]
            if read.value is not None:
                groups.setdefault(occasion, {})[name] = read
        said = dict(own)
        for group in groups.values() if self._fixed else ():
            said.update(group)
        work: list[_Piece] = [
            (table, {**own, **_occasion(stage, trial)} if stage or trial != 1 else own, group)
            for (table, stage, trial), group in groups.items()
        ]
        told = {table for table, _, _ in work}
        work += [(t, own, {}) for name, t, _ in self._ids if name in own and t not in told]
        return self._worked_off(work, said)

    def _worked_off(self, work: list[_Piece], said: dict[str, Read]) -> list[Part] | Told:
        """Make the parts, and those that they point to in turn."""
        parts: dict[tuple[str, Key], dict[str, Read]] = {}
        waiting = deque(work)
        while waiting:
            name, ids, group = waiting.popleft()
            table = self._tables[name]
            cells: dict[str, Read] = {}
            for column in self._told[name]:
                entry: Read | Told | None = ids.get(column)
                if entry is None and column in self._fixed:
                    entry = self._from_fixed(name, column, {**said, **ids})
                if isinstance(entry, Told):
                    return entry
                if entry is not None:
                    cells[column] = entry
            lacking = next((column for column in table.key if column not in cells), "")
            if lacking and group:
                why = f"{lacking} is blank, so it is not told which row of {name} is meant"
                return Told("refused", why, f"write its {lacking}")
            if lacking or (not group and name not in self._present):
                continue
            key = tuple([cells[column].value for column in table.key])
            part = parts.setdefault((name, key), cells)
            part.update(cells)
            part.update(group)
            for column in self._more[name]:
                entry = part.get(column) or self._from_fixed(name, column, {**said, **ids})
                if isinstance(entry, Told):
                    return entry
                part[column] = entry
            waiting += [
                (parent, {**ids, column: cells[column]}, {})
                for column, parent in table.references.items()
                if column in cells
            ]
        if not parts:
            return Told("left out", "it says nothing that comes in")
        return [Part(*place, cells) for place, cells in parts.items()]

    def _from_fixed(self, table: str, name: str, said: Mapping[str, Read]) -> Read | Told:
        """Return what the mapping says of every row, with the row's own words put in."""
        text = self._fixed[name]
        for wanted in _FIELD.findall(text):
            if wanted not in said:
                return Told("refused", f"{wanted} is blank, and {name} is made of it", "write it")
            text = text.replace(f"{{{wanted}}}", said[wanted].text)
        if (name, text) not in self._typed:
            values, bad = type_column([text], self._tables[table].column(name))
            told = Told("refused", *bad[0]) if bad else Read(values.tolist()[0], text)
            self._typed[name, text] = told
        return self._typed[name, text]


def _occasion(stage: str, trial: int) -> dict[str, Read]:
    """Return the ids that the header of a column tells, in a wide sheet."""
    found = {"stage": Read(stage, stage)} if stage else {}
    return found | {"trial": Read(trial, str(trial))}
