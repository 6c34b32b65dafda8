"""The file of a mapping: TOML that a person can read and edit, and back.

Every line that waits for an answer holds "?" with its question behind it. The file is
written anew when a new question turns up, so comments typed into it do not stay. Only
settings that say something are written.
"""

import json
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from reedlab.errors import CallError, RecordError, unknown_name
from reedlab.study.bring.mapping import (
    MISSING,
    SETTINGS,
    CellAnswer,
    Question,
    SheetMapping,
    setting,
    settled,
)
from reedlab.study.bring.rules import ColumnRule

#: What is not settled yet.
OPEN = "?"

_TOP = ("confirmed", "sheet", "header", "encoding", "fixed", "columns", "cells")
_COLUMN = ("header", *SETTINGS, "words")
_CELL = ("file", "cell", "typed", "means")
_HEAD = """\
# How the sheet '{name}' comes into this study. Look at every line and mend what is wrong;
# replace each "?" by what is right; then write confirmed = true and bring the sheet in again.
# The next sheet with the same headers comes in by itself.
# If the header or the letters were found wrongly, say which rows are the header or which
# encoding it is, with a line below such as header = [3, 4] or encoding = "cp1252".
"""
_EXPLAINED = {
    "to": "table.column of the record; empty: the column stays out",
    "unit": "of numbers that stand without a unit",
    "decimal": "decimal mark",
    "thousands": "mark of thousands",
    "dates": "day first, month first or year first",
    "serials": "numbers of days of a spreadsheet count from 1900 or from 1904",
    "notes": "names of notes: english, german or solfege",
    "octave": "of notes that stand without one",
    "from_note": "the note from which bare cents are counted",
    "ranges": "what a range such as 24-25 stands for: middle",
    "id_width": "ids of digits alone are filled up with zeros to as many",
    "stage": "point in the reed's life that the column tells of",
    "trial": "which try the column tells of",
}


