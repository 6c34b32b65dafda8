"""The faults of a record: one line per cell, all at once, as an answer.

Rows are numbered as a spreadsheet shows them (the header is row 1), and values are
shown as they were typed.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import pandas as pd

from reedlab.answer import Answer
from reedlab.errors import RecordError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Colours of the Okabe-Ito palette and markers, so that grey print can be read too.
_LOOK = {"error": ("#D55E00", "X"), "warning": ("#56B4E9", "o")}


class Fault(NamedTuple):
    """One thing in the record that is wrong (error) or should be looked at (warning)."""

    file: str
    row: int | None
    column: str
    value: str
    severity: str
    fault: str
    remedy: str


@dataclass(frozen=True)
class Faults(Answer):
    """All faults of a study.

    Attributes
    ----------
    table : pandas.DataFrame
        file, row (as a spreadsheet shows it), column, value (as typed), severity (error
        or warning), fault, remedy.
    n_tables : int
        How many tables were read.
    left_out : pandas.DataFrame
        Rows that could not be read at all, with the reason.
    """

    n_tables: int = 0

    @property
    def errors(self) -> pd.DataFrame:
        """The faults that cannot be right."""
        return self.table[self.table["severity"] == "error"]

    @property
    def ok(self) -> bool:
        """Whether there is no error; warnings may remain."""
        return self.errors.empty

    def _say(self) -> str:
        if self.table.empty:
            rows, tables = _count(self.rows_used, "row"), _count(self.n_tables, "table")
            return f"No fault found in {rows} of {tables}."
        parts = [
            f"{file} ({_severities(part['severity'])})"
            for file, part in self.table.groupby("file", sort=False)
        ]
        where = _count(len(parts), "file")
        return f"{_severities(self.table['severity'], ' and ')} in {where}: {', '.join(parts)}."

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw how many faults each file has, errors and warnings apart.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure if left out.

        Returns
        -------
        matplotlib.axes.Axes
        """
        import matplotlib.pyplot as plt
        from matplotlib.ticker import MaxNLocator

        if ax is None:
            _, ax = plt.subplots(figsize=(6, 3))
        if self.table.empty:
            ax.text(0.5, 0.5, self.sentence, ha="center", va="center")
            ax.set_axis_off()
            return ax
        files = list(dict.fromkeys(self.table["file"]))
        for name, (colour, marker) in _LOOK.items():
            counts = self.table.loc[self.table["severity"] == name, "file"].value_counts()
            if len(counts):
                places = [files.index(file) for file in counts.index]
                ax.plot(counts, places, marker, color=colour, markersize=10, label=f"{name}s")
        ax.set_yticks(range(len(files)), labels=files)
        ax.set_ylim(len(files) - 0.5, -0.5)
        ax.set_xlim(left=0)
        ax.xaxis.set_major_locator(MaxNLocator(integer=True))
        ax.set_xlabel("number of faults")
        ax.legend(loc="upper left", bbox_to_anchor=(0, 1.2), ncols=2, frameon=False)
        return ax


def refusal(opening: str, faults: Iterable[Fault]) -> RecordError:
    """Return the error that tells all faults of a file, each with its way out.

    Examples
    --------
    >>> fault = Fault("B2.csv", 3, "lost", "perhaps", "error", "it is unclear", "write yes or no")
    >>> print(refusal("B2.csv cannot be recorded:", [fault]))
    B2.csv cannot be recorded:
    - B2.csv, row 3, column 'lost', 'perhaps': it is unclear; write yes or no.
    """
    return RecordError("\n".join([opening, *(f"- {_line(fault)}." for fault in faults)]))


def _line(fault: Fault) -> str:
    where = [fault.file]
    if fault.row is not None:
        where.append(f"row {fault.row}")
    if fault.column:
        where += [f"column '{fault.column}'", f"'{fault.value}'" if fault.value else "empty"]
    return f"{', '.join(where)}: {fault.fault}; {fault.remedy}"


def collect(faults: Iterable[Fault], headers: Mapping[str, Sequence[str]]) -> pd.DataFrame:
    """Return the faults as a table in the order of files, rows and headers, one line per cell.

    Where a cell has several faults an error goes before a warning, and what was found
    first before the rest.
    """
    files = {file: place for place, file in enumerate(headers)}
    severity = {"error": 0, "warning": 1}
    kept: dict[tuple[str, int | None, str], Fault] = {}
    for fault in sorted(faults, key=lambda fault: severity[fault.severity]):
        kept.setdefault((fault.file, fault.row, fault.column), fault)
    places = {
        (file, name): place for file, header in headers.items() for place, name in enumerate(header)
    }
    ordered = sorted(
        kept.values(),
        key=lambda fault: (
            files[fault.file],
            fault.row or 0,
            places.get((fault.file, fault.column), -1),
        ),
    )
    table = pd.DataFrame(ordered, columns=list(Fault._fields)).astype({"row": "Int64"})
    return table.astype({name: "str" for name in Fault._fields if name != "row"})


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _severities(column: pd.Series, join: str = ", ") -> str:
    counts = column.value_counts()
    return join.join(_count(int(counts[name]), name) for name in _LOOK if name in counts)
