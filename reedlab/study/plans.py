"""The plan of a batch on disk: what to make, how to test it, and the sealed key.

Four files a batch, beside the tables: ``plans/<id>_making.csv`` (a row a place in the
order of making), ``plans/<id>_testing.csv`` (a row a reed and session in the order of
playing), ``plans/<id>_made.csv`` (what was really done, from filled making sheets) and
``keys/<id>.csv``, which alone ties places to blind codes. The key is read for labelling,
for unblinding and, once the batch is opened, for drawing its shuffle again; nowhere else.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import pandas as pd

from reedlab.errors import CallError, unknown_name
from reedlab.schema import Column, Factor, is_number
from reedlab.study.cells import type_column
from reedlab.study.faults import Fault, refusal
from reedlab.study.settings import BatchRecord
from reedlab.study.sheets import read_sheet
from reedlab.study.study import Study

#: The columns of the files of a plan that are no text; a numeric factor is a number too.
_TYPES = {
    "place": "integer",
    "piece": "integer",
    "session": "integer",
    "made_on": "date",
    "minutes_spent": "number",
    "lost": "boolean",
}


@dataclass(frozen=True, eq=False)
class Plan:
    """The plan of one batch, as it lies on disk.

    Attributes
    ----------
    record : BatchRecord
    making : pandas.DataFrame
        A row a place, in the order of making: place, tube_id, lot_id (if the cane has
        lots), piece, spare_pieces, one column a factor with its planned level,
        shuffled_among.
    testing : pandas.DataFrame
        A row a reed and session: session, place (in the order of playing), blind_code,
        one column a session-level factor.
    made : pandas.DataFrame
        A row a place that is recorded as made: place, tube_id, piece, one column a
        factor with its level as made, made_on, minutes_spent, lost, note.
    """

    record: BatchRecord
    making: pd.DataFrame
    testing: pd.DataFrame
    made: pd.DataFrame


def making_file(batch_id: str) -> str:
    """Return where the order of making lies, relative to the folder."""
    return f"plans/{batch_id}_making.csv"


def testing_file(batch_id: str) -> str:
    """Return where the order of testing lies, relative to the folder."""
    return f"plans/{batch_id}_testing.csv"


def made_file(batch_id: str) -> str:
    """Return where it lies what was really made, relative to the folder."""
    return f"plans/{batch_id}_made.csv"


def key_file(batch_id: str) -> str:
    """Return where the key lies, relative to the folder."""
    return f"keys/{batch_id}.csv"


def read_plan(study: Study, batch_id: str) -> Plan:
    """Read the plan of a batch; see :meth:`reedlab.study.Study.plan`."""
    record = batch_record(study, batch_id)
    if not (study.folder / making_file(batch_id)).exists():
        raise CallError(
            f"Batch '{batch_id}' has no plan in this study: {making_file(batch_id)} is not there."
        )
    making = _read_frame(study, making_file(batch_id))
    testing = _read_frame(study, testing_file(batch_id))
    if (study.folder / made_file(batch_id)).exists():
        made = _read_frame(study, made_file(batch_id))
    else:
        made = pd.DataFrame(columns=made_columns(making_factors(study, making)))
    return Plan(record, making, testing, made)


def made_columns(factors: Iterable[str]) -> list[str]:
    """Return the columns of the file of what was made."""
    return ["place", "tube_id", "piece", *factors, "made_on", "minutes_spent", "lost", "note"]


def made_cells(study: Study, plan: Plan) -> dict[int, dict[str, str]]:
    """Return the cells of what was made, as typed, by place."""
    if plan.made.empty:
        return {}
    sheet = read_sheet(study.folder, made_file(plan.record.batch_id))
    rows = [dict(zip(sheet.header, cells, strict=True)) for cells in sheet.rows]
    return dict(zip(plan.made["place"].tolist(), rows, strict=True))


def making_factors(study: Study, making: pd.DataFrame) -> dict[str, Factor]:
    """Return the factors of lots, tubes and reeds that the order of making holds, by name."""
    return {
        name: factor
        for name, factor in _factors(study, making).items()
        if factor.stratum != "session"
    }


def session_factors(study: Study, testing: pd.DataFrame) -> dict[str, Factor]:
    """Return the factors of sessions that the order of testing holds, by name."""
    return {
        name: factor
        for name, factor in _factors(study, testing).items()
        if factor.stratum == "session"
    }


def _factors(study: Study, frame: pd.DataFrame) -> dict[str, Factor]:
    declared = {factor.name: factor for factor in study.settings.factors}
    return {str(name): declared[name] for name in frame.columns if name in declared}


def read_labels(study: Study, batch_id: str) -> pd.DataFrame:
    """Read the key for labelling; see :meth:`reedlab.study.Study.labels`."""
    batch_record(study, batch_id)
    if not (study.folder / key_file(batch_id)).exists():
        raise CallError(f"Batch '{batch_id}' has no key: {key_file(batch_id)} is not there.")
    return _read_frame(study, key_file(batch_id))


def batch_record(study: Study, batch_id: str) -> BatchRecord:
    """Return what the settings say of a batch, or say which batches there are."""
    batches = {batch.batch_id: batch for batch in study.settings.batches}
    if batch_id not in batches:
        raise unknown_name("batch", batch_id, batches)
    return batches[batch_id]


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table, each by its columns."""
    return [{str(name): row[name] for name in row} for row in frame.to_dict("records")]


