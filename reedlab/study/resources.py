"""The tables between JSON and the program: the ``resources`` of the descriptor.

What a field declares is laid over what is known of the column; what it leaves open
keeps the default. Two properties of a field are our own: ``unit`` and ``plausible``.
"""

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import PurePosixPath, PureWindowsPath
from typing import Any

from reedlab.errors import CallError
from reedlab.schema import Column, Table, tables_for
from reedlab.study.cells import FALSE, TRUE
from reedlab.study.parquet import ENDING

#: Field types of the standard and ours.
FIELD_TYPES = {
    "string": "text",
    "any": "text",
    "number": "number",
    "integer": "integer",
    "year": "integer",
    "boolean": "boolean",
    "date": "date",
    "datetime": "datetime",
}

#: What a resource that is no table of the record says of itself: plans, codebook, recordings.
BESIDE = "beside_the_record"


@dataclass(frozen=True)
class Resource:
    """A table as the descriptor declares it.

    Attributes
    ----------
    table : Table
        All columns that may occur, with what is declared about them.
    path : str
        The file, relative to the folder.
    declared : tuple of str
        The fields that the descriptor lists; empty if it lists none.
    missing : frozenset of str
        The cells that mean "not recorded".
    """

    table: Table
    path: str
    declared: tuple[str, ...]
    missing: frozenset[str]


def resource_to_json(
    table: Table, present: Collection[str], parquet: bool = False
) -> dict[str, Any]:
    """Return a table as a resource of the descriptor.

    Parameters
    ----------
    table : Table
        Its columns become the fields.
    present : collection of str
        The tables of the study; a reference to another is left out.
    parquet : bool
        Whether its file is Parquet, not CSV.

    Returns
    -------
    dict

    Examples
    --------
    >>> from reedlab.schema import table_named
    >>> resource_to_json(table_named("life"), {"life"})["schema"]["primaryKey"]
    ['reed_id']
    """
    links = [
        {"fields": [column], "reference": {"resource": target, "fields": [column]}}
        for column, target in table.references.items()
        if target in present
    ]
    schema: dict[str, Any] = {
        "fields": [field_to_json(column) for column in table.columns],
        "missingValues": [""],
        "primaryKey": list(table.key),
    }
    if links:
        schema["foreignKeys"] = links
    form = (
        {
            "path": f"{table.name}{ENDING}",
            "format": "parquet",
            "mediatype": "application/vnd.apache.parquet",
        }
        if parquet
        else {
            "path": table.file,
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
        }
    )
    return {"name": table.name, "type": "table", **form, "schema": schema}


def field_to_json(column: Column) -> dict[str, Any]:
    """Return a column as a field of the descriptor.

    Examples
    --------
    >>> field_to_json(Column("note", meaning="in words"))
    {'name': 'note', 'type': 'string', 'description': 'in words'}
    """
    kind = {ours: theirs for theirs, ours in reversed(FIELD_TYPES.items())}[column.type]
    field: dict[str, Any] = {"name": column.name, "type": kind, "description": column.meaning}
    if column.unit:
        field["unit"] = column.unit
    if column.type == "datetime":
        field["format"] = "any"  # the seconds, or the whole hour, may be left out
    if column.type == "boolean":
        field["trueValues"] = [form(word) for word in TRUE[:2] for form in _CASES] + ["1"]
        field["falseValues"] = [form(word) for word in FALSE[:2] for form in _CASES] + ["0"]
    constraints: dict[str, Any] = {}
    if column.required:
        constraints["required"] = True
    if column.possible is not None:
        ends = zip(("minimum", "maximum"), column.possible, strict=True)
        constraints |= {end: _plain(bound) for end, bound in ends if math.isfinite(bound)}
    if column.levels and column.type != "number":  # a measured value may miss its level
        constraints["enum"] = list(column.levels)
    if constraints:
        field["constraints"] = constraints
    if column.type in ("number", "integer"):
        bounds = column.plausible
        field["plausible"] = None if bounds is None else [_plain(bound) for bound in bounds]
    return {name: value for name, value in field.items() if value != ""}


_CASES = (str.lower, str.capitalize, str.upper)


def _plain(bound: float) -> float:
    return int(bound) if float(bound).is_integer() else bound


def resources_from_json(value: Any, instrument_name: str, faults: list[str]) -> list[Resource]:
    """Build the tables from the ``resources``; what cannot be read goes to the faults.

    Parameters
    ----------
    value : object
        The list as parsed.
    instrument_name : str
        Decides the bounds of what the fields leave open.
    faults : list of str
        Gets one text for each thing that does not fit.

    Returns
    -------
    list of Resource

    Examples
    --------
    >>> faults = []
    >>> resources_from_json([{"name": "lots", "path": "../lots.csv"}], "bassoon", faults)
    []
    >>> faults
    ["Table 'lots': 'path' must name one file inside the folder."]
    """
    if not isinstance(value, list) or not value:
        faults.append("'resources' must list the files of the study.")
        return []
    known = {table.name: table for table in tables_for(instrument_name)}
    found: list[Resource] = []
    for place, item in enumerate(value, start=1):
        where = f"resources, entry {place}"
        if not isinstance(item, dict) or not isinstance(item.get("name"), str):
            faults.append(f"{where} must be an object with a 'name'.")
            continue
        if item.get(BESIDE) is True:
            continue
        name = item["name"]
        if name in [resource.table.name for resource in found]:
            faults.append(f"The table '{name}' is listed twice.")
            continue
        path = item.get("path")
        if not isinstance(path, str) or not is_inside(path):
            faults.append(f"Table '{name}': 'path' must name one file inside the folder.")
            continue
        schema = item.get("schema", {})
        if not isinstance(schema, dict):
            faults.append(f"Table '{name}': 'schema' must be an object in curly brackets.")
            continue
        resource = _resource(known.get(name, Table(name, (), ())), path, schema, faults)
        if resource is not None:
            found.append(resource)
    return found


