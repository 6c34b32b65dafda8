"""The settings between JSON and the program: the ``reedlab`` block of the descriptor.

Reading notes every key that does not exist and every value of the wrong type, so that
all faults can be told together. Writing leaves out what is at its default.
"""

import json
from collections.abc import Mapping
from dataclasses import MISSING, fields
from difflib import get_close_matches
from typing import Any

from reedlab.errors import CallError
from reedlab.schema import INSTRUMENTS, Factor, Response, Step
from reedlab.study.settings import BatchRecord, Settings, Stage

_PARTS: dict[str, type] = {
    "factors": Factor,
    "responses": Response,
    "protocol": Step,
    "batches": BatchRecord,
    "stages": Stage,
}
_KINDS: dict[str, tuple[Any, str]] = {
    "str": (str, "text in quotes"),
    "bool": (bool, "true or false"),
    "number": ((int, float), "a number"),
    "int": (int, "a whole number"),
    "list": (list, "a list in square brackets"),
}


def settings_to_json(settings: Settings) -> dict[str, Any]:
    """Return the settings as the ``reedlab`` block of the descriptor.

    Examples
    --------
    >>> settings_to_json(Settings("oboe"))["crow_target"]
    ['B4', 'C5']
    """
    low, high = settings.crow_target
    block: dict[str, Any] = {
        "instrument": settings.instrument,
        "a4_hz": settings.a4_hz,
        "crow_target": low if low == high else [low, high],
        "invented": settings.invented,
    }
    block |= {name: [part_to_json(item) for item in getattr(settings, name)] for name in _PARTS}
    optional = {"stages": block.pop("stages"), "cane_minutes": settings.cane_minutes}
    return block | {name: value for name, value in optional.items() if value}


def part_to_json(item: Any) -> dict[str, Any]:
    """Return a factor, response, step, batch or stage as an object, without its defaults.

    Examples
    --------
    >>> part_to_json(BatchRecord("B2", seed=7))
    {'batch_id': 'B2', 'seed': 7}
    """
    values = {part.name: (part.default, getattr(item, part.name)) for part in fields(item)}
    return {
        name: list(value) if isinstance(value, tuple) else value
        for name, (default, value) in values.items()
        if value != default
    }


def settings_from_json(raw: Mapping[str, Any], faults: list[str]) -> Settings:
    """Build the settings from the ``reedlab`` block; what cannot be read goes to the faults.

    Parameters
    ----------
    raw : mapping
        The block as parsed.
    faults : list of str
        Gets one text for each thing that does not fit.

    Returns
    -------
    Settings
        With defaults in the place of what did not fit.

    Examples
    --------
    >>> faults = []
    >>> _ = settings_from_json({"instrument": "bassoon", "a4": 442}, faults)
    >>> faults
    ["reedlab: there is no setting 'a4'; nearest: 'a4_hz'."]
    """
    values: dict[str, Any] = {}
    for name, value in raw.items():
        if name in _PARTS:
            values[name] = _parts(name, value, faults)
        elif name == "crow_target":
            texts = [value] if isinstance(value, str) else value
            if isinstance(texts, list) and all(isinstance(text, str) for text in texts):
                values[name] = tuple(texts) if len(texts) != 1 else texts[0]
            else:
                faults.append('crow_target must be a note such as "E4", or ["E4", "F4"].')
        elif _fits("reedlab", name, value, Settings, faults):
            values[name] = value
    if "instrument" not in raw:
        known = ", ".join(item.name for item in INSTRUMENTS)
        faults.append(f"reedlab.instrument is missing; say one of {known}.")
    try:
        return Settings(**values)
    except CallError as error:
        faults.extend(str(error).split("\n"))
        return Settings()


def _parts(name: str, value: Any, faults: list[str]) -> tuple[Any, ...]:
    """Build the factors, responses, steps, batches or stages of a list of objects."""
    if not isinstance(value, list):
        faults.append(f"reedlab.{name} must be a list in square brackets.")
        return ()
    built = []
    for place, item in enumerate(value, start=1):
        where = f"reedlab.{name}, entry {place}"
        if not isinstance(item, dict):
            faults.append(f"{where} must be an object in curly brackets.")
            continue
        kind = _PARTS[name]
        fit = [_fits(where, key, entry, kind, faults) for key, entry in item.items()]
        needed = [part.name for part in fields(kind) if part.default is MISSING]
        lacking = [key for key in needed if key not in item]
        faults.extend(f"{where} lacks '{key}'." for key in lacking)
        if all(fit) and not lacking:
            try:
                built.append(kind(**item))
            except CallError as error:
                faults.append(f"{where}: {error}")
    return tuple(built)


def _fits(where: str, key: str, value: Any, kind: type, faults: list[str]) -> bool:
    """Say whether a key exists and its value has the right type; else note the fault."""
    types = {part.name: str(part.type) for part in fields(kind)}
    if key not in types:
        near = get_close_matches(key, types, n=1, cutoff=0.5)
        hint = f"; nearest: '{near[0]}'" if near else f"; known: {', '.join(types)}"
        faults.append(f"{where}: there is no setting '{key}'{hint}.")
        return False
    wanted = _wanted(types[key])
    classes, words = _KINDS[wanted]
    if value is None and "None" in types[key]:
        return True
    if not isinstance(value, classes) or (isinstance(value, bool) and wanted != "bool"):
        faults.append(f"{where}: '{key}' must be {words}, not {json.dumps(value)}.")
        return False
    scalars = (str, int, float)
    if wanted == "list" and not all(isinstance(item, scalars) for item in value):
        faults.append(f"{where}: '{key}' must list texts or numbers only.")
        return False
    return True


def _wanted(annotation: str) -> str:
    if "Sequence" in annotation:
        return "list"
    for word in ("bool", "float", "int", "str"):
        if word in annotation:
            return "number" if word == "float" else word
    return "str"
