"""A filled sessions sheet: one occasion of testing a row, into ``sessions.csv``.

A session of which no box is filled has not been held yet. The level of a factor that is
given to the session is written as it was, not as it was planned.
"""

import pandas as pd

from reedlab.study.draft import NOTE, Draft
from reedlab.study.filled import Filled, Tally
from reedlab.study.plans import level_text, planned_column, session_factors

_PRINTED = ("batch_id", "session", "session_id")


def record_sessions(draft: Draft, filled: Filled) -> Tally:
    """Take the rows of a sessions sheet into the draft, and what is wrong into its faults.

    Parameters
    ----------
    draft : Draft
    filled : Filled

    Returns
    -------
    Tally
    """
    plan = filled.plan(draft.study)
    draft.add_table("sessions")
    resource = draft.resource("sessions")
    factors = session_factors(draft.study, plan.testing)
    allowed = {*resource.table.names, NOTE.name} - {"session_id"}
    printed = {planned_column(name): name for name in factors}
    filled.require([*_PRINTED, *factors], [*sorted(allowed), *printed], "sessions")
    boxes = [name for name in dict.fromkeys(filled.sheet.header) if name in allowed]
    typed = filled.typed(draft.study, resource.table, boxes, resource.missing)
    before = draft.rows_by("sessions", ("session_id",))
    levels = plan.testing.drop_duplicates("session").set_index("session")
    numbers = {str(number): number for number in levels.index}
    seen: dict[str, int] = {}
    new: list[dict[str, str]] = []
    known = waiting = 0
    for row in filled.rows:
        number = numbers.get(filled.cell(row, "session").strip())
        if number is None:
            fault = f"the plan has the sessions 1 to {len(numbers)}"
            filled.fault(row, "session", fault, "write the number that was printed")
            continue
        for column, name in printed.items():
            filled.check_printed(row, column, level_text(levels.loc[number, name]))
        if filled.empty(row, boxes):
            waiting += 1
            continue
        session = filled.cell(row, "session_id").strip()
        if not session or seen.setdefault(session, row) != row:
            fault = "the session has no id" if not session else f"'{session}' comes twice"
            filled.fault(row, "session_id", fault, "give each session its own id")
        for name in factors:
            if pd.isna(typed[row][name]):
                planned = level_text(levels.loc[number, name])
                fault = f"it is not said which {factors[name].label} the session had"
                filled.fault(row, name, fault, f"write '{planned}' if it was as planned")
        if (session,) in before:
            known += 1
            filled.compare(row, typed[row], *before[(session,)], "sessions.csv")
        else:
            cells = {name: filled.cell(row, name) for name in boxes}
            new.append({"session_id": session, **cells})
    draft.append_rows("sessions", new)
    return Tally(len(new), known, waiting)
