"""Where a study can be found again, and how to tell that it is the same record.

What is told goes into notebooks and handouts, so it never names a place on the maker's disk:
a folder is told by its way from where the question was asked (for a notebook its own folder),
an invented study in a temporary folder by the name of the example. The hash is SHA-256 over
name and content of every file that a study was read from, in the order of their names.
"""

import os
import tempfile
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

from reedlab.errors import RecordError
from reedlab.study.descriptor import DESCRIPTOR
from reedlab.study.pooling.pooled import Pooled
from reedlab.study.study import Study

#: The invented studies that anybody can have again (:func:`reedlab.demo.example_study`).
EXAMPLES = ("batch", "season")


def whereabouts(study: Study) -> dict[str, str]:
    """Tell a study's title and, if it can be found again, where, and its data hash.

    Returns
    -------
    dict
        ``title``; ``folder`` (its way from the working folder) or ``example``; ``data_hash``
        with either. A pool, and a study in a temporary folder that is no example, cannot be
        found again.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> told = whereabouts(example_study("batch"))
    >>> told["example"], len(told["data_hash"])
    ('batch', 64)
    """
    place = {} if isinstance(study, Pooled) else _place(study)
    if place:
        try:
            place["data_hash"] = data_hash(study)
        except RecordError:  # its files are gone by now, so it cannot be found again
            place = {}
    return {"title": study.title, **place}


def data_hash(study: Study) -> str:
    """Return the SHA-256 of the files that a study was read from, 64 hexadecimal digits.

    Of a pool it is that of the hashes of its studies.

    Raises
    ------
    RecordError
        If a file is gone or cannot be read.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> data_hash(example_study("batch")) == data_hash(example_study("batch"))
    True
    """
    mixed = sha256()
    for name, content in _contents(study):
        # Lengths keep two files from looking like one.
        mixed.update(f"{name}\0{len(content)}\0".encode())
        mixed.update(content)
    return mixed.hexdigest()


def _place(study: Study) -> dict[str, str]:
    folder, here = study.folder.resolve(), Path.cwd().resolve()
    if folder.is_relative_to(Path(tempfile.gettempdir()).resolve()) and not _beside(folder, here):
        known = study.settings.invented and folder.name in EXAMPLES
        return {"example": folder.name} if known else {}
    if folder.anchor != here.anchor:
        return {}
    shared = Path(os.path.commonpath([folder, here]))
    if shared == Path(folder.anchor):
        return {}
    return {"folder": Path(os.path.relpath(folder, here)).as_posix()}


def _beside(folder: Path, here: Path) -> bool:
    """Say whether a folder lies in the working folder or beside it."""
    return folder.is_relative_to(here) or folder.parent == here.parent


def _contents(study: Study) -> Iterator[tuple[str, bytes]]:
    if isinstance(study, Pooled):
        for name, source in sorted(study.sources.items()):
            yield name, data_hash(source).encode()
        return
    for name in sorted({DESCRIPTOR, *(sheet.file for sheet in study.sheets.values())}):
        try:
            yield name, (study.folder / name).read_bytes()
        except OSError as error:
            raise RecordError(f"{name} cannot be read: {error.strerror}.") from None
