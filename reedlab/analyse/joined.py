"""The tables of a study joined: rows of one table with the factors of what they belong to.

The same rows serve every response of a table, so each join is made once for each study.
Cells that the check calls impossible are set aside, and rows whose reed, tube, lot or
session is recorded nowhere are named.
"""

from collections.abc import Sequence

import pandas as pd

from reedlab.errors import CallError, RecordError
from reedlab.schema import Factor, Response
from reedlab.study import Study
from reedlab.study.once import once_a_study

#: From a row to what it belongs to: key column, and the table with one row for each key.
PARENTS = {"reed_id": "reeds", "session_id": "sessions", "tube_id": "tubes", "lot_id": "lots"}
#: Keys of parents' parents and of the player, carried along.
CARRIED = {"reeds": ["tube_id"], "sessions": ["player_id"], "tubes": ["lot_id"], "lots": []}


def join(
    study: Study, response: Response, values: pd.Series, factors: Sequence[Factor]
) -> tuple[pd.DataFrame, tuple[tuple[int, str], ...]]:
    """Join a response to the factors and keys of its rows.

    Parameters
    ----------
    study : Study
    response : Response
    values : Series
        The response, by the row of its table.
    factors : sequence of Factor
        Recorded ones.

    Returns
    -------
    data : DataFrame
        Keys, response and factors.
    orphans : tuple
        Rows that belong to nothing recorded, with the reason.

    Raises
    ------
    CallError
        If a factor has the name of a column that is needed.
    RecordError
        If a key is there twice.
    """
    require_unique_keys(study, response.table)
    elsewhere = [f for f in factors if f.table in PARENTS.values() and f.table != response.table]
    for factor in elsewhere:
        if factor.name == response.name:
            raise _same_name(factor.name, factor.table, response.table)
    data, own, orphans = _rows(study, response.table, tuple(f.name for f in factors))
    data, values = data.copy(deep=False), values.reindex(data.index)
    if response.name in data:
        data[response.name] = values
    else:
        data.insert(own, response.name, values)
    return data, orphans


@once_a_study
def require_unique_keys(study: Study, table: str) -> None:
    """Refuse rows that stand twice: joined, they would count double.

    Raises
    ------
    RecordError
        Naming every such row of the table and of those it points to.
    """
    faults = []
    for name in {table, *PARENTS.values()} & set(study.tables):
        faults += _twice(study, name)
    if faults:
        raise RecordError(
            "Rows stand twice; keep the right one of each, or give the repeat another trial "
            "number:\n" + "\n".join(sorted(faults))
        )


@once_a_study
def _twice(study: Study, table: str) -> list[str]:
    keys = [key for key in study.schema[table].key if key in study.tables[table]]
    rows = study.tables[table][keys].dropna()
    faults = []
    for key, group in rows[rows.duplicated(keep=False)].groupby(keys):
        where = ", ".join(map(str, group.index))
        what = ", ".join(f"{k} {v}" for k, v in zip(keys, key, strict=True))
        faults.append(f"{study.sheets[table].file}, rows {where}: the same {what}.")
    return faults


@once_a_study
def sound_cells(study: Study, table: str) -> pd.DataFrame:
    """Return a table without the cells that the check calls impossible."""
    data = study.tables[table].copy(deep=False)
    rows: dict[str, list[int]] = {}
    for file, row, column, _, _ in errors_of(study):
        here = file == study.sheets[table].file and column in data
        if here and column not in study.schema[table].key:
            rows.setdefault(column, []).append(row)
    for column, marked in rows.items():
        data[column] = data[column].mask(data.index.isin(marked))
    return data


@once_a_study
def errors_of(study: Study) -> tuple[tuple[str, int, str, str, str], ...]:
    """Return file, row, column, value and fault of every error that the check finds."""
    errors = study.faults.errors[["file", "row", "column", "value", "fault"]]
    return tuple(errors.itertuples(index=False, name=None))


@once_a_study
def _rows(
    study: Study, table: str, factors: tuple[str, ...]
) -> tuple[pd.DataFrame, int, tuple[tuple[int, str], ...]]:
    """Join keys and factors to a table: the rows, how many columns are its own, orphans."""
    chosen = [study.factor(name) for name in factors]
    base = sound_cells(study, table)
    keys = ("maker_id", *PARENTS, "player_id", "stage")
    wanted = dict.fromkeys([*keys, *(f.name for f in chosen if f.table == table)])
    own = [name for name in wanted if name in base]
    data = base[own]
    orphans: list[tuple[int, str]] = []
    for key, name in PARENTS.items():
        if key not in data or name not in study.tables or name == table:
            continue
        theirs = [f.name for f in chosen if f.table == name]
        for factor in {*theirs} & {*data.columns}:
            raise _same_name(factor, name, table)
        parent = study.tables[name]
        carried = [c for c in CARRIED[name] if c in parent and c not in data]
        extra = sound_cells(study, name)[[*dict.fromkeys([*carried, *theirs])]]
        extra = extra.set_axis(parent[key])
        lost = data[key].notna() & ~data[key].isin(parent[key])
        file = study.sheets[name].file
        found = zip(data.index[lost], data.loc[lost, key], strict=True)
        orphans += [(row, f"{key} {value} is not in {file}") for row, value in found]
        data = data[~lost].join(extra[extra.index.notna()], on=key)
    return data, len(own), tuple(orphans)


def _same_name(factor: str, table: str, needed_by: str) -> CallError:
    return CallError(
        f"The factor '{factor}' of the table {table} has the same name as a column of "
        f"{needed_by} that this question needs; rename one of the two."
    )
