"""What does the crow say: pitch, how far from the target, one pitch or a rattle, how soft?

For each attempt in a recording: where, as the air rises, one single pitch settles; that pitch;
how steadily and how long it stands; the level at which it settles, and where it breaks into
several. Pitch in Hz and cents, times in s from the beginning of the recording, levels in dB re
a full-scale sine: they compare within one recording and setting only.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reedlab.answer import Answer, number_text
from reedlab.errors import ModelError, RecordError
from reedlab.measure.attempts import find_attempts
from reedlab.measure.crow_attempt import Attempt, Level, listen
from reedlab.measure.crow_text import attempt_cautions, attempt_text
from reedlab.measure.hum import Hum, find_hum, without_hum, without_left
from reedlab.measure.levels import level_track
from reedlab.measure.pitches import HELD_LEAP_COST, HELD_STEP_S, PitchTrack, pitch_track
from reedlab.measure.recording import Recording, read_recording
from reedlab.measure.settling import SHORTEST_S
from reedlab.measure.thinned import thinned
from reedlab.schema.pitch import A4_HZ, cents_from_band, nearest_note
from reedlab.study.settings import Settings

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: The level is read this long after the pitch has settled: half the window of the level, so
#: that nothing of the air before is in it.
AFTER_S = 0.025
#: Hum that makes up more than this share of the power of a recording without a tone is named.
HUM_SHARE = 0.5
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Crow(Answer):
    """What the crow says; made by :func:`crow`.

    Attributes
    ----------
    table : DataFrame
        One row an attempt: ``attempt``, ``start_s`` (where its sound begins), ``settle_s``
        (from when one pitch stands), ``hold_s`` (for how long), ``crow_hz``, ``crow_note``
        (the nearest written note), ``note_cents`` (from that note), ``crow_cents`` (from
        the nearest edge of the target; 0 inside), ``spread_cents``, ``settle_db`` (level of
        the tone when it settles, dB re a full-scale sine), ``snr_db`` (the attempt above the
        quiet), ``single_pitch``, ``rattle_s`` (from when several pitches sound),
        ``rattle_hz`` (which, as text), ``confidence`` (0 to 1).
    a4_hz : float
    target : (str, str)
        Lowest and highest note of the target.
    band_hz : (float, float)
        The same in Hz.
    time_s, pitch_hz, level_db : ndarray
        Running pitch and level, for the picture.
    attempts : tuple of Attempt
    """

    a4_hz: float = A4_HZ
    target: tuple[str, str] = ("", "")
    band_hz: tuple[float, float] = (np.nan, np.nan)
    time_s: Floats = field(default_factory=lambda: np.empty(0), repr=False)
    pitch_hz: Floats = field(default_factory=lambda: np.empty(0), repr=False)
    level_db: Floats = field(default_factory=lambda: np.empty(0), repr=False)
    attempts: tuple[Attempt, ...] = field(default=(), repr=False)

    def _say(self) -> str:
        rows: list[dict[str, Any]] = self.table.to_dict("records")  # type: ignore[assignment]
        return " ".join(attempt_text(row, self.a4_hz, self.target) for row in rows)

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw pitch and level over time, the target, the settling and the rattle."""
        from reedlab.measure.crow_picture import draw_crow

        return draw_crow(self, ax)


