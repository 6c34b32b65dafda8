"""The codebook: every column of every table, for programs (CSV) and for readers (text).

How a thing was measured is said only where the record says it: the step of the protocol that
fills the column, the thing to which a factor's level was given, whether chance gave it.
"""

import math
from collections.abc import Iterator, Sequence

from reedlab.answer import counted
from reedlab.publish.package.part import Part, table_part, text_part
from reedlab.schema import Column, Table
from reedlab.study import Settings

_COLUMNS = (
    Column("file", meaning="file of the package"),
    Column("column", meaning="header of the column"),
    Column("meaning", meaning="what the column says"),
    Column("type", meaning="text, number, integer, boolean, date or datetime"),
    Column("unit", meaning="unit of its numbers"),
    Column("allowed", meaning="values that may stand in it"),
    Column("usual", meaning="range in which a value raises no question"),
    Column("how_measured", meaning="how it came about, as far as the record says"),
    Column("rows", "integer", meaning="rows of the table"),
    Column("missing", "integer", meaning="rows in which it is empty"),
)
NOT_SAID = "the record does not say"


def codebook_parts(parts: Sequence[Part], settings: Settings) -> Iterator[Part]:
    """Yield the two files of the codebook for the tables among the parts."""
    tables = [(part, part.table) for part in parts if part.table is not None]
    cells = [
        _row(part, column, settings, place)
        for part, table in tables
        for place, column in enumerate(table.columns)
    ]
    codebook = Table("codebook", (), _COLUMNS)
    yield table_part("codebook.csv", "every column of every table", codebook, cells)
    text = _text(tables, cells)
    yield text_part("codebook.txt", "the same, to be read", text)


def _row(part: Part, column: Column, settings: Settings, place: int) -> list[str]:
    missing = sum(not row[place] for row in part.cells)
    how = _how(column.name, settings) if part.of_the_record else ""
    label = next((item.label for item in settings.declared if item.name == column.name), "")
    return [
        part.file,
        column.name,
        column.meaning or label or NOT_SAID,
        column.type,
        column.unit,
        _allowed(column),
        _range(column.plausible),
        how,
        str(len(part.cells)),
        str(missing),
    ]


def _allowed(column: Column) -> str:
    if column.type == "boolean":
        return "true | false"
    if column.levels:
        return " | ".join(
            f"{level:g}" if isinstance(level, float) else str(level) for level in column.levels
        )
    return _range(column.possible)


def _range(bounds: tuple[float, float] | None) -> str:
    if bounds is None:
        return ""
    low, high = bounds
    if math.isinf(low):
        return f"up to {high:g}"
    return f"from {low:g}" if math.isinf(high) else f"{low:g} to {high:g}"


def _how(name: str, settings: Settings) -> str:
    told = [step.instruction for step in settings.protocol if name in step.fills]
    for factor in settings.factors:
        if factor.name == name:
            given = [batch.batch_id for batch in settings.batches if name in batch.given]
            drawn = [batch.batch_id for batch in settings.batches if name in batch.randomised]
            told.append(f"A factor: each {factor.stratum} has one level.")
            if drawn:
                told.append(f"Levels were given by chance in batch {', '.join(drawn)}.")
            if given:
                told.append(f"Measured, not set, in batch {', '.join(given)}.")
    if not told and any(response.name == name for response in settings.responses):
        told.append(f"A response; {NOT_SAID} how it is measured.")
    return " ".join(told)


def _text(tables: Sequence[tuple[Part, Table]], cells: Sequence[Sequence[str]]) -> str:
    lines = ["CODEBOOK", ""]
    for part, table in tables:
        lines += [f"{part.file}: {part.holds} ({counted(len(part.cells), 'row')})"]
        if table.key:
            lines.append(f"  What tells its rows apart: {', '.join(table.key)}.")
        for column, there in table.references.items():
            lines.append(f"  {column} is explained in {there}.csv.")
        lines += ["", *(line for row in cells if row[0] == part.file for line in _entry(row)), ""]
    return "\n".join(lines)


def _entry(row: Sequence[str]) -> Iterator[str]:
    _, name, meaning, kind, unit, allowed, usual, how, rows, missing = row
    yield f"  {name}: {meaning}"
    parts = [kind + (f", {unit}" if unit else "")]
    parts += [f"allowed: {allowed}"] if allowed else []
    parts += [f"usual: {usual}"] if usual else []
    parts.append(f"missing in {missing} of {rows}")
    yield f"      {'; '.join(parts)}"
    if how:
        yield f"      {how}"
