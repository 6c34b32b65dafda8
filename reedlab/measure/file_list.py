"""Which recordings are meant by files, folders and patterns, and what each of them is called.

A folder stands for the recordings that lie in it, told by the endings of their names in either
case. A recording is called by its name; where two have the same, by as much of their path as
tells them apart, with `/` between.
"""

import os
from collections import Counter
from collections.abc import Iterable, Sequence
from glob import glob
from pathlib import Path
from unicodedata import normalize

from reedlab.errors import CallError, listed

#: Endings of sound files, and of the films that some phones make instead.
ENDINGS = (
    *("aac", "aif", "aifc", "aiff", "amr", "caf", "flac", "m4a", "mp3", "oga", "ogg", "opus"),
    *("wav", "wave", "weba", "wma", "3gp", "mkv", "mov", "mp4", "webm"),
)

Paths = str | Path | Iterable[str | Path]


def recordings_in(paths: Paths) -> list[Path]:
    """Return the files that are meant, each once, in the order in which they are named.

    Parameters
    ----------
    paths : str, Path, or several
        Files; folders, for the recordings in them; patterns such as ``autumn/*.wav``, where
        ``**`` stands for any folders.

    Returns
    -------
    list of Path
        A file that does not exist is among them: what it lacks is told when it is read.

    Raises
    ------
    CallError
        If nothing is named, or a folder or pattern stands for no recording.

    Examples
    --------
    >>> recordings_in(["b.wav", "a.wav", "b.wav"]) == [Path("b.wav"), Path("a.wav")]
    True
    """
    given = [paths] if isinstance(paths, str | Path) else list(paths)
    if not given:
        raise CallError("There are no recordings; name files, a folder, or a pattern like '*.wav'.")
    found: dict[str, Path] = {}
    faults = []
    for one in map(Path, given):
        files = _meant(one)
        if not files:
            what = "the folder holds no" if one.is_dir() else "the pattern fits no"
            faults.append(f"{one}: {what} recording ({listed(ENDINGS)}).")
        for file in files:
            found.setdefault(os.path.abspath(file), file)
    if faults:
        raise CallError("\n".join(faults))
    return list(found.values())


def _meant(path: Path) -> list[Path]:
    if path.is_dir():
        return _recordings(path.iterdir())
    # A name may hold a bracket without being a pattern.
    if path.exists() or not any(mark in str(path) for mark in "*?["):
        return [path]
    return _recordings(map(Path, glob(str(path), recursive=True)))


def _recordings(files: Iterable[Path]) -> list[Path]:
    """Keep what is a recording by its name; what begins with a point is a system's own."""
    endings = tuple(f".{ending}" for ending in ENDINGS)
    return sorted(
        file
        for file in files
        if file.name.lower().endswith(endings) and file.name[0] != "." and file.is_file()
    )


def names_of(files: Sequence[Path]) -> list[str]:
    """Return what each file is called, no two alike.

    Examples
    --------
    >>> names_of([Path("may/1.wav"), Path("june/1.wav"), Path("june/2.wav")])
    ['may/1.wav', 'june/1.wav', '2.wav']
    """
    whole = [parts_of(file) for file in files]
    names = [""] * len(whole)
    for length in range(1, max(map(len, whole), default=0) + 1):
        endings = ["/".join(parts[-length:]) for parts in whole]
        counts = Counter(endings)
        names = [
            name or (ending if counts[ending] == 1 else "")
            for name, ending in zip(names, endings, strict=True)
        ]
    return names


def parts_of(file: Path) -> tuple[str, ...]:
    """Return folders and name, in one spelling: an accent may be stored in two ways."""
    return tuple(normalize("NFC", part) for part in Path(os.path.abspath(file)).parts)
