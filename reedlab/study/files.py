"""Files that are always either the old one or the new one, never half of it.

A file is written under another name in the same folder, flushed to the disk, then renamed,
and the folder is flushed too, so that neither a crash nor a power cut leaves half of it.
"""

import os
import tempfile
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path

from reedlab.errors import RecordError

#: How the name of a file ends that is not in its place yet; it begins with a point.
PART = ".part"


def replace_file(path: Path, content: bytes) -> None:
    """Write a file so that it is either the old one or the new one, never half of it.

    Examples
    --------
    >>> note = Path(tempfile.mkdtemp()) / "note.txt"
    >>> replace_file(note, b"soak 3 h")
    >>> note.read_text()
    'soak 3 h'
    """
    replace_files(path.parent, {path.name: content})


def replace_files(folder: Path, contents: Mapping[str, bytes]) -> None:
    """Write several files of a folder in the order given: all of them, or none.

    Every file is written under another name before the first is renamed; if a renaming
    fails, those that were renamed are put back. A process that is killed between two
    renamings leaves some old and some new, so a study's tables go through
    :func:`reedlab.study.saving.save_files`, which finishes them later.

    Examples
    --------
    >>> home = Path(tempfile.mkdtemp())
    >>> replace_files(home, {"plans/B2_making.csv": b"place", "reeds.csv": b"reed_id"})
    >>> sorted(path.name for path in home.iterdir())
    ['plans', 'reeds.csv']
    """
    fresh: dict[Path, Path] = {}
    old: dict[Path, Path] = {}
    renamed: list[Path] = []
    path = folder
    try:
        for file, content in contents.items():
            path = folder / file
            path.parent.mkdir(exist_ok=True)
            if path.exists():
                old[path] = set_aside(path, path.read_bytes())
            fresh[path] = set_aside(path, content)
        for path, partial in fresh.items():
            partial.replace(path)
            renamed.append(path)
        flush_folders(fresh)
    except OSError as error:
        for changed in renamed:
            old[changed].replace(changed) if changed in old else changed.unlink()
        raise RecordError(f"{path} cannot be written: {error.strerror}.") from None
    finally:
        for left in (*fresh.values(), *old.values()):
            left.unlink(missing_ok=True)


def set_aside(path: Path, content: bytes) -> Path:
    """Write a file beside its place, under a name that nobody sees, and flush it."""
    with tempfile.NamedTemporaryFile(
        dir=path.parent, prefix=f".{path.name}.", suffix=PART, delete=False
    ) as file:
        partial = Path(file.name)
        try:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
            partial.chmod(0o644)  # a temporary file is for its owner only
        except OSError:
            partial.unlink(missing_ok=True)
            raise
    return partial


def flush_folders(paths: Iterable[Path]) -> None:
    """Flush the folders in which files were renamed, so that the renaming is on the disk."""
    for folder in dict.fromkeys(path.parent for path in paths):
        # Some systems cannot open a folder; there the renaming itself is all one can do.
        with suppress(OSError):
            handle = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
