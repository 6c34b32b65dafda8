"""The open form of a study as one zip, from which others can check and reckon again.

Data Package and Table Schema, a codebook, plans and opened keys, the log of what was looked at,
how to cite, the licence and the checksum of every file. People get other names, days can be
moved, free words and recordings stay at home unless the maker lets them go. A record with
errors is not published: what cannot be read cannot be made harmless either.
"""

import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from hashlib import sha256
from pathlib import Path

import pandas as pd

from reedlab.answer import Answer, counted, number_text
from reedlab.errors import CallError, RecordError, unknown_name
from reedlab.publish.package.archive import pack
from reedlab.publish.package.cautions import cautions, notices
from reedlab.publish.package.choices import RECORDING, Choices
from reedlab.publish.package.codebook import codebook_parts
from reedlab.publish.package.descriptor import descriptor_part
from reedlab.publish.package.free_text import words
from reedlab.publish.package.licences import licence_named
from reedlab.publish.package.naming import PEOPLE, Naming, named, people_in
from reedlab.publish.package.papers import checksums_part, citation_part, readme_part
from reedlab.publish.package.part import Part
from reedlab.publish.package.record_form import published_settings, record_parts
from reedlab.publish.package.recordings import recording_parts
from reedlab.study import Study
from reedlab.study.journal import FOLDER as JOURNAL

#: By how many days at most days are moved: a century, further away no year is one of a record.
FURTHEST = 36_525


@dataclass(frozen=True)
class Package(Answer):
    """A study's open form; made by :func:`data_package`.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a file: ``file``, ``contains`` (in words), ``size_bytes``.
    left_out : pandas.DataFrame
        Recordings that could not be added: ``file``, ``row`` of the tests, ``fault``.
    path : Path
        The zip.
    aliases : dict of str to str
        From each player's name to the other one. For the maker alone; it is not in the zip.
    """

    path: Path = Path()
    aliases: dict[str, str] = field(default_factory=dict, repr=False)

    def _say(self) -> str:
        size = number_text(self.table["size_bytes"].sum() / 1e6, 2)
        rest = (
            f", {counted(len(self.left_out), 'recording')} left out" if len(self.left_out) else ""
        )
        return f"{self.path.name} holds {counted(len(self.table), 'file')} ({size} MB){rest}."


def data_package(
    study: Study,
    to: str | os.PathLike[str],
    licence: str = "",
    *,
    maker: str = "",
    notes: bool = False,
    recordings: bool = False,
    shift_days: int = 0,
    pseudonyms: bool = True,
    hide: Sequence[str] = (),
    key: str = "",
) -> Package:
    """Write the open form of a study as a zip, which :func:`reedlab.open_study` opens again.

    Parameters
    ----------
    study : Study
    to : path
        The zip; it must not be there yet, nor lie in the study's folder.
    licence : str
        The SPDX identifier of the licence that the maker chooses, e.g. ``"CC-BY-4.0"``.
    maker : str, optional
        Who is to be cited; nobody is named if left out.
    notes : bool
        Whether free words are published: notes, reasons, columns that nothing declares.
    recordings : bool
        Whether the recordings that the tests name are added, their sound alone.
    shift_days : int
        By how many days all days are moved; a multiple of 7 keeps the days of the week.
    pseudonyms : bool
        Whether players get other names, wherever they are named.
    hide : sequence of str
        Columns whose words are replaced too, e.g. ``["room", "instrument_id"]``.
    key : str, optional
        A secret of the maker's; with the same one a player has the same name in the next
        package. Left out, the record as typed and its journal are the secret.

    Returns
    -------
    Package

    Raises
    ------
    CallError
        For no or an unknown licence, a target that will not do, a column that is not there.
    RecordError
        If the record has errors, or the zip cannot be written.

    Examples
    --------
    >>> from tempfile import mkdtemp
    >>> from reedlab.study import new_study, open_study
    >>> study = new_study(Path(mkdtemp()) / "autumn", title="Autumn reeds")
    >>> package = data_package(study, Path(mkdtemp()) / "autumn.zip", licence="CC-BY-4.0")
    >>> package.sentence
    'autumn.zip holds 14 files (0.0... MB).'
    >>> open_study(package.path)
    <Study 'Autumn reeds': 0 lots, ... 0 life; read-only: it was opened read-only>
    """
    chosen = licence_named(licence)
    target = _target(study, to)
    _check_shift(shift_days)
    if not study.faults.ok:
        raise RecordError(
            f"A record with errors is not published: {study.faults.sentence} study.check() lists "
            "them; mend them first."
        )
    naming = _naming(study, key, hide) if pseudonyms else _hidden(study, key, hide)
    choices = Choices(chosen, naming, notes, recordings, pseudonyms, int(shift_days), maker.strip())
    with tempfile.TemporaryDirectory() as home:
        missed: list[tuple[str, int, str]] = []
        sounds: list[Part] = []
        if recordings:
            renamed, sounds = recording_parts(study, choices, Path(home), missed)
            choices = replace(choices, renamed=renamed)
        parts = _parts(study, choices, sounds, len(missed))
        pack(parts, target)
        rows = [(part.file, part.holds, part.size) for part in parts]
        told = tuple(dict.fromkeys(cautions(study, choices, parts, bool(key))))
    return Package(
        question=f"What is published of '{study.title}'?",
        table=pd.DataFrame(rows, columns=["file", "contains", "size_bytes"]),
        cautions=told,
        rows_used=sum(map(len, study.tables.values())),
        left_out=pd.DataFrame(missed, columns=["file", "row", "fault"]),
        path=target,
        aliases=dict(naming.people),
    )


