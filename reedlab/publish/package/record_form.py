"""The record in its open form: settings, tables, plans, opened keys and the log of looks.

Values are those of the study; numbers, days and yes or no are written in one way, so that any
reader of the standard takes them as they are meant. A key that is still sealed stays at home,
and with it the seed from which it could be drawn again.
"""

from collections.abc import Iterator
from dataclasses import replace
from itertools import chain
from typing import Any

import pandas as pd

from reedlab.errors import RecordError
from reedlab.publish.package.choices import Choices
from reedlab.publish.package.free_text import published_columns
from reedlab.publish.package.part import Part, table_part
from reedlab.schema import Column, Table
from reedlab.study import Settings, Study
from reedlab.study.faults import refusal
from reedlab.study.looks import COLUMNS, LOG
from reedlab.study.plans import key_file, made_file, making_file, testing_file
from reedlab.study.settings_json import settings_from_json, settings_to_json
from reedlab.study.sheets import Sheet, read_sheet
from reedlab.study.writing import cell_text

_USUAL = {
    "lots": "one row a purchase of cane",
    "tubes": "one row a tube of cane",
    "reeds": "one row a reed: how it was made and what became of it",
    "sessions": "one row an occasion of testing",
    "tests": "one row a test of a reed",
    "adjustments": "one row a step of an adjustment",
    "blades": "one row a place on a blade that was measured",
    "life": "one row a reed in use",
}
#: Columns of plans, keys and the log, with type and meaning; the rest are factors.
_PLANNED = {
    "place": ("integer", "place in the order of making, or of playing"),
    "tube_id": ("text", "the tube of cane"),
    "lot_id": ("text", "the lot of the tube"),
    "piece": ("integer", "piece of those that the tube yields, from 1"),
    "spare_pieces": ("text", "pieces of the tube that are kept for breakage"),
    "shuffled_among": ("text", "tubes with the same words could change places"),
    "session": ("integer", "which session of the plan"),
    "blind_code": ("text", "the mark on the reed while it is judged blind"),
    "made_on": ("text", "day on which it was made"),
    "minutes_spent": ("text", "work on the reed, minutes"),
    "lost": ("text", "yes if no reed came of the place"),
    "note": ("text", "what the maker noted"),
}
_LOOKED = {
    "asked": "the question: name of its call, and what it was asked with",
    "response": "the response that was tested",
    "term": "the factor or term that was tested",
    "contrast": "which change was tested, where each has a test of its own",
    "finding": "the effect in words",
    "evidence": "randomised, observed or exploratory",
    "p_value": "p value, not corrected",
    "factors": "all terms that were examined together",
    "rows_used": "rows of the record that the test rests on",
    "version": "version of reedlab",
}


def published_settings(study: Study, choices: Choices) -> Settings:
    """Return the settings in the words of the package, without the seed of a sealed key.

    Raises
    ------
    RecordError
        If two factors, batches or stages have the same name once people are renamed.
    """
    batches = [
        replace(batch, seed=None) if batch.sealed else batch for batch in study.settings.batches
    ]
    block = settings_to_json(replace(study.settings, batches=batches))
    told = choices.said_in(block)
    for kind in ("factors", "responses"):
        for before, after in zip(block[kind], told[kind], strict=True):
            if "levels" in before:
                name = before["name"]
                after["levels"] = [_said_level(name, level, choices) for level in before["levels"]]
    faults: list[str] = []
    settings = settings_from_json(told, faults)
    if faults:
        raise RecordError(
            "Two things of the study are told apart by a name alone, so that they cannot be told "
            f"apart without it: {' '.join(faults)} Rename one of them first."
        )
    return settings


def record_parts(study: Study, choices: Choices, left: dict[str, list[str]]) -> Iterator[Part]:
    """Yield the files of the record; columns that stay at home are added to `left` by table."""
    names = {name: name if name in _USUAL else choices.said(name) for name in study.tables}
    for name in study.tables:
        columns, unsaid = published_columns(
            study, name, choices.notes, choices.recordings, choices.naming.places
        )
        if unsaid:
            left[name] = unsaid
        if columns:
            holds = _USUAL.get(name, "a table of the maker's own")
            table = _said_table(study, name, columns, names, choices)
            _check_told_apart(study, name, choices)
            cells = _cells(study.tables[name], columns, choices)
            yield table_part(table.file, holds, table, cells, of_the_record=True)
    yield from chain(_plan_parts(study, choices), _log_part(study, choices))


