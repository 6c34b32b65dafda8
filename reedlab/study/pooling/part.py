"""One study on its way into a pool: its tables and declarations as the mapping has them.

The study itself is never touched. Cells that its check calls impossible are missing here.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, TypeVar

import pandas as pd

from reedlab.errors import CallError, unknown_name
from reedlab.schema import Column, Factor, Response, is_number
from reedlab.study.pooling.mapping import PoolMapping
from reedlab.study.pooling.units import factor_between
from reedlab.study.study import Study

Item = TypeVar("Item", Factor, Response)
Tables = dict[str, pd.DataFrame]


@dataclass(frozen=True)
class Part:
    """A study as it goes into the pool.

    Attributes
    ----------
    name, maker : str
        Of the study, and whose it is.
    study : Study
        As it was opened.
    tables : dict of str to DataFrame
        Index: the row in the study's own file.
    columns : dict of str to Column
        By ``table.column``.
    factors, responses : dict
        Declared and recorded, by name.
    typed : dict of str to str
        From ``table.column`` to the header in the study's own file.
    against : str
        What crow_cents was reckoned anew against; empty where it stands as recorded.
    """

    name: str
    maker: str
    study: Study
    tables: Tables
    columns: dict[str, Column]
    factors: dict[str, Factor]
    responses: dict[str, Response]
    typed: dict[str, str]
    against: str = ""

    def has(self, column: str) -> bool:
        """Whether a column, ``table.column``, holds anything."""
        return column in self.columns and bool(self.values(column).notna().any())

    def values(self, column: str) -> pd.Series:
        """The cells of a column, ``table.column``."""
        table, _, name = column.partition(".")
        return self.tables[table][name]

    def declared(self, name: str) -> Factor | Response | None:
        """A factor or response by name, if it is declared and recorded."""
        return self.factors.get(name) or self.responses.get(name)


def prepared(name: str, maker: str, study: Study, mapping: PoolMapping) -> Part:
    """Read a study as the mapping says: renamed, without what stays out, in units and words.

    Raises
    ------
    CallError
        If the mapping names a column that the study does not have.
    """
    part = _renamed(_as_opened(name, maker, study), mapping)
    part = _without(part, mapping)
    part = _measured_in(part, mapping)
    return _worded(part, mapping)


def _as_opened(name: str, maker: str, study: Study) -> Part:
    tables = {table: frame.copy() for table, frame in study.tables.items()}
    files = {study.sheets[table].file: table for table in tables}
    errors = study.faults.errors
    for file, row, column in zip(errors["file"], errors["row"], errors["column"], strict=True):
        table = files.get(file, "")
        whole = table and row in tables[table].index and column in tables[table]
        if whole and column not in study.schema[table].key:
            tables[table].loc[row, column] = None
    columns = {
        f"{table.name}.{column.name}": column
        for table in study.schema.values()
        for column in table.columns
    }
    return Part(
        *(name, maker, study, tables, columns),
        factors={factor.name: factor for factor in study.factors},
        responses={response.name: response for response in study.responses},
        typed={column: column.partition(".")[2] for column in columns},
    )


def _renamed(part: Part, mapping: PoolMapping) -> Part:
    for column, other in mapping.own(part.name).rename.items():
        _require(part, column)
        table, _, name = column.partition(".")
        if f"{table}.{other}" in part.columns:
            raise CallError(
                f"{part.name}: {column} cannot be called '{other}', for {table} has a column of "
                "that name already; leave one of the two out."
            )
        columns = {
            (f"{table}.{other}" if key == column else key): (
                replace(value, name=other) if key == column else value
            )
            for key, value in part.columns.items()
        }
        typed = {key: value for key, value in part.typed.items() if key != column}
        typed[f"{table}.{other}"] = part.typed[column]
        part = replace(
            part,
            tables={**part.tables, table: part.tables[table].rename(columns={name: other})},
            columns=columns,
            factors=_called(part.factors, name, other),
            responses=_called(part.responses, name, other),
            typed=typed,
        )
    return part


def _called(items: Mapping[str, Item], name: str, other: str) -> dict[str, Item]:
    # The label was made of the name unless the maker wrote one.
    return {
        (other if key == name else key): (
            replace(
                item, name=other, label="" if item.label == name.replace("_", " ") else item.label
            )
            if key == name
            else item
        )
        for key, item in items.items()
    }


def _without(part: Part, mapping: PoolMapping) -> Part:
    gone = [column for column in mapping.leave_out if column in part.columns]
    tables = dict(part.tables)
    for column in gone:
        table, _, name = column.partition(".")
        tables[table] = tables[table].drop(columns=name)
    names = {column.partition(".")[2] for column in gone}
    return replace(
        part,
        tables=tables,
        columns={key: value for key, value in part.columns.items() if key not in gone},
        factors={key: item for key, item in part.factors.items() if key not in names},
        responses={key: item for key, item in part.responses.items() if key not in names},
    )


def _measured_in(part: Part, mapping: PoolMapping) -> Part:
    """Put the columns of which the mapping says a unit into that unit, if it can be."""
    said = mapping.own(part.name).units
    for column in said:
        _require(part, column)
    for column in {**mapping.units, **said}:
        if column not in part.columns:
            continue
        old = part.columns[column]
        unit = said.get(column, old.unit)
        target = mapping.units.get(column, unit)
        times = factor_between(unit, target)
        table, _, name = column.partition(".")
        if times is None:
            part = _with_column(part, column, replace(old, unit=unit))
            continue
        part = _with_column(part, column, _scaled(old, times, target))
        if times != 1:
            frame = part.tables[table].assign(**{name: part.values(column) * times})
            part = replace(part, tables={**part.tables, table: frame})
        if name in part.factors:
            factor = part.factors[name]
            step = None if factor.step is None else factor.step * times
            levels = [level * times if is_number(level) else level for level in factor.levels]
            factor = replace(factor, unit=target, step=step, levels=levels)
            part = replace(part, factors={**part.factors, name: factor})
        if name in part.responses:
            response = part.responses[name]
            aim = None if response.target is None else response.target * times
            response = replace(response, unit=target, target=aim)
            part = replace(part, responses={**part.responses, name: response})
    return part


def _scaled(column: Column, times: float, unit: str) -> Column:
    if times == 1:
        return replace(column, unit=unit)
    kind = "number" if column.type == "integer" else column.type
    levels = [level * times if is_number(level) else level for level in column.levels]
    return replace(column, type=kind, unit=unit, plausible=None, possible=None, levels=levels)


def _worded(part: Part, mapping: PoolMapping) -> Part:
    """Put the words that the mapping speaks of into those of the pool, levels too."""
    own = mapping.own(part.name).words
    for column in own:
        _require(part, column)
    for column in {**mapping.words, **own}:
        if column in part.columns:
            part = _column_worded(
                part, column, partial(_called_in_pool, mapping, part.name, column)
            )
    return part


def _called_in_pool(mapping: PoolMapping, study: str, column: str, level: Any) -> Any:
    word = word_of(level)
    other = mapping.word(study, column, word)
    return level if other == word else _as_typed(other, level)


def _column_worded(part: Part, column: str, called: Callable[[Any], Any]) -> Part:
    table, _, name = column.partition(".")
    frame = part.tables[table]
    try:
        cells = frame[name].map(called, na_action="ignore").astype(frame[name].dtype)
    except (TypeError, ValueError):
        raise CallError(
            f"{part.name}: {column} holds numbers, so its words must become numbers too."
        ) from None
    old = part.columns[column]
    part = replace(part, tables={**part.tables, table: frame.assign(**{name: cells})})
    part = _with_column(part, column, replace(old, levels=_once(old.levels, called)))
    if name in part.factors:
        item = part.factors[name]
        item = replace(item, levels=_once(item.levels, called))
        part = replace(part, factors={**part.factors, name: item})
    if name in part.responses:
        answer = part.responses[name]
        answer = replace(answer, levels=_once(answer.levels, called))
        part = replace(part, responses={**part.responses, name: answer})
    return part


def word_of(level: object) -> str:
    """Write a level as the mapping names it.

    Examples
    --------
    >>> word_of(10.0), word_of("wide")
    ('10', 'wide')
    """
    return f"{level:g}" if is_number(level) else str(level)


def _as_typed(word: str, like: Any) -> Any:
    """A level that the mapping writes as a word, as a number if the levels are numbers."""
    if not is_number(like):
        return word
    try:
        return float(word)
    except ValueError:
        return word


def _once(levels: Iterable[Any], called: Callable[[Any], Any]) -> tuple[Any, ...]:
    return tuple(dict.fromkeys(called(level) for level in levels))


def _with_column(part: Part, column: str, value: Column) -> Part:
    return replace(part, columns={**part.columns, column: value})


def _require(part: Part, column: str) -> None:
    if column not in part.columns:
        raise unknown_name(f"column of {part.name}", column, part.columns)
