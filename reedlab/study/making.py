"""A filled making sheet: what was really done at each place, into ``plans/<id>_made.csv``.

Nothing is filled in that the maker did not say: a level stands as planned only where
``as_planned`` says yes, or where the batch did not vary it. A row without a filled box
is not done yet.
"""

from collections.abc import Mapping
from typing import Any, NamedTuple

import pandas as pd

from reedlab.schema import STRATUM_KEY, Column, Factor, Table
from reedlab.study.draft import NOTE, Draft
from reedlab.study.filled import Filled, Tally
from reedlab.study.plans import (
    Plan,
    alike,
    level_text,
    made_cells,
    made_columns,
    made_file,
    making_factors,
    planned_column,
    records,
    same_level,
)

_PRINTED = ("batch_id", "place", "tube_id", "piece")
_BOXES = ("as_planned", "piece_used", "made_on", "minutes_spent", "lost", "note")
_OWN = (
    Column("place", "integer"),
    Column("as_planned", "boolean"),
    Column("piece_used", "integer", possible=(1, 60)),
    Column("lost", "boolean"),
    NOTE,
)


class _Row(NamedTuple):
    """One row of the sheet: its number from 0, its place, what was planned and typed."""

    number: int
    place: int
    planned: dict[str, Any]
    typed: dict[str, Any]


def record_making(draft: Draft, filled: Filled) -> Tally:
    """Take the rows of a making sheet into the draft, and what is wrong into its faults.

    Parameters
    ----------
    draft : Draft
    filled : Filled

    Returns
    -------
    Tally
    """
    plan = filled.plan(draft.study)
    factors = making_factors(draft.study, plan.making)
    needed = [*_PRINTED, *_BOXES, *(name for name in factors if name not in plan.record.given)]
    printed = {planned_column(name): name for name in factors}
    filled.require(needed, [*plan.making.columns, *printed], "making")
    before = made_cells(draft.study, plan)
    new: dict[int, dict[str, str]] = {}
    numbers: dict[int, int] = {}
    known = waiting = 0
    for row in _rows(draft, filled, plan, factors):
        for column, name in {"tube_id": "tube_id", "piece": "piece", **printed}.items():
            filled.check_printed(row.number, column, level_text(row.planned[name]))
        if filled.empty(row.number, [*_BOXES, *factors]):
            waiting += 1
            continue
        made = _as_made(filled, row, plan, factors)
        if row.place not in before:
            new[row.place], numbers[row.place] = made, row.number
            continue
        known += 1
        for name, text in made.items():
            if not alike(text, before[row.place][name]):
                typed_in = "piece_used" if name == "piece" else name
                was = before[row.place][name]
                fault = f"place {row.place} is recorded already with {name} '{was}'"
                remedy = f"mend this row, or {made_file(plan.record.batch_id)} if that is wrong"
                filled.fault(row.number, typed_in, fault, remedy)
                break
    _check_pieces(draft, filled, before, new, numbers)
    _check_cane(draft, filled, plan, factors, before, new, numbers)
    for place, made in new.items():
        cells = {name: made.get(name, str(place)) for name in made_columns(factors)}
        draft.append_beside(made_file(plan.record.batch_id), cells)
    return Tally(len(new), known, waiting)


def _rows(draft: Draft, filled: Filled, plan: Plan, factors: Mapping[str, Factor]) -> list[_Row]:
    """Type the sheet and return the rows whose place is one of the plan's, each once."""
    typed = _typed(draft, filled, plan, factors)
    planned = {row["place"]: row for row in records(plan.making)}
    rows: dict[int, _Row] = {}
    for number in filled.rows:
        place = typed[number]["place"]
        if pd.isna(place) or place not in planned:
            if pd.notna(place) or not filled.cell(number, "place").strip():
                fault = f"the plan has the places 1 to {len(planned)}"
                filled.fault(number, "place", fault, "write the number that was printed")
        elif place in rows:
            earlier = filled.sheet.numbers[rows[place].number]
            fault = f"place {place} stands in row {earlier} already"
            filled.fault(number, "place", fault, "take one of the two rows out")
        else:
            rows[int(place)] = _Row(number, int(place), planned[place], typed[number])
    return list(rows.values())


