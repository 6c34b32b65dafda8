"""What the page is told: one plain dictionary, made anew after every message.

Only what is named here leaves the kernel: places, codes, what was measured and typed, words
of the protocol. Nothing of the making, the key or a level is read for it.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from reedlab.answer import number_text
from reedlab.errors import listed
from reedlab.measure.kinds import NUMBERS
from reedlab.page import care
from reedlab.page.attempt import Attempt
from reedlab.page.boxes import boxes, name_words, recorded_steps, scales
from reedlab.page.hearing import number_lines, words_for
from reedlab.page.session_order import Occasion, Turn, reed_ids, tests_of
from reedlab.page.takes import Take
from reedlab.study import Plan, Study

if TYPE_CHECKING:
    from reedlab.page.desk import Desk


def shown(desk: "Desk") -> dict[str, Any]:
    """Return the state of the page."""
    study, attempt = desk.study, desk.attempt
    coming = desk.coming
    return {
        "title": study.title,
        "batch": desk.plan.record.batch_id,
        "invented": study.settings.invented,
        "session": desk.occasion.number,
        "session_id": desk.occasion.session_id,
        "session_recorded": desk.occasion.recorded,
        "may_start": desk.may_start,
        "sessions": [one.number for one in desk.occasions],
        "stage": desk.stage,
        "stages": [stage.name for stage in study.settings.stages],
        "done": sum(1 for turn in desk.order if turn.trials),
        "order": [_turn(turn) for turn in desk.order],
        "next": _turn(coming) if coming else None,
        "reed": _reed(attempt, desk.order, coming) if attempt else None,
        "steps": [_step(desk, step) for step in recorded_steps(study)],
        "scales": [
            {
                "name": scale.name,
                "label": scale.label,
                "levels": list(scale.levels),
                "value": attempt.ratings.get(scale.name) if attempt else None,
            }
            for scale in scales(study)
        ],
        "boxes": [
            {
                "name": column.name,
                "label": name_words(column),
                "unit": column.unit,
                "type": column.type,
                "value": attempt.typed.get(column.name, "") if attempt else "",
            }
            for column in boxes(study)
        ],
        "note": attempt.note if attempt else "",
        "take": _take(desk, attempt.pending) if attempt and attempt.pending else None,
        "numbers_wait": desk.numbers_wait,
        "saved": _saved(study, desk.plan, desk.occasion, desk.stage, desk.order),
        "can_undo": desk.can_undo,
        "ask": _ask(desk),
        "message": {"kind": desk.message[0], "text": desk.message[1]},
        "cares": _cares(study),
    }


def _ask(desk: "Desk") -> str:
    """Return what is to be done now, in a few words."""
    attempt = desk.attempt
    if not desk.occasion.recorded:
        return "Begin the session." if desk.may_start else "Record the sessions sheet first."
    if attempt is None:
        return f"Take {desk.coming.code}: type or scan its code." if desk.coming else ""
    if attempt.pending:
        return "Accept it, or repeat." if attempt.pending.heard else "Repeat it."
    for step in recorded_steps(desk.study):
        if step.kind not in attempt.taken:
            return f"Now: {step.label}. Press {step.key}, a moment of quiet, play, press again."
    if any(scale.name not in attempt.ratings for scale in scales(desk.study)):
        return "Now rate it."
    return "Save this test."


def _turn(turn: Turn) -> dict[str, Any]:
    return {"place": turn.place, "code": turn.code, "done": bool(turn.trials)}


def _reed(attempt: Attempt, order: Sequence[Turn], coming: Turn | None) -> dict[str, Any]:
    tried = next((turn.trials for turn in order if turn.code == attempt.code), ())
    said = ""
    if tried:
        said = f"On disk already as try {listed(tried)} of this session; this is one more try."
    elif coming and coming.code != attempt.code:
        said = (
            f"The order asks for {coming.code} next. Keep to it if you can: what changes while "
            "you play then falls on all reeds alike."
        )
    return {
        "code": attempt.code,
        "place": attempt.place,
        "trial": attempt.trial,
        "caution": said,
        "unsaved": not attempt.is_empty or attempt.pending is not None,
    }


def _step(desk: "Desk", step: Any) -> dict[str, Any]:
    take = desk.attempt.taken.get(step.kind) if desk.attempt else None
    shown_text = ""
    if take and take.heard:
        shown_text = "accepted" if desk.numbers_hidden else take.heard.headline
    return {
        "kind": step.kind,
        "key": step.key,
        "label": step.label,
        "instruction": step.instruction,
        "notes": list(step.notes),
        "accepted": shown_text,
        "care": care.loud_playing() if step.kind == "hairpin" else "",
    }


def _take(desk: "Desk", take: Take) -> dict[str, Any]:
    base: dict[str, Any] = {
        "number": take.number,
        "kind": take.kind,
        "fault": take.fault,
        "cautions": list(take.cautions),
        "hidden": desk.numbers_hidden,
    }
    heard = take.heard
    if heard is None:
        return base
    if desk.numbers_hidden:
        return base | {"headline": "Heard", "beside": "numbers wait until you have rated"}
    return base | {
        "headline": heard.headline,
        "beside": heard.beside,
        "numbers": number_lines(desk.study, heard.numbers),
        "sentence": heard.sentence,
        "cautions": [*take.cautions, *heard.cautions],
        "trace": heard.trace,
    }


def _saved(
    study: Study, plan: Plan, occasion: Occasion, stage: str, order: Sequence[Turn]
) -> list[dict[str, Any]]:
    """Return what is on disk of the session, in the order of playing."""
    codes = {reed: code for code, reed in reed_ids(study, plan).items()}
    place = {turn.code: turn.place for turn in order}
    tests = tests_of(study, occasion.session_id)
    rows = []
    for test in tests[tests["stage"] == stage].to_dict("records"):
        code = codes.get(test["reed_id"])
        if code in place:
            rows.append(
                {
                    "place": place[code],
                    "code": code,
                    "trial": int(test["trial"]),
                    "text": _row_text(study, test),
                }
            )
    return sorted(rows, key=lambda row: (row["place"], row["trial"]))


def _row_text(study: Study, test: dict[Any, Any]) -> str:
    names = [*NUMBERS, *(scale.name for scale in scales(study))]
    parts = []
    for name in names:
        value = test.get(name)
        if value is not None and pd.notna(value):
            label, unit = words_for(study, name)
            text = number_text(value, 4) if isinstance(value, int | float) else str(value)
            parts.append(f"{label} {text} {unit}".strip())
    return ", ".join(parts)


def _cares(study: Study) -> dict[str, Any]:
    return {
        "hygiene": care.hygiene(),
        "hygiene_first": care.several_players(study),
        "scraping": care.scraping(),
        "others": list(care.others()),
    }
