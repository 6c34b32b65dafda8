"""The journal of a study: one line a save, added and never changed.

``journal/2026-11.jsonl`` holds for each save of that month its number, day and hour, the
call that made it, what it changed in which file, and a fingerprint of every file after it.
The first line of all holds the files as they were before; what was changed by hand between
two saves is noted whole, before the next. Keys stay out of it: only their fingerprints are
noted, for the journal may be read by those who judge the reeds.
"""

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

from reedlab.errors import RecordError
from reedlab.study.edits import do_edits, edits_between, undo_edits

FOLDER = "journal"
#: What the journal says of changes that no call has made.
FIRST, BY_HAND, UNDO = "first state", "by hand", "undo"
_MONTH = re.compile(r"\d{4}-\d{2}\.jsonl")
#: Bytes that are read at a time from the end.
_BLOCK = 65536


@dataclass(frozen=True)
class Entry:
    """One line of the journal.

    Attributes
    ----------
    number : int
        From 0.
    at : str
        Day, hour and offset from universal time.
    by : str
        The call, or ``first state``, ``by hand``, ``undo``.
    version : str
        Of reedlab.
    files : mapping of str to mapping
        By file: fingerprints ``before`` and ``after`` (None where there is no file), and
        either ``edits``, or ``whole``, or neither for a key; ``encoding`` of the texts.
    state : mapping of str to str
        The fingerprint of every file after it.
    undoes : int or None
        The number of the entry that it takes back.
    stays : str
        Why it cannot be taken back; empty if it can.
    """

    number: int
    at: str
    by: str
    version: str
    files: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    state: Mapping[str, str] = field(default_factory=dict)
    undoes: int | None = None
    stays: str = ""

    @property
    def line(self) -> str:
        """Its line in the file, what is empty left out."""
        kept = {name: value for name, value in asdict(self).items() if value not in (None, "")}
        return json.dumps(kept, ensure_ascii=False) + "\n"

    @property
    def added(self) -> bool:
        """Whether a call has added or changed something that may be taken back."""
        return self.by not in (FIRST, BY_HAND, UNDO)


def fingerprint(content: bytes) -> str:
    """Return what tells one content of a file from another."""
    return sha256(content).hexdigest()[:20]


def change(file: str, before: bytes | None, after: bytes | None) -> dict[str, Any]:
    """Return what the journal notes of one file's change."""
    noted: dict[str, Any] = {
        "before": None if before is None else fingerprint(before),
        "after": None if after is None else fingerprint(after),
    }
    if is_key(file):
        return noted
    encoding = _encoding(before or b"", after or b"")
    old, new = ((content or b"").decode(encoding) for content in (before, after))
    return noted | {"edits": edits_between(old, new), "encoding": encoding}


def whole(content: bytes | None, file: str) -> dict[str, Any]:
    """Return what the journal notes of a file that no call has changed."""
    if content is None or is_key(file):
        return {"after": None if content is None else fingerprint(content)}
    encoding = _encoding(content)
    return {
        "after": fingerprint(content),
        "whole": content.decode(encoding),
        "encoding": encoding,
    }


def done(noted: Mapping[str, Any], content: bytes | None) -> bytes | None:
    """Return a file as it was after a change, from what it was before.

    Raises
    ------
    RecordError
        If the change does not fit.
    """
    if noted["after"] is None:
        return None
    encoding = noted["encoding"]
    if "whole" in noted:
        return str(noted["whole"]).encode(encoding)
    return do_edits((content or b"").decode(encoding), noted["edits"]).encode(encoding)


def undone(noted: Mapping[str, Any], content: bytes) -> bytes:
    """Return a file as it was before a change, from what it was after."""
    encoding = noted["encoding"]
    return undo_edits(content.decode(encoding), noted["edits"]).encode(encoding)


def is_key(file: str) -> bool:
    """Say whether a file is a key, whose content the journal must not tell."""
    return file.startswith("keys/")


def next_entry(last: Entry | None, by: str, **facts: Any) -> Entry:
    """Return an entry that follows the last one, dated now."""
    import reedlab

    number = 0 if last is None else last.number + 1
    at = datetime.now().astimezone().isoformat(timespec="seconds")
    return Entry(number, at, by, reedlab.__version__, **facts)


def month_file(folder: Path, entry: Entry) -> str:
    """Return the file that an entry goes to; never one before the last, if clocks go wrong."""
    name = f"{entry.at[:7]}.jsonl"
    return f"{FOLDER}/{max([name, *(path.name for path in journal_files(folder))])}"


def is_month_file(file: str) -> bool:
    """Say whether a path is that of a file of the journal."""
    return bool(re.fullmatch(f"{FOLDER}/{_MONTH.pattern}", file))


def journal_files(folder: Path) -> list[Path]:
    """Return the files of the journal in their order; copies of them are none."""
    return sorted(path for path in (folder / FOLDER).glob("*.jsonl") if _MONTH.fullmatch(path.name))


def read_journal(folder: Path) -> Iterator[Entry | str]:
    """Return each entry in order; for a line that cannot be read, what is wrong with it."""
    for path in journal_files(folder):
        for number, line in enumerate(path.read_bytes().split(b"\n"), start=1):
            if line:
                try:
                    yield _entry(line)
                except RecordError as error:
                    yield f"{FOLDER}/{path.name}, line {number}: {error}"


def last_entry(folder: Path) -> Entry | None:
    """Return the last entry; none if there is none or it cannot be read."""
    for path in reversed(journal_files(folder)):
        line = _last_line(path)
        if line:
            try:
                return _entry(line)
            except RecordError:
                return None
    return None


def _entry(line: bytes) -> Entry:
    try:
        return Entry(**json.loads(line))
    except (ValueError, TypeError):
        raise RecordError("this is no entry of a journal.") from None


def _last_line(path: Path) -> bytes:
    """Return the last line that holds something; a journal may be long."""
    with path.open("rb") as file:
        place = file.seek(0, 2)
        end = b""
        while place > 0 and b"\n" not in end.strip(b"\n"):
            step = min(_BLOCK, place)
            place -= step
            file.seek(place)
            end = file.read(step) + end
    return end.strip(b"\n").rpartition(b"\n")[2]


def _encoding(*contents: bytes) -> str:
    """Return an encoding that gives back every byte: a sheet saved wrongly is kept too."""
    try:
        for content in contents:
            content.decode("utf-8")
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"
