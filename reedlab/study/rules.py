"""Rules over one table: keys, bounds, levels, spellings.

pandera finds the cells that break bounds, levels and filled keys, all in one pass; the
words are ours. What is typed wrongly was found while reading and is missing here.
"""

import unicodedata
from collections import Counter
from collections.abc import Iterator
from difflib import get_close_matches
from typing import Any

import pandas as pd

from reedlab.schema import Column, Table
from reedlab.study.descriptor import DESCRIPTOR
from reedlab.study.faults import Fault
from reedlab.study.slips import slip
from reedlab.study.study import Study

#: Texts that tell one thing each; two of them may well differ by case alone.
_FREE_TEXTS = ("recording", "note")


def fault_at(
    study: Study, table: str, row: int, column: str, severity: str, fault: str, remedy: str
) -> Fault:
    """Return a fault of one cell, with its value as typed."""
    sheet = study.sheets[table]
    return Fault(sheet.file, row, column, sheet.cell(row, column), severity, fault, remedy)


def cells_where(values: pd.Series, mask: pd.Series | None = None) -> list[tuple[int, Any]]:
    """Return (row, value) of the cells that a mask marks; missing in the mask is no mark."""
    chosen = values if mask is None else values[mask.fillna(False).astype(bool)]
    return list(zip(chosen.index.tolist(), chosen.tolist(), strict=True))


def duplicates(study: Study, name: str) -> Iterator[Fault]:
    """Find rows that repeat the key of an earlier row."""
    table, frame = study.schema[name], study.tables[name]
    key = list(table.key)
    if not key:
        return
    whole = frame[frame[key].notna().all(axis="columns")]
    first: dict[tuple[Any, ...], int] = {}
    for row, values in zip(whole.index, whole[key].itertuples(index=False), strict=True):
        earlier = first.setdefault(tuple(values), row)
        if earlier == row:
            continue
        if len(key) == 1:
            fault = f"{key[0]} '{values[0]}' is in row {earlier} already"
            fates = _fates(frame, earlier, row) if name == "reeds" else ""
            if fates:
                fault = f"reed '{values[0]}' is {fates}"
            remedy = "give each its own id, or take one of the two rows out"
        else:
            cell = ", ".join(f"{column} {study.sheets[name].cell(row, column)}" for column in key)
            fault = f"the same {cell} is in row {earlier} already"
            remedy = f"take one row out, or tell them apart by {key[-1]}; nothing is averaged"
        yield fault_at(study, name, row, key[0], "error", fault, remedy)


def _fates(frame: pd.DataFrame, earlier: int, row: int) -> str:
    if "fate" not in frame:
        return ""
    before, after = frame["fate"].loc[[earlier, row]].tolist()
    if not (isinstance(before, str) and isinstance(after, str)) or before == after:
        return ""
    return f"{before} in row {earlier} and {after} in row {row}"


def spellings(study: Study, name: str) -> Iterator[Fault]:
    """Find words that differ from a level, or from a commoner word, by case or space only."""
    table, frame = study.schema[name], study.tables[name]
    for column in table.columns:
        elsewhere = table.references.get(column.name) in study.tables
        if column.type != "text" or elsewhere or column.name in _FREE_TEXTS:
            continue
        values = frame[column.name].dropna()
        right = _spelled(values, [str(level) for level in column.levels])
        for row, value in cells_where(values):
            if value in right:
                meant = right[value]
                fault = (
                    f"'{value}' differs from '{meant}' only by case, space or accent code; "
                    "they would count as two"
                )
                yield fault_at(study, name, row, column.name, "error", fault, f"write '{meant}'")


def _spelled(values: pd.Series, levels: list[str]) -> dict[str, str]:
    """Map each odd spelling to the declared level, or else to the commonest spelling."""
    counts = Counter(values)
    groups: dict[str, list[str]] = {}
    for value in counts:
        groups.setdefault(plain(value), []).append(value)
    declared = {plain(level): level for level in reversed(levels)}
    right: dict[str, str] = {}
    for bare, forms in groups.items():
        meant = declared.get(bare, max(forms, key=lambda form: counts[form]))
        # Levels that the maker declares side by side are different, however alike.
        right |= {form: meant for form in forms if form != meant and form not in levels}
    return right