def _typed(
    draft: Draft, filled: Filled, plan: Plan, factors: Mapping[str, Factor]
) -> list[dict[str, Any]]:
    """Type all boxes by the columns of the tables that they will end in."""
    own = Table("making", (), _OWN)
    rows = filled.typed(draft.study, own, own.names, frozenset({""}))
    for table in ("reeds", "tubes", "lots"):
        names = [name for name, factor in factors.items() if factor.table == table]
        names += ["made_on", "minutes_spent"] if table == "reeds" else []
        if names:
            resource = draft.resource(table)
            # A word that the study does not list may be new, but not a planned one misspelt.
            words = {
                name: plan.making[name].unique().tolist()
                for name in names
                if name in factors and factors[name].kind == "categorical"
            }
            more = filled.typed(draft.study, resource.table, names, resource.missing, words)
            rows = [row | further for row, further in zip(rows, more, strict=True)]
    return rows


def _as_made(
    filled: Filled, row: _Row, plan: Plan, factors: Mapping[str, Factor]
) -> dict[str, str]:
    """Return the row's cells in the file of what was made, without its place."""
    as_planned, lost = (row.typed[name] is True for name in ("as_planned", "lost"))
    levels = {}
    for name, factor in factors.items():
        planned, cell = level_text(row.planned[name]), filled.cell(row.number, name)
        if pd.notna(row.typed.get(name)):
            levels[name] = cell.strip()
            if as_planned and not same_level(factor, cell, planned):
                fault = f"it says yes, but {name} is '{cell}' and not '{planned}' as planned"
                filled.fault(row.number, "as_planned", fault, f"write no, or mend {name}")
        elif as_planned or name in plan.record.given:
            levels[name] = planned
        else:
            levels[name] = ""
            if not lost:
                fault = f"it is not said which {factor.label} the reed got"
                remedy = f"write it, or yes in as_planned if all is as planned ('{planned}' here)"
                filled.fault(row.number, name, fault, remedy)
    piece = filled.cell(row.number, "piece_used").strip() or level_text(row.planned["piece"])
    return {
        "tube_id": row.planned["tube_id"],
        "piece": piece,
        **levels,
        "made_on": filled.cell(row.number, "made_on").strip(),
        "minutes_spent": filled.cell(row.number, "minutes_spent").strip(),
        "lost": "yes" if lost else "no",
        "note": filled.cell(row.number, "note"),
    }


def _check_pieces(
    draft: Draft,
    filled: Filled,
    before: Mapping[int, Mapping[str, str]],
    new: Mapping[int, Mapping[str, str]],
    numbers: Mapping[int, int],
) -> None:
    """Note a piece of cane that is used twice, or that its tube does not have."""
    tubes = draft.study.tables["tubes"]
    known = tubes.dropna(subset=["tube_id", "pieces"]) if "pieces" in tubes else tubes.head(0)
    most = dict(zip(known["tube_id"], known.get("pieces", []), strict=True))
    used = {(made["tube_id"], made["piece"]): place for place, made in before.items()}
    for place, made in new.items():
        tube, piece = made["tube_id"], made["piece"]
        earlier = used.setdefault((tube, piece), place)
        if earlier != place:
            fault = f"piece {piece} of tube '{tube}' is used at place {earlier} already"
            remedy = "write in piece_used which piece this reed was cut from"
            filled.fault(numbers[place], "piece_used", fault, remedy)
        elif piece.isdigit() and int(piece) > most.get(tube, int(piece)):
            fault = f"tube '{tube}' has only {most[tube]} pieces in tubes.csv"
            filled.fault(numbers[place], "piece_used", fault, "mend piece_used, or tubes.csv")


def _check_cane(
    draft: Draft,
    filled: Filled,
    plan: Plan,
    factors: Mapping[str, Factor],
    before: Mapping[int, Mapping[str, str]],
    new: Mapping[int, Mapping[str, str]],
    numbers: Mapping[int, int],
) -> None:
    """Note a level of a whole tube or lot that differs from what was said of it elsewhere."""
    planned = {row["place"]: row for row in records(plan.making)}
    for name, factor in factors.items():
        if factor.stratum == "reed":
            continue
        key = STRATUM_KEY[factor.stratum]
        told: dict[str, tuple[str, str]] = {}
        table = draft.study.tables[factor.table]
        if name in table:
            file = draft.study.sheets[factor.table].file
            for row in records(table.dropna(subset=[key, name])):
                told[row[key]] = (level_text(row[name]), f"in {file}")
        for place, made in [*before.items(), *new.items()]:
            unit, level = planned[place][key], made[name]
            if not level:
                continue
            first, where = told.setdefault(unit, (level, f"at place {place}"))
            if place in numbers and not same_level(factor, first, level):
                fault = (
                    f"{factor.stratum} '{unit}' has {name} '{first}' {where}; "
                    f"the level is given to the whole {factor.stratum}"
                )
                filled.fault(numbers[place], name, fault, "mend one of the two")
