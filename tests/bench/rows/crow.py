"""The crow: an invented recording of 10 s, its pitch and all that is said of it.

The floor is parselmouth's pitch track, which ours begins with; librosa's pyin is what many take.
Those give a track and no more; ours finds attempts, hum, settling, partials and rattle too.
"""

import warnings
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.frame import Row, Run, Side, home

SECONDS = (5, 10, 20, 40)
AT = 10
RATE_HZ = 44_100
#: The range in which the pitch is looked for, in Hz: bassoon crows and an octave to either side.
LOW_HZ, HIGH_HZ = 60.0, 1_000.0


def _path(seconds: int) -> Path:
    """Write an invented crow with its room, cut or filled with quiet to so many seconds."""
    from reedlab.demo.sound import Room, crow_sound
    from tests.measure.degrade import wav

    path = home("crow") / f"crow {seconds}.wav"
    if not path.exists():
        samples = crow_sound(1, hold_s=0.7 * seconds, room=Room(60)).samples
        wanted = seconds * RATE_HZ
        quiet = np.resize(samples[: RATE_HZ // 4], max(0, wanted - len(samples)))
        wav(np.concatenate([samples[:wanted], quiet]), RATE_HZ, path)
    return path


def _ours(seconds: int) -> Run:
    from reedlab.measure import crow

    path = _path(seconds)
    return lambda: float(crow(path).table["crow_hz"].iloc[0])


def _parselmouth(seconds: int) -> Run:
    import parselmouth

    path = str(_path(seconds))

    def run() -> object:
        pitch = parselmouth.Sound(path).to_pitch_ac(pitch_floor=LOW_HZ, pitch_ceiling=HIGH_HZ)
        return _middle(pitch.selected_array["frequency"])

    return run


def _librosa(seconds: int) -> Run:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a library that it loads goes with the next Python
        import librosa

    path = str(_path(seconds))

    def run() -> object:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            samples, rate = librosa.load(path, sr=None)
            track, _, _ = librosa.pyin(samples, fmin=LOW_HZ, fmax=HIGH_HZ, sr=rate)
        return _middle(np.nan_to_num(track))

    return run


def _middle(track_hz: np.ndarray) -> float:
    return float(np.median(track_hz[track_hz > 0]))


def _near(ours: Any, other: Any) -> None:
    # Within half a semitone: a track's median holds the tone's beginning too.
    assert abs(12 * np.log2(ours / other)) < 0.5


CROW = Row(
    "crow",
    "10 s of crow: ours all that is measured, the others a pitch track",
    "seconds",
    Side("reedlab crow", _ours, SECONDS, AT),
    (
        Side("parselmouth pitch alone", _parselmouth, SECONDS, AT, ("parselmouth",)),
        Side("librosa pyin", _librosa, (2, 5, 10, 20), AT, ("librosa",)),
    ),
    agree=_near,
)
