"""The cells of a table read by the rules of its mapping, column by column.

A cell that cannot be read without the maker becomes a question in the place of the mapping
that would settle it: a setting of its column if one setting would, a word of the column, or
the cell alone. Cells that look alike are read once.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from reedlab.errors import listed
from reedlab.schema import Column
from reedlab.study.belonging import OUTSIDE, outside
from reedlab.study.bring.grids import Cell
from reedlab.study.bring.mapping import (
    DATE_ORDERS,
    MISSING,
    SETTINGS,
    CellAnswer,
    Question,
    settled,
)
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values.pitches import holds_pitch
from reedlab.study.bring.values.read import read_value
from reedlab.study.bring.values.readings import Read, taken
from reedlab.study.bring.values.units import units_of
from reedlab.study.rules import plain

#: Settings that may settle what a cell means, by the type of its column; units are those of
#: the column.
_SETTLING: dict[str, dict[str, tuple[str, ...]]] = {
    "number": {
        "unit": (),
        "decimal": (".", ","),
        "thousands": (".", ","),
        "notes": ("english", "german"),
        "from_note": ("E4",),
        "ranges": ("middle",),
    },
    "date": {"dates": tuple(DATE_ORDERS), "serials": ("1900", "1904")},
}
_SETTLING |= {"integer": _SETTLING["number"], "datetime": _SETTLING["date"]}
#: Texts that tell one thing each, so that likeness says nothing.
_FREE = ("note", "recording", "fate_reason", "reason")


@dataclass(frozen=True)
class ReadColumn:
    """One column of a sheet with the reading of each of its cells.

    Attributes
    ----------
    rule : ColumnRule
    column : Column
        Where it goes.
    cells : tuple of Cell
    reads : list of Read
        One a record.
    """

    rule: ColumnRule
    column: Column
    cells: Sequence[Cell]
    reads: list[Read]


def read_column(
    cells: Sequence[Cell], column: Column, rule: ColumnRule, answers: Mapping[str, CellAnswer]
) -> ReadColumn:
    """Read a column.

    Parameters
    ----------
    cells : sequence of Cell
    column : Column
        Where it goes.
    rule : ColumnRule
    answers : mapping of str to CellAnswer
        What single cells mean, by their names; those of this file.

    Returns
    -------
    ReadColumn
    """
    known: dict[object, Read] = {}
    reads = []
    for cell in cells:
        if answers and cell.name in answers and answers[cell.name].typed == cell.text:
            reads.append(_as_answered(cell, answers[cell.name].means, column, rule))
            continue
        # 1, 1.0 and True are equal and must not stand for each other.
        alike = (cell.text, cell.kind, type(cell.value), cell.value)
        read = known.get(alike)
        if read is None:
            read = known[alike] = _allowed(read_value(cell, column, rule), column)
        reads.append(read)
    return ReadColumn(rule, column, cells, reads)


def _allowed(read: Read, column: Column) -> Read:
    """Refuse what the record would call an error: a recording elsewhere, a rating off its scale."""
    if column.name == "recording" and read.text and outside(read.text):
        return Read(fault=OUTSIDE[0], remedy=OUTSIDE[1])
    off = column.type == "integer" and column.levels and read.value not in column.levels
    if off and read.value is not None:
        levels = listed(column.levels)
        return Read(fault=f"{read.text} is none of the levels {levels}", remedy="type it again")
    return read


def as_fate(read: ReadColumn) -> ReadColumn:
    """Return a column of yes and no as fates, from which it follows whether a reed was kept."""
    fates: dict[tuple[int, str], Read] = {}
    reads = []
    for cell, reading in zip(read.cells, read.reads, strict=True):
        alike = (id(reading), cell.text)
        if alike not in fates:
            fates[alike] = _fate(cell.text, reading)
        reads.append(fates[alike])
    return replace(read, column=replace(read.column, name="fate", type="text"), reads=reads)


def _fate(typed: str, reading: Read) -> Read:
    if reading.value is None:
        return reading
    fate = "kept" if reading.value else "discarded"
    return taken(typed.strip(), fate, fate, [])


def _as_answered(cell: Cell, means: str, column: Column, rule: ColumnRule) -> Read:
    """Return the reading of what the maker said that a cell means."""
    if means in ("", MISSING):
        return Read(change=f"'{cell.text}' -> not recorded (as the maker says).")
    said = Cell(means, "text", None, cell.row, cell.column)
    read = _allowed(read_value(said, column, rule), column)
    if read.value is None:
        return read
    return replace(read, change=f"'{cell.text}' -> {read.text} (as the maker says).")


def questions_of(read: ReadColumn, file: str, levels: Iterable[str] = ()) -> Iterator[Question]:
    """Return what must be asked before a column can come in.

    Parameters
    ----------
    read : ReadColumn
    file : str
        Name of the sheet's file.
    levels : iterable of str, optional
        The words that the study has in that column already.
    """
    header, told = read.rule.header, set()
    asking = [pair for pair in zip(read.cells, read.reads, strict=True) if pair[1].ask]
    for cell, reading in asking:
        if (cell.text, cell.kind) in told:
            continue
        place = _settling(cell, read.column, read.rule)
        text = reading.ask if place in ("word", "cell") else f"{cell.name}: {reading.ask}"
        if place == "cell":
            yield Question("cell", cell.text, cell.name, text, file)
            continue
        told.add((cell.text, cell.kind))
        if place == "word":
            yield Question("word", header, cell.text, text)
        else:
            yield Question("column", header, place, text)
    if read.column.type == "text" and read.column.name not in _FREE:
        yield from _word_questions(read, levels)


def _settling(cell: Cell, column: Column, rule: ColumnRule) -> str:
    """Say what would settle a cell: a setting of the column, a word of it, or the cell alone."""
    asked = read_value(cell, column, rule).ask
    for name, values in _SETTLING.get(column.type, {}).items():
        if getattr(rule, SETTINGS[name]):
            continue
        if name == "unit":
            values = ("Hz", "cents") if holds_pitch(column) else units_of(column.unit)
        # One mark cannot be that of decimals and of thousands.
        for value in [one for one in values if one not in (rule.decimal, rule.thousands)]:
            read = read_value(cell, column, settled(rule, name, value))
            if read.value is not None or read.ask not in ("", asked):
                return name
    worded = column.type in ("text", "boolean") or not any(mark.isdigit() for mark in cell.text)
    return "word" if cell.kind == "text" and worded else "cell"


def _word_questions(read: ReadColumn, levels: Iterable[str]) -> Iterator[Question]:
    """Ask about words that may be one level spelled twice."""
    pairs = Counter(
        (cell.text, reading.text)
        for cell, reading in zip(read.cells, read.reads, strict=True)
        if reading.value is not None
    )
    counts: Counter[str] = Counter()
    typed: dict[str, str] = {}
    for (text, word), count in pairs.items():
        if read.rule.said(text.strip()) is None:
            counts[word] += count
            typed.setdefault(word, text)
    right = {plain(level): level for level in levels}
    for word, _ in counts.most_common():
        meant = right.setdefault(plain(word), word)
        if meant != word:
            text = f"{typed[word]!r} and {meant!r} differ by case or space only: is it {meant!r}?"
            yield Question("word", read.rule.header, typed[word], text)