def is_inside(path: str) -> bool:
    r"""Say whether a path names a place inside the study's folder, on any system.

    Examples
    --------
    >>> [is_inside(path) for path in ("day 1/R07.wav", "../R07.wav", "C:\\R07.wav", "/R07.wav")]
    [True, False, False, False]
    """
    return (
        bool(path)
        and "://" not in path
        and not any(
            parts.anchor or ".." in parts.parts or parts.parts[:1] == ("~",)
            for parts in (PurePosixPath(path), PureWindowsPath(path))
        )
    )


def _resource(
    base: Table, path: str, schema: Mapping[str, Any], faults: list[str]
) -> Resource | None:
    """Lay what the descriptor declares over what is known of the table."""
    where = f"Table '{base.name}'"
    entries = schema.get("fields", [])
    if not isinstance(entries, list) or not all(
        isinstance(entry, dict) and isinstance(entry.get("name"), str) for entry in entries
    ):
        faults.append(f"{where}: 'fields' must list objects that each have a 'name'.")
        return None
    before = len(faults)
    columns = {column.name: column for column in base.columns}
    for entry in entries:
        name = entry["name"]
        columns[name] = _column(columns.get(name, Column(name)), entry, where, faults)
    key = _texts(schema.get("primaryKey", list(base.key)))
    if key is None:
        faults.append(f"{where}: 'primaryKey' must be a column or a list of columns.")
        key = ()
    references = dict(base.references)
    for link in schema.get("foreignKeys", []):
        references |= _reference(link, where, faults)
    declared = tuple(entry["name"] for entry in entries)
    for name in key:
        if name not in (declared or columns):
            faults.append(f"{where}: the key column '{name}' is not among its fields.")
    for name in (*key, *references):
        # Ids are text: a number would turn 007 into 7.
        known_text = name in base.names and base.column(name).type == "text"
        if (known_text or name in references) and name in columns and columns[name].type != "text":
            faults.append(f"{where}: '{name}' is an id, so its type must be 'string'.")
    if len(faults) > before:
        return None
    references = {name: table for name, table in references.items() if name in columns}
    required = [replace(col, required=col.required or col.name in key) for col in columns.values()]
    missing = _missing_codes(schema.get("missingValues", [""]))
    return Resource(Table(base.name, key, required, references), path, declared, missing)


def _column(base: Column, entry: Mapping[str, Any], where: str, faults: list[str]) -> Column:
    """Return the column as a field of the descriptor declares it."""
    name, kind = base.name, entry.get("type")
    if kind is not None and (not isinstance(kind, str) or kind not in FIELD_TYPES):
        faults.append(
            f"{where}, field '{name}': the type '{kind}' is not read here; "
            f"use one of {', '.join(FIELD_TYPES)}."
        )
        return base
    constraints = entry.get("constraints", {})
    if not isinstance(constraints, dict):
        faults.append(f"{where}, field '{name}': 'constraints' must be an object.")
        return base
    low, high = constraints.get("minimum"), constraints.get("maximum")
    try:
        column = replace(base, type=FIELD_TYPES[kind] if kind else base.type)
        column = replace(
            column,
            unit=str(entry.get("unit", base.unit)),
            meaning=str(entry.get("description", base.meaning)),
            levels=tuple(constraints.get("enum", base.levels)),
            required=bool(constraints.get("required", base.required)),
        )
        if column.type not in ("number", "integer"):
            return replace(column, plausible=None, possible=None)
        if low is not None or high is not None:
            bounds = (
                float("-inf") if low is None else float(low),
                float("inf") if high is None else float(high),
            )
            column = replace(column, possible=bounds)
        if "plausible" in entry:
            column = replace(column, plausible=_bounds(entry["plausible"]))
        return column
    except (CallError, TypeError, ValueError):
        faults.append(
            f"{where}, field '{name}': bounds must be numbers, the lower one first, "
            "and 'enum' a list."
        )
        return base


def _bounds(value: Any) -> tuple[float, float] | None:
    if value is None:
        return None
    low, high = value
    return float(low), float(high)


def _texts(value: Any) -> tuple[str, ...] | None:
    items = [value] if isinstance(value, str) else value
    if isinstance(items, list) and all(isinstance(item, str) for item in items):
        return tuple(items)
    return None


def _reference(link: Any, where: str, faults: list[str]) -> dict[str, str]:
    """Return {column: table} of one foreign key; only keys of one column of the same name."""
    try:
        columns, target = _texts(link["fields"]), link["reference"]
        there = _texts(target["fields"])
        if (
            columns
            and there == columns
            and len(columns) == 1
            and isinstance(target["resource"], str)
        ):
            return {columns[0]: target["resource"]}
    except (KeyError, TypeError):
        pass
    faults.append(
        f"{where}: a foreign key must lead from one column to the column of the same name in "
        "another table."
    )
    return {}


def _missing_codes(value: Any) -> frozenset[str]:
    codes = value if isinstance(value, list) else [value]
    texts = (code.get("value") if isinstance(code, dict) else code for code in codes)
    return frozenset({"", *(text for text in texts if isinstance(text, str))})
