"""Pitches: notes with cents, or frequencies, as the column's Hz or cents.

Cents are written into a column of Hz as the frequency, to a millionth of a hertz; into a
column of cents as the distance from the crow target, as the record defines it. A bare
number needs a unit, and cents the note from which they are counted.
"""

import re
from dataclasses import replace
from decimal import Decimal

from reedlab.schema import Column, cents_from_band, nearest_note, note_hz
from reedlab.study.bring.grid import Cell
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values.bounds import impossible
from reedlab.study.bring.values.note_names import Pitch
from reedlab.study.bring.values.notes import WRITE_PITCH, note_number, read_note
from reedlab.study.bring.values.numbers import read_number
from reedlab.study.bring.values.readings import Read, asked, refused, shown, taken
from reedlab.study.bring.values.tidy import tidied, unhedged, with_one_minus
from reedlab.study.bring.values.units import unit_for

_BARE = re.compile(r"[+\-−–]?\s?[0-9.,]+")
_HZ = re.compile(r"([+\-−–]?\s?[0-9.,]+)\s*(k?hz)\.?", re.IGNORECASE)
_NUMBER_LIKE = re.compile(r"[+\-−–]?\s?[0-9.,]*[0-9].*", re.DOTALL)


def holds_pitch(column: Column) -> bool:
    """Say whether notes may be typed in a column: one of frequencies or of a crow in cents.

    Examples
    --------
    >>> holds_pitch(Column("crow_cents", "number", "cents"))
    True
    """
    if column.unit == "Hz":
        return column.name != "a4_hz"
    return column.unit == "cents" and "crow" in column.name


def read_pitch(cell: Cell, column: Column, rule: ColumnRule) -> Read:
    """Return the reading of a cell in a column of pitches.

    Examples
    --------
    >>> crow = Column("crow_hz", "number", "Hz")
    >>> print(read_pitch(Cell("E+20"), crow, ColumnRule()).change)
    'E+20' -> 333.457645 (E4 +20 cents, octave 4 from the crow target E4 to F4).
    >>> print(read_pitch(Cell("between E and F"), crow, ColumnRule()).sentence)
    'between E and F' is no single pitch; write E4 +50 if the middle is meant.
    """
    rest, hedged = unhedged(tidied(with_one_minus(cell.text)))
    if cell.kind not in ("text", "formula") or cell.value is not None or _number_like(rest):
        return _frequency_or_cents(cell, rest, column, rule)
    found = read_note(rest, cell.text, rule)
    if isinstance(found, Read):
        return found
    pitch, why = found
    why += ["approximate"] if hedged else []
    return _in_column(cell, pitch, column, rule, why, hedged)


def _number_like(rest: str) -> bool:
    return _NUMBER_LIKE.fullmatch(rest) is not None


def _frequency_or_cents(cell: Cell, rest: str, column: Column, rule: ColumnRule) -> Read:
    """Read a number: Hz or cents, into a column of the other kind too."""
    if not rule.unit and _BARE.fullmatch(rest):
        return asked(f"{shown(cell.text)} has no unit: is the column in Hz or in cents?")
    typed = _HZ.fullmatch(rest)
    in_hz = bool(typed) or (rule.unit.casefold() in ("hz", "khz") and not _in_cents(rest))
    if column.unit == "Hz":
        if not in_hz and (rule.unit == "cents" or _in_cents(rest)):
            return _cents_to_hz(cell, column, rule)
        read = read_number(cell, column, rule)
        if typed and isinstance(read.value, float):
            return _with_name(read, read.value, rule)
        return read
    if in_hz:
        hz = read_number(cell, Column("pitch", "number", "Hz", possible=(20, 20000)), rule)
        if not isinstance(hz.value, float):
            return hz
        low, high = (note_hz(note, rule.a4_hz) for note in rule.crow)
        off = f"{cents_from_band(hz.value, low, high):.4f}"
        return _written(cell, off, column, ["from the frequency"], hz.approximate)
    read = read_number(cell, column, rule)
    if rule.from_note and isinstance(read.value, float):
        pitch = Pitch(note_number(rule.from_note), Decimal(read.text))
        off, target = _from_target(pitch, rule)
        if Decimal(off) != pitch.cents:
            why = [f"{pitch.name} cents", target]
            return _written(cell, off, column, why, read.approximate)
    return read


def _in_cents(rest: str) -> bool:
    tail = re.sub(r"^[^A-Za-z¢]*", "", rest)
    return bool(tail) and unit_for(tail, "cents") is not None


def _with_name(read: Read, hz: float, rule: ColumnRule) -> Read:
    name, off = nearest_note(hz, rule.a4_hz)
    said = read.change.removesuffix(".")
    return replace(read, change=f"{said}; that is {name} {off:+.1f} cents.")


def _cents_to_hz(cell: Cell, column: Column, rule: ColumnRule) -> Read:
    """Return the frequency of a bare number of cents, counted from a declared note."""
    if not rule.from_note:
        return asked(f"{shown(cell.text)} is in cents: from which note are they counted?")
    octaves = Column("pitch", "number", "cents", possible=(-6000, 6000))
    off = read_number(cell, octaves, replace(rule, unit="cents"))
    if not isinstance(off.value, float):
        return off
    hz = note_hz(rule.from_note, rule.a4_hz) * 2 ** (off.value / 1200)
    why = [f"{off.text} cents from {rule.from_note}", *(["approximate"] if off.approximate else [])]
    return _written(cell, f"{hz:.6f}", column, why, off.approximate)


def _in_column(
    cell: Cell, pitch: Pitch, column: Column, rule: ColumnRule, why: list[str], approximate: bool
) -> Read:
    if not 0 <= pitch.number <= 131 or abs(pitch.cents) > 1200:
        return refused(f"{shown(cell.text)} is no pitch of a reed", WRITE_PITCH)
    if column.unit == "Hz":
        above_a4 = 100 * (pitch.number - 57) + float(pitch.cents)
        hz = note_hz("A4", rule.a4_hz) * 2 ** (above_a4 / 1200)
        return _written(cell, f"{hz:.6f}", column, why, approximate)
    off, target = _from_target(pitch, rule)
    return _written(cell, off, column, [*why, target], approximate)


def _from_target(pitch: Pitch, rule: ColumnRule) -> tuple[str, str]:
    """Return the cents of a pitch from the crow target as the record defines it, exactly."""
    low, high = (100 * note_number(note) for note in rule.crow)
    at = 100 * pitch.number + pitch.cents
    off = min(at - low, Decimal(0)) + max(at - high, Decimal(0))
    if low == high:
        return f"{off:f}", f"from the target {rule.crow[0]}"
    where = "from" if off else "inside"
    return f"{off:f}", f"{where} the target {rule.crow[0]} to {rule.crow[1]}"


def _written(cell: Cell, text: str, column: Column, why: list[str], approximate: bool) -> Read:
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    text = "0" if text == "-0" else text
    wrong = impossible(column, float(text), text)
    if wrong is not None:
        return wrong
    return taken(cell.text, float(text), text, why, approximate=approximate)
