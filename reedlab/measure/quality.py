"""Whether a recording is fit to be measured: clipping, noise, and a phone's automatic gain.

Levels in dB re a full-scale sine, times in seconds.
"""

from dataclasses import dataclass

import numpy as np

from reedlab.measure.levels import level_track
from reedlab.measure.recording import Recording


@dataclass(frozen=True)
class Quality:
    """How far one attempt can be trusted; made by :func:`quality`."""

    clipped_share: float
    noise_db: float
    snr_db: float
    dc: float
    cautions: tuple[str, ...] = ()


def quality(recording: Recording, start_s: float, end_s: float) -> Quality:
    """Judge the part of a recording between two times."""
    part = recording.part(start_s, end_s)
    time_s, level_db = level_track(recording, "Z")
    inside = (time_s >= start_s) & (time_s <= end_s)
    noise_db = float(np.percentile(level_db, 5))
    snr_db = float(np.percentile(level_db[inside], 95)) - noise_db
    return Quality(
        clipped_share=float((np.abs(part) >= 0.9999).mean()),
        noise_db=noise_db,
        snr_db=snr_db,
        dc=float(recording.samples.mean()),
    )