def read_mapping(path: Path) -> SheetMapping:
    """Read the file of a mapping.

    Parameters
    ----------
    path : Path

    Returns
    -------
    SheetMapping
        Each "?" in it is a question.

    Raises
    ------
    RecordError
        If it cannot be read or is no TOML, or listing all that has no place in it.
    """
    try:
        raw = tomllib.loads(path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n"))
    except FileNotFoundError:
        raise RecordError(f"There is no mapping {path}.") from None
    except OSError as error:
        raise RecordError(f"{path} cannot be read: {error.strerror}.") from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise RecordError(
            f"{path.name} cannot be read as TOML: {str(error).rstrip('.')}. Put texts in double "
            "quotes, one setting a line."
        ) from None
    problems: list[str] = []
    mapping = _mapping_of(path.stem, raw, problems)
    if problems:
        raise RecordError("\n".join(f"{path.name}: {problem}" for problem in problems))
    return mapping


def _mapping_of(name: str, raw: dict[str, Any], problems: list[str]) -> SheetMapping:
    _known_names(raw, _TOP, "setting of a mapping", problems)
    confirmed = raw.get("confirmed", False)
    if not isinstance(confirmed, bool):
        problems.append("confirmed must be true or false, without quotes.")
    asked: list[Question] = []
    columns = [
        _column_of(place, entry, asked, problems)
        for place, entry in enumerate(_entries(raw, "columns", problems), start=1)
    ]
    headers = [rule.header for rule in columns]
    twice = sorted({header for header in headers if headers.count(header) > 1})
    problems.extend(f"the column '{header}' is listed twice." for header in twice)
    advice = '[fixed]: write lines such as "tests.stage" = "new"'
    fixed = _texts(raw.get("fixed", {}), advice, problems)
    asked += [Question("fixed", "", key, "") for key, text in fixed.items() if text == OPEN]
    cells = []
    for entry in _entries(raw, "cells", problems):
        _known_names(entry, _CELL, "setting of a cell", problems)
        answer = CellAnswer(*(str(entry.get(key, "")) for key in _CELL))
        if answer.means == OPEN:
            asked.append(Question("cell", answer.typed, answer.cell, "", answer.file))
        else:
            cells.append(answer)
    return SheetMapping(
        name,
        tuple(columns),
        {key: text for key, text in fixed.items() if text != OPEN},
        tuple(cells),
        tuple(asked),
        str(raw.get("sheet", "")),
        confirmed is True,
        _rows_of(raw.get("header", []), problems),
        str(raw.get("encoding", "")),
    )


def _rows_of(value: Any, problems: list[str]) -> tuple[int, ...]:
    """Return the rows of the header; True is no number of a row."""
    rows = value if isinstance(value, list) else [value]
    if all(type(row) is int for row in rows):
        return tuple(rows)
    problems.append("header must be the rows of the header by number, e.g. [3, 4].")
    return ()


def _entries(raw: Mapping[str, Any], name: str, problems: list[str]) -> list[dict[str, Any]]:
    entries = raw.get(name, [])
    if isinstance(entries, list) and all(isinstance(entry, dict) for entry in entries):
        return entries
    problems.append(f"each entry of {name} must begin with [[{name}]].")
    return []


def _known_names(
    raw: Mapping[str, Any], known: tuple[str, ...], kind: str, problems: list[str]
) -> None:
    problems.extend(str(unknown_name(kind, key, known)) for key in raw if key not in known)


def _texts(value: Any, advice: str, problems: list[str]) -> dict[str, str]:
    if isinstance(value, dict) and all(isinstance(text, str) for text in value.values()):
        return value
    problems.append(f"{advice}, all in quotes.")
    return {}


def _column_of(
    place: int, entry: dict[str, Any], asked: list[Question], problems: list[str]
) -> ColumnRule:
    header = entry.get("header")
    if not isinstance(header, str) or not header:
        problems.append(f"column {place} has no header in quotes.")
        header = f"column {place}"
    _known_names(entry, _COLUMN, f"setting of the column '{header}'", problems)
    words = _texts(
        entry.get("words", {}),
        f"""column '{header}': write words such as "ja" = "yes\"""",
        problems,
    )
    asked += [Question("word", header, typed, "") for typed, text in words.items() if text == OPEN]
    meant = {typed: "" if text == MISSING else text for typed, text in words.items()}
    rule = ColumnRule(header, words={typed: text for typed, text in meant.items() if text != OPEN})
    for name in SETTINGS:
        value = entry.get(name, "")
        if value == OPEN:
            asked.append(Question("column", header, name, ""))
        elif isinstance(value, bool) or not isinstance(value, str | int):
            problems.append(f"""column '{header}': {name} must stand in quotes, e.g. "{value}".""")
        elif value != "":
            try:
                rule = settled(rule, name, str(value))
            except CallError as error:
                problems.append(str(error))
    return rule


def mapping_text(mapping: SheetMapping, meanings: Mapping[str, str] | None = None) -> str:
    r"""Return a mapping as the text of its file.

    Parameters
    ----------
    mapping : SheetMapping
    meanings : mapping of str to str, optional
        What each column of the record says, by ``table.column``.

    Returns
    -------
    str

    Examples
    --------
    >>> rule = ColumnRule("made", "reeds", "made_on")
    >>> asked = Question("column", "made", "dates", "Is 3/4 in March or in April?")
    >>> print(mapping_text(SheetMapping("old", (rule,), open=(asked,))))
    # How the sheet 'old' comes into this study. Look at every line and mend what is wrong;
    ...
    [[columns]]
    header = "made"
    to = "reeds.made_on"  # table.column of the record; empty: the column stays out
    dates = "?"  # Is 3/4 in March or in April?
    <BLANKLINE>
    """
    return "\n".join(_lines(mapping, meanings or {})) + "\n"


def _lines(mapping: SheetMapping, meanings: Mapping[str, str]) -> Iterator[str]:
    questions = {question.key: question.text for question in mapping.open}
    yield from _HEAD.format(name=_one_line(mapping.name)).splitlines()
    yield f"confirmed = {str(mapping.confirmed).lower()}"
    if mapping.sheet:
        yield f"sheet = {_quoted(mapping.sheet)}"
    if mapping.header:
        yield f"header = {[*mapping.header]}  # rows of the header"
    if mapping.encoding:
        yield f"encoding = {_quoted(mapping.encoding)}"
    unsaid = {one.name: OPEN for one in mapping.open if one.kind == "fixed"}
    if mapping.fixed or unsaid:
        yield ""
        yield "[fixed]  # what the sheet does not say, for every row; {reed_id} is the row's own"
        for name, value in {**mapping.fixed, **unsaid}.items():
            yield _line(_quoted(name), value, questions.get(name, meanings.get(name, "")))
    for rule in mapping.columns:
        yield from _column_lines(rule, mapping, questions, meanings)
    asked = [one for one in mapping.open if one.kind == "cell"]
    open_cells = [CellAnswer(one.file, one.name, one.where, OPEN) for one in asked]
    for answer in (*mapping.cells, *open_cells):
        yield ""
        yield "[[cells]]"
        for name in _CELL:
            comment = questions.get(answer.cell, "") if name == "means" else ""
            yield _line(name, getattr(answer, name), comment)


def _column_lines(
    rule: ColumnRule,
    mapping: SheetMapping,
    questions: Mapping[str, str],
    meanings: Mapping[str, str],
) -> Iterator[str]:
    yield ""
    yield "[[columns]]"
    yield f"header = {_quoted(rule.header)}"
    for name in SETTINGS:
        question = questions.get(f"{rule.header}.{name}")
        value = setting(rule, name) if question is None else OPEN
        if value or name == "to":
            usual = meanings.get(value) if name == "to" else None
            yield _line(name, value, question or usual or _EXPLAINED[name])
    words = {typed: means or MISSING for typed, means in rule.words.items()}
    asked = [one for one in mapping.open if one.kind == "word" and one.where == rule.header]
    words |= {one.name: OPEN for one in asked}
    if words:
        yield "[columns.words]  # as typed = as meant: a level, yes, no, or missing"
    for typed, means in words.items():
        yield _line(_quoted(typed), means, questions.get(f"{rule.header}.{typed}", ""))


def _line(name: str, value: str, comment: str) -> str:
    line = f"{name} = {_quoted(value)}"
    return f"{line}  # {_one_line(comment)}" if comment else line


def _quoted(text: str) -> str:
    """Write a text as TOML has it; its escapes are those of JSON, and delete is one more."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _one_line(text: str) -> str:
    return "".join(mark if mark.isprintable() else " " for mark in text)
