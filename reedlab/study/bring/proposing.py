"""A first mapping for a sheet, from its headers, the units in them and what stands below.

Only what the words, the values or a day above 12 make plain is proposed; the rest is a
question with the columns that may be meant. Nothing comes in before the maker has said yes
to all of it.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches
from typing import NamedTuple

from reedlab.schema import TABLES, Column
from reedlab.study.bring.dividing import IDS
from reedlab.study.bring.grids import Cell
from reedlab.study.bring.likely import bare_numbers, with_settings
from reedlab.study.bring.mapping import Question, SheetMapping
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.trade_words import (
    OCCASIONS,
    TRIES,
    columns_named,
    plain,
    taken_apart,
)
from reedlab.study.bring.values.units import unit_for
from reedlab.study.draft import NOTE, Draft

_WIDE = re.compile(rf"(.*?)\b({'|'.join([*OCCASIONS, *TRIES])})\s*([0-9]{{1,3}})\b(.*)")
_FROM_NOTE = re.compile(r"\b(?:from|above|über|von|ab|de)\s+([A-G][#♯b♭]?)([0-9])?(?!\w)")
#: Bare numbers of a crow up to this are cents, beyond it hertz: C2 to C8 are 65 to 4186 Hz.
_MOST_CENTS = 150
#: Words of a title that are looked at, and of the longest name that may be in it.
_TITLE_WORDS, _NAME_WORDS = 100, 6
_UNSAID = {
    "reed_id": "which reed is a row of? Name the column of the reeds below, or say it for all rows",
    "session_id": (
        'which session are the tests of? One for all rows, e.g. "spring", or made of others, '
        'e.g. "{stage}" or "{started_at}"'
    ),
    "stage": 'at which point of the reed\'s life were the tests made, e.g. "finished"?',
    "tube_id": (
        'which tube is a reed of? "{reed_id}" if each had its own, or leave the columns of the '
        "tube out"
    ),
    "lot_id": "which lot of cane is it, for all rows? Or leave the columns of the lot out",
}
_KEPT = Column("kept", "boolean", "", "yes if kept, no if discarded")


def targets(draft: Draft) -> dict[str, Column]:
    """Return every column of the record that a sheet may fill, by ``table.column``.

    Parameters
    ----------
    draft : Draft
    """
    found = {}
    for table in TABLES:
        columns = {column.name: column for column in draft.resource(table.name).table.columns}
        columns.setdefault(NOTE.name, NOTE)
        if table.name == "reeds":
            columns["kept"] = _KEPT
        found.update({f"{table.name}.{name}": column for name, column in columns.items()})
    return found


def propose(
    name: str,
    names: Sequence[str],
    records: Sequence[Sequence[Cell]],
    title: str,
    draft: Draft,
    sheet: str = "",
) -> SheetMapping:
    """Propose how the columns of a sheet are read.

    Parameters
    ----------
    name : str
        Of the mapping.
    names : sequence of str
        The headers, each different.
    records : sequence of sequence of Cell
    title : str
        What stands above the header.
    draft : Draft
    sheet : str, optional
        Name of the sheet in a workbook.

    Returns
    -------
    SheetMapping
        Not confirmed.
    """
    known = targets(draft)
    asked: list[Question] = []
    guesses = [
        _guess(name, [record[place] for record in records], title, known, draft)
        for place, name in enumerate(names)
    ]
    found = [guess.rule for guess in _without_doubles(guesses)]
    for guess, rule in zip(guesses, found, strict=True):
        if not rule.column and guess.values:
            asked.append(Question("column", rule.header, "to", _which(guess, known)))
        elif rule.column == "crow_cents" and rule.header != rule.column and not rule.from_note:
            target = " to ".join(dict.fromkeys(draft.study.settings.crow_target))
            text = (
                f'from which note are the cents counted, e.g. "E4"? "" if from {target}, the '
                "target; from any other note they are kept as frequencies, so that none is bent"
            )
            asked.append(Question("column", rule.header, "from_note", text))
    return SheetMapping(name, tuple(found), open=tuple(asked), sheet=sheet)


def unsaid(
    rules: Sequence[ColumnRule], fixed: Mapping[str, str], draft: Draft
) -> tuple[dict[str, str], list[Question]]:
    """Return the ids that no column tells: those that are said or usual, and those to ask.

    Parameters
    ----------
    rules : sequence of ColumnRule
    fixed : mapping of str to str
        What the mapping says already.
    draft : Draft

    Returns
    -------
    dict of str to str
    list of Question
    """
    told = {rule.column for rule in rules if rule.column}
    told |= {name.rpartition(".")[2] for name in fixed}
    found, asked = dict(fixed), []
    for table in TABLES:
        own = [rule for rule in rules if rule.table == table.name and rule.column not in IDS]
        for name in draft.resource(table.name).table.key if own else ():
            wide = name == "stage" and all(rule.stage for rule in own)
            if name in told or wide:
                continue
            told.add(name)
            key = f"{table.name}.{name}"
            if name == "trial":
                found[key] = "1"
            else:
                text = _UNSAID.get(name, f"what is the {name} of these rows?")
                asked.append(Question("fixed", "", key, text))
    return found, asked


class _Guess(NamedTuple):
    """A column, the rule that is likely, and the columns of the record that may be meant."""

    rule: ColumnRule
    values: list[str]
    candidates: list[str]


def _guess(
    header: str, cells: Sequence[Cell], title: str, known: Mapping[str, Column], draft: Draft
) -> _Guess:
    cells = [*{(cell.text, cell.kind): cell for cell in cells}.values()]
    values = [cell.text.strip() for cell in cells if cell.text.strip()]
    wide = _WIDE.fullmatch(plain(header))
    if wide:
        rule, candidates, unit = _of_occasion(header, wide, title, known, draft)
    else:
        words, unit = taken_apart(header)
        rule, candidates = ColumnRule(header), _candidates(header, words, known, draft)
    fitting = [name for name in candidates if _fits(known[name], unit, values)]
    if len(fitting) != 1:
        return _Guess(replace(rule, unit=unit), values, fitting or candidates)
    table, _, column = fitting[0].partition(".")
    rule = replace(rule, table=table, column=column)
    if column == "crow_cents":
        low_octave = draft.study.settings.crow_target[0][-1]
        note = _FROM_NOTE.search(header) or (_FROM_NOTE.search(title) if wide else None)
        rule = replace(rule, from_note=f"{note[1]}{note[2] or low_octave}" if note else "")
    return _Guess(with_settings(rule, known[fitting[0]], unit, cells), values, fitting)


def _of_occasion(
    header: str, wide: re.Match[str], title: str, known: Mapping[str, Column], draft: Draft
) -> tuple[ColumnRule, list[str], str]:
    """Return what a column of one day or try may be; the title says what its header does not."""
    before, occasion, number, after = wide.groups()
    of_try = occasion in TRIES
    rule = ColumnRule(
        header,
        stage="" if of_try else f"{occasion} {number}",
        trial=int(number) if of_try else 1,
    )
    words, unit = plain(f"{before} {after}"), taken_apart(header).unit
    words = words or plain(title)
    candidates = _candidates(header, words, known, draft) or _named_inside(words, known)
    unit = unit or _unit_inside(title)
    return rule, [name for name in candidates if name.startswith("tests.")], unit


def _candidates(header: str, words: str, known: Mapping[str, Column], draft: Draft) -> list[str]:
    """Return the columns that a header names: exactly, as a factor's label, or in trade words."""
    exact = [name for name in known if name.partition(".")[2] == header.strip()]
    if exact:
        of_reeds = f"reeds.{header.strip()}"
        return [of_reeds] if of_reeds in exact else exact[:1] if header.strip() in IDS else exact
    own = [
        f"{item.table}.{item.name}"
        for item in draft.study.settings.declared
        if words and words in (plain(item.label), plain(item.name))
    ]
    named = [name for name in columns_named(words) if name in known]
    return list(dict.fromkeys([*(name for name in own if name in known), *named]))


