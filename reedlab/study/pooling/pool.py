"""Several studies become one: prepare each, tell every clash, join.

Clashes are never settled here by a guess. They are told all at once, each with the line of
the mapping that settles it; a mapping's file that is not there yet is proposed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from os import PathLike
from pathlib import Path
from typing import Any

from reedlab.answer import counted
from reedlab.errors import CallError, RecordError, listed
from reedlab.schema import Factor, Response
from reedlab.study.files import replace_file
from reedlab.study.pooling.clashes import Clash, clashes, remedy
from reedlab.study.pooling.crow import lost_cents, reckoned_anew
from reedlab.study.pooling.declaring import as_declared
from reedlab.study.pooling.joining import (
    joined_columns,
    joined_rows,
    joined_schema,
    joined_sheet,
    own_id,
)
from reedlab.study.pooling.mapping import OPEN, PoolMapping, notes_of, read_mapping
from reedlab.study.pooling.part import Part, prepared
from reedlab.study.pooling.pooled import Pooled
from reedlab.study.pooling.same import require_different
from reedlab.study.pooling.telling import told_of
from reedlab.study.settings import BatchRecord, Settings
from reedlab.study.study import Study

#: Where a pool does not lie; nothing is read from there or written to it.
_NOWHERE = Path("pooled in memory")

_HEAD = """\
# How several studies become one. Replace each "?" by what is right and pool them again.
# What is wrong stands above each line.
"""


def pool(
    studies: Sequence[Study] | Mapping[str, Study],
    mapping: Mapping[str, Any] | str | PathLike[str] | None = None,
) -> Pooled:
    """Make one study in memory out of several makers'.

    Parameters
    ----------
    studies : sequence of Study, or mapping of str to Study
        Each maker's study; named by its title, or by the name given.
    mapping : mapping, or path, optional
        How differences are settled (:class:`reedlab.study.pooling.mapping.PoolMapping`): a
        dict or a TOML file. If there is no such file, it is written with every question.

    Returns
    -------
    Pooled
        A study that every question can be asked of, with ``maker_id`` in each table. Lots,
        tubes, reeds, sessions and batches of one name are two makers' own things. Columns that
        only some makers have are kept, missing elsewhere; ``told`` names them.

    Raises
    ------
    CallError
        For fewer than two studies, two of one name, or a mapping that does not fit.
    RecordError
        If a study is there twice or has rows that stand twice; or listing every clash.

    Examples
    --------
    >>> from reedlab.demo import example_studio
    >>> studio = pool(example_studio())
    >>> len(studio.makers), studio.tables["reeds"]["reed_id"].iloc[0]
    (6, 'Ash/R01')
    """
    named = _named(studies)
    require_different(named)
    _require_unique_rows(named)
    said = read_mapping(mapping, list(named))
    makers = {name: said.makers.get(name, name) for name in named}
    parts = [prepared(name, makers[name], study, said) for name, study in named.items()]
    _require_columns(parts, said)
    parts = [reckoned_anew(part, said) for part in as_declared(parts, said)]
    found = clashes(parts, said)
    if found:
        raise _refused(found, mapping)
    return _joined(parts, said)


def _named(studies: Sequence[Study] | Mapping[str, Study]) -> dict[str, Study]:
    if isinstance(studies, Study | str | PathLike):
        raise CallError("A pool is made of a list of opened studies: pool([study, other]).")
    if isinstance(studies, Mapping):
        pairs = [*studies.items()]
    else:
        pairs = [(one.title if isinstance(one, Study) else str(one), one) for one in studies]
    names = [name for name, _ in pairs]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise CallError(
            f"Several studies are called {listed(map(repr, twice))}; name them yourself: "
            'pool({"Ash": study, "Beech": other}).'
        )
    if len(pairs) < 2:
        given = "one" if pairs else "none"
        raise CallError(f"A pool is made of two studies or more; {given} is given.")
    for name, study in pairs:
        if not isinstance(study, Study):
            raise CallError(f"{name} is no opened study; open it first: open_study({name!r}).")
        if study.makers:
            raise CallError(f"{name} is a pool itself; pool the studies that it is made of.")
        if "reeds" not in study.tables:
            raise CallError(f"{name} has no table of reeds.")
    return dict(pairs)


def _require_unique_rows(studies: Mapping[str, Study]) -> None:
    faults = []
    for name, study in studies.items():
        for table, frame in study.tables.items():
            key = list(study.schema[table].key)
            whole = frame[key].dropna()
            for values, rows in whole[whole.duplicated(keep=False)].groupby(key):
                told = ", ".join(map(str, values))
                file = study.sheets[table].file
                faults.append(f"- {name}/{file}, rows {listed(rows.index)}: the same {told}.")
    if faults:
        raise RecordError("\n".join(["Rows stand twice; keep one of each:", *faults]))


def _require_columns(parts: Sequence[Part], mapping: PoolMapping) -> None:
    """Refuse a mapping that speaks of columns that nobody has."""
    there = {column for part in parts for column in part.typed}
    spoken = dict.fromkeys((*mapping.units, *mapping.words, *mapping.leave_out))
    strange = [name for name in spoken if name not in there]
    if strange:
        raise CallError(f"The mapping speaks of {listed(strange)}, which no study has.")


def _refused(found: Sequence[Clash], mapping: object) -> RecordError:
    lines = [f"- {clash.where}: {clash.fault}; {remedy(clash)}." for clash in found]
    heading = f"The studies cannot be pooled yet; {counted(len(found), 'thing')} to settle:"
    if isinstance(mapping, str | PathLike) and not Path(mapping).exists():
        path = Path(mapping)
        replace_file(path, _proposal(found).encode("utf-8"))
        heading = f"{heading[:-1]} (each has a line in {path.name} now):"
    return RecordError("\n".join([heading, *lines]))


def _proposal(found: Sequence[Clash]) -> str:
    """Write the questions as a mapping's file: a line each, with "?" for the answer."""
    lines = [_HEAD]
    for clash in found:
        lines.append(f"# {clash.where}: {clash.fault}.")
        if clash.line.startswith("leave_out"):
            lines.append(f"# {clash.line}")
        elif clash.line:
            lines.append(f'{clash.line} = "{OPEN}"')
            if clash.line == "crow.target":
                lines.append(f'crow.a4_hz = "{OPEN}"')
    return "\n".join(lines) + "\n"


