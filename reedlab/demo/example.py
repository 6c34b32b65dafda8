"""An invented study to try things on, written to a temporary folder and opened."""

import tempfile
from pathlib import Path

from reedlab.demo.batch import simulate_batch
from reedlab.demo.season import simulate_season
from reedlab.errors import unknown_name
from reedlab.study import Study

_MADE = {"batch": simulate_batch, "season": simulate_season}


def example_study(name: str) -> Study:
    """Write an invented study to a temporary folder and open it.

    Parameters
    ----------
    name : {"batch", "season"}

    Returns
    -------
    Study

    Raises
    ------
    CallError
        For another name.

    Examples
    --------
    >>> example_study("batch").settings.invented
    True
    """
    if name not in _MADE:
        raise unknown_name("example", name, _MADE)
    return _MADE[name]().write(Path(tempfile.mkdtemp()) / name)
