"""A calibration as it is typed on one line: ``112.5`` or ``calibrator.wav=94``."""

from reedlab.errors import CallError
from reedlab.measure.calibration import Calibration


def asked_calibration(text: str) -> Calibration:
    """Read a calibration.

    Parameters
    ----------
    text : str
        How many dB to add to every level; or the recording of a sound calibrator, ``=`` and
        its level in dB.

    Returns
    -------
    float or (str, float)

    Raises
    ------
    CallError
        If it is neither.

    Examples
    --------
    >>> asked_calibration("112.5"), asked_calibration("day 1/calibrator.wav=94")
    (112.5, ('day 1/calibrator.wav', 94.0))
    """
    path, is_pair, level = text.rpartition("=")
    try:
        db = float(level)
    except ValueError:
        path, is_pair = "", "="
    if is_pair and not path.strip():
        raise CallError(
            f"'{text}' is no calibration; write how many dB to add, or the recording of a "
            "calibrator with its level, like calibrator.wav=94, with decimal points."
        )
    return (path.strip(), db) if is_pair else db
