"""What the maker's factors and responses add to the tables: columns, types, levels.

A factor is looked for in the table of its stratum, a response in the table that it
names, under the header exactly as declared.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from typing import Any

from reedlab.schema import RESPONSES, Column, Factor, Response, default_factors
from reedlab.study.resources import Resource
from reedlab.study.settings import Settings

#: Whether a reed was kept follows from its fate, so no file holds it.
KEPT = RESPONSES[-1]

_NUMERIC = ("number", "integer")
# The column types that can hold each kind of factor or response, the usual one first.
_TYPES = {
    "numeric": _NUMERIC,
    "categorical": ("text", "boolean", "integer", "number"),
    "continuous": _NUMERIC,
    "time": _NUMERIC,
    "binary": ("boolean",),
    "ordinal": ("text", "integer", "number"),
}


def completed(
    settings: Settings, raw: Mapping[str, Any], resources: Iterable[Resource]
) -> Settings:
    """Fill in what the descriptor leaves to the defaults, as far as it is recorded.

    Parameters
    ----------
    settings : Settings
        As read.
    raw : mapping
        The block it was read from; a list that it holds, even an empty one, stands.
    resources : iterable of Resource

    Returns
    -------
    Settings
    """
    names = {
        resource.table.name: resource.declared or resource.table.names for resource in resources
    }
    factors, responses = settings.factors, settings.responses
    if "factors" not in raw:
        usual = default_factors(settings.instrument)
        factors = [factor for factor in usual if factor.name in names.get(factor.table, ())]
    if "responses" not in raw:
        responses = [item for item in RESPONSES if item.name in names.get(item.table, ())]
    recorded = {"fate", "kept"} & set(names.get(KEPT.table, ()))
    if recorded and "kept" not in [item.name for item in responses]:
        responses = [*responses, KEPT]
    return replace(settings, factors=factors, responses=responses)


def misfits(settings: Settings, resources: Sequence[Resource]) -> Iterator[str]:
    """Name the factors and responses that the declared tables and types cannot hold."""
    tables = {resource.table.name: resource for resource in resources}
    for item in settings.declared:
        what = f"The {'factor' if isinstance(item, Factor) else 'response'} '{item.name}'"
        resource = tables.get(item.table)
        if resource is None:
            if not is_usual(item.name):
                listed = ", ".join(tables)
                yield f"{what} belongs to the table '{item.table}', which is not listed ({listed})."
            continue
        if item.name not in resource.declared:
            continue
        kind = resource.table.column(item.name).type
        worded = any(isinstance(level, str) for level in item.levels)
        if kind not in _TYPES[item.kind] or (worded and kind in _NUMERIC):
            levels = " with levels in words" if worded else ""
            yield (
                f"{what} is {item.kind}{levels}, but its field in the table '{item.table}' has "
                f"the type '{kind}'."
            )


def is_usual(name: str) -> bool:
    """Say whether a factor or response is one of those that every new study starts with."""
    return name in _usual()


@cache
def _usual() -> frozenset[str]:
    factors = {factor.name for factor in default_factors("oboe")}
    return frozenset(factors | {response.name for response in RESPONSES})


def with_declarations(resource: Resource, settings: Settings) -> Resource:
    """Return the resource with the columns and levels that factors and responses declare."""
    columns = {column.name: column for column in resource.table.columns}
    for item in settings.declared:
        if item.table != resource.table.name:
            continue
        column = columns.get(item.name, Column(item.name))
        if item.name not in resource.declared:
            column = _retyped(column, item)
        levels = [str(level) if column.type == "text" else level for level in item.levels]
        columns[item.name] = replace(
            column, unit=item.unit or column.unit, levels=levels or column.levels
        )
    table = replace(resource.table, columns=tuple(columns.values()))
    return replace(resource, table=table)


def _retyped(column: Column, item: Factor | Response) -> Column:
    """Give the column the usual type of the factor or response, if it has another kind."""
    kind = _TYPES[item.kind][0]
    if item.kind == "ordinal" and not any(isinstance(level, str) for level in item.levels):
        whole = all(float(level).is_integer() for level in item.levels)
        kind = "integer" if whole else "number"
    if kind == "number" and column.type == "integer":
        return column
    if kind in _NUMERIC:
        return replace(column, type=kind)
    return replace(column, type=kind, plausible=None, possible=None)