def _said_table(
    study: Study, name: str, columns: list[Column], names: dict[str, str], choices: Choices
) -> Table:
    """Return the columns of a table in the words of the package."""
    told = [
        replace(
            column,
            name=choices.said(column.name),
            unit=choices.said(column.unit),
            meaning=choices.said(column.meaning),
            levels=[_said_level(column.name, level, choices) for level in column.levels],
        )
        for column in columns
    ]
    kept = {column.name for column in columns}
    table = study.schema[name]
    references = {
        choices.said(column): names[there]
        for column, there in table.references.items()
        if column in kept and there in names
    }
    key = [choices.said(column) for column in table.key if column in kept]
    return Table(names[name], key, told, references)


def _check_told_apart(study: Study, name: str, choices: Choices) -> None:
    """Refuse ids and levels that are told apart by a name alone: two would become one."""
    table = study.schema[name]
    declared = [item.name for item in study.settings.declared if item.table == name]
    for column in dict.fromkeys([*table.key, *table.references, *declared]):
        frame = study.tables[name]
        if column not in frame or not pd.api.types.is_string_dtype(frame[column]):
            continue
        before: dict[str, str] = {}
        for text in frame[column].dropna().unique():
            other = before.setdefault(choices.cell(column, text), text)
            if other != text:
                raise RecordError(
                    f"'{other}' and '{text}' in {study.sheets[name].file}, column '{column}', "
                    "differ only in how a person is named; rename one of them first."
                )


def _said_level(column: str, level: Any, choices: Choices) -> Any:
    return choices.cell(column, level) if isinstance(level, str) else level


def _cells(frame: pd.DataFrame, columns: list[Column], choices: Choices) -> list[list[str]]:
    told = []
    for column in columns:
        values = frame[column.name]
        if column.type in ("date", "datetime"):
            values = values + pd.Timedelta(days=choices.days)
        texts = [cell_text(value, column.type) for value in values]
        if column.type == "text":
            said = {text: choices.cell(column.name, text) for text in set(texts)}
            texts = [said[text] for text in texts]
        told.append(texts)
    return [list(row) for row in zip(*told, strict=True)]


def _plan_parts(study: Study, choices: Choices) -> Iterator[Part]:
    for batch in study.settings.batches:
        files = [
            (making_file, "what was planned to be made, in the order of making"),
            (testing_file, "the order of playing that was drawn"),
            (made_file, "what was really made"),
        ]
        if not batch.sealed:
            files.append((key_file, "which place got which blind code"))
        for path_of, holds in files:
            if (study.folder / path_of(batch.batch_id)).exists():
                told = f"batch {choices.said(batch.batch_id)}: {holds}"
                place = path_of(choices.said(batch.batch_id))
                yield _sheet_part(study, path_of(batch.batch_id), place, told, choices)


def _whole_sheet(study: Study, file: str) -> Sheet:
    """Read a file of which no row may be lost."""
    sheet = read_sheet(study.folder, file)
    faults = [fault for fault in sheet.faults if fault.severity == "error"]
    if faults:
        raise refusal(f"{file} cannot be published:", faults)
    return sheet


def _sheet_part(study: Study, file: str, place: str, holds: str, choices: Choices) -> Part:
    """Return a file of a plan; every cell is kept as typed but for names, days and notes."""
    sheet = _whole_sheet(study, file)
    factors = {factor.name: factor for factor in study.settings.factors}
    columns = []
    for name in sheet.header:
        kind, meaning, unit = "text", "", ""
        if name in factors:
            factor = factors[name]
            unit = factor.unit
            kind = "number" if factor.kind == "numeric" else "text"
            meaning = f"level of {choices.said(factor.label)}"
        elif name in _PLANNED:
            kind, meaning = _PLANNED[name]
        columns.append(Column(choices.said(name), kind, unit, meaning))
    cells = [
        [
            "" if name == "note" and not choices.notes else choices.cell(name, cell)
            for name, cell in zip(sheet.header, row, strict=True)
        ]
        for row in sheet.rows
    ]
    return table_part(place, holds, Table(place, (), columns), cells)


def _log_part(study: Study, choices: Choices) -> Iterator[Part]:
    if not (study.folder / LOG).exists():
        return
    sheet = _whole_sheet(study, LOG)
    kinds = {"p_value": "number", "rows_used": "integer"}
    names = [name for name in sheet.header if name in COLUMNS]
    columns = [Column(name, kinds.get(name, "text"), "", _LOOKED[name]) for name in names]
    asis = (*kinds, "version")
    told = [
        [text if name in asis else choices.said(text) for text in sheet.column(name)]
        for name in names
    ]
    cells = [list(row) for row in zip(*told, strict=True)]
    yield table_part(
        LOG,
        "every test that was looked at, whether it found anything or not",
        Table(LOG, (), columns),
        cells,
    )
