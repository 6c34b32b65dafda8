"""What became of one cell: its value, what was changed, why it was refused, or the question.

A reading is one of five: kept as typed, changed, missing, asked about, refused. Only the
first two have a value, and `text` is that value as it will stand in the study's file.
"""

from dataclasses import dataclass
from datetime import datetime

Value = str | float | int | bool | datetime


@dataclass(frozen=True)
class Read:
    """The reading of one cell.

    Attributes
    ----------
    value : str, float, int, bool, datetime or None
        Typed value in the column's unit; None unless the cell was kept or changed.
    text : str
        The value as it will stand in the study's CSV; empty without one.
    change : str
        What was done, before and after, in one sentence; empty where the text is as typed.
    fault, remedy : str
        Why the cell is refused, and what would be right; both clauses without full stop.
    ask : str
        The question that only the maker can answer, in one sentence.
    approximate : bool
        The maker marked the value as not exact.
    assumed : str
        Unit that the rule gave to a bare number.

    Examples
    --------
    >>> Read(1.25, "1.25", "'1,25 mm' -> 1.25 (decimal comma).").state, Read().state
    ('changed', 'missing')
    """

    value: Value | None = None
    text: str = ""
    change: str = ""
    fault: str = ""
    remedy: str = ""
    ask: str = ""
    approximate: bool = False
    assumed: str = ""

    @property
    def state(self) -> str:
        """One of "kept", "changed", "missing", "asked", "refused"."""
        if self.fault:
            return "refused"
        if self.ask:
            return "asked"
        if self.value is None:
            return "missing"
        return "changed" if self.change else "kept"

    @property
    def sentence(self) -> str:
        """What there is to say of the cell, in one sentence; empty if it was kept as typed."""
        return f"{self.fault}; {self.remedy}." if self.fault else self.ask or self.change


def taken(
    typed: str,
    value: Value,
    text: str,
    why: list[str],
    *,
    approximate: bool = False,
    assumed: str = "",
) -> Read:
    """Return a value, and what was changed if its text is not the one typed."""
    change = "" if text == typed else changed(typed, text, why)
    return Read(value, text, change, approximate=approximate, assumed=assumed)


def changed(typed: str, text: str, why: list[str]) -> str:
    """Return the sentence that tells a change."""
    reasons = f" ({', '.join(dict.fromkeys(why))})" if why else ""
    return f"{shown(typed)} -> {text or 'not recorded'}{reasons}."


def refused(fault: str, remedy: str) -> Read:
    """Return a refusal: what is wrong and what would be right."""
    return Read(fault=fault, remedy=remedy)


def asked(question: str) -> Read:
    """Return a question to the maker."""
    return Read(ask=question)


def nothing(typed: str, why: str) -> Read:
    """Return a missing value that was typed as a word."""
    return Read(change=changed(typed, "", [why]))


def shown(typed: str) -> str:
    """Return a cell in quotation marks, cut short where it is long."""
    flat = " ".join(line for line in typed.splitlines()) if typed.strip() else typed
    return f"'{flat if len(flat) <= 60 else flat[:59] + '…'}'"
