"""Filled sheets into the record: which kind a sheet is, all its faults, or all its rows.

Three kinds, told by their headers: making (what was done at each place), sessions (the
occasions of testing) and testing (one reed tried once a row). Either the whole sheet is
recorded or nothing of it; a row that was recorded before with the same content is
skipped, so a sheet may be recorded as often as it grows.
"""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from reedlab.errors import RecordError
from reedlab.study.draft import Draft
from reedlab.study.filled import Filled, Tally
from reedlab.study.lock import one_at_a_time
from reedlab.study.making import record_making
from reedlab.study.sessions import record_sessions
from reedlab.study.study import Study
from reedlab.study.testing import record_tests


class _Kind(NamedTuple):
    told_by: tuple[str, ...]
    record: Callable[[Draft, Filled], Tally]
    one: str
    many: str


_KINDS = (
    _Kind(("blind_code",), record_tests, "test", "tests"),
    _Kind(("place", "as_planned"), record_making, "place as made", "places as made"),
    _Kind(("session", "session_id"), record_sessions, "session", "sessions"),
)


@dataclass(frozen=True, eq=False)
class Recorded:
    """What came of a filled sheet.

    Attributes
    ----------
    study : Study
        Opened again, with what the sheet holds.
    added : int
        Rows that were recorded.
    skipped : int
        Rows that were recorded before, and rows that are not done yet.
    sentence : str
        The same in words.
    """

    study: Study
    added: int
    skipped: int
    sentence: str


@one_at_a_time
def record_sheet(study: Study, path: str | os.PathLike[str]) -> Recorded:
    """Record a filled sheet, and say how many rows of it were new.

    Parameters
    ----------
    study : Study
    path : path
        A making, sessions or testing sheet of one of its batches, saved as CSV.

    Returns
    -------
    Recorded

    Raises
    ------
    RecordError
        Listing every fault of the sheet with its row, column, value as typed and what
        would be right. Nothing is written then.
    """
    filled = Filled(Path(path))
    kind = _kind(filled)
    draft = Draft(study.folder)
    tally = kind.record(draft, filled)
    filled.refuse_faults()
    changed = tally.added or tally.fates
    fresh = draft.save(f"record {filled.sheet.file}") if changed else draft.study
    words = f"{filled.sheet.file}: {_words(kind, tally)}."
    return Recorded(fresh, tally.added, tally.known + tally.waiting, words)


def _kind(filled: Filled) -> _Kind:
    for kind in _KINDS:
        if set(kind.told_by) <= set(filled.sheet.header):
            return kind
    raise RecordError(
        f"{filled.sheet.file} is no sheet of a batch; its header has neither blind_code (testing), "
        "nor place and as_planned (making), nor session and session_id (sessions). Record it "
        "with the header that it was printed with."
    )


def _words(kind: _Kind, tally: Tally) -> str:
    parts = [f"{tally.added} {kind.one if tally.added == 1 else kind.many} recorded"]
    if tally.fates:
        parts.append(f"the fate of {tally.fates} reed{'' if tally.fates == 1 else 's'} recorded")
    if tally.known:
        parts.append(f"{tally.known} recorded before")
    if tally.waiting:
        parts.append(f"{tally.waiting} not done yet")
    return ", ".join(parts)
