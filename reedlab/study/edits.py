"""What changed between two texts, line by line, and how to do or undo it.

An edit is ``{"line": 12, "out": "...", "in": "..."}``: from line 12 of the text before on
(counted from 1), the lines in ``out`` give way to those in ``in``; either may be empty.
"""

import csv
from collections.abc import Sequence
from typing import TypedDict

from reedlab.errors import RecordError

Edit = TypedDict("Edit", {"line": int, "out": str, "in": str})


def edits_between(before: str, after: str) -> list[Edit]:
    r"""Return what turns one text into the other, from the top down.

    Examples
    --------
    >>> edits_between("a\nb\nc\n", "a\nB\nc\nd\n")
    [{'line': 2, 'out': 'b\n', 'in': 'B\n'}, {'line': 4, 'out': '', 'in': 'd\n'}]
    """
    old, new = _lines(before), _lines(after)
    end = 0
    shorter = min(len(old), len(new))
    while end < shorter and old[-1 - end] == new[-1 - end]:
        end += 1
    old, new = old[: len(old) - end], new[: len(new) - end]
    common = min(len(old), len(new))
    edits: list[Edit] = []
    start = 0
    while start < common:
        if old[start] == new[start]:
            start += 1
            continue
        stop = start
        while stop < common and old[stop] != new[stop]:
            stop += 1
        edits.append(_edit(start, old[start:stop], new[start:stop]))
        start = stop
    if len(old) != len(new):
        edits.append(_edit(common, old[common:], new[common:]))
    return edits


def do_edits(text: str, edits: Sequence[Edit]) -> str:
    r"""Return the text with the edits done.

    Raises
    ------
    RecordError
        If it does not hold what they take out.

    Examples
    --------
    >>> do_edits("a\nb\n", [{"line": 2, "out": "b\n", "in": "B\n"}])
    'a\nB\n'
    """
    lines = _lines(text)
    for edit in reversed(edits):
        start, out = edit["line"] - 1, _lines(edit["out"])
        if start > len(lines) or lines[start : start + len(out)] != out:
            raise RecordError(f"line {edit['line']} is not what it was")
        lines[start : start + len(out)] = _lines(edit["in"])
    return "".join(lines)


def undo_edits(text: str, edits: Sequence[Edit]) -> str:
    r"""Return the text as it was before the edits.

    Raises
    ------
    RecordError
        If it does not hold what they put in.

    Examples
    --------
    >>> undo_edits("a\nB\nc\n", [{"line": 2, "out": "b\n", "in": "B\n"}])
    'a\nb\nc\n'
    """
    back: list[Edit] = []
    shift = 0
    for edit in edits:
        back.append({"line": edit["line"] + shift, "out": edit["in"], "in": edit["out"]})
        shift += len(_lines(edit["in"])) - len(_lines(edit["out"]))
    return do_edits(text, back)


def undo_edits_by_sight(text: str, edits: Sequence[Edit]) -> str:
    r"""Return the text without what the edits put in, wherever it stands now.

    A spreadsheet that saved the file again may have changed line ends and quotes.

    Raises
    ------
    RecordError
        If what they put in does not stand there as it was, or more than once.

    Examples
    --------
    >>> undo_edits_by_sight('new\r\na\r\n"b"\r\n', [{"line": 2, "out": "", "in": "b\n"}])
    'new\r\na\r\n'
    """
    for edit in reversed(edits):
        lines = _lines(text)
        cells, there = ([*map(_cells, part)] for part in (lines, _lines(edit["in"])))
        places = [
            start
            for start, row in enumerate(cells)
            if there and row == there[0] and cells[start : start + len(there)] == there
        ]
        if len(places) != 1:
            raise RecordError("its lines no longer stand there as they were written")
        lines[places[0] : places[0] + len(there)] = _lines(edit["out"])
        text = "".join(lines)
    return text


def _edit(start: int, out: Sequence[str], put: Sequence[str]) -> Edit:
    return {"line": start + 1, "out": "".join(out), "in": "".join(put)}


def _cells(line: str) -> list[str]:
    """Return a line as CSV reads it; one that is only part of a row as it is."""
    bare = line.removesuffix("\n").removesuffix("\r")
    try:
        return next(csv.reader([bare], strict=True), [])
    except csv.Error:
        return [bare]


def _lines(text: str) -> list[str]:
    """Split after each line feed and nowhere else, so that joining gives the text again."""
    parts = [part + "\n" for part in text.split("\n")]
    parts[-1] = parts[-1][:-1]
    return parts if parts[-1] else parts[:-1]
