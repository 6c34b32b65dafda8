"""Where the studies of a pool contradict one another, each with the line that settles it.

Looked for in the studies as the mapping has them, so what is settled is no clash any more.
All of them are told at once.
"""

import json
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from operator import attrgetter
from typing import NamedTuple

from reedlab.errors import listed
from reedlab.schema import Factor, Response
from reedlab.study.pooling.crow import crow_clashes
from reedlab.study.pooling.mapping import AS_THEY_ARE, PoolMapping
from reedlab.study.pooling.part import Part, word_of
from reedlab.study.pooling.units import factor_between
from reedlab.study.rules import plain

#: Texts that are read like levels although nothing declares them.
WORDED = ("tests.stage", "adjustments.action", "adjustments.where", "reeds.fate")
#: Of these a word that one maker alone uses is nothing to settle.
_FREE = ("adjustments.action", "adjustments.where", "reeds.fate")
_NUMBERS = ("number", "integer")


class Clash(NamedTuple):
    """One difference that only a maker can settle.

    `line` is what the mapping's file would say; empty where nothing would settle it.
    """

    where: str
    fault: str
    line: str


def clashes(parts: Sequence[Part], mapping: PoolMapping) -> list[Clash]:
    """Return all that must be settled before the studies can be one."""
    found = [*_instruments(parts), *_invented(parts)]
    columns = dict.fromkeys(column for part in parts for column in part.columns)
    for column in columns:
        holding = [part for part in parts if part.has(column)]
        if len(holding) > 1:
            types = [*_types(column, holding)]
            found += types or [*_units(column, holding), *_words(column, holding, mapping)]
    names = dict.fromkeys(n for part in parts for n in (*part.factors, *part.responses))
    for name in names:
        found += _declarations(name, [part for part in parts if part.declared(name)])
    found += [Clash(*told) for told in crow_clashes(parts)]
    return [*found, *_players(parts, mapping)]


def quoted(text: str) -> str:
    """Write a text as TOML does."""
    return json.dumps(text, ensure_ascii=False)


def _told(parts: Sequence[Part], of: Callable[[Part], object]) -> str:
    """Say which makers have what: 'mm (Ash, Beech), in (Cedar)'."""
    return _told_of([(part.name, of(part)) for part in parts])


def _told_of(answers: Sequence[tuple[str, object]]) -> str:
    by_answer: dict[str, list[str]] = {}
    for name, answer in answers:
        by_answer.setdefault(str(answer) or "none", []).append(name)
    return ", ".join(f"{answer} ({listed(names)})" for answer, names in by_answer.items())


def _instruments(parts: Sequence[Part]) -> Iterator[Clash]:
    if len({part.study.settings.instrument for part in parts}) > 1:
        told = _told(parts, lambda part: part.study.settings.instrument)
        yield Clash("instrument", f"{told}: reeds of different instruments are not pooled", "")


def _invented(parts: Sequence[Part]) -> Iterator[Clash]:
    if len({part.study.settings.invented for part in parts}) > 1:
        told = _told(parts, lambda part: "invented" if part.study.settings.invented else "real")
        yield Clash("data", f"{told}: invented data are not pooled with real ones", "")


def _types(column: str, parts: Sequence[Part]) -> Iterator[Clash]:
    def kind(part: Part) -> str:
        found = part.columns[column].type
        return "number" if found in _NUMBERS else found

    name = column.partition(".")[2]
    declared = {part.factors[name].kind for part in parts if name in part.factors}
    # Where the makers declare other kinds, that is told, and settles the type too.
    if len({kind(part) for part in parts}) > 1 and len(declared) < 2:
        yield Clash(
            column, f"its type differs: {_told(parts, kind)}", f"leave_out = [{quoted(column)}]"
        )


def _units(column: str, parts: Sequence[Part]) -> Iterator[Clash]:
    if parts[0].columns[column].type not in _NUMBERS:
        return
    units = list(dict.fromkeys(part.columns[column].unit for part in parts))
    if all(factor_between(units[0], unit) == 1 for unit in units):
        return
    told = _told(parts, lambda part: part.columns[column].unit)
    for part in parts:
        if not part.columns[column].unit:
            line = f"of.{quoted(part.name)}.units.{quoted(column)}"
            yield Clash(f"{part.name}, {column}", f"it has no unit, others have: {told}", line)
    known = [unit for unit in units if unit]
    if len(known) > 1:
        fault = f"its unit differs: {told}"
        if any(factor_between(known[0], unit) is None for unit in known):
            yield Clash(
                column,
                f"{fault}; these cannot be turned into one another",
                f"leave_out = [{quoted(column)}]",
            )
        else:
            yield Clash(column, fault, f"units.{quoted(column)}")


