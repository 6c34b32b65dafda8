"""The running pitch of a recording, by Praat's autocorrelation; the only file that knows it.

The strongest partial of a bassoon lies two to ten times above its pitch, so the period is
looked for, not the largest peak. A tone above the ceiling is heard an octave or more too
low without a word from the method, so that is looked for here. Hz and seconds.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reedlab.errors import CallError
from reedlab.measure.recording import Recording

FLOOR_HZ = 50.0
#: Above the highest note that the instrument is asked for, F5, by an octave.
CEILING_HZ = 1400.0
STEP_S = 0.005
#: Quieter than this share of the loudest sample is called silence: a hairpin of 40 dB is heard
#: to its end.
SILENT_SHARE = 0.003
#: A period repeats itself at least so well, 0 to 1, where there is a tone.
LEAST_STRENGTH = 0.45
#: The analysis runs at about this many times the ceiling, at no less than LEAST_RATE_HZ:
#: partials up to there carry the period.
OVERSAMPLED = 7.0
LEAST_RATE_HZ = 8000.0
#: How near to a limit a pitch is suspect.
NEAR = 0.02


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


def pitch_track(
    recording: Recording,
    floor_hz: float = FLOOR_HZ,
    ceiling_hz: float = CEILING_HZ,
    step_s: float = STEP_S,
) -> PitchTrack:
    """Return the running pitch of a recording.

    Parameters
    ----------
    recording : Recording
    floor_hz, ceiling_hz : float
        Lowest and highest pitch that can be expected, in Hz.
    step_s : float
        From one value to the next, in seconds.

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
    quickly. Windows that would stick out at the ends are left out.

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
    time_s, hz, strength = _track(recording, floor_hz, ceiling_hz, step_s)
    cautions = _limit_cautions(recording, hz, floor_hz, ceiling_hz)
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


def _track(
    recording: Recording, floor_hz: float, ceiling_hz: float, step_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    import parselmouth

    samples, rate, start_s = _thinned(recording, ceiling_hz)
    sound = parselmouth.Sound(samples, sampling_frequency=rate, start_time=start_s)
    pitch = sound.to_pitch_ac(
        time_step=step_s,
        pitch_floor=floor_hz,
        pitch_ceiling=ceiling_hz,
        silence_threshold=SILENT_SHARE,
        voicing_threshold=LEAST_STRENGTH,
    )
    found = pitch.selected_array
    hz, strength = found["frequency"].copy(), found["strength"].copy()
    toneless = hz == 0
    hz[toneless], strength[toneless] = np.nan, 0.0
    return pitch.xs(), hz, np.clip(strength, 0, 1)


def _thinned(recording: Recording, ceiling_hz: float) -> tuple[NDArray[np.float64], float, float]:
    """Return samples, rate and start at a lower rate where the recording's is needlessly high."""
    samples, rate = recording.samples - recording.samples.mean(), recording.rate_hz
    factor = int(rate // max(OVERSAMPLED * ceiling_hz, LEAST_RATE_HZ))
    if factor < 2:
        return samples, rate, 0.0
    from scipy.signal import firwin, upfirdn

    half = 10 * factor
    kernel = firwin(2 * half + 1, 0.9 / factor)
    # With as many zeros in front as the filter is late, sample k keeps its time k * factor / rate.
    thinned = upfirdn(kernel, samples, down=factor)[half // factor :]
    thinned = thinned[: -(-len(samples) // factor)]
    # Praat puts a sample in the middle of its interval.
    return thinned, rate / factor, (1 - factor) / (2 * rate)


def _limit_cautions(
    recording: Recording, hz: NDArray[np.float64], floor_hz: float, ceiling_hz: float
) -> tuple[str, ...]:
    voiced = hz[np.isfinite(hz)]
    if not len(voiced):
        return ()
    cautions = []
    for name, limit, near in (
        ("floor", floor_hz, voiced < floor_hz * (1 + NEAR)),
        ("ceiling", ceiling_hz, voiced > ceiling_hz * (1 - NEAR)),
    ):
        if near.mean() > 0.05:
            cautions.append(
                f"The pitch sits at the {name} of {limit:g} Hz for {near.mean():.0%} of the tone; "
                f"{'lower' if name == 'floor' else 'raise'} the {name}."
            )
    return tuple(cautions)