def _named_inside(words: str, known: Mapping[str, Column]) -> list[str]:
    """Return the columns that the longest run of words inside a title names."""
    parts = words.split()[:_TITLE_WORDS]
    for length in range(min(_NAME_WORDS, len(parts)), 0, -1):
        for start in range(len(parts) - length + 1):
            named = columns_named(" ".join(parts[start : start + length]))
            tests = [name for name in named if name in known and name.startswith("tests.")]
            if tests:
                return tests
    return []


def _unit_inside(title: str) -> str:
    for word in title.casefold().split():
        if word in ("cents", "hz", "db", "mm", "ms"):
            return {"hz": "Hz", "db": "dB"}.get(word, word)
    return ""


def _fits(column: Column, unit: str, values: Sequence[str]) -> bool:
    """Say whether a column can hold what a header's unit and the values below are."""
    numbers = bare_numbers(values)
    if unit:
        return bool(column.unit) and unit_for(unit, column.unit) is not None
    # Without a unit, small numbers of a crow are cents, large ones hertz; notes become hertz.
    if column.name == "crow_cents":
        return bool(numbers) and all(abs(number) <= _MOST_CENTS for number in numbers)
    if column.name == "crow_hz":
        return all(abs(number) > _MOST_CENTS for number in numbers)
    return True


def _without_doubles(guesses: Sequence[_Guess]) -> Iterator[_Guess]:
    """Take back the proposals that would put two columns in one place."""
    places = [(one.rule.table, one.rule.column, one.rule.stage, one.rule.trial) for one in guesses]
    for guess, place in zip(guesses, places, strict=True):
        if place[1] and (places.count(place) > 1 or not guess.values):
            yield guess._replace(rule=replace(guess.rule, table="", column=""))
        else:
            yield guess


def _which(guess: _Guess, known: Mapping[str, Column]) -> str:
    """Word the question where a column goes, with what may be meant."""
    header = guess.rule.header
    word = plain(header).replace(" ", "_")
    alike = get_close_matches(word, {column.name for column in known.values()}, 9, cutoff=0.75)
    near = guess.candidates or [name for name, column in known.items() if column.name in alike]
    near = near or _by_range(guess.values, known)
    example = f" ('{guess.values[0]}')" if guess.values else ""
    hint = f"perhaps {' or '.join(near[:4])}; " if near else ""
    return (
        f"which column of the record is '{header}'{example}? {hint}"
        'leave it empty ("") if it is to stay out'
    )


def _by_range(values: Sequence[str], known: Mapping[str, Column]) -> list[str]:
    """Return the lengths whose usual range holds every number of a column."""
    bare = bare_numbers(values)
    if not bare or len(bare) < len(values):
        return []
    return [
        name
        for name, column in known.items()
        if column.unit == "mm" and column.plausible is not None
        if all(column.plausible[0] <= value <= column.plausible[1] for value in bare)
    ]
