"""Opening the key of a batch: what each reed really was goes into the record.

Reeds get their tube, piece and levels as made; tubes and lots get the levels that were
given to the whole of them. Every reed must be recorded as made or lost before, so that
nobody who knows the levels decides afterwards what was done.
"""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import date, datetime

import pandas as pd

from reedlab.errors import CallError, RecordError, listed
from reedlab.schema import STRATUM_KEY, Factor
from reedlab.study.cells import type_column
from reedlab.study.draft import Draft
from reedlab.study.faults import Fault, refusal
from reedlab.study.lock import one_at_a_time
from reedlab.study.plans import (
    Plan,
    batch_record,
    key_file,
    level_text,
    made_cells,
    made_file,
    making_factors,
    read_labels,
    read_plan,
    records,
    same_level,
)
from reedlab.study.settings import BatchRecord
from reedlab.study.study import Study

_LOST = "lost while it was made"


@one_at_a_time
def unblind(study: Study, batch_id: str, on: date | str | None = None) -> Study:
    """Open the key of a batch; see :meth:`reedlab.study.Study.unblind`."""
    day = _day(on)
    draft = Draft(study.folder)
    record = batch_record(draft.study, batch_id)
    if record.unblinded:
        raise CallError(
            f"Batch '{batch_id}' was opened on {record.unblinded}; its levels stand in reeds.csv."
        )
    if not record.sealed:
        raise CallError(f"Batch '{batch_id}' was never sealed, so there is nothing to open.")
    plan = read_plan(draft.study, batch_id)
    made = made_cells(draft.study, plan)
    _check_all_made(plan, made)
    factors = making_factors(draft.study, plan.making)
    cells = [*_reed_cells(draft, plan, made, factors), *_cane_cells(draft, plan, made, factors)]
    faults = [fault for cell in cells for fault in _clashes(draft, batch_id, *cell)]
    if faults:
        raise refusal(f"Batch '{batch_id}' cannot be opened; nothing was written:", faults)
    for table, row, column, text in cells:
        draft.add_column(table, column)
        draft.put(table, row, column, text)
    draft.keep_batch(_opened(record, day, plan, made, factors))
    return draft.save(f"unblind {batch_id}", stays="the key was opened, and its levels seen")


def _day(on: date | str | None) -> str:
    if on is None:
        return date.today().isoformat()
    if isinstance(on, date):
        return (on.date() if isinstance(on, datetime) else on).isoformat()
    try:
        return date.fromisoformat(on).isoformat()
    except ValueError:
        raise CallError(f"'{on}' is no day; write it like 2026-03-04.") from None


def _check_all_made(plan: Plan, made: Mapping[int, object]) -> None:
    waiting = [place for place in plan.making["place"] if place not in made]
    if not waiting:
        return
    batch_id = plan.record.batch_id
    which = f"place{'' if len(waiting) == 1 else 's'} {listed(waiting)}"
    state = f"{which} not recorded as made" if made else "nothing is recorded as made"
    raise RecordError(
        f"Batch '{batch_id}' stays sealed: {state}. Fill in its making sheet (lost = yes where "
        "no reed came of a place) and record it first."
    )


def _reed_cells(
    draft: Draft,
    plan: Plan,
    made: Mapping[int, Mapping[str, str]],
    factors: Mapping[str, Factor],
) -> Iterator[tuple[str, int, str, str]]:
    """Give table, row, column and text of what is now known of each reed."""
    batch_id = plan.record.batch_id
    reeds = draft.study.tables["reeds"]
    own = reeds[reeds["batch_id"] == batch_id]
    rows = dict(zip(own["blind_code"], own.index.tolist(), strict=True))
    reasons = own["fate_reason"].to_dict() if "fate_reason" in own else {}
    labels = read_labels(draft.study, batch_id)
    code_of = dict(zip(labels["place"], labels["blind_code"], strict=True))
    lacking = [place for place in made if code_of.get(place) not in rows]
    if lacking or len(set(code_of.values())) < len(made):
        raise RecordError(
            f"{key_file(batch_id)} and reeds.csv do not fit each other (place "
            f"{listed(lacking or sorted(code_of))}); put back the files as they were written."
        )
    levels = [name for name, factor in factors.items() if factor.stratum == "reed"]
    for name in ("tube_id", *levels, "made_on", "minutes_spent", "note"):
        for place, cells in made.items():
            if cells[name].strip():
                yield "reeds", rows[code_of[place]], name, cells[name]
    for place, cells in made.items():
        if cells["lost"] == "yes":
            row = rows[code_of[place]]
            yield "reeds", row, "fate", "lost"
            if pd.isna(reasons.get(row)):
                yield "reeds", row, "fate_reason", cells["note"].strip() or _LOST


def _cane_cells(
    draft: Draft,
    plan: Plan,
    made: Mapping[int, Mapping[str, str]],
    factors: Mapping[str, Factor],
) -> Iterator[tuple[str, int, str, str]]:
    """Give table, row, column and text of each level that a whole tube or lot was given."""
    planned = {row["place"]: row for row in records(plan.making)}
    for name, factor in factors.items():
        if factor.stratum == "reed":
            continue
        key = STRATUM_KEY[factor.stratum]
        ids = draft.study.tables[factor.table][key].drop_duplicates()
        rows = dict(zip(ids, ids.index, strict=True))
        told: set[str] = set()
        for place, cells in made.items():
            unit = planned[place][key]
            if unit not in told and cells[name]:
                told.add(unit)
                yield factor.table, int(rows[unit]), name, cells[name]


def _clashes(
    draft: Draft, batch_id: str, table: str, row: int, column: str, text: str
) -> Iterator[Fault]:
    """Name the cell that says something else already."""
    frame, sheet = draft.study.tables[table], draft.study.sheets[table]
    if column not in sheet.header:
        return
    known = frame[column].to_dict()[row]
    value, _ = type_column([text], draft.study.schema[table].column(column))
    if pd.notna(known) and value[0] != known:
        fault = f"{made_file(batch_id)} says '{text}'"
        yield Fault(
            sheet.file, row, column, sheet.cell(row, column), "error", fault, "mend one of the two"
        )


def _opened(
    record: BatchRecord,
    day: str,
    plan: Plan,
    made: Mapping[int, Mapping[str, str]],
    factors: Mapping[str, Factor],
) -> BatchRecord:
    """Return the batch as opened, with what was made otherwise told in words."""
    planned = {row["place"]: row for row in records(plan.making)}
    finished = [place for place, cells in sorted(made.items()) if cells["lost"] != "yes"]
    off = {
        name: [
            place
            for place in finished
            if not same_level(factor, made[place][name], level_text(planned[place][name]))
        ]
        for name, factor in factors.items()
    }
    count = len({place for places in off.values() for place in places})
    where = "; ".join(f"{name} at place {listed(places)}" for name, places in off.items() if places)
    reeds = "1 reed was" if count == 1 else f"{count} reeds were"
    told = [
        f"{reeds} made otherwise than planned: {where}."
        if count
        else "All reeds were made as planned."
    ]
    lost = sorted(set(made) - set(finished))
    if lost:
        told.append(f"No reed came of place {listed(lost)}.")
    how = record.how.strip()
    how += "." if how and how[-1] not in ".!?" else ""
    return replace(record, sealed=False, unblinded=day, how=" ".join([how, *told]).strip())
