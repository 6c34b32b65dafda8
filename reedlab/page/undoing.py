"""Taking back the last save of the page, through the study's own undo.

That takes back whatever was written last, so it is asked only while the page's own save is
the last thing in the journal. The recordings of the save go too.
"""

from collections.abc import Sequence
from pathlib import Path

from reedlab.errors import CallError
from reedlab.study import Study, undo
from reedlab.study.journal import last_entry
from reedlab.study.lock import alone


def written_last(study: Study) -> int:
    """Return the number of the last entry in the study's journal; -1 if there is none."""
    entry = last_entry(study.folder)
    return -1 if entry is None else entry.number


def undo_last(study: Study, entry: int, written: Sequence[Path]) -> Study:
    """Take the last save back, and its recordings away.

    Parameters
    ----------
    study : Study
    entry : int
        The journal's number of that save.
    written : sequence of Path
        The recordings of it.

    Returns
    -------
    Study
        Opened again.

    Raises
    ------
    CallError
        If something else was written since.
    RecordError
        If it was changed by hand since, or cannot be written.
    """
    with alone(study.folder):
        if written_last(study) != entry:
            raise CallError(
                "Something else was written to this study since; nothing was taken back. Use "
                "reedlab.study.undo to take back one addition after the other."
            )
        fresh = undo(study).study
    for path in written:
        path.unlink(missing_ok=True)
    return fresh
