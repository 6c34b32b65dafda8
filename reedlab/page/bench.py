"""Recording a planned batch at the bench, inside a notebook, with wet hands.

The call only chooses batch and session; what is shown and answered is in `desk.py`, what the
browser runs in `page.js`. The widget library is loaded when the page is asked for.
"""

from typing import TYPE_CHECKING

import pandas as pd

from reedlab.errors import CallError, unknown_name
from reedlab.page.desk import Desk
from reedlab.page.hearing import get_ready
from reedlab.study import Study, open_study
from reedlab.study.plans import making_file

if TYPE_CHECKING:
    from reedlab.page.widget import BenchPage


def bench(study: Study, batch_id: str | None = None, session: int | None = None) -> "BenchPage":
    """Open the bench page: record tests of a planned batch by code, ear and microphone.

    Show it as the last line of a notebook's cell. It asks for the blind code of the reed in
    hand, records the steps of the study's protocol from the microphone or a file, shows pitch,
    level and the number, takes the rating, and saves one test as one row through
    :func:`reedlab.study.record_sheet`. Levels of the plan are never read for it.

    Parameters
    ----------
    study : Study
        Read anew from its folder, and again after every save.
    batch_id : str, optional
        Left out, the last planned batch with a reed that is not tested yet.
    session : int, optional
        As the plan counts it; left out, the first that is not done.

    Returns
    -------
    BenchPage
        A widget. Its ``study`` is the study as it stands on disk after the last save.

    Raises
    ------
    CallError
        If there is no planned batch, or none of that name, or no such session.
    RecordError
        If the study cannot be read.

    Notes
    -----
    Numbers written are those of :mod:`reedlab.measure` (Hz, cents, dB re full scale, ms). The
    browser is asked to switch off echo cancellation, noise suppression and automatic gain; where
    it does not, or does not say, the row's note says so, and levels recorded with automatic gain
    are left out. Recordings are kept in the folder ``recordings`` of the study.

    A rating that was given after a number was shown is marked so in the note.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> bench(example_study("season"))
    Traceback (most recent call last):
    reedlab.errors.CallError: The study has no planned batch to test; plan one with
    reedlab.plan.design_batch(...).write(study) first.
    """
    chosen = _chosen(open_study(study.folder), batch_id)
    desk = Desk(study, chosen, session)
    get_ready()
    from reedlab.page.widget import BenchPage

    return BenchPage(desk)


def _chosen(study: Study, batch_id: str | None) -> str:
    """Return the batch that is asked for, else the last planned one that is not done."""
    planned = [
        batch.batch_id
        for batch in study.settings.batches
        if (study.folder / making_file(batch.batch_id)).exists()
    ]
    if batch_id is not None:
        if batch_id not in planned:
            raise unknown_name("planned batch", batch_id, planned)
        return batch_id
    if not planned:
        raise CallError(
            "The study has no planned batch to test; plan one with "
            "reedlab.plan.design_batch(...).write(study) first."
        )
    unfinished = [name for name in planned if not _is_done(study, name)]
    return (unfinished or planned)[-1]


def _is_done(study: Study, batch_id: str) -> bool:
    tests = study.tables.get("tests", pd.DataFrame())
    reeds = study.tables["reeds"]
    if "reed_id" not in tests or "batch_id" not in reeds:
        return False
    own = reeds.loc[reeds["batch_id"] == batch_id, "reed_id"]
    return bool(own.isin(tests["reed_id"]).all())
