"""The bench sheets as CSV: what is known is filled in, the boxes to fill are empty.

Same rows and order as on paper. A sheet that comes back filled is recorded by
``study.record``; its header tells which kind it is.
"""

from collections.abc import Sequence

from reedlab.plan.bench.pages import SESSION_BOXES, STAGE, Bench, session_id
from reedlab.study.exporting import harmless
from reedlab.study.page import Page as File
from reedlab.study.plans import level_text, planned_column

_PIECE = ("place", "tube_id", "piece", "spare_pieces")


def making_csv(bench: Bench) -> bytes:
    """Return the making sheet: the plan of each reed, then what was really done.

    Columns: ``batch_id, place, tube_id, piece, spare_pieces``, the plan of each setting
    (``shape (plan)``); to fill: ``as_planned``, each setting, ``piece_used, made_on,
    minutes_spent, lost, note``.
    """
    names = [factor.name for factor in bench.settings]
    boxes = ["as_planned", *names, "piece_used", "made_on", "minutes_spent", "lost", "note"]
    rows = [
        {
            "batch_id": bench.batch_id,
            **{name: level_text(reed[name]) for name in _PIECE},
            **{planned_column(name): level_text(reed[name]) for name in names},
        }
        for reed in bench.making.to_dict("records")
    ]
    return _sheet(["batch_id", *_PIECE, *map(planned_column, names)], boxes, rows)


def sessions_csv(bench: Bench) -> bytes:
    """Return the sessions sheet, a row a session.

    Columns: ``batch_id, session, session_id``; to fill: those of the sessions table; then
    the plan of each factor of a session and the factor itself.
    """
    names = [factor.name for factor in bench.session_settings]
    levels = bench.testing.drop_duplicates("session").set_index("session")
    rows = [
        {
            "batch_id": bench.batch_id,
            "session": str(session),
            "session_id": session_id(bench, session),
            **{planned_column(name): level_text(levels.loc[session, name]) for name in names},
        }
        for session in bench.sessions
    ]
    boxes = [*SESSION_BOXES, *(part for name in names for part in (planned_column(name), name))]
    return _sheet(["batch_id", "session", "session_id"], boxes, rows)


def testing_csv(bench: Bench, session: int) -> bytes:
    """Return the testing sheet of a session, by code alone, in the order of playing.

    Columns: ``batch_id, session_id, place, blind_code, stage, trial``; to fill: what the
    steps of the protocol fill, then ``fate, fate_reason, note``.
    """
    here = bench.testing[bench.testing["session"] == session]
    rows = [
        {
            "batch_id": bench.batch_id,
            "session_id": session_id(bench, session),
            "place": level_text(reed["place"]),
            "blind_code": str(reed["blind_code"]),
            "stage": STAGE,
            "trial": str(session),
        }
        for reed in here.to_dict("records")
    ]
    known = ["batch_id", "session_id", "place", "blind_code", "stage", "trial"]
    return _sheet(known, [*bench.filled, "fate", "fate_reason", "note"], rows)


def _sheet(known: Sequence[str], boxes: Sequence[str], rows: Sequence[dict[str, str]]) -> bytes:
    file = File.fresh([harmless(name) for name in dict.fromkeys([*known, *boxes])])
    for row in rows:
        file.append({harmless(name): harmless(text) for name, text in row.items()})
    return file.content()
