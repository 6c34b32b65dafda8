"""Saving a study's files: together, one call at a time, with a line in the journal.

What was changed by hand since the last save is noted in the journal first, never undone. A
file that somebody changes while a call works is not written over: the call is refused.
"""

from collections.abc import Mapping
from pathlib import Path

from reedlab.errors import RecordError, listed
from reedlab.study.descriptor import DESCRIPTOR, table_files
from reedlab.study.intent import change_files
from reedlab.study.journal import (
    BY_HAND,
    FIRST,
    Entry,
    change,
    fingerprint,
    last_entry,
    month_file,
    next_entry,
    whole,
)
from reedlab.study.lock import alone

#: Folders beside the tables whose files belong to the record.
_INNER = ("plans", "keys")


def snapshot(folder: Path) -> dict[str, bytes]:
    """Read every file of a study: descriptor, tables, plans, keys.

    Raises
    ------
    RecordError
        If one cannot be read.
    """
    inner = [
        path.relative_to(folder).as_posix()
        for name in _INNER
        for path in sorted((folder / name).glob("*.csv"))
    ]
    found: dict[str, bytes] = {}
    try:
        for file in (DESCRIPTOR, *table_files(folder), *inner):
            if (folder / file).is_file():
                found[file] = (folder / file).read_bytes()
    except OSError as error:
        raise RecordError(f"{error.filename} cannot be read: {error.strerror}.") from None
    return found


def save_files(
    folder: Path,
    contents: Mapping[str, bytes | None],
    seen: Mapping[str, bytes],
    by: str,
    undoes: int | None = None,
    stays: str = "",
    beside: Mapping[str, bytes] | None = None,
) -> None:
    """Write files of a study and note it in the journal.

    Parameters
    ----------
    folder : Path
    contents : mapping of str to bytes or None
        By file, relative to the folder; None takes the file away.
    seen : mapping of str to bytes
        The :func:`snapshot` from which the contents were made.
    by : str
        Which call changes them, as the journal tells it.
    undoes : int, optional
        The number of the entry that is taken back.
    stays : str, optional
        Why this cannot be taken back.
    beside : mapping of str to bytes, optional
        Reports written in the same save that are no part of the record: the journal does
        not hold them, and taking the save back leaves them.

    Raises
    ------
    RecordError
        If a file was changed since it was read, or cannot be written. Nothing is then
        written.
    """
    with alone(folder):
        now = snapshot(folder)
        changed = [file for file in {**seen, **now} if seen.get(file) != now.get(file)]
        if changed:
            raise RecordError(
                f"{listed(sorted(changed))} changed while this was being recorded; nothing was "
                "written. Do it again."
            )
        written = {file: text for file, text in contents.items() if now.get(file) != text}
        if not written:
            return
        last = last_entry(folder)
        lines = []
        for entry in _catching_up(last, now):
            last = entry
            lines.append(entry.line)
        after = {file: text for file, text in {**now, **written}.items() if text is not None}
        entry = next_entry(
            last,
            by,
            files={file: change(file, now.get(file), text) for file, text in written.items()},
            state=_state(after),
            undoes=undoes,
            stays=stays,
        )
        lines.append(entry.line)
        change_files(
            folder, {**written, **(beside or {})}, now, month_file(folder, entry), "".join(lines)
        )


def by_hand(last: Entry, now: Mapping[str, bytes]) -> list[str]:
    """Return the files that are not as the last save left them."""
    state = _state(now)
    return [file for file in {**last.state, **state} if last.state.get(file) != state.get(file)]


def _catching_up(last: Entry | None, now: Mapping[str, bytes]) -> list[Entry]:
    """Return the entry that brings the journal to what lies there now, if it needs one."""
    files = list(now) if last is None else by_hand(last, now)
    if not files:
        return []
    noted = {file: whole(now.get(file), file) for file in files}
    return [next_entry(last, FIRST if last is None else BY_HAND, files=noted, state=_state(now))]


def _state(contents: Mapping[str, bytes]) -> dict[str, str]:
    return {file: fingerprint(content) for file, content in contents.items()}
