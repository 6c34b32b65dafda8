"""How soft and how loud does it go, and does pitch or tone bend on the way?

A hairpin is one long tone from soft to loud and back; a recording may hold several attempts.
Levels in dB re a full-scale sine, or of sound pressure with a calibration; times in ms.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.answer import Answer
from reedlab.errors import RecordError
from reedlab.measure.attempts import find_attempts
from reedlab.measure.breath import breath_begins_s
from reedlab.measure.calibration import Calibration, offset
from reedlab.measure.edges import find_edges
from reedlab.measure.hairpin_text import said
from reedlab.measure.quality import MOST_CLIPPED, Quality, quality, small_share
from reedlab.measure.recording import Recording, read_recording
from reedlab.measure.swell import MARGIN_DB, Swell, measure_swell
from reedlab.measure.tones import Tone, find_tone
from reedlab.schema.pitch import nearest_note

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: A hairpin that spans less is a long tone.
LEAST_RANGE_DB = 3.0
#: A tone that stands for less is none, seconds.
LEAST_S = 1.0

#: Of the loud part of a hairpin at least so much has one pitch, 0 to 1, and nine tenths of it lie
#: within so many cents: it may bend, but not move to another note.
LEAST_PITCHED, MOST_WANDER_CENTS = 0.75, 90.0
#: A tone that sounds as long as this apart from the one measured is another attempt, seconds.
ANOTHER_S = 0.5
#: A rise or fall that departs from an even one by more goes up and down on the way, dB RMS.
MOST_UNEVEN_DB = 2.5
#: A tone that begins so near to the beginning of the file has lost its own, seconds.
CUT_S = 0.05

LEVELS = ("soft_db", "loud_db", "soft_dba", "loud_dba")
COLUMNS = (
    "attempt",
    "note",
    "hz",
    "soft_db",
    "loud_db",
    "dynamic_range_db",
    "soft_dba",
    "loud_dba",
    "dynamic_range_dba",
    "delay_ms",
    "attack_ms",
    "swell_evenness_db",
    "fade_evenness_db",
    "symmetry",
    "drift_cents_per_10_db",
    "drift_conf_low",
    "drift_conf_high",
    "centroid_hz_per_10_db",
    "odd_even_db",
    "soft_above_noise_db",
    "noise_limited",
    "gain_suspected",
)


@dataclass(frozen=True)
class Trace:
    """What the pictures show of one attempt."""

    attempt: int
    note: str
    tone: Tone
    swell: Swell


@dataclass(frozen=True)
class Hairpin(Answer):
    """Softness, loudness, and what bends between them; made by :func:`hairpin`.

    Attributes
    ----------
    table : DataFrame
        One row an attempt:

        ``attempt`` (its number in the recording), ``note`` (the nearest, at A4 = 440 Hz), ``hz``;
        ``soft_db, loud_db, dynamic_range_db`` (softest level that holds for a quarter of a
        second, loudest moment, and their difference); ``soft_dba, loud_dba,
        dynamic_range_dba`` (the same A-weighted);
        ``delay_ms`` (from the first breath to the beginning of the tone; not a number where no
        breath is heard above the room), ``attack_ms`` (from there until it stands);
        ``swell_evenness_db, fade_evenness_db`` (RMS departure of the running level from the
        nearest one that only rises, or only falls; 0 is perfect), ``symmetry`` (time of the rise
        over time of the fall);
        ``drift_cents_per_10_db`` (by how much the pitch rises when the tone gets 10 dB louder)
        with its 95 % interval ``drift_conf_low, drift_conf_high``; ``centroid_hz_per_10_db`` (the
        same of the mean frequency of the partials, weighted by power: brightness);
        ``odd_even_db`` (power of the odd partials over that of the even ones);
        ``soft_above_noise_db``, ``noise_limited`` (the softest lies less than 6 dB above the
        noise: it is given with the noise, so it may be softer and the range larger, and when the
        tone begins is not known), ``gain_suspected`` (the recorder seems to have changed its
        gain, so the range is not to be believed).
    """

    name: str = ""
    calibrated: bool = False
    traces: tuple[Trace, ...] = ()

    def _say(self) -> str:
        return said(self.table, calibrated=self.calibrated)

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw level and pitch over time, softest and loudest marked."""
        from reedlab.measure.hairpin_picture import over_time

        return over_time(self.traces, self.table, calibrated=self.calibrated, ax=ax)

    def plot_pitch(self, ax: "Axes | None" = None) -> "Axes":
        """Draw pitch against level, with the lines that tell the drift."""
        from reedlab.measure.hairpin_picture import pitch_by_level

        return pitch_by_level(self.traces, self.table, calibrated=self.calibrated, ax=ax)