def _words(column: str, parts: Sequence[Part], mapping: PoolMapping) -> Iterator[Clash]:
    """Find words that only some makers have, and words that differ by case or space."""
    name = column.partition(".")[2]
    factors = [part.factors[name] for part in parts if name in part.factors]
    worded = any(factor.kind == "categorical" for factor in factors) or column in WORDED
    if not worded or parts[0].columns[column].type != "text":
        return
    used = {part.name: set(part.values(column).dropna()) for part in parts}
    counts = Counter(word for part in parts for word in part.values(column).dropna())
    for word in sorted(counts):
        alike = [other for other in counts if other != word and plain(other) == plain(word)]
        common = max([word, *alike], key=lambda form: (counts[form], form))
        having = [maker for maker, words in used.items() if word in words]
        line = f"words.{quoted(column)}.{quoted(word)}"
        if alike and word != common and not mapping.settles(column, word):
            fault = f"'{word}' ({listed(having)}) differs from '{common}' only by case or space"
            yield Clash(column, fault, line)
        elif (
            not alike
            and column not in _FREE
            and len(having) < len(parts)
            and not mapping.settles(column, word)
        ):
            yield Clash(column, f"'{word}' is a word of {listed(having)} alone", line)


def _declarations(name: str, parts: Sequence[Part]) -> Iterator[Clash]:
    """Compare how the makers declare one factor or response."""
    line = f"declared.{quoted(name)}"
    kinds = {type(part.declared(name)) for part in parts}
    if len(kinds) > 1:
        told = _told(parts, lambda part: "factor" if name in part.factors else "response")
        yield Clash(name, f"it is declared differently: {told}", f"declared.{quoted(name)}")
        return
    features = (
        ("stratum", "kind") if kinds == {Factor} else ("table", "kind", "direction", "target")
    )
    for feature in features:
        of = attrgetter(feature)
        if len({of(part.declared(name)) for part in parts}) > 1:
            told = _told_of([(part.name, of(part.declared(name))) for part in parts])
            if feature == "table":
                tables = [f"{part.responses[name].table}.{name}" for part in parts]
                line = f"leave_out = [{', '.join(map(quoted, dict.fromkeys(tables)))}]"
            yield Clash(name, f"its {feature} differs: {told}", line)
            return
    if kinds == {Response} and parts[0].responses[name].kind == "ordinal":
        yield from _scales(name, parts, line)


def _scales(name: str, parts: Sequence[Part], line: str) -> Iterator[Clash]:
    def scale(part: Part) -> str:
        return " < ".join(map(word_of, part.responses[name].levels))

    if len({scale(part) for part in parts}) > 1:
        yield Clash(name, f"its scale differs: {_told(parts, scale)}", line)
        return
    levels = set(parts[0].responses[name].levels)
    column = f"{parts[0].responses[name].table}.{name}"
    for part in parts:
        strange = [v for v in part.values(column).dropna().unique() if v not in levels]
        for value in sorted(strange):
            yield Clash(
                f"{part.name}, {column}",
                f"'{word_of(value)}' is not on the scale {scale(parts[0])}",
                f"of.{quoted(part.name)}.words.{quoted(column)}.{quoted(word_of(value))}",
            )


def _players(parts: Sequence[Part], mapping: PoolMapping) -> Iterator[Clash]:
    column = "sessions.player_id"
    having: dict[str, list[str]] = {}
    for part in parts:
        if part.has(column):
            for player in part.values(column).dropna().unique():
                if f"{part.name}/{player}" not in mapping.players:
                    having.setdefault(str(player), []).append(part.name)
    for player, names in sorted(having.items()):
        if len(names) > 1 and player not in mapping.players:
            fault = f"'{player}' plays in {listed(names)}: say whether it is the same person"
            yield Clash(column, fault, f"players.{quoted(player)}")


def remedy(clash: Clash) -> str:
    """Say in one line what would settle a clash."""
    if not clash.line:
        return "leave that study out"
    if clash.line.startswith("leave_out"):
        return f"write {clash.line} in the mapping"
    answers = {
        "units": "the unit to have",
        "words": f"the word to have, or that word itself; or for all words {quoted(AS_THEY_ARE)}",
        "declared": "the study whose declaration counts",
        "players": '"same" or "different"',
        "of": "what is meant",
        "crow": '"F4" or the like, and crow.a4_hz = 440',
    }
    return f"write {clash.line} = {answers[clash.line.partition('.')[0]]}"