def crow(
    path: str | Path | Recording,
    a4_hz: float = A4_HZ,
    instrument: str = "bassoon",
    target: str | Sequence[str] | None = None,
) -> Crow:
    """Measure the crow of a reed by itself.

    Parameters
    ----------
    path : str, Path or Recording
        A sound file; it may hold several attempts with half a second of quiet between them.
    a4_hz : float
        Tuning, in Hz.
    instrument : str
        As in :data:`reedlab.schema.INSTRUMENTS`; its crow is the target.
    target : str or (str, str), optional
        Another target: a note, or the lowest and the highest note of a band ("E4-F4" too).

    Returns
    -------
    Crow

    Raises
    ------
    CallError
        For a tuning, instrument or target that does not exist.
    RecordError
        For a file that cannot be used.
    ModelError
        If no tone is in it; hum alone is named.

    Notes
    -----
    The pitch is the mean of two: of the period (autocorrelation; the track without its
    slips) and of the frequencies of the partials, which also settle the octave; where one of
    them finds none, of the other. `spread_cents` is half the width of the middle 68 % of the
    track: of a steady tone its standard deviation; a vibrato is in it. The level when it
    settles is that of the tone without its noise: the running level plus 10 log10 of the
    strength of the period. `confidence` and `single_pitch` are explained in
    `reedlab/measure/trust.py`. Notes between C2 and C6 are heard; hum of the mains is taken
    out first; where a tone lies within 1 Hz of a partial of it, when it settles is not known. A
    rattle that repeats itself exactly is a lower pitch and is called one. Odd partials more
    than 25 dB below the even ones are lost in noise, and with them an octave. Noise no wider
    than 10 Hz passes for a tone.

    References
    ----------
    Boersma (1993), Accurate short-term analysis of the fundamental frequency and the
    harmonics-to-noise ratio of a sampled sound, Proc. Inst. Phonetic Sci. 17, 97-110.
    Target E4 to F4 of the bassoon: common practice, no source.

    Examples
    --------
    >>> from reedlab.demo.sound import crow_sound
    >>> invented = crow_sound(pitch_hz=320.0)
    >>> found = crow(Recording(Path("invented.wav"), invented.samples, invented.rate_hz))
    >>> found.sentence
    'Crow 1: E♭4 +49 cents (320.0 Hz at A4 = 440), 51 cents below the target E4–F4; one pitch from
    1.4 s at −30 dB, held 2.1 s, spread 0 cents; confidence 1.00.'
    """
    settings = Settings(instrument, a4_hz=a4_hz, crow_target=() if target is None else target)
    recording = path if isinstance(path, Recording) else read_recording(path)
    heard = thinned(recording)
    hum = find_hum(heard)
    clean = without_hum(heard, hum) if hum else heard
    spans, said = _spans(clean)
    track = pitch_track(clean, step_s=HELD_STEP_S, leap_cost=HELD_LEAP_COST)
    level = level_track(clean)
    track = without_left(track, level, hum) if hum else track
    ends = [0.0, *(end_s for _, end_s in spans[:-1])]
    starts = [*(start_s for start_s, _ in spans[1:]), clean.duration_s]
    attempts = tuple(
        listen(recording, clean, track, level, span, around, hum)
        for span, around in zip(spans, zip(ends, starts, strict=True), strict=True)
    )
    if not any(attempt.stand or attempt.rattle for attempt in attempts):
        raise ModelError(_no_tone(recording, heard, clean, hum))
    rows = [
        _row(number, attempt, track, level, settings)
        for number, attempt in enumerate(attempts, start=1)
    ]
    cautions = [*recording.cautions, *said]
    if hum:
        cautions.append(
            f"Hum of the mains at {hum.mains_hz:.0f} Hz ({number_text(hum.level_db, 2)} dB) was "
            "taken out before the pitch was looked for; move the recorder away from lamps and "
            "chargers."
        )
    for row, attempt in zip(rows, attempts, strict=True):
        cautions += attempt_cautions(row, attempt, len(rows) > 1)
    return Crow(
        question="What does the crow say?",
        table=pd.DataFrame(rows),
        cautions=tuple(dict.fromkeys(cautions)),
        rows_used=len(rows),
        a4_hz=a4_hz,
        target=(settings.crow_target[0], settings.crow_target[1]),
        band_hz=settings.crow_band_hz,
        time_s=level[0],
        pitch_hz=np.interp(level[0], track.time_s, track.hz, left=np.nan, right=np.nan),
        level_db=level[1],
        attempts=attempts,
    )


def _spans(clean: Recording) -> tuple[list[tuple[float, float]], tuple[str, ...]]:
    """Return the attempts; the whole recording where none stands out, for its pitch decides."""
    try:
        found = find_attempts(clean)
    except RecordError:
        return [(0.0, clean.duration_s)], ()
    return list(found), found.cautions


def _row(
    number: int,
    attempt: Attempt,
    track: PitchTrack,
    level: Level,
    settings: Settings,
) -> dict[str, Any]:
    stand, rattle, judged = attempt.stand, attempt.rattle, attempt.trust
    row: dict[str, Any] = {
        "attempt": number,
        "start_s": attempt.span[0],
        "settle_s": np.nan,
        "hold_s": np.nan,
        "crow_hz": np.nan,
        "crow_note": "",
        "note_cents": np.nan,
        "crow_cents": np.nan,
        "spread_cents": np.nan,
        "settle_db": np.nan,
        "snr_db": attempt.quality.snr_db,
        "single_pitch": False,
        "rattle_s": rattle.start_s if rattle else np.nan,
        "rattle_hz": ", ".join(f"{hz:.0f}" for hz in rattle.pitches_hz) if rattle else "",
        "confidence": 0.0,
    }
    if stand is None or judged is None:
        return row
    hz = attempt.hz
    note, off = nearest_note(hz, settings.a4_hz)
    at = stand.settle_s + AFTER_S
    strength = np.interp(at, track.time_s, track.strength)
    return row | {
        "settle_s": stand.settle_s,
        "hold_s": stand.hold_s,
        "crow_hz": hz,
        "crow_note": note,
        "note_cents": off,
        "crow_cents": cents_from_band(hz, *settings.crow_band_hz),
        "spread_cents": stand.spread_cents,
        "settle_db": float(np.interp(at, *level) + 10 * np.log10(max(strength, 0.01))),
        "single_pitch": judged.single_pitch,
        "confidence": judged.confidence,
    }


def _no_tone(recording: Recording, heard: Recording, clean: Recording, hum: Hum | None) -> str:
    name = recording.path.name
    if hum and np.var(clean.samples) < (1 - HUM_SHARE) * np.var(heard.samples):
        return (
            f"{name} holds no tone but the hum of the mains at {hum.mains_hz:.0f} Hz; move the "
            "recorder away from lamps and chargers and crow nearer to it."
        )
    return (
        f"{name} holds no tone that stands for {SHORTEST_S:g} s; crow nearer to the microphone "
        "and hold the pitch."
    )
