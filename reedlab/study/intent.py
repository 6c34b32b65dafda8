"""The intent of a save: written before the first file changes, gone when the last has.

``.pending.json`` lists which finished file (under another name) goes to which place, which
files go, and what is added to the journal. Whoever finds one finishes it: every step may be
done twice. So the files of one save change together, wherever a process was killed. A file
that somebody changed in between is kept beside the record, under a name that tells it.
"""

import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path

from reedlab.errors import RecordError
from reedlab.study.files import PART, flush_folders, replace_file, set_aside
from reedlab.study.journal import fingerprint, is_month_file
from reedlab.study.resources import is_inside

PENDING = ".pending.json"
#: Where files of a study may wait for their renaming, beside the folder itself.
_INNER = ("plans", "keys", "journal", "bring")


@dataclass(frozen=True)
class Intent:
    """What a save is about to do.

    Attributes
    ----------
    moves : mapping of str to str or None
        By file: the name under which its new content waits beside it; None takes it away.
    journal : str
        The file of the journal.
    at : int
        How many bytes it held before.
    lines : str
        What is added to it.
    before : mapping of str to str or None
        By file: the fingerprint of what lies there until then; None where nothing does.
    dropped : str
        What may stand in the journal of a save that is taken back; else empty.
    """

    moves: Mapping[str, str | None]
    journal: str
    at: int
    lines: str
    before: Mapping[str, str | None] = field(default_factory=dict)
    dropped: str = ""

    @classmethod
    def read(cls, folder: Path) -> "Intent":
        """Read the intent of a folder; one that reaches outside it is none."""
        try:
            intent = cls(**json.loads((folder / PENDING).read_text("utf-8")))
            names = [part for part in intent.moves.values() if part is not None]
            if (
                all(is_inside(file) for file in intent.moves)
                and all(Path(part).name == part and part.endswith(PART) for part in names)
                and is_month_file(intent.journal)
                and isinstance(intent.at, int)
                and isinstance(intent.lines + intent.dropped, str)
                and isinstance(intent.before, dict)
            ):
                return intent
        except (ValueError, TypeError, AttributeError):
            pass
        raise RecordError(
            f"{PENDING} in {folder} is damaged, so a save that was cut off cannot be finished; "
            "move it away and look at the last rows of the tables."
        )


def change_files(
    folder: Path,
    contents: Mapping[str, bytes | None],
    before: Mapping[str, bytes],
    journal: str,
    lines: str,
) -> None:
    """Write files, take files away and add to the journal: all of it, or none.

    The caller holds the study's lock.

    Parameters
    ----------
    folder : Path
    contents : mapping of str to bytes or None
        By file; None takes it away.
    before : mapping of str to bytes
        The files as they are.
    journal : str
        The file of the journal, relative to the folder.
    lines : str
        What is added to it.

    Raises
    ------
    RecordError
        If something cannot be written; everything is then as before.
    """
    sweep(folder)
    path = folder / journal
    at = path.stat().st_size if path.exists() else 0
    try:
        known = {file: _fingerprint(before.get(file)) for file in contents}
        _write_intent(folder, contents, Intent({}, journal, at, lines, known))
    except RecordError:
        sweep(folder)
        raise
    try:
        finish(folder)
    except OSError as error:
        try:
            now = {file: _mark(folder / file) for file in contents}
            back = {file: before.get(file) for file in contents if now[file] != known[file]}
            _write_intent(folder, back, Intent({}, journal, at, "", now, dropped=lines))
            finish(folder)
        except (OSError, RecordError):
            raise RecordError(
                f"{_told(error, folder)}. The save is finished when the study is next opened "
                "where it can be written."
            ) from None
        sweep(folder)
        raise RecordError(f"{_told(error, folder)}. Nothing was changed.") from None


def finish_pending(folder: Path) -> None:
    """Finish a save that was cut off, if there is one; the caller holds the lock.

    Raises
    ------
    RecordError
        If it cannot be read or written.
    """
    if not (folder / PENDING).exists():
        return
    try:
        finish(folder)
    except OSError as error:
        raise RecordError(
            f"A save of {folder} was cut off and cannot be finished: {_told(error, folder)}."
        ) from None


def finish(folder: Path) -> None:
    """Do what the intent says, from wherever it was cut off."""
    intent = Intent.read(folder)
    _lengthen(folder / intent.journal, intent)
    for file, part in intent.moves.items():
        place = folder / file
        if part is None:
            _keep_aside(place, intent.before.get(file))
            place.unlink(missing_ok=True)
        elif place.with_name(part).exists():
            _keep_aside(place, intent.before.get(file))
            place.with_name(part).replace(place)
    flush_folders([folder / file for file in (*intent.moves, intent.journal)])
    (folder / PENDING).unlink()
    flush_folders([folder / PENDING])


def sweep(folder: Path) -> None:
    """Take away what was written aside by processes that were killed before they said why."""
    for place in (folder, *(folder / name for name in _INNER)):
        for left in place.glob(f".*{PART}"):
            left.unlink(missing_ok=True)


def _write_intent(folder: Path, contents: Mapping[str, bytes | None], intent: Intent) -> None:
    moves: dict[str, str | None] = {}
    place = folder
    try:
        (folder / intent.journal).parent.mkdir(exist_ok=True)
        for file, content in contents.items():
            place = folder / file
            place.parent.mkdir(exist_ok=True)
            moves[file] = None if content is None else set_aside(place, content).name
        flush_folders(folder / file for file in contents)
    except OSError as error:
        raise RecordError(f"{place} cannot be written: {error.strerror}.") from None
    text = json.dumps(asdict(intent) | {"moves": moves}, ensure_ascii=False)
    replace_file(folder / PENDING, text.encode("utf-8"))


def _mark(path: Path) -> str | None:
    return _fingerprint(path.read_bytes() if path.exists() else None)


def _fingerprint(content: bytes | None) -> str | None:
    return None if content is None else fingerprint(content)


def _keep_aside(place: Path, before: str | None) -> None:
    """Keep what somebody wrote into a file between the cut and now."""
    if place.exists() and _mark(place) != before:
        when = f"{datetime.now():%Y-%m-%d %H%M%S}"
        place.replace(place.with_stem(f"{place.stem} (changed by hand, kept {when})"))


def _lengthen(path: Path, intent: Intent) -> None:
    """Add to the journal, whatever part of it stands there already."""
    if not intent.lines and not path.exists():
        return
    lines, dropped = intent.lines.encode("utf-8"), intent.dropped.encode("utf-8")
    with open(path, "r+b" if path.exists() else "x+b") as file:
        at = min(intent.at, file.seek(0, os.SEEK_END))
        file.seek(at)
        there = file.read()
        if lines and lines in there:
            return
        if (dropped or lines).startswith(there):
            file.truncate(at)
        end = file.seek(0, os.SEEK_END)
        file.seek(max(end - 1, 0))
        # A last line that was cut off by others stays a line of its own.
        mended = b"\n" if lines and file.read() not in (b"", b"\n") else b""
        file.write(mended + lines)
        file.flush()
        os.fsync(file.fileno())


def _told(error: OSError, folder: Path) -> str:
    return f"{error.filename2 or error.filename or folder} cannot be written: {error.strerror}"
