"""Which rows of a sheet go into the record, which are refused, which are left out.

Parts of rows with the same key are laid over each other: what agrees is one, and what
contradicts refuses every row that takes part. A row that adds nothing to what the study or
an earlier row says is left out. Nothing is averaged and no value of the study is replaced;
an empty cell of it may be filled.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import pandas as pd

from reedlab.schema import TABLES
from reedlab.study.bring.dividing import Divider, Key, Part, Told
from reedlab.study.bring.values.readings import Read
from reedlab.study.draft import Draft, KnownRow

#: How many rows are divided between two words on how far it is.
_STEP = 5000


@dataclass
class Routed:
    """Where the rows of a sheet go.

    Attributes
    ----------
    rows : list of Told
        What becomes of each record of the sheet.
    fresh : dict of str to list of dict
        New rows by table.
    filled : list of (str, int, str, str)
        Empty cells of the study that get a text: table, row, column, text.
    """

    rows: list[Told] = field(default_factory=list)
    fresh: dict[str, list[dict[str, str]]] = field(default_factory=dict)
    filled: list[tuple[str, int, str, str]] = field(default_factory=list)


class _Piece(NamedTuple):
    """A part of a record's row: which record, and the cells."""

    place: int
    cells: dict[str, Read]


def route(
    divider: Divider,
    numbers: Sequence[int],
    draft: Draft,
    tell: Callable[[int, int], None] | None = None,
) -> Routed:
    """Give every row of a sheet its place in the record, or the reason why it has none.

    Parameters
    ----------
    divider : Divider
    numbers : sequence of int
        Row number of each record in the sheet.
    draft : Draft
    tell : callable, optional
        Called with how many rows are done, and of how many.

    Returns
    -------
    Routed
    """
    told: list[Told | None] = []
    found: list[Sequence[Part]] = []
    for place in range(len(numbers)):
        if tell and place % _STEP == 0:
            tell(place, len(numbers))
        parts = divider.parts(place)
        told.append(parts if isinstance(parts, Told) else None)
        found.append(() if isinstance(parts, Told) else parts)
    by_key = _by_key(found)
    known = {
        name: draft.rows_by(name, draft.resource(name).table.key)
        for name in {name for name, _ in by_key}
    }
    sealed = {batch.batch_id for batch in draft.study.settings.batches if batch.sealed}
    for (name, key), pieces in by_key.items():
        for place, why in _contradictions(name, pieces, known[name].get(key), numbers, sealed):
            told[place] = told[place] or why
    routed = Routed()
    adding = _take(by_key, known, told, routed)
    for place, gone in enumerate(told):
        if gone is None and place not in adding:
            gone = _nothing_new(place, found[place], by_key, known, numbers)
        routed.rows.append(gone or Told("kept"))
    return routed


def _by_key(found: Sequence[Sequence[Part]]) -> dict[tuple[str, Key], list[_Piece]]:
    """Gather the parts by the row of the record that they speak of, in the order of tables."""
    by_key: dict[str, dict[Key, list[_Piece]]] = {table.name: {} for table in TABLES}
    for place, parts in enumerate(found):
        for name, key, cells in parts:
            by_key[name].setdefault(key, []).append(_Piece(place, cells))
    return {(name, key): own for name, keys in by_key.items() for key, own in keys.items()}


def _contradictions(
    name: str,
    pieces: Sequence[_Piece],
    known: KnownRow | None,
    numbers: Sequence[int],
    sealed: set[str],
) -> Iterator[tuple[int, Told]]:
    """Find the rows that say different things of one row of the record."""
    if len(pieces) == 1 and known is None:
        return
    file = f"{name}.csv"
    said: dict[str, dict[object, list[int]]] = {}
    for place, cells in pieces:
        for column, entry in cells.items():
            said.setdefault(column, {}).setdefault(entry.value, []).append(place)
    for column, values in said.items():
        if known is not None:
            yield from _against_study(file, column, values, known, name == "reeds", sealed)
        if len(values) > 1:
            for value, places in values.items():
                other, there = next(item for item in values.items() if item[0] != value)
                why = f"{column} is '{_shown(value)}' here and '{_shown(other)}' in row "
                remedy = "mend one of the two, or tell them apart by their ids"
                for place in places:
                    yield place, Told("refused", f"{why}{numbers[there[0]]}", remedy)


def _against_study(
    file: str,
    column: str,
    values: dict[object, list[int]],
    known: KnownRow,
    of_reeds: bool,
    sealed: set[str],
) -> Iterator[tuple[int, Told]]:
    number, row = known
    before = row.get(column)
    in_sealed = of_reeds and row.get("batch_id") in sealed
    for value, places in values.items():
        if pd.isna(before):
            if not in_sealed:
                continue
            why = f"the reed belongs to the sealed batch '{row['batch_id']}'"
            told = Told("refused", why, "record its sheets, and open the key first")
        elif before != value:
            why = (
                f"{column} is '{_shown(value)}' here and '{_shown(before)}' in {file}, row {number}"
            )
            told = Told("refused", why, f"mend this row, or {file} if that is wrong")
        else:
            continue
        for place in places:
            yield place, told


def _shown(value: object) -> str:
    if isinstance(value, pd.Timestamp) or hasattr(value, "isoformat"):
        return str(value).removesuffix(" 00:00:00")
    return f"{value:.15g}" if isinstance(value, float) else str(value)


def _take(
    by_key: dict[tuple[str, Key], list[_Piece]],
    known: dict[str, dict[Key, KnownRow]],
    told: Sequence[Told | None],
    routed: Routed,
) -> set[int]:
    """Put what the rows add into the result; return the rows that add something."""
    adding: set[int] = set()
    for (name, key), pieces in by_key.items():
        before = known[name].get(key)
        merged: dict[str, str] = {}
        for place, cells in pieces:
            if told[place] is not None:
                continue
            for column, entry in cells.items():
                if column in merged or (before is not None and pd.notna(before[1].get(column))):
                    continue
                merged[column] = entry.text
                adding.add(place)
        if before is not None:
            routed.filled += [(name, before[0], column, text) for column, text in merged.items()]
        elif merged:
            routed.fresh.setdefault(name, []).append(merged)
    return adding


def _nothing_new(
    place: int,
    parts: Sequence[Part],
    by_key: dict[tuple[str, Key], list[_Piece]],
    known: dict[str, dict[Key, KnownRow]],
    numbers: Sequence[int],
) -> Told:
    """Say where it stands already what a row says."""
    order = [table.name for table in TABLES]
    name, key, _ = max(parts, key=lambda part: order.index(part.table))
    before = known[name].get(key)
    if before is not None:
        return Told("left out", f"it is recorded already in {name}.csv, row {before[0]}")
    first = min(piece.place for piece in by_key[name, key] if piece.place != place)
    return Told("left out", f"it says the same as row {numbers[first]}")
