"""Notes as makers type them: with octave and cents or without, and what lies between two.

A note without an octave gets that of the rule or of the instrument's crow target, and that
is said. A note between two others, or "flat" without a number, is refused with an offer.
"""

import re
from decimal import Decimal

from reedlab.schema import cents, note_hz
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values.marks import Doubt, plain_number
from reedlab.study.bring.values.note_names import Name, Pitch, read_name
from reedlab.study.bring.values.readings import Read, asked, refused, shown

WRITE_PITCH = "write a note with cents, e.g. E4 +20, or a frequency in Hz"
_NOTE = re.compile(
    r"(?P<name>[^\W\d_][^\d+\-−–']*?)(?P<mark>['’]*)\s*(?P<octave>[0-9])?(?![0-9])"
    r"(?:\s*(?P<sign>[+\-−–])\s*(?P<off>[0-9]+(?:[.,][0-9]+)?)"
    r"\s*(?P<unit>cents|cent|cts|ct|c|¢)?\.?)?",
    re.IGNORECASE,
)
_BETWEEN = (
    re.compile(r"(?:between|zwischen|entre|btw\.?)\s+(.+?)\s+(?:and|und|et|&)\s+(.+)", re.I),
    re.compile(r"(.+?)\s*(?:/|-|–|—|\bto\b|\bor\b|\bbis\b|\boder\b|\bou\b)\s*([^\W\d].*)", re.I),
)
_SPELLED = {"english": "English", "german": "German", "solfege": "solfège"}
_VAGUE = re.compile(r"(?:flat|sharp|low|high|tief|hoch|bas|haut|[+\-−–])", re.IGNORECASE)


def read_note(typed: str, cell: str, rule: ColumnRule) -> tuple[Pitch, list[str]] | Read:
    """Return the pitch of a note as typed, with what was understood.

    Parameters
    ----------
    typed : str
        The note, tidied.
    cell : str
        The cell as typed, for messages.
    rule : ColumnRule

    Examples
    --------
    >>> read_note("F4 -15c", "F4 -15c", ColumnRule())[0].name
    'F4 -15'
    """
    return _single(typed, cell, rule) or _no_note(typed, cell, rule)


def note_number(note: str) -> int:
    """Return the semitones of a note above C0.

    Examples
    --------
    >>> note_number("E4")
    52
    """
    return round(cents(note_hz(note), note_hz("C0")) / 100)


def _single(typed: str, cell: str, rule: ColumnRule) -> tuple[Pitch, list[str]] | Read | None:
    match = _NOTE.fullmatch(typed)
    name = read_name(match["name"], rule.notes) if match else None
    if match is None or name is None:
        return None
    if not isinstance(name, Name):
        return _which_note(cell, name)
    if match["mark"] or _may_be_helmholtz(typed, match["octave"], rule):
        return asked(
            f"{shown(cell)} names its octave the German way; which octave is it, if middle C is C4?"
        )
    if name.how == "solfege" and match["octave"]:
        return asked(
            f"{shown(cell)} may count octaves the French way, one lower than here; "
            "which octave is it, if middle C is C4?"
        )
    octave, said = _octave(name, match["octave"], rule)
    off = plain_number(match["off"] or "0", rule.decimal or ".")
    if isinstance(off, Doubt):
        return asked(f"{shown(cell)} may be {' or '.join(off.readings)} cents off: which is it?")
    if off is None:
        return None
    by = Decimal(off.plain) * (-1 if match["sign"] in ("-", "−", "–") else 1)
    pitch = Pitch(name.number(octave), by)
    spelled = [] if name.how == "plain" else [f"{_SPELLED[name.how]} name"]
    return pitch, [f"{pitch.name}{' cents' if by else ''}", *spelled, *said]


def _may_be_helmholtz(typed: str, octave: str | None, rule: ColumnRule) -> bool:
    """Say whether a small letter with a number, as e1, may count octaves the German way."""
    return bool(octave) and typed[0].islower() and (rule.notes == "german" or str(octave) in "123")


def _octave(name: Name, octave: str | None, rule: ColumnRule) -> tuple[int, list[str]]:
    if octave:
        return int(octave), []
    if rule.octave is not None:
        return rule.octave, [f"octave {rule.octave} from the rule"]
    low, high = (note_number(note) for note in rule.crow)
    if low // 12 == high // 12:
        nearest = low // 12
    else:
        nearest = min(range(10), key=lambda near: _outside(name.number(near), low, high))
    target = rule.crow[0] if low == high else f"{rule.crow[0]} to {rule.crow[1]}"
    return nearest, [f"octave {nearest} from the crow target {target}"]


def _outside(number: int, low: int, high: int) -> int:
    return max(low - number, number - high, 0)


def _which_note(cell: str, readings: tuple[str, ...]) -> Read:
    if len(readings) == 2:
        return asked(
            f"{shown(cell)} is {readings[0]} in one convention and {readings[1]} in another: "
            "are the notes of this column English or German?"
        )
    return asked(
        f"{shown(cell)} is {readings[0]} in German names: are the notes of this column German?"
    )


def _no_note(typed: str, cell: str, rule: ColumnRule) -> Read:
    for pattern in _BETWEEN:
        match = pattern.fullmatch(typed)
        ends = [_single(part.strip(), cell, rule) for part in match.groups()] if match else []
        found = [end[0] for end in ends if isinstance(end, tuple)]
        if len(found) == 2:
            offer = _middle(*found)
            return refused(
                f"{shown(cell)} is no single pitch", f"write {offer} if the middle is meant"
            )
    bare = _VAGUE.sub("", typed).strip(" ,()")
    if bare != typed and isinstance(_single(bare, cell, rule), tuple):
        return refused(f"{shown(cell)} does not say by how many cents", WRITE_PITCH)
    return refused(f"{shown(cell)} is neither a note nor a frequency", WRITE_PITCH)


def _middle(low: Pitch, high: Pitch) -> str:
    whole = (100 * (low.number + high.number) + low.cents + high.cents) / 2
    number = int(whole // 100)
    left = whole - 100 * number
    return Pitch(number, left.normalize() if left else Decimal(0)).name