def plain(text: str) -> str:
    """Return a word without case, spaces and the codes of its accents.

    Examples
    --------
    >>> plain("Extra  Wide") == plain("extra wide")
    True
    """
    return "".join(unicodedata.normalize("NFKC", text).split()).casefold()


def bounds_and_levels(study: Study, name: str) -> Iterator[Fault]:
    """Find blank keys, values outside their bounds, and values that are no level."""
    table = study.schema[name]
    for row, column_name, rule in _broken(table, study.tables[name]):
        column = table.column(column_name)
        value: Any = study.tables[name][column_name].loc[row]
        if rule == "not_nullable":
            told = _blank_key(table, column)
        elif rule == "level":
            told = _no_level(study, table, column, value)
        else:
            told = _out_of_bounds(column, float(value), rule)
        yield fault_at(study, name, row, column_name, *told)


def _broken(table: Table, frame: pd.DataFrame) -> list[tuple[int, str, str]]:
    """Return (row, column, rule) for each cell that breaks a rule of its column."""
    import pandera.pandas as pa
    from pandera.errors import SchemaErrors

    columns = {}
    for column in table.columns:
        checks = [
            pa.Check.in_range(*bounds, error=rule)
            for rule, bounds in (("possible", column.possible), ("plausible", column.plausible))
            if bounds is not None
        ]
        if column.levels:
            checks.append(pa.Check.isin(list(column.levels), error="level"))
        if checks or column.required:
            columns[column.name] = pa.Column(checks=checks, nullable=not column.required)
    try:
        pa.DataFrameSchema(columns).validate(frame, lazy=True)
    except SchemaErrors as error:
        cases = error.failure_cases[["index", "column", "check"]]
        return [(int(row), column, rule) for row, column, rule in cases.itertuples(index=False)]
    return []


def _blank_key(table: Table, column: Column) -> tuple[str, str, str]:
    if column.name not in table.key:
        return "error", f"{column.name} is blank and must not be", f"fill in {column.name}"
    if len(table.key) == 1:
        return "error", f"{column.name} is blank, so the row has no id", f"fill in {column.name}"
    key = ", ".join(table.key)
    return (
        "error",
        f"{column.name} is blank, but it is part of what tells rows apart ({key})",
        f"fill in {column.name}",
    )


def _no_level(study: Study, table: Table, column: Column, value: Any) -> tuple[str, str, str]:
    levels = [str(level) for level in column.levels]
    # A measured value may miss the level that was planned; a word may not.
    severity = "warning" if column.type == "number" else "error"
    near = get_close_matches(str(value), levels, n=1, cutoff=0.6)
    guess = f"write '{near[0]}' if that is meant" if near and column.type == "text" else ""
    declared = f"use {', '.join(levels)}"
    own = [item for item in study.settings.declared if item.name == column.name]
    if any(item.table == table.name for item in own):
        declared += f", or declare it in {DESCRIPTOR}"
    shown = f"{value:g}" if isinstance(value, float) else value
    return (
        severity,
        f"'{shown}' is none of the levels",
        f"{guess}; {declared}" if guess else declared,
    )


def _out_of_bounds(column: Column, value: float, rule: str) -> tuple[str, str, str]:
    unit = f" {column.unit}" if column.unit else ""
    found = slip(column, value)
    if found is not None:
        what, meant, sure = found
        severity = "error" if sure or rule == "possible" else "warning"
        if severity == "error":
            fault = f"{value:g} is not in {column.unit}: it looks like {what}"
        else:
            fault = f"{value:g}{unit} is unusual: it may be {what}"
        return severity, fault, f"write {meant:.4g} if this was {what}"
    if rule == "possible":
        bounds = _range_text(column.possible)
        return (
            "error",
            f"{value:g}{unit} is impossible ({bounds}{unit})",
            "measure or type it again",
        )
    bounds = _range_text(column.plausible)
    return (
        "warning",
        f"{value:g}{unit} is unusual (usually {bounds}{unit})",
        f"look again; if it is right, widen 'plausible' of {column.name} in {DESCRIPTOR}",
    )


def _range_text(bounds: tuple[float, float] | None) -> str:
    low, high = bounds or (float("-inf"), float("inf"))
    if low == float("-inf"):
        return f"at most {high:g}"
    return f"at least {low:g}" if high == float("inf") else f"{low:g} to {high:g}"
