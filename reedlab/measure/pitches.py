"""The running pitch of a recording, by Praat's autocorrelation; the only file that knows it.

The strongest partial of a bassoon lies two to ten times above its pitch, so the period is
looked for, not the largest peak. A tone above the ceiling is heard an octave or more too
low without a word from the method, so that is looked for here. Hz and seconds.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reedlab.answer import percent_text
from reedlab.errors import CallError
from reedlab.measure.recording import Recording, heard_once
from reedlab.measure.thinned import thinned

if TYPE_CHECKING:
    from parselmouth import Sound

FLOOR_HZ = 50.0
#: Above the highest note that the instrument is asked for, F5, by an octave.
CEILING_HZ = 1400.0
STEP_S = 0.005
#: Step for what only asks which pitch is held: half the work; and for what only asks whether there
#: is a tone.
HELD_STEP_S, ROUGH_STEP_S = 0.01, 0.02
#: Quieter than this share of the loudest sample is called silence: 60 dB down, so
#: that the soft end of a hairpin is heard beside a knock.
SILENT_SHARE = 0.001
#: A period repeats itself at least so well, 0 to 1, where there is a tone.
LEAST_STRENGTH = 0.45
#: What a leap of an octave costs the path of the pitch. The method's own 0.35 is for voices: the
#: notes of an arpeggio leap, and a path for which that is too dear stays on a lower multiple of
#: the period, an octave or more below a short note. A single held pitch does not leap, and in
#: noise 10 dB below the dear path keeps to it.
LEAP_COST, HELD_LEAP_COST = 0.05, 0.35
#: The analysis runs at about this many times the ceiling, at no less than LEAST_RATE_HZ:
#: partials up to there carry the period.
OVERSAMPLED = 6.75
LEAST_RATE_HZ = 8000.0
#: A pitch this near to a limit is suspect, and one in this share of the tone is told.
NEAR, TOLD_SHARE = 0.02, 0.05
#: The second look for a tone above the ceiling goes up to so many times the ceiling, in steps so
#: many times as long.
HIGHER, COARSER = 4.0, 10


@dataclass(frozen=True)
class PitchTrack:
    """The running pitch; made by :func:`pitch_track`.

    Attributes
    ----------
    time_s : ndarray
        Middle of each window, seconds from the beginning of the recording.
    hz : ndarray
        Pitch, not a number where there is no tone.
    strength : ndarray
        How well the period repeats itself, 0 (noise) to 1; 0 where there is no tone.
    floor_hz, ceiling_hz : float
        The limits between which the pitch was looked for.
    cautions : tuple of str
        Whether it sits at a limit, or seems to lie above.
    """

    time_s: NDArray[np.float64]
    hz: NDArray[np.float64]
    strength: NDArray[np.float64]
    floor_hz: float
    ceiling_hz: float
    cautions: tuple[str, ...] = ()

    @property
    def voiced_share(self) -> float:
        """Share of the windows in which there is a tone, 0 to 1."""
        return float(np.isfinite(self.hz).mean()) if len(self.hz) else 0.0


@heard_once
def pitch_track(
    recording: Recording,
    floor_hz: float = FLOOR_HZ,
    ceiling_hz: float = CEILING_HZ,
    step_s: float = STEP_S,
    leap_cost: float = LEAP_COST,
) -> PitchTrack:
    """Return the running pitch of a recording.

    Parameters
    ----------
    recording : Recording
    floor_hz, ceiling_hz : float
        Lowest and highest pitch that can be expected, in Hz.
    step_s : float
        From one value to the next, in seconds.
    leap_cost : float
        What a leap of an octave costs; HELD_LEAP_COST where one pitch is held.

    Returns
    -------
    PitchTrack

    Raises
    ------
    CallError
        If the limits do not fit each other, the rate or the length of the recording.

    Notes
    -----
    Each window holds three periods of the floor, so a higher floor follows changes more
    quickly. Windows that would stick out at the ends are left out. A tone above the
    ceiling is looked for where the pitch found lies above half the ceiling.

    References
    ----------
    Boersma (1993), Accurate short-term analysis of the fundamental frequency and the
    harmonics-to-noise ratio of a sampled sound, Proc. Inst. Phonetic Sci. 17, 97-110.

    Examples
    --------
    >>> from pathlib import Path
    >>> tone = np.sin(2 * np.pi * 349.23 * np.arange(44100) / 44100)
    >>> track = pitch_track(Recording(Path("f.wav"), tone, 44100))
    >>> round(float(np.nanmedian(track.hz)), 2), track.voiced_share
    (349.23, 1.0)
    """
    _check_limits(recording, floor_hz, ceiling_hz, step_s)
    sound = _sound(recording, ceiling_hz)
    time_s, hz, strength = _track(sound, floor_hz, ceiling_hz, step_s, leap_cost)
    cautions = (
        *_limit_cautions(hz, floor_hz, ceiling_hz),
        *_above_ceiling(sound, time_s, hz, floor_hz, ceiling_hz, step_s),
    )
    return PitchTrack(time_s, hz, strength, floor_hz, ceiling_hz, cautions)


def _check_limits(recording: Recording, floor_hz: float, ceiling_hz: float, step_s: float) -> None:
    faults = []
    if not 0 < floor_hz < ceiling_hz:
        faults.append(
            f"floor_hz is {floor_hz:g} and ceiling_hz {ceiling_hz:g}; write the lower one first, "
            "both above 0 Hz."
        )
    elif 3 / floor_hz >= recording.duration_s:
        faults.append(
            f"The recording is {recording.duration_s:.2f} s long, and a floor of {floor_hz:g} Hz "
            f"needs more than {3 / floor_hz:.2f} s; raise floor_hz."
        )
    if ceiling_hz > recording.rate_hz / 2:
        faults.append(
            f"ceiling_hz is {ceiling_hz:g}, but nothing above {recording.rate_hz / 2:g} Hz is in a "
            f"recording of {recording.rate_hz:g} samples a second."
        )
    if not step_s > 0:
        faults.append(f"step_s is {step_s}; it must be a time above 0 s.")
    if faults:
        raise CallError("\n".join(faults))


def _sound(recording: Recording, ceiling_hz: float) -> "Sound":
    """Return the recording as Praat's sound, at a lower rate where its own is needlessly high."""
    import parselmouth

    light = thinned(recording, max(OVERSAMPLED * ceiling_hz, LEAST_RATE_HZ))
    # Praat puts a sample in the middle of its interval, this project at its beginning.
    return parselmouth.Sound(
        light.samples - light.samples.mean(),
        sampling_frequency=light.rate_hz,
        start_time=-0.5 / light.rate_hz,
    )


