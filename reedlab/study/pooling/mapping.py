"""The mapping: what a maker says so that studies which differ can stand in one.

A dict, or a small TOML file that says the same. Columns are named ``table.column`` and
studies as in the pool. Nothing is guessed: what is not said here and differs is a clash.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from os import PathLike
from pathlib import Path
from typing import Any

from reedlab.errors import CallError, RecordError, unknown_name
from reedlab.schema import note_hz

#: What stands in a proposed file where an answer is wanted.
OPEN = "?"
#: Said of a column's words: those that only some makers have are levels of their own.
AS_THEY_ARE = "as they are"
#: Whether an id of a player in two studies is one person.
PERSONS = ("same", "different")


@dataclass(frozen=True)
class Own:
    """What is said of one study alone.

    Attributes
    ----------
    rename : mapping of str to str
        From ``table.column`` to the column's name in the pool.
    units : mapping of str to str
        The unit in which it holds a column, where its descriptor does not say it.
    words : mapping of str to mapping of str to str
        As in :class:`PoolMapping`, for its words alone.
    """

    rename: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)


@dataclass(frozen=True)
class PoolMapping:
    """How differences between the studies of a pool are settled.

    Attributes
    ----------
    makers : mapping of str to str
        From a study's name to its maker's, where one maker has several studies.
    leave_out : tuple of str
        Columns that stay out of the pool.
    units : mapping of str to str
        The unit that a column has in the pool.
    words : mapping of str to (mapping of str to str, or "as they are")
        By column, what a word is called in the pool.
    declared : mapping of str to str
        By factor or response, the study whose declaration counts.
    players : mapping of str to str
        By id, "same" or "different" person; by ``study/id``, the person's name.
    crow : mapping of str to str or float
        ``target`` and ``a4_hz``: what crow_cents is reckoned against, anew from crow_hz.
    of : mapping of str to Own
        What is said of one study alone.
    """

    makers: Mapping[str, str] = field(default_factory=dict)
    leave_out: tuple[str, ...] = ()
    units: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[str, Mapping[str, str] | str] = field(default_factory=dict)
    declared: Mapping[str, str] = field(default_factory=dict)
    players: Mapping[str, str] = field(default_factory=dict)
    crow: Mapping[str, Any] = field(default_factory=dict)
    of: Mapping[str, Own] = field(default_factory=dict)

    def own(self, study: str) -> Own:
        """What is said of one study alone."""
        return self.of.get(study, Own())

    def word(self, study: str, column: str, word: str) -> str:
        """What a word of a column of a study is called in the pool."""
        common = self.words.get(column, {})
        known = {} if isinstance(common, str) else common
        return str(self.own(study).words.get(column, {}).get(word, known.get(word, word)))

    def settles(self, column: str, word: str) -> bool:
        """Whether the mapping says of a word of the pool that it is meant."""
        common = self.words.get(column, {})
        if isinstance(common, str):
            return True
        own = [one.words.get(column, {}) for one in self.of.values()]
        return any(word in part.values() for part in (common, *own))


def read_mapping(
    mapping: Mapping[str, Any] | str | PathLike[str] | None, studies: list[str]
) -> PoolMapping:
    """Read a mapping from a dict or a TOML file; a file that is not there says nothing yet.

    Raises
    ------
    CallError
        For a key that is none, or an answer that cannot be.
    RecordError
        If the file is no TOML.
    """
    if mapping is None:
        return PoolMapping()
    given = mapping if isinstance(mapping, Mapping) else _from_file(Path(mapping))
    said = _answered(given)
    for key in said:
        if key not in {item.name for item in fields(PoolMapping)}:
            raise unknown_name(
                "part of a pool's mapping", key, [f.name for f in fields(PoolMapping)]
            )
    for key, value in said.items():
        if key == "leave_out":
            if isinstance(value, str) or not all(isinstance(name, str) for name in value):
                raise CallError('leave_out is a list of columns: write ["tests.crow_cents"].')
        elif not isinstance(value, Mapping):
            raise CallError(f"'{key}' of the mapping is {value!r}; it must be a table of answers.")
    for name in (*said.get("makers", ()), *said.get("of", ()), *said.get("declared", {}).values()):
        if name not in studies:
            raise unknown_name("study of the pool", name, studies)
    own = {name: _own(name, part) for name, part in said.get("of", {}).items()}
    _require_persons(said.get("players", {}))
    _require_target(said.get("crow", {}))
    return PoolMapping(**{**said, "leave_out": tuple(said.get("leave_out", ())), "of": own})


def _from_file(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        return {}
    except tomllib.TOMLDecodeError as error:
        raise RecordError(f"{path.name} cannot be read as TOML: {error}.") from None
    except (OSError, UnicodeDecodeError) as error:
        raise RecordError(f"{path.name} cannot be read: {error}.") from None


def _answered(given: Mapping[str, Any]) -> dict[str, Any]:
    """Return the mapping without the lines that are still open."""
    found: dict[str, Any] = {}
    for key, value in given.items():
        if isinstance(value, Mapping):
            found[key] = _answered(value)
        elif value != OPEN:
            found[key] = value
    return found


def _own(study: str, part: Mapping[str, Any]) -> Own:
    names = [item.name for item in fields(Own)]
    for key, value in part.items():
        if key not in names:
            raise unknown_name(f"part of the mapping of {study}", key, names)
        if not isinstance(value, Mapping):
            raise CallError(f"'{key}' of {study} is {value!r}; it must be a table of answers.")
    return Own(**part)


def _require_persons(players: Mapping[str, Any]) -> None:
    for name, said in players.items():
        if "/" not in name and said not in PERSONS:
            raise CallError(
                f"players: of '{name}' the mapping says {said!r}; say {' or '.join(PERSONS)}, or "
                f'name the person study by study: "study/{name}" = "M.".'
            )


def _require_target(crow: Mapping[str, Any]) -> None:
    if not crow:
        return
    if set(crow) != {"target", "a4_hz"}:
        raise CallError('crow needs both target and a4_hz: target = "F4", a4_hz = 440.')
    for note in notes_of(crow["target"]):
        note_hz(note, float(crow["a4_hz"]))


def notes_of(target: Any) -> tuple[str, str]:
    """Return a target as its lowest and highest note.

    Examples
    --------
    >>> notes_of("F4"), notes_of("E4-F4"), notes_of(["E4", "F4"])
    (('F4', 'F4'), ('E4', 'F4'), ('E4', 'F4'))
    """
    notes = target.split("-") if isinstance(target, str) else [*target]
    low, high = (str(notes[0]).strip(), str(notes[-1]).strip())
    return low, high
