"""The mapping and its sheet settled with each other: answers in, cells read, questions out.

An answer may open another question, so this goes round until no answer is left. A question
is asked anew each time, for it holds only while its cells are there; those that reading
cannot ask again stay until they are answered.
"""

from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from reedlab.errors import CallError, unknown_name
from reedlab.schema import Column
from reedlab.study.bring.mapping import Question, SheetMapping
from reedlab.study.bring.opening import SheetTable
from reedlab.study.bring.proposing import targets, unsaid
from reedlab.study.bring.reading import ReadColumn, as_fate, questions_of, read_column
from reedlab.study.draft import Draft

#: Questions that reading does not ask again, so they stay until they are answered.
_STAYING = {
    "to": 'which column of the record is it? "" if it is to stay out',
    "from_note": 'from which note are the cents counted? "" if from the study\'s target',
}


def settle(
    mapping: SheetMapping, answers: dict[str, str], table: SheetTable, draft: Draft
) -> tuple[SheetMapping, dict[str, ReadColumn]]:
    """Fill the answers in, read the columns, and ask what is open.

    Parameters
    ----------
    mapping : SheetMapping
    answers : dict of str to str
        By the keys of its questions, those too that reading will ask.
    table : SheetTable
    draft : Draft

    Returns
    -------
    SheetMapping
        With what is still open.
    dict of str to ReadColumn
        The columns that come in, by header.

    Raises
    ------
    CallError
        For an answer to no question, or a place that the record does not have.
    """
    while True:
        ready = {key: answers.pop(key) for key in list(answers) if mapping.knows(key)}
        mapping = _as_frequencies(mapping.answered(ready), draft)
        columns = _read(mapping, table, draft)
        asked = [
            one._replace(text=one.text or _STAYING[one.name])
            for one in mapping.open
            if one.kind == "column" and one.name in _STAYING
        ]
        for column in columns.values():
            asked += questions_of(column, table.file, _words(column, draft))
        fixed, lacking = unsaid(mapping.columns, mapping.fixed, draft)
        mapping = replace(mapping, fixed=fixed, open=_each_once([*lacking, *asked]))
        if not any(mapping.knows(key) for key in answers):
            break
    for key in answers:
        raise unknown_name("question", key, [one.key for one in mapping.open])
    reeds = draft.study.sheets.get("reeds")
    if reeds is None or "kept" not in reeds.header:
        columns = {
            name: as_fate(column) if column.column.name == "kept" else column
            for name, column in columns.items()
        }
    return mapping, columns


def _as_frequencies(mapping: SheetMapping, draft: Draft) -> SheetMapping:
    """Send cents that count from another note than the whole target to the frequencies.

    As distances from a target that is a band, all pitches inside it would become 0.
    """
    for rule in mapping.columns:
        target = draft.study.settings.crow_target
        counted = rule.column == "crow_cents" and rule.from_note and rule.unit in ("", "cents")
        if counted and any(note != rule.from_note for note in target):
            mapping = mapping.with_rule(replace(rule, column="crow_hz", unit="cents"))
    return mapping


def _read(mapping: SheetMapping, table: SheetTable, draft: Draft) -> dict[str, ReadColumn]:
    places = _places(mapping, draft)
    answered = {one.cell: one for one in mapping.cells if one.file == table.file}
    settings = draft.study.settings
    low, high = settings.crow_target
    columns = {}
    for place, name in enumerate(table.names):
        rule = mapping.column(name)
        if rule.column:
            cells = [record[place] for record in table.found.records]
            full = replace(rule, crow=(low, high), a4_hz=settings.a4_hz)
            columns[name] = read_column(cells, places[name], full, answered)
    return columns


def _each_once(questions: Sequence[Question]) -> tuple[Question, ...]:
    return tuple({one.key: one for one in reversed(questions)}.values())[::-1]


def _places(mapping: SheetMapping, draft: Draft) -> dict[str, Column]:
    """Return where each column goes; refuse what the record does not have, or two in one."""
    known = targets(draft)
    places: dict[str, Column] = {}
    taken: dict[tuple[str, str, int], str] = {}
    for rule in mapping.columns:
        name = f"{rule.table}.{rule.column}"
        if not rule.column:
            if rule.table:
                raise unknown_name("column of the record", rule.table, known)
            continue
        if name not in known:
            raise unknown_name("column of the record", name, known)
        other = taken.setdefault((name, rule.stage, rule.trial), rule.header)
        if other != rule.header:
            raise CallError(
                f"The columns '{other}' and '{rule.header}' both go to {name}; take one out "
                '(to = ""), or tell them apart by stage or trial.'
            )
        places[rule.header] = known[name]
    for name in mapping.fixed:
        table, _, column = name.partition(".")
        if name not in known or column not in draft.resource(table).table.names:
            raise unknown_name("column of the record", name, known)
    return places


def _words(column: ReadColumn, draft: Draft) -> list[str]:
    """Return the levels of a column of text, and the words that the study has in it."""
    frame = draft.study.tables.get(column.rule.table, pd.DataFrame())
    levels = [str(level) for level in column.column.levels]
    if column.column.type != "text" or column.column.name not in frame:
        return levels
    return [*levels, *frame[column.column.name].dropna().astype("str").unique()]
