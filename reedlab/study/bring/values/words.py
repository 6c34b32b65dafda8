"""Words: yes and no, the levels of a factor, and text that stands for itself.

Plain words of yes and no in English, German, French, Italian and Spanish are read; a cross,
a dash or a tick only as the rule says. A level may differ by case and space from the one
that is declared; any other word is asked about. Text is kept as typed, and one that begins
with = + - or @ is text.
"""

from datetime import datetime
from difflib import get_close_matches

from reedlab.schema import Column
from reedlab.study.bring.grid import Cell
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values.readings import Read, asked, refused, shown, taken
from reedlab.study.bring.values.tidy import tidied
from reedlab.study.rules import plain

YES = frozenset(
    ["true", "yes", "y", "1", "ja", "j", "oui", "si", "sì", "sí", "wahr", "vrai", "vero"]
)
NO = frozenset(["false", "no", "n", "0", "nein", "non", "falsch", "faux", "falso"])
#: Not recorded, in any column in which none of them is a level.
NOT_RECORDED = frozenset({"na", "n/a", "n.a.", "n. a.", "nan"})
#: Signs and words that mean "not recorded" for some makers and something else for others.
_UNSETTLED = frozenset(
    [
        "-",
        "–",
        "—",
        "−",
        "--",
        "---",
        "?",
        "??",
        ".",
        "..",
        "...",
        "…",
        "/",
        "\\",
        "*",
        "x",
        "✗",
        "✓",
        "nil",
        "null",
        "none",
        "keine",
        "kein",
        "aucun",
        "missing",
        "unknown",
        "unbekannt",
        "fehlt",
    ]
)
#: In a text column these are words like any other; "none" is a level where nothing is put.
_WORDS_OF_TEXT = frozenset(["x", "none", "keine", "kein", "aucun", "unknown", "unbekannt"])


def yes_or_no(typed: str) -> str:
    """Return "yes" or "no" for a plain word of either, else nothing.

    Examples
    --------
    >>> yes_or_no("Oui"), yes_or_no("0"), yes_or_no("x")
    ('yes', 'no', '')
    """
    word = typed.strip().casefold()
    if word in YES:
        return "yes"
    return "no" if word in NO else ""


def is_unsettled(typed: str, column: Column) -> bool:
    """Say whether a cell may mean "not recorded" or something else, undeclared.

    Examples
    --------
    >>> is_unsettled("none", Column("staple")), is_unsettled("none", Column("x", "number"))
    (False, True)
    """
    word = typed.casefold()
    if word not in _UNSETTLED:
        return False
    return column.type != "text" or word not in _WORDS_OF_TEXT


def ask_meaning(typed: str) -> Read:
    """Ask what a sign means in its column."""
    return asked(
        f"{shown(typed)} may mean that nothing was recorded, or something else: "
        "what does it mean in this column?"
    )


def read_yes_no(cell: Cell, column: Column, rule: ColumnRule) -> Read:
    """Return the reading of a cell in a column of yes and no.

    Examples
    --------
    >>> kept = Column("kept", "boolean")
    >>> read_yes_no(Cell("oui"), kept, ColumnRule()).value
    True
    >>> print(read_yes_no(Cell("keeper!"), kept, ColumnRule()).ask)
    'keeper!' is no plain word for yes or no: which does it mean, or neither?
    """
    if isinstance(cell.value, datetime):
        return refused(f"{shown(cell.text)} is a date, not yes or no", "write yes or no")
    word = tidied(cell.text)
    if isinstance(cell.value, bool | int | float) and cell.value in (0, 1):
        word = "yes" if cell.value else "no"
    meant = yes_or_no(word)
    if not meant:
        return asked(
            f"{shown(cell.text)} is no plain word for yes or no: which does it mean, or neither?"
        )
    text = "true" if meant == "yes" else "false"
    return taken(cell.text, meant == "yes", text, [])


def read_word(cell: Cell, column: Column, rule: ColumnRule) -> Read:
    """Return the reading of a cell in a column of text.

    Examples
    --------
    >>> fate = Column("fate", levels=("kept", "discarded"))
    >>> read_word(Cell("Kept "), fate, ColumnRule()).change
    "'Kept ' -> kept (spelled like the level)."
    >>> read_word(Cell("-bright, =loud"), Column("note"), ColumnRule()).state
    'kept'
    """
    if isinstance(cell.value, datetime) and cell.kind == "date":
        return asked(f"{shown(cell.text)} is a date in the sheet: what was typed?")
    typed = tidied(cell.text)
    levels = [str(level) for level in column.levels]
    if not levels or typed in levels:
        why = [] if typed == cell.text.strip() else ["invisible characters taken out"]
        return taken(cell.text, typed, typed, why or ["outer spaces taken off"])
    near = {plain(level): level for level in reversed(levels)}.get(plain(typed))
    if near is not None:
        return taken(cell.text, near, near, ["spelled like the level"])
    meant = rule.said(yes_or_no(typed)) if yes_or_no(typed) else None
    if meant in levels:
        return taken(cell.text, meant, meant, ["by the rule"])
    close = get_close_matches(typed, levels, n=1, cutoff=0.6)
    guess = f": is '{close[0]}' meant" if close else ": which of them is it, or a new one"
    return asked(f"{shown(cell.text)} is none of the levels {', '.join(levels)}{guess}?")
