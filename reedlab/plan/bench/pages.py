"""What stands on each bench sheet, as plain data: texts, rows of boxes, widths in millimetres.

Making sheets know recipes and no codes; testing sheets know codes and nothing else; the
labelling sheet alone ties one to the other, for the eyes of whoever puts the codes on.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from reedlab.schema import Column, Factor, Response, Step, cautions_for, table_named
from reedlab.study.plans import level_text

Page = dict[str, Any]
Box = dict[str, Any]

#: Boxes side by side: recipes are read at arm's length, results are numbers of few digits.
SETTINGS_ABREAST = 4
RESULTS_ABREAST = 8
#: The boxes of the sessions table that every session fills.
SESSION_BOXES = (
    "started_at",
    "player_id",
    "instrument_id",
    "bocal",
    "room",
    "relative_humidity_pct",
    "temperature_c",
    "a4_hz",
)
#: What the tests table calls a reed that has not been broken in.
STAGE = "new"

_MAKING_STEPS = (
    ("Order", "Make the reeds from the top down. Chance drew this order: keep to it."),
    (
        "Settings",
        "Large print is the plan. Write below it what was really done wherever that is "
        "another; if all is as planned, circle yes.",
    ),
    (
        "When a reed breaks",
        "Take the next spare piece of the same tube and make the same settings in the same "
        "place of the order. If no spare piece is left, circle lost and go on. Never swap "
        "settings between reeds.",
    ),
    ("No codes yet", "They are put on when the last reed is made, from the labelling sheet."),
)
_LABELLING_STEPS = (
    (
        "Somebody else",
        "Let a person who will not play the reeds write the codes on: on the thread or a tag, "
        "never on the blades. A place whose reed was lost is passed over.",
    ),
    (
        "If you work alone",
        "Wait until the last reed is made. Then put all codes on in one go, in the order below, "
        "which is shuffled; take the place numbers off; leave the reeds for some days before "
        "you play them.",
    ),
    (
        "Afterwards",
        "Fold this sheet, close it and keep it away from the music stand until the batch is "
        "unblinded.",
    ),
)
_SESSION_STEPS = (
    ("Before", "Fill in the column of the session before the first reed is played."),
    ("Same for all", "Keep player, instrument, bocal, room and tuning for the whole session."),
)


@dataclass(frozen=True)
class Bench:
    """All that the sheets of one batch are made from.

    Attributes
    ----------
    study, batch_id : str
    making : DataFrame
        One row a reed in making order, as in :class:`reedlab.plan.Batch`.
    testing : DataFrame
        ``session, place, blind_code`` in order of playing, and session-level factors.
    labels : DataFrame
        ``place, blind_code``.
    factors : tuple of Factor
        Those whose levels the maker sets; covariates of the cane are no settings.
    protocol : tuple of Step
    columns : tuple of Column
        Of the tests and the sessions tables, for their units.
    responses : tuple of Response
        For words and levels of what is judged.
    """

    study: str
    batch_id: str
    making: pd.DataFrame
    testing: pd.DataFrame
    labels: pd.DataFrame
    factors: Sequence[Factor] = ()
    protocol: Sequence[Step] = ()
    columns: Sequence[Column] = ()
    responses: Sequence[Response] = ()

    @property
    def settings(self) -> tuple[Factor, ...]:
        """The factors that are set at the bench."""
        return tuple(factor for factor in self.factors if factor.name in self.making)

    @property
    def session_settings(self) -> tuple[Factor, ...]:
        """The factors that are set for a session."""
        return tuple(factor for factor in self.factors if factor.name in self.testing)

    @property
    def sessions(self) -> list[int]:
        """The numbers of the sessions."""
        return [int(session) for session in dict.fromkeys(self.testing["session"])]

    @property
    def filled(self) -> list[str]:
        """The columns that the steps of the protocol fill, each once, in their order."""
        return list(dict.fromkeys(name for step in self.protocol for name in step.fills))


def session_id(bench: Bench, session: int) -> str:
    """Return the name of a session before it is held."""
    return f"{bench.batch_id}-S{session}"


def making_page(bench: Bench) -> Page:
    """Return the making sheet: a recipe a reed, and boxes for what was really done."""
    plans = {factor.name: _aligned(bench.making[factor.name]) for factor in bench.settings}
    rows = []
    for number, reed in enumerate(bench.making.to_dict("records")):
        settings = [_plan_box(factor, plans[factor.name][number]) for factor in bench.settings]
        done = [
            _box("as planned", choices=("yes", "no")),
            _box("piece used"),
            _box("day made"),
            _box("minutes"),
            _box("lost", choices=("yes",)),
            _box("note", span=3),
        ]
        spare = level_text(reed["spare_pieces"])
        lead = [
            _lead(level_text(reed["place"]), 24),
            _lead(level_text(reed["tube_id"]), 15, "tube"),
            _lead(level_text(reed["piece"]), 15, "piece"),
            _lead(spare or "none", 15 if spare else 10, "spare"),
        ]
        lines = [*_abreast(settings, SETTINGS_ABREAST), *_abreast(done, RESULTS_ABREAST)]
        rows.append({"name": f"place {reed['place']}", "lead": lead, "lines": lines})
    return _page(
        bench,
        "Making sheet",
        steps=_MAKING_STEPS,
        cautions=cautions_for("bench"),
        head=("place, tube, piece", "settings: the plan, and what was really done"),
        lead=34,
        rows=rows,
    )


def labels_page(bench: Bench) -> Page:
    """Return the labelling sheet: which code each reed gets, in the order of the codes.

    That order has nothing to do with the places, so whoever labels alone picks the reeds
    in a shuffled order.
    """
    pairs = bench.labels.sort_values("blind_code")
    labels = [
        {"code": str(code), "place": level_text(place)}
        for code, place in zip(pairs["blind_code"], pairs["place"], strict=True)
    ]
    return _page(
        bench,
        "Labelling sheet",
        mark="Fold, and let somebody else put the codes on.",
        steps=_LABELLING_STEPS,
        labels=labels,
    )


def testing_page(bench: Bench, session: int) -> Page:
    """Return the testing sheet of a session: by code alone, in the order of playing."""
    here = bench.testing[bench.testing["session"] == session]
    boxes = [*_result_boxes(bench), *_closing_boxes()]
    lines = list(_abreast(boxes, RESULTS_ABREAST))
    rows = [
        {
            "name": str(reed["blind_code"]),
            "lead": [
                _lead(str(reed["blind_code"]), 18, code=True),
                _lead(level_text(reed["place"]), 11, "order"),
            ],
            "lines": lines,
        }
        for reed in here.to_dict("records")
    ]
    steps = [(step.name, step.instruction, ", ".join(step.notes)) for step in bench.protocol]
    return _page(
        bench,
        f"Testing sheet, session {session} of {len(bench.sessions)}",
        batch=f"{session_id(bench, session)}, stage {STAGE}, trial {session}",
        steps=steps,
        cautions=cautions_for("testing"),
        head=("code, order", "what the steps find, then what becomes of the reed"),
        lead=28,
        rows=rows,
    )


def sessions_page(bench: Bench, abreast: int = 3) -> Page:
    """Return the sessions sheet: a column for each session, a line for each thing to note."""
    tables = []
    for first in range(0, len(bench.sessions), abreast):
        part = bench.sessions[first : first + abreast]
        empty = [""] * len(part)
        lines = []
        for factor in bench.session_settings:
            level = bench.testing.groupby("session")[factor.name].first()
            plan = [level_text(level[session]) for session in part]
            lines.append(_line(f"{_words(factor)}: plan", factor.unit, plan))
            if factor.name not in SESSION_BOXES:
                lines.append(_line(f"{_words(factor)}: done", factor.unit, empty))
        lines += [_line(label, unit, empty) for label, unit in _session_labels(bench)]
        names = [session_id(bench, session) for session in part]
        tables.append({"columns": names, "lines": lines})
    return _page(bench, "Sessions sheet", steps=_SESSION_STEPS, tables=tables)


def _page(bench: Bench, title: str, steps: Sequence[tuple[str, ...]], **parts: Any) -> Page:
    empty: Page = {
        "mark": "",
        "cautions": (),
        "head": (),
        "lead": 30,
        "rows": (),
        "labels": (),
        "tables": (),
    }
    told = [{"name": name, "text": text, "notes": "".join(notes)} for name, text, *notes in steps]
    heading = {"title": title, "study": bench.study, "batch": f"batch {bench.batch_id}"}
    return {**empty, **heading, "steps": told, **parts}


def _lead(text: str, size: int, label: str = "", code: bool = False) -> dict[str, Any]:
    return {"text": text, "size": size, "label": label, "code": code}


def _box(label: str, span: int = 1, plan: str | None = None, choices: Sequence[str] = ()) -> Box:
    return {"label": label, "span": span, "plan": plan, "choices": list(choices)}


def _plan_box(factor: Factor, plan: str) -> Box:
    return _box(_with_unit(_words(factor), factor.unit), plan=plan)


def _words(factor: Factor) -> str:
    """Return the label; one that is but the name goes without the unit in it."""
    plain = factor.label == factor.name.replace("_", " ")
    return _heading(factor.name, factor.unit) if plain else factor.label


def _with_unit(label: str, unit: str) -> str:
    return f"{label}, {unit}" if unit else label


def _line(label: str, unit: str, cells: Sequence[str]) -> dict[str, Any]:
    return {"label": label, "unit": unit, "cells": list(cells)}


def _aligned(levels: pd.Series) -> list[str]:
    """Write levels; numbers with as many decimals as the one that has most."""
    texts = [level_text(level) for level in levels]
    if not pd.api.types.is_numeric_dtype(levels) or any("e" in text for text in texts):
        return texts
    most = max((len(text.partition(".")[2]) for text in texts), default=0)
    return [f"{float(text):.{most}f}" if text else "" for text in texts]


def _abreast(boxes: Sequence[Box], most: int) -> Iterator[list[Box]]:
    """Break boxes into lines; the last box of a line takes what room is left."""
    line: list[Box] = []
    for box in boxes:
        if line and sum(part["span"] for part in line) + box["span"] > most:
            yield line
            line = []
        line.append(box)
    if line:
        yield line


def _result_boxes(bench: Bench) -> Iterator[Box]:
    """Yield a box for each column that the steps fill, with words to circle where it has few."""
    columns = {column.name: column for column in bench.columns}
    responses = {response.name: response for response in bench.responses}
    for name in bench.filled:
        column, response = columns.get(name), responses.get(name)
        unit = column.unit if column and column.unit else response.unit if response else ""
        levels = (
            response.levels if response and response.levels else column.levels if column else ()
        )
        choices = [level_text(level) for level in levels]
        if column and column.type == "boolean":
            choices = ["yes", "no"]
        fits = sum(map(len, choices)) <= 8
        label = _with_unit(_heading(name, unit), unit)
        yield _box(label, choices=choices if fits else ())


def _heading(name: str, unit: str) -> str:
    """Write the name of a column without its unit, as words."""
    ending = {"%": "pct", "°C": "c", "minutes": "min", "kg/m3": "kg_m3"}.get(unit, unit.casefold())
    return name.removesuffix(f"_{ending}").replace("_", " ")


def _closing_boxes() -> Iterator[Box]:
    fates = [level_text(level) for level in table_named("reeds").column("fate").levels]
    yield _box("fate, once it is decided", span=4, choices=fates)
    yield _box("why", span=2)
    yield _box("note", span=2)


def _session_labels(bench: Bench) -> Iterator[tuple[str, str]]:
    columns = {column.name: column for column in bench.columns}
    for name in SESSION_BOXES:
        unit = columns[name].unit if name in columns else ""
        heading = _heading(name, unit).removesuffix(" id").replace("started at", "day and time")
        yield heading.replace("a4", "A4"), unit