def _target(study: Study, to: str | os.PathLike[str]) -> Path:
    target = Path(to)
    if target.suffix.lower() != ".zip":
        raise CallError(f"The package is a zip: call it {target.name or 'package'}.zip.")
    if target.exists():
        raise CallError(f"{target} is there already; choose another name.")
    if not target.parent.is_dir():
        raise CallError(f"There is no folder {target.parent} to write {target.name} to.")
    if target.parent.resolve().is_relative_to(study.folder.resolve()):
        raise CallError(
            f"{target} lies in the study's own folder; write the package somewhere else, so that "
            "what is published and what is not stay apart."
        )
    return target


def _check_shift(days: int) -> None:
    if isinstance(days, bool) or not isinstance(days, int) or abs(days) > FURTHEST:
        raise CallError(
            f"shift_days is {days!r}; it must be a whole number of days, at most {FURTHEST:,}."
        )


def _naming(study: Study, key: str, hide: Sequence[str]) -> Naming:
    people: set[str] = set()
    taken: set[str] = set()
    for column, texts in words(study):
        if PEOPLE.fullmatch(column):
            people.update(name for text in texts for name in people_in(text))
        elif column != RECORDING:
            taken.update(texts)
    taken.update(batch.batch_id for batch in study.settings.batches)
    return named(people, _key(study, key), _places(study, hide), taken)


def _hidden(study: Study, key: str, hide: Sequence[str]) -> Naming:
    return named((), _key(study, key), _places(study, hide))


def _places(study: Study, hide: Sequence[str]) -> dict[str, set[str]]:
    known: dict[str, set[str]] = {}
    for column, texts in words(study):
        if not PEOPLE.fullmatch(column) and column != RECORDING:
            known.setdefault(column, set()).update(texts)
    for column in hide:
        if column not in known:
            raise unknown_name("column of words to hide", column, known)
    return {column: known[column] for column in hide}


def _key(study: Study, key: str) -> str:
    """Return the secret: what the maker says, or the record as typed and its journal."""
    if key:
        return key
    sums = sha256(repr([(sheet.header, sheet.rows) for sheet in study.sheets.values()]).encode())
    for file in sorted((study.folder / JOURNAL).glob("*.jsonl")):
        sums.update(file.read_bytes())
    return sums.hexdigest()


def _parts(study: Study, choices: Choices, sounds: Sequence[Part], missed: int) -> list[Part]:
    """Return all files of the package, each made from those before it."""
    title = choices.said(study.title)
    settings = published_settings(study, choices)
    left: dict[str, list[str]] = {}
    parts = [*record_parts(study, choices, left)]
    parts += codebook_parts(parts, settings)
    parts += sounds
    parts.append(citation_part(title, settings, choices))
    told = [choices.said(notice) for notice in notices(study, choices, left, missed)]
    parts.append(readme_part(title, settings, choices, parts, told))
    parts.append(descriptor_part(title, settings, parts, choices.licence))
    return [*parts, checksums_part(parts)]