def hairpin(path: str | Path | Recording, calibration: Calibration | None = None) -> Hairpin:
    """Measure hairpins: how soft, how loud, how even, and what pitch and tone do meanwhile.

    Parameters
    ----------
    path : str, Path or Recording
        A recording of one or more attempts, with a second of quiet before and after each.
    calibration : float or (path, float), optional
        How many dB to add to make levels those of sound pressure; or the recording of a sound
        calibrator with its level, e.g. ``("calibrator.wav", 94)``. Recorder, setting and
        distance must be those of the hairpin.

    Returns
    -------
    Hairpin

    Raises
    ------
    RecordError
        If the recording cannot be read, or no attempt is a hairpin: no tone, shorter than 1 s,
        a range below 3 dB, or clipped.
    CallError
        For a calibration that is none.

    Notes
    -----
    The running level has a Hann window of 0.05 s. The tone stands from where an even rise of
    its amplitude, fitted to its beginning, ends, to where an even fall at its end begins. The
    softest level is the lowest mean over 0.25 s; at either end of the tone the straight line
    through that time, where it begins to stand or stops to. The power of the noise is taken
    off all levels, except off a softest one that is limited by it.

    Pitch and brightness are compared with the level in blocks of 0.3 s, by least squares;
    the interval allows for neighbouring blocks that are alike. What changes with time alone,
    the player's warming up for one, is mixed into it unless rise and fall are alike.

    The trap: a recorder that turns itself up and down flattens every hairpin. Levels of two
    recordings compare only with the same recorder, setting, place and room.

    References
    ----------
    IEC 61672-1:2013 (weightings A and Z). ISO 16:1975 (A4 = 440 Hz).

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from reedlab.demo.sound import hairpin_sound
    >>> with TemporaryDirectory() as folder:
    ...     found = hairpin(hairpin_sound(cents_per_10_db=-6).write(Path(folder) / "c3.wav"))
    >>> found.table[["note", "dynamic_range_db", "drift_cents_per_10_db"]].round(1).values.tolist()
    [['C3', 19.9, -6.0]]
    """
    recording = path if isinstance(path, Recording) else read_recording(path)
    scale = None if calibration is None else offset(calibration)
    attempts = find_attempts(recording)
    rows, traces, faults, cautions = [], [], [], []
    for number, (start_s, end_s) in enumerate(attempts, start=1):
        judged = quality(recording, start_s, end_s)
        found = _attempt(recording, start_s, end_s, judged)
        if isinstance(found, str):
            faults.append((number, found))
            continue
        tone, swell, _ = found
        row = _row(number, found, judged, 0.0 if scale is None else scale.add_db)
        rows.append(row)
        traces.append(Trace(number, row["note"], tone, swell))
        cautions += [(number, text) for text in (*judged.cautions, *_another(tone))]
    if not rows:
        told = " ".join(text for _, text in faults)
        raise RecordError(f"{recording.path.name} holds no hairpin. {told}")
    table = pd.DataFrame(rows, columns=[*COLUMNS])
    cautions += list(_level_cautions(rows))
    several = len(attempts) > 1
    return Hairpin(
        question="How soft and how loud does it go, and does pitch or tone bend on the way?",
        table=table,
        cautions=(
            *recording.cautions,
            *attempts.cautions,
            *(f"Attempt {number}: {text}" if several else text for number, text in cautions),
            *(f"Attempt {number} is left out: {text}" for number, text in faults),
            *(_uncalibrated() if scale is None else scale.cautions),
        ),
        rows_used=len(rows),
        left_out=pd.DataFrame(
            [(recording.path.name, number, text) for number, text in faults],
            columns=["file", "attempt", "fault"],
        ),
        name=recording.path.name,
        calibrated=scale is not None,
        traces=tuple(traces),
    )


