"""Taking back the last addition, through the journal, as another entry of the journal.

A file that nobody has touched since gets back its bytes of before. In one that was touched
by hand the lines that were added must stand as they were written, once; else nothing is
taken back.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reedlab.errors import RecordError
from reedlab.study.descriptor import DESCRIPTOR, described
from reedlab.study.edits import undo_edits_by_sight
from reedlab.study.folder import open_study
from reedlab.study.journal import FIRST, UNDO, Entry, fingerprint, is_key, read_journal, undone
from reedlab.study.lock import one_at_a_time
from reedlab.study.saving import save_files, snapshot
from reedlab.study.study import Study


@dataclass(frozen=True, eq=False)
class Undone:
    """What was taken back.

    Attributes
    ----------
    study : Study
        Opened again.
    sentence : str
    """

    study: Study
    sentence: str


@one_at_a_time
def undo(study: Study) -> Undone:
    """Take back the last addition to a study, and say what it was.

    Asked again, it takes back the one before. An undo is not itself undone: record again.
    Recordings stay where they are.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Undone

    Raises
    ------
    RecordError
        If there is nothing to take back, or what was added was changed by hand since.
        Nothing is written then.
    """
    last = _last_addition(study.folder)
    if last.stays:
        raise RecordError(f"{_named(last)} cannot be taken back: {last.stays}.")
    now = snapshot(study.folder)
    contents = {}
    for file, noted in last.files.items():
        try:
            contents[file] = _before(file, noted, now.get(file))
        except RecordError as error:
            raise RecordError(
                f"{_named(last)} cannot be taken back: {file} was changed by hand since, and "
                f"{error}. Nothing was written; mend the rows by hand."
            ) from None
    if contents.get(DESCRIPTOR):
        described(json.loads((contents[DESCRIPTOR] or b"").decode("utf-8-sig")), study.folder)
    save_files(study.folder, contents, now, UNDO, undoes=last.number)
    return Undone(open_study(study.folder), f"Taken back: {_named(last)} ({rows_told(last)}).")


def rows_told(entry: Entry) -> str:
    """Say in words how many rows of which file an entry has added or changed."""
    return "; ".join(_row_words(file, noted) for file, noted in entry.files.items())


def _last_addition(folder: Path) -> Entry:
    """Return the last addition that has not been taken back yet."""
    standing: list[Entry] = []
    damage = ""
    for entry in read_journal(folder):
        if isinstance(entry, str):
            damage = entry.removesuffix(".")
        elif entry.by == FIRST:
            standing, damage = [], ""
        elif entry.undoes is not None:
            standing = [one for one in standing if one.number != entry.undoes]
        elif entry.added:
            standing.append(entry)
    if damage:
        raise RecordError(
            f"What was added last cannot be told, so nothing was taken back: {damage}."
        )
    if not standing:
        raise RecordError(
            f"There is nothing to take back: the journal of {folder} holds no addition that stands."
        )
    return standing[-1]


def _before(file: str, noted: Mapping[str, Any], now: bytes | None) -> bytes | None:
    """Return a file without what an entry has done to it."""
    if now is None:
        raise RecordError("it is gone")
    untouched = fingerprint(now) == noted["after"]
    if noted["before"] is None or is_key(file):
        # What was begun goes as a whole. The journal could not bring back a key.
        if untouched and noted["before"] is None:
            return None
        raise RecordError("it is no longer as it was written")
    if untouched:
        return undone(noted, now)
    try:
        text = now.decode(noted["encoding"])
    except UnicodeDecodeError:
        raise RecordError("it is no longer UTF-8 text") from None
    return undo_edits_by_sight(text, noted["edits"]).encode(noted["encoding"])


def _named(entry: Entry) -> str:
    return f"'{entry.by}' of {entry.at[:16].replace('T', ' ')}"


def _row_words(file: str, noted: Mapping[str, Any]) -> str:
    if noted["before"] is None:
        return f"{file} begun"
    if file == DESCRIPTOR:
        return f"{file} changed"
    out, put = (sum(edit[side].count("\n") for edit in noted["edits"]) for side in ("out", "in"))
    parts = [_counted(put - out, "added")] if put > out else []
    if noted["edits"][0]["line"] == 1:
        parts.append("columns added")  # which changes every row
    elif out:
        parts.append(_counted(out, "changed"))
    return f"{file}: {', '.join(parts)}"


def _counted(rows: int, what: str) -> str:
    return f"{rows} row{'' if rows == 1 else 's'} {what}"
