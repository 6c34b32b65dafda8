"""The tables of a study made again from its journal alone, and whether they are the same.

What was changed by hand since the last save is no fault: the journal notes it at the next
save. Keys are not in the journal, so they are compared, not made again.
"""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from reedlab.errors import CallError, RecordError, listed
from reedlab.study.files import replace_files
from reedlab.study.journal import (
    BY_HAND,
    FIRST,
    FOLDER,
    Entry,
    done,
    fingerprint,
    is_key,
    read_journal,
)
from reedlab.study.resources import is_inside
from reedlab.study.saving import by_hand, snapshot


@dataclass(frozen=True, eq=False)
class Rebuilt:
    """What the journal of a study gives.

    Attributes
    ----------
    files : mapping of str to bytes
        The files as the last save left them, keys apart.
    changed : tuple of str
        Files that were changed by hand since the last save.
    damage : tuple of str
        What cannot be read in the journal, or does not fit what comes before; else empty.
    entries : int
        Saves and changes by hand that the journal holds.
    last : str
        Day and hour of the last of them.
    """

    files: Mapping[str, bytes]
    changed: tuple[str, ...]
    damage: tuple[str, ...]
    entries: int
    last: str

    @property
    def agrees(self) -> bool:
        """Whether the journal is sound and gives the files as they lie there now."""
        return not self.changed and not self.damage

    @property
    def sentence(self) -> str:
        """The same in words."""
        if not self.entries:
            return f"There is no {FOLDER} yet; it begins with the first addition."
        if self.damage:
            return f"The journal does not give the record: {'; '.join(self.damage)}."
        told = f"{'1 entry' if self.entries == 1 else f'{self.entries} entries'} of the journal"
        if self.changed:
            return (
                f"{told} give the record as it was on {self.last}; changed by hand since: "
                f"{listed(self.changed)}."
            )
        return f"{told} give the record to the byte; the last is of {self.last}."


def rebuild(folder: str | os.PathLike[str], into: str | os.PathLike[str] | None = None) -> Rebuilt:
    """Make the files of a study again from its journal, and compare them with those there.

    Parameters
    ----------
    folder : path
        Of the study; it is only read.
    into : path, optional
        A folder that is empty or not there yet, to which the files are written.

    Returns
    -------
    Rebuilt

    Raises
    ------
    CallError
        If `into` holds something already.
    RecordError
        If a file cannot be read or written.

    Examples
    --------
    >>> import tempfile
    >>> from reedlab.study import new_study
    >>> rebuild(new_study(tempfile.mkdtemp()).folder).sentence
    'There is no journal yet; it begins with the first addition.'
    """
    path = Path(folder)
    files: dict[str, bytes] = {}
    damage: list[str] = []
    entries = 0
    last: Entry | None = None
    for entry in read_journal(path):
        if isinstance(entry, str):
            damage.append(entry.removesuffix("."))
            continue
        if entry.by == FIRST:
            files, damage = {}, []
        elif last is not None and entry.number != last.number + 1:
            damage.append(f"entry {last.number + 1} is not there")
        entries, last = entries + 1, entry
        damage += _do(entry, files)
    changed = [] if last is None else by_hand(last, snapshot(path))
    when = "" if last is None else last.at[:16].replace("T", " ")
    if into is not None:
        _write(Path(into), files)
    return Rebuilt(files, tuple(changed), tuple(damage), entries, when)


def _do(entry: Entry, files: dict[str, bytes]) -> list[str]:
    """Do to the files what an entry did, and return what does not fit."""
    damage = []
    for file, noted in entry.files.items():
        if is_key(file):
            continue
        if not is_inside(file):
            damage.append(f"entry {entry.number} names '{file}', which is no file of a study")
            continue
        before = files.get(file)
        known = None if before is None else fingerprint(before)
        try:
            if entry.by not in (FIRST, BY_HAND) and known != noted["before"]:
                raise RecordError("it was not noted what came before")
            after = done(noted, before)
        except RecordError as error:
            damage.append(f"entry {entry.number} does not fit {file}: {error}")
            continue
        if after is None:
            files.pop(file, None)
        else:
            files[file] = after
        if (None if after is None else fingerprint(after)) != noted["after"]:
            damage.append(f"entry {entry.number} does not give {file} as it was")
    return damage


def _write(folder: Path, files: Mapping[str, bytes]) -> None:
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise CallError(f"{folder} is not empty; name another folder.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordError(f"{folder} cannot be made: {error.strerror}.") from None
    replace_files(folder, files)