def _attempt(
    recording: Recording, start_s: float, end_s: float, judged: Quality
) -> tuple[Tone, Swell, dict[str, float]] | str:
    """Return one attempt measured, with the times of its beginning, or why it is no hairpin."""
    if judged.clipped_share > MOST_CLIPPED:
        return (
            f"{small_share(judged.clipped_share)} of its samples are clipped, so its loudest is "
            "cut off; turn the recorder down or stand further away."
        )
    tone = find_tone(recording, start_s, end_s)
    if tone is None:
        return f"From {start_s:.1f} to {end_s:.1f} s there is sound, but no tone in it."
    if tone.pitched_share < LEAST_PITCHED or tone.wander_cents > MOST_WANDER_CENTS:
        return (
            f"From {start_s:.1f} to {end_s:.1f} s the pitch moves from note to note; a hairpin is "
            "one long tone."
        )
    if tone.last_s - tone.first_s < LEAST_S:
        return _too_short(tone.last_s - tone.first_s)
    begins, ends = find_edges(recording, tone.hz, tone.first_s, tone.last_s, tone.noise_db["A"])
    if ends.stands_s - begins.stands_s < LEAST_S:
        return _too_short(ends.stands_s - begins.stands_s)
    swell = measure_swell(tone, begins, ends)
    spanned = swell.numbers["dynamic_range_db"]
    if spanned < LEAST_RANGE_DB:
        return (
            f"The tone stays within {max(spanned, 0):.1f} dB; a hairpin goes from as soft to as "
            "loud as it will, and back."
        )
    times = {
        "delay_ms": 1000 * (begins.silent_s - breath_begins_s(tone, begins.silent_s)),
        "attack_ms": begins.length_ms if begins.silent_s > CUT_S else np.nan,
    }
    return tone, swell, times


def _another(tone: Tone) -> Iterator[str]:
    if tone.elsewhere_s > ANOTHER_S:
        yield (
            f"Only the tone from {tone.first_s:.1f} to {tone.last_s:.1f} s is measured, and "
            "another is near it; leave a second of quiet between attempts."
        )


def _too_short(length_s: float) -> str:
    return (
        f"The tone stands for {length_s:.1f} s; take two seconds or more to get loud, and as long "
        "to get soft."
    )


def _row(
    number: int, found: tuple[Tone, Swell, dict[str, float]], judged: Quality, add_db: float
) -> dict[str, Any]:
    tone, swell, times = found
    numbers = swell.numbers
    limited = min(numbers["soft_above_noise_db"], numbers["soft_above_noise_dba"]) < MARGIN_DB
    return {
        "attempt": number,
        "note": nearest_note(tone.hz)[0],
        "hz": tone.hz,
        **numbers,
        **{name: numbers[name] + add_db for name in LEVELS},
        **(dict.fromkeys(times, np.nan) if limited else times),
        "noise_limited": limited,
        "gain_suspected": judged.gain_suspected,
    }


def _level_cautions(rows: list[dict[str, Any]]) -> Iterator[tuple[int, str]]:
    for row in rows:
        number = row["attempt"]
        if row["gain_suspected"]:
            yield number, "The range from soft to loud is not to be believed, for the gain changed."
        if row["noise_limited"]:
            yield (
                number,
                f"The softest tone lies only {row['soft_above_noise_db']:.0f} dB above the noise: "
                "it may be softer, and the range larger; record nearer or in a quieter room.",
            )
        uneven_db = np.nanmax([row["swell_evenness_db"], row["fade_evenness_db"], 0.0])
        if uneven_db > MOST_UNEVEN_DB:
            yield (
                number,
                f"The level goes up and down on the way, by {uneven_db:.0f} dB from an even rise "
                "or fall: softest and loudest are those of moments, not of a hairpin.",
            )
        if np.isnan(row["symmetry"]):
            yield number, "The tone only rises or only falls; a hairpin does both."


def _uncalibrated() -> Iterator[str]:
    yield (
        "Levels are relative to the recorder's full scale: ranges may be compared, loudness may "
        "not. With a calibration they are sound pressure levels."
    )