def _track(
    sound: "Sound", floor_hz: float, ceiling_hz: float, step_s: float, leap_cost: float = LEAP_COST
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    pitch = sound.to_pitch_ac(
        time_step=step_s,
        pitch_floor=floor_hz,
        pitch_ceiling=ceiling_hz,
        silence_threshold=SILENT_SHARE,
        voicing_threshold=LEAST_STRENGTH,
        octave_jump_cost=leap_cost,
    )
    found = pitch.selected_array
    hz, strength = found["frequency"].copy(), found["strength"].copy()
    toneless = hz == 0
    hz[toneless], strength[toneless] = np.nan, 0.0
    return pitch.xs(), hz, np.clip(strength, 0, 1)


def _limit_cautions(hz: NDArray[np.float64], floor_hz: float, ceiling_hz: float) -> Iterator[str]:
    tone = hz[np.isfinite(hz)]
    for name, remedy, limit_hz, near in (
        ("floor", "lower", floor_hz, tone < floor_hz * (1 + NEAR)),
        ("ceiling", "raise", ceiling_hz, tone > ceiling_hz * (1 - NEAR)),
    ):
        if len(tone) and near.mean() > TOLD_SHARE:
            yield (
                f"{percent_text(near.mean())} of the tone sits at the {name} of {limit_hz:g} Hz; "
                f"{remedy} {name}_hz."
            )


def _above_ceiling(
    sound: "Sound",
    time_s: NDArray[np.float64],
    hz: NDArray[np.float64],
    floor_hz: float,
    ceiling_hz: float,
    step_s: float,
) -> Iterator[str]:
    """Look again with a higher ceiling where a tone above it could have been heard too low.

    A tone above the ceiling is found at a half or a third of it, always above half the ceiling.
    """
    higher_hz = min(HIGHER * ceiling_hz, 0.45 * sound.sampling_frequency)
    tone = np.isfinite(hz)
    if not tone.any() or higher_hz < 1.1 * ceiling_hz:
        return
    if (hz[tone] > ceiling_hz / 2).mean() <= TOLD_SHARE:
        return
    again_s, again_hz, _ = _track(sound, floor_hz, higher_hz, COARSER * step_s)
    found_hz = hz[np.minimum(np.searchsorted(time_s, again_s), len(hz) - 1)]
    both = np.isfinite(found_hz) & np.isfinite(again_hz)
    above = both & (again_hz > 1.8 * found_hz)
    if both.any() and above.sum() / both.sum() > TOLD_SHARE:
        yield (
            f"{percent_text(above.sum() / both.sum())} of the tone seems to lie above the ceiling "
            f"of {ceiling_hz:g} Hz, near {np.median(again_hz[above]):.0f} Hz, and is heard too "
            "low; raise ceiling_hz."
        )
