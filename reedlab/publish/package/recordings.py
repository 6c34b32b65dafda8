"""Recordings for the package: those that the tests name, renamed, with their sound alone."""

import re
from collections.abc import Iterator
from pathlib import Path

import pandas as pd

from reedlab.errors import RecordError
from reedlab.publish.package.choices import RECORDING, Choices, files_in
from reedlab.publish.package.naming import LONG
from reedlab.publish.package.part import Part
from reedlab.publish.package.sound import strip
from reedlab.schema import table_named
from reedlab.study import Study
from reedlab.study.resources import is_inside

FOLDER = "recordings"


def recording_parts(
    study: Study, choices: Choices, home: Path, left: list[tuple[str, int, str]]
) -> tuple[dict[str, str], list[Part]]:
    """Copy the sound of every recording that the tests name.

    Parameters
    ----------
    study : Study
    choices : Choices
    home : Path
        Where the copies lie until they are packed.
    left : list of (str, int, str)
        Gets the file, the row of the tests and the reason of each that is left out.

    Returns
    -------
    dict of str to str
        From the file as the tests name it to its place in the package.
    list of Part
    """
    renamed: dict[str, str] = {}
    parts = []
    refused: set[str] = set()
    for row, file, name in _named(study, choices):
        if file in renamed or file in refused:
            continue
        try:
            copy = strip(_inside(study, file), home / _free(name, renamed))
            _check(copy, choices)
        except RecordError as error:
            refused.add(file)
            left.append((file, row, str(error).removesuffix(".")))
            continue
        renamed[file] = f"{FOLDER}/{copy.name}"
        parts.append(Part(renamed[file], "a recording of a test, its sound alone", copy))
    return renamed, parts


def _named(study: Study, choices: Choices) -> Iterator[tuple[int, str, str]]:
    """Yield the row, the file and the new name of each recording, after what was tested."""
    tests = study.tables.get("tests", pd.DataFrame())
    if RECORDING not in tests:
        return
    key = [name for name in table_named("tests").key if name in tests]
    for row, test in zip(tests.index, tests[[*key, RECORDING]].to_dict("records"), strict=True):
        told = [_plain(choices.cell(name, str(test[name]))) for name in key]
        for file in files_in(test[RECORDING]) if pd.notna(test[RECORDING]) else ():
            yield int(row), file, "_".join(told)


def _plain(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9-]+", "-", text).strip("-") or "x"


def _free(name: str, renamed: dict[str, str]) -> str:
    """Return a name that no recording of the package has yet."""
    taken = {Path(file).stem.casefold() for file in renamed.values()}
    names = (name if number == 1 else f"{name}_{number}" for number in range(1, len(taken) + 2))
    return next(free for free in names if free.casefold() not in taken)


def _inside(study: Study, file: str) -> Path:
    home = study.folder.resolve()
    path = (home / file).resolve() if is_inside(file) else home
    if not path.is_relative_to(home) or path == home:
        raise RecordError(f"{file} lies outside the study's folder.")
    if not path.is_file():
        raise RecordError(f"{file} is not in the study's folder.")
    return path


def _check(copy: Path, choices: Choices) -> None:
    """Refuse a copy in whose bytes a name is left; shorter ones turn up in any sound."""
    said = copy.read_bytes().lower()
    for name in choices.naming.traces:
        forms = {name.encode(code) for code in ("utf-8", "utf-16-le", "utf-16-be")}
        if len(name) >= LONG and any(form in said for form in forms):
            raise RecordError("A player's name stands in its bytes.")