def _joined(parts: Sequence[Part], mapping: PoolMapping) -> Pooled:
    tables, schema, sheets, origin = {}, {}, {}, {}
    for name in dict.fromkeys(table for part in parts for table in part.tables):
        columns = joined_columns(name, parts)
        schema[name] = joined_schema(name, columns, parts)
        tables[name], origin[name] = joined_rows(name, columns, parts, mapping)
        sheets[name] = joined_sheet(name, columns, parts)
    makers = dict.fromkeys(part.maker for part in parts)
    return Pooled(
        folder=_NOWHERE,
        title=f"Pool of {listed(makers)}",
        settings=_settings(parts, mapping),
        tables=tables,
        schema=schema,
        sheets=sheets,
        reading=(),
        for_reading=True,
        sources={part.name: part.study for part in parts},
        origin=origin,
        told=(*told_of(parts), *_lost(parts)),
    )


def _lost(parts: Sequence[Part]) -> list[str]:
    counts = {part.name: lost_cents(part) for part in parts}
    return [
        f"{name}: {counted(count, 'test')} without crow_hz (or with an impossible pitch), so "
        "crow_cents is missing there."
        for name, count in counts.items()
        if count
    ]


def _settings(parts: Sequence[Part], mapping: PoolMapping) -> Settings:
    first = parts[0].study.settings
    factors: dict[str, Factor] = {}
    for part in parts:
        for name, factor in part.factors.items():
            known = factors.setdefault(name, factor)
            levels = [*dict.fromkeys([*known.levels, *factor.levels])]
            factors[name] = replace(known, levels=levels)
    responses: dict[str, Response] = {}
    for part in parts:
        responses = {**part.responses, **responses}
    crow = mapping.crow
    every = [part.study.settings for part in parts]
    alike = {
        name: getattr(first, name)
        for name in ("protocol", "stages", "cane_minutes")
        if all(getattr(one, name) == getattr(first, name) for one in every)
    }
    return Settings(
        first.instrument,
        a4_hz=float(crow["a4_hz"]) if crow else first.a4_hz,
        crow_target=notes_of(crow["target"]) if crow else first.crow_target,
        invented=first.invented,
        factors=tuple(factors.values()),
        responses=tuple(responses.values()),
        batches=[batch for part in parts for batch in _batches(part, parts, mapping)],
        **alike,
    )


def _batches(part: Part, parts: Sequence[Part], mapping: PoolMapping) -> list[BatchRecord]:
    names = {
        column.partition(".")[2]: other for column, other in mapping.own(part.name).rename.items()
    }

    def called(term: str) -> str:
        return ":".join(names.get(name, name) for name in term.split(":"))

    declared = {name for one in parts for name in one.factors}
    found = []
    for batch in part.study.settings.batches:
        randomised = [called(name) for name in batch.randomised]
        found.append(
            replace(
                batch,
                batch_id=own_id(part, parts, batch.batch_id),
                randomised=[name for name in randomised if name in declared],
                terms=[called(term) for term in batch.terms],
            )
        )
    return found
