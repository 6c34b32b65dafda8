"""The file ``datapackage.json``: from it and to it.

It follows the Data Package and Table Schema standards. Four properties are our own:
``reedlab`` on the package (the settings) and ``told`` (what a pool had to tell), ``unit`` and
``plausible`` on a field. All faults of the file are told together.
"""

import json
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reedlab.errors import RecordError
from reedlab.schema import Table
from reedlab.study.declared import completed, misfits, with_declarations
from reedlab.study.resources import (
    BESIDE,
    Resource,
    is_inside,
    resource_to_json,
    resources_from_json,
)
from reedlab.study.settings import Settings
from reedlab.study.settings_json import settings_from_json, settings_to_json

DESCRIPTOR = "datapackage.json"
_PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
#: What the pool that was written had to tell of the studies that it is made of.
_TOLD = "told"
_INVENTED = "Invented data: made by a program. No reed was made or measured."


@dataclass(frozen=True)
class Descriptor:
    """What the file says."""

    title: str
    settings: Settings
    resources: tuple[Resource, ...]
    told: tuple[str, ...] = ()


def read_descriptor(folder: Path) -> Descriptor:
    """Read the descriptor of a study.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    Descriptor

    Raises
    ------
    RecordError
        Listing all faults: no folder, no descriptor, not JSON, settings or tables that
        do not fit.
    """
    return described(load_package(folder), folder)


def described(package: Mapping[str, Any], folder: Path) -> Descriptor:
    """Return what a parsed descriptor says, or raise RecordError with all its faults.

    Parameters
    ----------
    package : mapping
        As :func:`load_package` returns it.
    folder : Path
        Gives the title where there is none.

    Returns
    -------
    Descriptor
    """
    raw = package.get("reedlab")
    if not isinstance(raw, dict):
        raise RecordError(
            f'{DESCRIPTOR} has no settings; add "reedlab": {{"instrument": "bassoon"}} to it.'
        )
    faults: list[str] = []
    settings = settings_from_json(raw, faults)
    resources = resources_from_json(package.get("resources"), settings.instrument, faults)
    if not faults:
        settings = completed(settings, raw, resources)
        faults.extend(misfits(settings, resources))
    if faults:
        listed = "\n".join(f"- {fault}" for fault in dict.fromkeys(faults))
        raise RecordError(f"{DESCRIPTOR} cannot be used as it stands:\n{listed}")
    title = package.get("title")
    return Descriptor(
        title if isinstance(title, str) and title else folder.resolve().name,
        settings,
        tuple(with_declarations(resource, settings) for resource in resources),
        tuple(map(str, told)) if isinstance(told := package.get(_TOLD), list) else (),
    )


def descriptor_text(
    name: str,
    title: str,
    settings: Settings,
    tables: Sequence[Table],
    parquet: bool = False,
    told: Sequence[str] = (),
) -> str:
    """Return the text of the descriptor of a study with those tables.

    Parameters
    ----------
    name : str
        Name of the folder; made into a name that the standard allows.
    title : str
    settings : Settings
    tables : sequence of Table
        With the columns that the files have.
    parquet : bool
        Whether the files are Parquet, not CSV.
    told : sequence of str
        Of a pool, what differs between its studies.

    Returns
    -------
    str

    Examples
    --------
    >>> '"name": "autumn-batch"' in descriptor_text("Autumn batch", "", Settings(), [])
    True
    """
    present = {table.name for table in tables}
    package: dict[str, Any] = {
        "$schema": _PROFILE,
        "name": re.sub(r"[^a-z0-9._-]+", "-", name.lower()).strip("-") or "study",
        "title": title,
    }
    if settings.invented:
        package["description"] = _INVENTED
    if told:
        package[_TOLD] = list(told)
    package["reedlab"] = settings_to_json(settings)
    package["resources"] = [resource_to_json(table, present, parquet) for table in tables]
    return package_text(package)


def package_text(package: Mapping[str, Any]) -> str:
    r"""Return a parsed descriptor as the text of its file.

    Examples
    --------
    >>> package_text({"title": "Élan"})
    '{\n  "title": "Élan"\n}\n'
    """
    return json.dumps(package, indent=2, ensure_ascii=False) + "\n"


def table_files(folder: Path) -> list[str]:
    """Return the files that the descriptor lists; what is wrong with it is told elsewhere."""
    with suppress(OSError, ValueError):
        package = json.loads((folder / DESCRIPTOR).read_text("utf-8-sig"))
        found = package.get("resources") if isinstance(package, dict) else None
        entries = found if isinstance(found, list) else []
        tables = [entry for entry in entries if isinstance(entry, dict) and not entry.get(BESIDE)]
        paths = [entry.get("path") for entry in tables]
        return [path for path in paths if isinstance(path, str) and is_inside(path)]
    return []


def load_package(folder: Path) -> dict[str, Any]:
    """Parse the descriptor of a folder, or raise RecordError if there is none to parse."""
    if not folder.is_dir():
        raise RecordError(f"There is no folder {folder}.")
    path = folder / DESCRIPTOR
    if not path.is_file():
        raise RecordError(
            f"The folder {folder} holds no {DESCRIPTOR}, so it is no study; "
            "'reedlab new FOLDER' starts one."
        )
    try:
        package = json.loads(path.read_text("utf-8-sig"))
    except UnicodeDecodeError:
        raise RecordError(f"{DESCRIPTOR} is not UTF-8 text; save it again as UTF-8.") from None
    except json.JSONDecodeError as error:
        raise RecordError(
            f"{DESCRIPTOR} is not valid JSON at line {error.lineno}, column {error.colno}: "
            f"{error.msg}."
        ) from None
    if not isinstance(package, dict):
        raise RecordError(f"{DESCRIPTOR} must hold one object in curly brackets.")
    return package
