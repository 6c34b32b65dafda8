"""From levels re full scale to sound pressure levels: what is to be added, in dB.

Either a sound calibrator was recorded with the same recorder, setting and place of the
microphone, or a meter was read beside it. Automatic gain undoes both.
"""

import math
from dataclasses import dataclass
from numbers import Real
from os import PathLike
from pathlib import Path

import numpy as np

from reedlab.answer import percent_text
from reedlab.errors import CallError, RecordError
from reedlab.measure.levels import level_track, mean_level_db
from reedlab.measure.pitches import CEILING_HZ, FLOOR_HZ, pitch_track
from reedlab.measure.quality import MOST_CLIPPED, clipped_share
from reedlab.measure.recording import read_recording
from reedlab.schema import is_number

Calibration = float | tuple[str | Path, float]

#: The tone of a calibrator repeats itself so well; with more noise its level is not known.
LEAST_STRENGTH = 0.98
#: It is steady within so many dB (standard deviation) ...
MOST_SD_DB = 0.3
#: ... over at least so many seconds, where it is within this of its loudest.
LEAST_S, WITHIN_DB = 1.0, 3.0
#: Left out at either end, seconds.
EDGE_S = 0.2
#: Sound pressure levels of calibrators: 94 and 114 dB are usual (IEC 60942, from memory).
LOWEST_DB, HIGHEST_DB = 60.0, 140.0


@dataclass(frozen=True)
class Offset:
    """What to add to a level re full scale to make it one of sound pressure."""

    add_db: float
    cautions: tuple[str, ...] = ()


def offset(calibration: Calibration) -> Offset:
    """Return what a calibration adds to every level.

    Parameters
    ----------
    calibration : float or (path, float)
        dB to add, from a meter; or the recording of a calibrator and its level in dB.

    Returns
    -------
    Offset

    Raises
    ------
    CallError
        If it is neither.
    RecordError
        If the recording holds no steady tone, or a clipped one.

    Examples
    --------
    >>> offset(112.5).add_db
    112.5
    """
    if is_number(calibration):
        if not math.isfinite(calibration):
            raise CallError(f"calibration is {calibration}; write how many dB are to be added.")
        return Offset(float(calibration))
    if not isinstance(calibration, tuple | list) or len(calibration) != 2:
        raise CallError(
            f"calibration is {calibration!r}; write the dB to add, or the recording of a "
            "calibrator with its level, e.g. ('calibrator.wav', 94)."
        )
    path, level_db = calibration
    if not isinstance(level_db, Real) or not LOWEST_DB <= level_db <= HIGHEST_DB:
        raise CallError(
            f"The calibrator's level is {level_db!r}; write it in dB as it stands on the "
            "calibrator, e.g. 94."
        )
    if not isinstance(path, str | PathLike):
        raise CallError(f"The calibrator's recording is {path!r}; write the name of its file.")
    return _from_recording(Path(path), float(level_db))


def _from_recording(path: Path, level_db: float) -> Offset:
    recording = read_recording(path)
    time_s, heard_db = level_track(recording)
    loud = time_s[heard_db > np.median(heard_db[heard_db > heard_db.max() - 10]) - WITHIN_DB]
    from_s, to_s = float(loud[0]) + EDGE_S, float(loud[-1]) - EDGE_S
    if to_s - from_s < LEAST_S:
        raise RecordError(
            f"{path.name} holds no steady tone of {LEAST_S + 2 * EDGE_S:g} s; record the "
            "calibrator for five seconds."
        )
    inside = (time_s >= from_s) & (time_s <= to_s)
    track = pitch_track(recording, FLOOR_HZ, min(CEILING_HZ, recording.rate_hz / 2))
    strength = np.median(track.strength[(track.time_s >= from_s) & (track.time_s <= to_s)])
    spread = float(np.std(heard_db[inside]))
    if strength < LEAST_STRENGTH or spread > MOST_SD_DB:
        raise RecordError(
            f"{path.name} is no calibrator's tone: its level wavers by {spread:.1f} dB and the "
            f"tone fills {percent_text(strength)} of the sound; record the calibrator closed over "
            "the microphone."
        )
    if clipped_share(recording.part(from_s, to_s)) > MOST_CLIPPED:
        raise RecordError(
            f"{path.name} is clipped, so its level is not known; turn the recorder down and record "
            "calibrator and reed again."
        )
    return Offset(level_db - mean_level_db(recording, from_s, to_s), recording.cautions)
