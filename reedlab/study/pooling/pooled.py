"""The pool as a study: in memory only, every row with its maker and its source."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import pandas as pd

from reedlab.study.faults import Fault, Faults, collect
from reedlab.study.study import Study


@dataclass(frozen=True, eq=False, repr=False)
class Pooled(Study):
    """Several makers' studies as one; made by :func:`reedlab.study.pool`.

    It lies nowhere and nothing is written to it; the studies that it is made of stay as they
    are. Ids are ``maker/id``; every table has the column ``maker_id``.

    Attributes
    ----------
    sources : mapping of str to Study
        The studies, by name.
    origin : mapping of str to DataFrame
        By table, where each of its rows stands: study, file (``study/tests.csv``), row.
    """

    sources: Mapping[str, Study] = field(default_factory=dict)
    origin: Mapping[str, pd.DataFrame] = field(default_factory=dict)

    @property
    def read_only(self) -> str:
        """Why nothing can be written to it."""
        return f"it is pooled in memory from {len(self.sources)} studies; record in the maker's own"

    @cached_property
    def faults(self) -> Faults:
        """The faults of all studies, each in its own file and row."""
        found = [
            Fault(f"{name}/{row['file']}", *(row[item] for item in Fault._fields[1:]))
            for name, study in self.sources.items()
            for row in study.faults.table.to_dict("records")
        ]
        headers: dict[str, Sequence[str]] = {
            f"{name}/{sheet.file}": sheet.header
            for name, study in self.sources.items()
            for sheet in study.sheets.values()
        }
        headers |= {fault.file: () for fault in found if fault.file not in headers}
        left_out = [
            rows.assign(file=f"{name}/" + rows["file"].astype(str))
            for name, rows in (
                (name, study.faults.left_out) for name, study in self.sources.items()
            )
        ]
        return Faults(
            question="Are the records sound?",
            table=collect(found, headers),
            rows_used=sum(study.faults.rows_used for study in self.sources.values()),
            left_out=pd.concat(left_out, ignore_index=True),
            n_tables=sum(len(study.tables) for study in self.sources.values()),
        )

    def table_of(self, file: str) -> str | None:
        """Return the table that a file, of a study too, belongs to."""
        names = {
            f"{name}/{sheet.file}": table
            for name, study in self.sources.items()
            for table, sheet in study.sheets.items()
        }
        return names.get(file) or super().table_of(file)

    def traced(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Return rows (columns file, row) with the file and row of the maker's own study."""
        files = {sheet.file: table for table, sheet in self.sheets.items()}
        found = rows.copy()
        here = rows["file"].isin(files)
        told = [
            self.origin[files[file]].loc[row, ["file", "row"]]
            for file, row in zip(rows.loc[here, "file"], rows.loc[here, "row"], strict=True)
        ]
        if told:
            found[["file", "row"]] = found[["file", "row"]].astype(object)
            found.loc[here, "file"] = [one["file"] for one in told]
            found.loc[here, "row"] = [one["row"] for one in told]
        return found

    def __repr__(self) -> str:
        sizes = ", ".join(f"{len(table)} {name}" for name, table in self.tables.items())
        return f"<Pool of {len(self.sources)} studies, {len(self.makers)} makers: {sizes}>"