def planned_column(name: str) -> str:
    """Name the column of a bench sheet in which the plan of a factor is printed."""
    return f"{name} (plan)"


def level_text(value: Any) -> str:
    """Write a level, number or word as a cell; what is missing as the empty cell.

    Examples
    --------
    >>> level_text(1.30), level_text(60.0), level_text("narrow"), level_text(None)
    ('1.3', '60', 'narrow', '')
    """
    if pd.isna(value):
        return ""
    if is_number(value):
        number = float(value)
        return str(int(number)) if number.is_integer() else repr(number)
    return str(value)


def alike(typed: str, known: str) -> bool:
    """Compare two cells as a spreadsheet may have rewritten one: 007 as 7, 1.30 as 1.3."""
    try:
        return typed.strip() == known.strip() or float(typed) == float(known)
    except ValueError:
        return False


def same_level(factor: Factor, typed: str, known: str) -> bool:
    """Say whether two cells hold the same level of a factor.

    Examples
    --------
    >>> gouge, shape = Factor("gouge_mm", (1.25, 1.3)), Factor("shape")
    >>> same_level(gouge, "1.30", "1.3"), same_level(shape, "07", "7")
    (True, False)
    """
    return alike(typed, known) if factor.kind == "numeric" else typed.strip() == known.strip()


def _read_frame(study: Study, file: str) -> pd.DataFrame:
    """Read a file of the plan with typed columns; the empty text cell is empty text."""
    sheet = read_sheet(study.folder, file)
    numeric = {factor.name for factor in study.settings.factors if factor.kind == "numeric"}
    faults = [fault for fault in sheet.faults if fault.severity == "error"]
    values: dict[str, pd.Series] = {}
    for name in dict.fromkeys(sheet.header):
        kind = "number" if name in numeric else _TYPES.get(name, "text")
        cells = sheet.column(name)
        values[name], bad = type_column(cells, Column(name, kind))
        faults += [
            Fault(file, sheet.numbers[row], name, cells[row], "error", *reason)
            for row, reason in bad.items()
        ]
        if kind == "text":
            values[name] = values[name].fillna("")
        elif kind == "integer" and values[name].notna().all():
            values[name] = values[name].astype("int64")
    if faults:
        raise refusal(f"{file} cannot be read:", faults)
    return pd.DataFrame(values)
