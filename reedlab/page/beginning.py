"""Writing down a session of the plan when it begins, from the page.

Only where the plan gives its sessions no level: such a level the page must not know.
"""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from reedlab.errors import CallError
from reedlab.page.saving import record_row
from reedlab.page.session_order import Occasion, may_start
from reedlab.study import Plan, Study

#: What may be noted of it.
SESSION_BOXES = ("player_id", "room", "relative_humidity_pct", "temperature_c", "a4_hz")


def begin_session(study: Study, plan: Plan, occasion: Occasion, told: Mapping[str, Any]) -> Study:
    """Write down a session that begins now.

    Parameters
    ----------
    study : Study
    plan : Plan
    occasion : Occasion
    told : mapping
        Texts by the names of :data:`SESSION_BOXES`.

    Returns
    -------
    Study
        Opened again, with the session in it.

    Raises
    ------
    CallError
        If it is written down already, or the plan gives its sessions levels.
    RecordError
        If what was told cannot be recorded.
    """
    if not may_start(study, plan):
        raise CallError(
            "The plan gives its sessions levels, which this page must not know; record the "
            "sessions sheet instead."
        )
    if occasion.recorded:
        raise CallError(f"Session {occasion.session_id} is written down already.")
    row = {
        "batch_id": plan.record.batch_id,
        "session": str(occasion.number),
        "session_id": occasion.session_id,
        "started_at": f"{datetime.now():%Y-%m-%d %H:%M}",
    }
    return record_row(
        study, row | {name: str(told.get(name, "")).strip() for name in SESSION_BOXES}
    )
