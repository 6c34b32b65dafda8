"""What differs between the studies of a pool without contradicting: told, not settled."""

from collections.abc import Iterator, Sequence
from difflib import get_close_matches

from reedlab.errors import listed
from reedlab.study.pooling.part import Part

#: Settings that come along only where all studies say the same.
_ALIKE = {
    "protocol": "test protocols",
    "stages": "stages and minutes",
    "cane_minutes": "cane minutes",
}


def told_of(parts: Sequence[Part]) -> list[str]:
    """Name columns that only some makers have, steps and settings that differ."""
    return [*_columns(parts), *_steps(parts), *_settings(parts), *_gauges(parts)]


def _columns(parts: Sequence[Part]) -> Iterator[str]:
    holding: dict[str, list[str]] = {}
    for part in parts:
        for column in part.columns:
            if part.has(column):
                holding.setdefault(column, []).append(part.name)
    some = {column: names for column, names in holding.items() if len(names) < len(parts)}
    for column, names in some.items():
        table, _, name = column.partition(".")
        others = [
            other.partition(".")[2]
            for other, having in some.items()
            if other.startswith(f"{table}.") and not set(having) & set(names)
        ]
        near = get_close_matches(name, others, n=1, cutoff=0.8)
        hint = f"; if it is the same as {near[0]}, rename one of the two" if near else ""
        yield f"{column}: only {listed(names)} recorded it, so it is missing elsewhere{hint}."


def _steps(parts: Sequence[Part]) -> Iterator[str]:
    for name in dict.fromkeys(name for part in parts for name in part.factors):
        steps = {part.name: part.factors[name].step for part in parts if name in part.factors}
        if len(set(steps.values())) > 1:
            first = next(iter(steps.values())) or "one step chosen"
            told = ", ".join(f"{step or 'none'} ({maker})" for maker, step in steps.items())
            yield f"{name}: its step differs: {told}; effects are told for {first}."


def _settings(parts: Sequence[Part]) -> Iterator[str]:
    first = parts[0].study.settings
    for name, words in _ALIKE.items():
        if any(getattr(part.study.settings, name) != getattr(first, name) for part in parts):
            yield f"The studies' {words} differ, so the pool has none of its own."


def _gauges(parts: Sequence[Part]) -> Iterator[str]:
    if sum(part.has("tubes.hardness") for part in parts) > 1:
        yield (
            "tubes.hardness: devices disagree, so readings of two makers compare only if both used "
            "the same device."
        )
