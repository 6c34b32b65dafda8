"""What the page asks besides recordings: the scales of the study, and boxes to fill by hand.

Both follow from what the steps of the study's protocol fill, with the columns as declared.
"""

from dataclasses import dataclass

from reedlab.errors import CallError, unknown_name
from reedlab.measure.kinds import FILLS, NUMBERS
from reedlab.schema import Column, Response, table_named
from reedlab.study import Study
from reedlab.study.cells import type_column

#: The key that starts and stops the recording of a kind.
KEYS = {"crow": "C", "hairpin": "H", "slur": "S", "register": "L"}


@dataclass(frozen=True)
class RecordedStep:
    """A step of the protocol that is recorded and measured."""

    kind: str
    key: str
    label: str
    instruction: str
    notes: tuple[str, ...]


def recorded_steps(study: Study) -> tuple[RecordedStep, ...]:
    """Return the steps that are recorded, in the order of the protocol."""
    found: dict[str, RecordedStep] = {}
    for step in study.settings.protocol:
        for kind, fills in FILLS.items():
            if set(fills) & set(step.fills) and kind not in found:
                found[kind] = RecordedStep(
                    kind, KEYS[kind], step.name, step.instruction, tuple(step.notes)
                )
    return tuple(found.values())


def scales(study: Study) -> tuple[Response, ...]:
    """Return the ordered responses of a test: what is rated."""
    return tuple(
        response
        for response in study.settings.responses
        if response.kind == "ordinal" and response.table == "tests"
    )


def boxes(study: Study) -> tuple[Column, ...]:
    """Return the columns that are filled by hand, in the order of the protocol."""
    rated = {scale.name for scale in scales(study)}
    names = [name for step in study.settings.protocol for name in step.fills]
    base, own = table_named("tests"), study.schema.get("tests")
    found = []
    for name in dict.fromkeys(names):
        if name in rated or name in NUMBERS:
            continue
        table = own if own is not None and name in own.names else base
        found.append(table.column(name) if name in table.names else Column(name))
    return tuple(found)


def rated(study: Study, name: str, level: object) -> str | float:
    """Return a level of a scale as it is declared, or say which there are.

    Raises
    ------
    CallError
        If there is no such scale or level.
    """
    known = {scale.name: scale for scale in scales(study)}
    if name not in known:
        raise unknown_name("scale", name, known)
    levels = {str(one): one for one in known[name].levels}
    if isinstance(level, bool) or str(level) not in levels:
        ends = [*levels]
        raise CallError(
            f"{known[name].label} goes from {ends[0]} to {ends[-1]}; '{level}' is not on the scale."
        )
    return levels[str(level)]


def filled(study: Study, name: str, text: object) -> str:
    """Return what was typed into a box, or say why it cannot be.

    Raises
    ------
    CallError
        If there is no such box, or the text is none of its values.
    """
    known = {column.name: column for column in boxes(study)}
    if name not in known:
        raise unknown_name("box", name, known)
    column = known[name]
    typed = str(text).strip()
    values, bad = type_column([typed], column)
    label = name_words(column)
    if bad:
        reason = next(iter(bad.values()))
        raise CallError(f"{label}: {reason.fault}; {reason.remedy}.")
    value = values.iloc[0]
    if typed and column.possible is not None and not isinstance(value, str):
        low, high = column.possible
        if not low <= float(value) <= high:
            raise CallError(f"{label}: {typed} cannot be; it lies outside {low:g} to {high:g}.")
    return typed


def name_words(column: Column) -> str:
    """Return words for a column: its name without its unit."""
    ending = f"_{column.unit}" if column.unit else ""
    return column.name.removesuffix(ending).replace("_", " ")
