"""Whose declaration of a factor or response counts where the makers' differ.

A level given to lots or tubes can be told of every reed cut from them, and then stands with
the reeds; what was given to reeds cannot be made a tube's.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import pandas as pd

from reedlab.errors import CallError
from reedlab.schema import Factor
from reedlab.schema.factors import STRATUM_KEY, STRATUM_TABLE
from reedlab.study.pooling.mapping import PoolMapping
from reedlab.study.pooling.part import Part, word_of

#: Strata whose levels pass on to the next one.
_DOWN = ("lot", "tube", "reed")


def as_declared(parts: Sequence[Part], mapping: PoolMapping) -> list[Part]:
    """Return the studies with the declarations that the mapping chose.

    Raises
    ------
    CallError
        If the study named does not declare it, or a level cannot be told of another stratum.
    """
    by_name = {part.name: part for part in parts}
    found = list(parts)
    for name, study in mapping.declared.items():
        item = by_name[study].declared(name)
        if item is None:
            raise CallError(f"declared: {study} has no factor or response '{name}'.")
        for place, part in enumerate(found):
            own = part.declared(name)
            if own is None or part.name == study:
                continue
            if isinstance(item, Factor) and isinstance(own, Factor):
                part = _as_kind(_moved(part, own, item), by_name[study], item)
            rest = replace(
                part,
                factors={key: one for key, one in part.factors.items() if key != name},
                responses={key: one for key, one in part.responses.items() if key != name},
            )
            if isinstance(item, Factor):
                found[place] = replace(rest, factors={**rest.factors, name: item})
            else:
                found[place] = replace(rest, responses={**rest.responses, name: item})
    return found


def _as_kind(part: Part, chosen: Part, item: Factor) -> Part:
    """Read the levels as the chosen declaration has them: as numbers, or as words."""
    column = f"{item.table}.{item.name}"
    old, new = part.columns[column], chosen.columns[column]
    if (old.type == "text") == (new.type == "text"):
        return part
    cells = part.values(column)
    if new.type == "text":
        cells = cells.map(word_of, na_action="ignore").astype("str")
    else:
        try:
            cells = pd.to_numeric(cells).astype("float64")
        except ValueError as error:
            raise CallError(
                f"declared: '{item.name}' of {part.name} holds words that are no numbers ({error})."
            ) from None
    frame = part.tables[item.table].assign(**{item.name: cells})
    kind = "text" if new.type == "text" else "number"
    column_there = replace(new, type=kind, unit=old.unit or new.unit)
    return replace(
        part,
        tables={**part.tables, item.table: frame},
        columns={**part.columns, column: column_there},
    )


def _moved(part: Part, own: Factor, item: Factor) -> Part:
    """Tell the level of each tube or lot of what was cut from it."""
    if own.stratum == item.stratum:
        return part
    if not {own.stratum, item.stratum} <= set(_DOWN) or (
        _DOWN.index(own.stratum) > _DOWN.index(item.stratum)
    ):
        raise CallError(
            f"declared: '{item.name}' is given to a {own.stratum} in {part.name}, so it cannot be "
            f"told of each {item.stratum}; choose a declaration with the {own.stratum}s, or leave "
            "it out."
        )
    tables, columns, typed = dict(part.tables), dict(part.columns), dict(part.typed)
    steps = _DOWN[_DOWN.index(own.stratum) : _DOWN.index(item.stratum) + 1]
    for upper, lower in pairwise(steps):
        key, table, below = STRATUM_KEY[upper], STRATUM_TABLE[upper], STRATUM_TABLE[lower]
        if key not in tables.get(below, ()):
            raise CallError(
                f"declared: {part.name} does not say in {below} to which {upper} each belongs."
            )
        levels = tables[table].set_index(key)[item.name]
        told = tables[below][key].map(levels).astype(levels.dtype)
        tables[below] = tables[below].assign(**{item.name: told})
        tables[table] = tables[table].drop(columns=item.name)
        columns[f"{below}.{item.name}"] = columns.pop(f"{table}.{item.name}")
        typed.pop(f"{table}.{item.name}")
    return replace(part, tables=tables, columns=columns, typed=typed)
