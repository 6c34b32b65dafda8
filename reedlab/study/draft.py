"""Changes to one study that are not written yet: new rows, cells, columns, settings.

All of it is kept in memory until it is known to be right, and then saved together. What a
person has typed stays as typed. Who makes a draft holds the study's lock until it is saved.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from reedlab.errors import RecordError
from reedlab.schema import Column, Factor, tables_for
from reedlab.study.belonging import OUTSIDE, outside
from reedlab.study.descriptor import DESCRIPTOR, described, load_package, package_text
from reedlab.study.folder import open_study
from reedlab.study.page import Page
from reedlab.study.plans import records
from reedlab.study.resources import Resource, field_to_json, resource_to_json
from reedlab.study.saving import save_files, snapshot
from reedlab.study.settings import BatchRecord
from reedlab.study.settings_json import part_to_json
from reedlab.study.study import Study

#: What a maker wrote beside the boxes; no table has the column until it is used.
NOTE = Column("note", meaning="what else was noticed, in words")
#: A recorded row: its number as a spreadsheet shows it, and its values by column.
KnownRow = tuple[int, dict[str, Any]]


class Draft:
    """One study as it lies on disk now, and what is to be changed in it.

    Parameters
    ----------
    folder : Path
        Of the study, which is read anew: it may have been typed into since it was opened.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._seen = snapshot(folder)
        self.study = open_study(folder)
        self._package = load_package(folder)
        self._before = package_text(self._package)
        self._pages: dict[str, Page] = {}
        self._resources = self._read_resources()

    def resource(self, table: str) -> Resource:
        """Return a table with all columns that it may have and its codes for "missing"."""
        if table not in self._resources:
            base = next(
                item for item in tables_for(self.study.settings.instrument) if item.name == table
            )
            return Resource(base, base.file, (), frozenset({""}))
        return self._resources[table]

    def add_table(self, table: str) -> None:
        """Add one of the eight tables, empty, unless the study has it."""
        if table in self._resources:
            return
        base = self.resource(table).table
        if (self._folder / base.file).exists():
            raise RecordError(
                f"{base.file} lies in {self._folder}, but {DESCRIPTOR} does not list it; "
                "list it there or take it away."
            )
        self._package["resources"].append(resource_to_json(base, {*self._resources, table}))
        self._pages[base.file] = Page.fresh(base.names)
        self._resources = self._read_resources()

    def declare(self, factors: Sequence[Factor]) -> None:
        """Declare factors, in the place of those of the same name if there are any."""
        raw = self._package["reedlab"]
        # A list, once there is one, stands for all: what went without saying is written too.
        raw.setdefault("factors", [part_to_json(item) for item in self.study.settings.factors])
        names = [factor.name for factor in factors]
        kept = [part for part in raw["factors"] if part["name"] not in names]
        raw["factors"] = [*kept, *(part_to_json(factor) for factor in factors)]
        self._resources = self._read_resources()

    def keep_batch(self, record: BatchRecord) -> None:
        """Write down a batch, in the place of the one of the same name if there is one."""
        batches = self._package["reedlab"].setdefault("batches", [])
        ids = [batch["batch_id"] for batch in batches]
        if record.batch_id in ids:
            batches[ids.index(record.batch_id)] = part_to_json(record)
        else:
            batches.append(part_to_json(record))

    def add_column(self, table: str, name: str) -> None:
        """Add a column at the end of a table, and its field, unless it is there."""
        resource, page = self.resource(table), self._page(table)
        page.add_column(name)
        if name in resource.declared or (not resource.declared and name in resource.table.names):
            return
        columns = {column.name: column for column in (NOTE, *resource.table.columns)}
        entry = next(item for item in self._package["resources"] if item["name"] == table)
        schema = entry.setdefault("schema", {})
        # Once one field is declared, all must be, in the order of the file.
        names = [name] if resource.declared else page.header
        schema["fields"] = schema.get("fields", []) + [
            field_to_json(columns.get(header, Column(header))) for header in names
        ]
        target = resource.table.references.get(name)
        if target in self._resources and target != table:
            link = {"resource": target, "fields": [name]}
            links = schema.get("foreignKeys", [])
            schema["foreignKeys"] = [*links, {"fields": [name], "reference": link}]
        self._resources = self._read_resources()

    def append(self, table: str, cells: Mapping[str, str]) -> None:
        """Add a row; every column must be there."""
        self._require_inside(cells.get("recording", ""))
        self._page(table).append(cells)

    def append_rows(self, table: str, rows: Sequence[Mapping[str, str]]) -> None:
        """Add rows with cells as typed; a column that none of them fills is not added."""
        names = dict.fromkeys(name for row in rows for name, text in row.items() if text.strip())
        for name in names:
            self.add_column(table, name)
        for row in rows:
            self._require_inside(row.get("recording", ""))
        if rows:
            self._page(table).append_all(rows)

    def rows_by(self, table: str, key: Sequence[str]) -> dict[tuple[Any, ...], KnownRow]:
        """Return the recorded rows by their key: row number and typed values."""
        frame = self.study.tables.get(table, pd.DataFrame())
        if not set(key) <= set(frame.columns):
            return {}
        rows = zip(frame.index, records(frame), strict=True)
        return {tuple(row[name] for name in key): (int(number), row) for number, row in rows}

    def put(self, table: str, row: int, column: str, text: str) -> None:
        """Write one cell, by row number and header."""
        if column == "recording":
            self._require_inside(text)
        self._page(table).put(row, column, text)

    def append_beside(self, file: str, cells: Mapping[str, str]) -> None:
        """Add a row to a file that is no table; its first row names its columns."""
        if file not in self._pages:
            known = self._seen.get(file)
            self._pages[file] = Page.fresh(list(cells)) if known is None else Page.read(known)
        self._pages[file].append(cells)

    def save(
        self,
        by: str = "an addition",
        stays: str = "",
        beside: Mapping[str, bytes] | None = None,
    ) -> Study:
        """Write what has changed, note it in the journal, and open the study again.

        Parameters
        ----------
        by : str
            The call that changes the study, as the journal tells it.
        stays : str, optional
            Why it cannot be taken back.
        beside : mapping of str to bytes, optional
            Reports that are written in the same save; see :func:`save_files`.
        """
        described(self._package, self._folder)
        contents: dict[str, bytes | None] = {
            file: page.content() for file, page in self._pages.items()
        }
        text = package_text(self._package)
        if text != self._before:
            contents[DESCRIPTOR] = text.encode("utf-8")
        save_files(self._folder, contents, self._seen, by, stays=stays, beside=beside)
        return open_study(self._folder)

    def _page(self, table: str) -> Page:
        file = self.resource(table).path
        if file not in self._pages:
            self._pages[file] = Page.read(self._seen[file])
        return self._pages[file]

    def _read_resources(self) -> dict[str, Resource]:
        found: Any = described(self._package, self._folder).resources
        return {resource.table.name: resource for resource in found}

    def _require_inside(self, recording: str) -> None:
        """Refuse a recording outside the study, whichever call it came through."""
        stray = outside(recording, self._folder)
        if stray:
            fault, remedy = OUTSIDE
            raise RecordError(f"'{stray}' cannot be recorded: {fault}; {remedy}.")
