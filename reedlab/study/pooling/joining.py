"""One table out of the makers': ids made unique, columns side by side, rows with a source.

Rows of the pool are numbered on from 2, maker after maker; `origin` says where each stands.
"""

from collections.abc import Sequence
from typing import Any

import pandas as pd

from reedlab.schema import Column, Table
from reedlab.study.cells import DTYPES
from reedlab.study.pooling.mapping import PoolMapping
from reedlab.study.pooling.part import Part
from reedlab.study.sheets import Sheet
from reedlab.study.study import MAKER

#: Ids that are one maker's own, so that the same text in two studies is two things.
OWN_IDS = ("lot_id", "tube_id", "reed_id", "session_id", "batch_id")

_MAKER_COLUMN = Column(MAKER, "text", "", "whose study the row comes from", required=True)


def joined_columns(table: str, parts: Sequence[Part]) -> list[Column]:
    """Columns of a table of the pool, in the order met, the maker last."""
    found: dict[str, Column] = {}
    for part in parts:
        for key, column in part.columns.items():
            if key.partition(".")[0] != table:
                continue
            known = found.setdefault(column.name, column)
            if known.type == "integer" and column.type == "number":
                found[column.name] = column
    return [*found.values(), _MAKER_COLUMN]


def joined_schema(table: str, columns: Sequence[Column], parts: Sequence[Part]) -> Table:
    """A table of the pool: the key of the makers' and what it points to."""
    schemas = [part.study.schema[table] for part in parts if table in part.tables]
    names = [column.name for column in columns]
    references = {
        column: there
        for schema in schemas
        for column, there in schema.references.items()
        if column in names
    }
    key = [name for name in schemas[0].key if name in names]
    return Table(table, key, columns, references)


def joined_rows(
    table: str, columns: Sequence[Column], parts: Sequence[Part], mapping: PoolMapping
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of a table of the pool, and where each stands: study, file, row."""
    frames, origins = [], []
    for part in parts:
        if table not in part.tables:
            continue
        frame = _with_own_ids(part, part.tables[table], parts, mapping).assign(
            **{MAKER: part.maker}
        )
        kinds: dict[str, Any] = {column.name: DTYPES[column.type] for column in columns}
        frames.append(frame.reindex(columns=[*kinds]).astype(kinds))
        file = f"{part.name}/{part.study.sheets[table].file}"
        origins.append(pd.DataFrame({"study": part.name, "file": file, "row": frame.index}))
    rows = pd.concat(frames, ignore_index=True)
    rows.index = pd.Index(range(2, len(rows) + 2), name="row", dtype="int64")
    return rows, pd.concat(origins, ignore_index=True).set_axis(rows.index)


def joined_sheet(table: str, columns: Sequence[Column], parts: Sequence[Part]) -> Sheet:
    """The cells of a table of the pool as they were typed, each in its maker's file."""
    rows: list[list[str]] = []
    for part in parts:
        if table not in part.tables:
            continue
        sheet = part.study.sheets[table]
        headers = [part.typed.get(f"{table}.{column.name}", "") for column in columns]
        places = [sheet.header.index(name) if name in sheet.header else None for name in headers]
        rows += [["" if at is None else row[at] for at in places] for row in sheet.rows]
    header = tuple(column.name for column in columns)
    return Sheet(f"{table}.csv", header, tuple(range(2, len(rows) + 2)), tuple(rows), (), ())


def own_id(part: Part, parts: Sequence[Part], value: Any) -> str:
    """Make an id of a study unique in the pool: ``maker/id``, or by study if a maker has more."""
    alone = sum(other.maker == part.maker for other in parts) == 1
    return f"{part.maker if alone else part.name}/{value}"


def _with_own_ids(
    part: Part, frame: pd.DataFrame, parts: Sequence[Part], mapping: PoolMapping
) -> pd.DataFrame:
    frame = frame.copy()
    for name in OWN_IDS:
        if name in frame:
            ids = frame[name].map(lambda value: own_id(part, parts, value), na_action="ignore")
            frame[name] = ids.astype("str")
    if "player_id" in frame:
        players = frame["player_id"].map(
            lambda value: _person(part, parts, value, mapping), na_action="ignore"
        )
        frame["player_id"] = players.astype("str")
    return frame


def _person(part: Part, parts: Sequence[Part], player: str, mapping: PoolMapping) -> str:
    if f"{part.name}/{player}" in mapping.players:
        return mapping.players[f"{part.name}/{player}"]
    if mapping.players.get(player) == "same":
        return player
    return own_id(part, parts, player)
