"""The invented voice of a bassoon reed: what sounds at a pitch and a level.

Levels are RMS levels in dB re a full-scale sine (a sine of amplitude 1 is 0 dB); pitches
are in Hz, times in s, samples float64 with full scale 1. The spectrum is one formant at
470 Hz with slopes in dB per octave: the strongest partial lies between 290 and 700 Hz and
the fundamental of a low note far below it, as in the SHARC archive of bassoon notes
(Sandell 1991, from memory). Nothing here was recorded.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from reedlab.demo.sound_room import amplitude
from reedlab.errors import CallError

#: Slope above the formant, in dB per octave, that gives the centroids of the SHARC notes.
TILT_DB = 15.0

FORMANT_HZ = 470.0

# Shape of the formant: how deep its foot lies, its widths below and above in octaves, and
# the slope below it in dB per octave.
_FOOT_DB, _BELOW_OCTAVES, _ABOVE_OCTAVES, _RISE_DB = 8.0, 0.35, 0.45, 3.5

_HIGHEST_HZ = 6000.0
_CONTROL = 32  # samples between two settings of the partials' strengths
_TILTS_DB = np.linspace(2.0, 40.0, 153)

Spectrum = Callable[[np.ndarray, np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Playing:
    """How steadily a tone is played; as it stands, as steadily as a machine.

    Attributes
    ----------
    vibrato_hz : float
        Rate of the vibrato.
    vibrato_cents : float
        From its middle to its top; 0 is no vibrato.
    drift_cents : float
        By how much the pitch has risen from the first to the last moment, evenly.
    wobble_cents, wobble_db : float
        Standard deviation of slow random unsteadiness of pitch and level.
    breath_db : float
        Level of the breath noise under the tone.
    """

    vibrato_hz: float = 5.0
    vibrato_cents: float = 0.0
    drift_cents: float = 0.0
    wobble_cents: float = 0.0
    wobble_db: float = 0.0
    breath_db: float = -62.0


def bassoon_spectrum(hz: np.ndarray, tilt_db: np.ndarray) -> np.ndarray:
    """Return the strength in dB of partials at these frequencies, 0 at the formant.

    Parameters
    ----------
    hz : array
    tilt_db : array
        Slope above the formant, in dB per octave; a brighter tone falls less.

    Returns
    -------
    array

    References
    ----------
    SHARC timbre archive (Sandell 1991, from memory): spectra of notes of the McGill
    University Master Samples. Widths and slopes were fitted by eye to their centroids.

    Examples
    --------
    >>> bassoon_spectrum(np.array([117.5, 235.0, 940.0]), np.array([15.0])).round(1).tolist()
    [-15.0, -11.5, -22.9]
    """
    octaves = np.log2(hz / FORMANT_HZ)
    width = np.where(octaves < 0, _BELOW_OCTAVES, _ABOVE_OCTAVES)
    slope = np.where(octaves < 0, _RISE_DB, -tilt_db)
    return np.asarray(slope * octaves - _FOOT_DB * (1 - np.exp(-((octaves / width) ** 2))))


def crow_spectrum(hz: np.ndarray, tilt_db: np.ndarray) -> np.ndarray:
    """Return the strength in dB of partials of a reed by itself: no formant, an even slope.

    Examples
    --------
    >>> crow_spectrum(np.array([340.0, 680.0, 1360.0]), np.array([8.0]))[1:].tolist()
    [-8.0, -16.0]
    """
    return np.asarray(-tilt_db * np.log2(hz / hz.min()))


def partials(hz: float, tilt_db: float = TILT_DB) -> np.ndarray:
    """Return the partials of one steady note.

    Parameters
    ----------
    hz : float
        Of the fundamental.
    tilt_db : float
        Slope above the formant, in dB per octave.

    Returns
    -------
    array of shape (n, 2)
        Frequency in Hz and amplitude, such that the note has the RMS level 0 dB.

    Examples
    --------
    >>> note = partials(130.81)
    >>> round(float(note[note[:, 1].argmax(), 0]), 2)
    523.24
    """
    each = hz * np.arange(1, max(int(_HIGHEST_HZ / hz), 1) + 1)
    amplitude = 10 ** (bassoon_spectrum(each, np.array([tilt_db])) / 20) * _fading_out(each)
    return np.column_stack([each, amplitude / np.sqrt(np.sum(amplitude**2))])


def centroid_hz(note: np.ndarray, power: float = 2.0) -> float:
    """Return the spectral centroid of partials, weighted by amplitude to a power.

    Parameters
    ----------
    note : array of shape (n, 2)
        Frequency in Hz and amplitude.
    power : float
        1 weighs by amplitude, 2 by power.

    Returns
    -------
    float
        In Hz.

    Examples
    --------
    >>> centroid_hz(np.array([[100.0, 1.0], [200.0, 2.0]]))
    180.0
    """
    weight = note[:, 1] ** power
    return float(np.sum(weight * note[:, 0]) / np.sum(weight))


def tilt_for_centroid(hz: float, wanted_hz: np.ndarray) -> np.ndarray:
    """Return the slopes that give a note these centroids (weighted by power).

    Raises
    ------
    CallError
        If no slope can.

    Examples
    --------
    >>> tilt = tilt_for_centroid(130.81, np.array([500.0]))
    >>> round(centroid_hz(partials(130.81, float(tilt[0]))))
    500
    """
    reached = np.array([centroid_hz(partials(hz, tilt)) for tilt in _TILTS_DB])
    low, high = reached.min(), reached.max()
    if wanted_hz.min() < low or wanted_hz.max() > high:
        raise CallError(
            f"A note of {hz:.1f} Hz cannot have centroids from {wanted_hz.min():.0f} to "
            f"{wanted_hz.max():.0f} Hz; they can lie between {low:.0f} and {high:.0f} Hz."
        )
    return np.interp(-wanted_hz, -reached, _TILTS_DB)


def voice(
    rng: np.random.Generator,
    rate_hz: int,
    hz: np.ndarray,
    level_db: np.ndarray,
    tilt_db: np.ndarray | float = TILT_DB,
    spectrum: Spectrum = bassoon_spectrum,
) -> np.ndarray:
    """Sound a tone whose pitch, level and slope are given at every sample.

    Parameters
    ----------
    rng : numpy.random.Generator
        Draws the phases of the partials.
    rate_hz : int
    hz : array of shape (n,)
        Pitch, finite everywhere, also where nothing sounds.
    level_db : array of shape (n,)
        Minus infinity is silence.
    tilt_db : float or array of shape (n,)
        Slope above the formant, in dB per octave.
    spectrum : callable
        Strength in dB of partials by frequency and slope.

    Returns
    -------
    array of shape (n,)

    Notes
    -----
    The partials' amplitudes are scaled at every moment so that half the sum of their
    squares is the power asked for: the level is exact whatever the spectrum.
    """
    marks = np.append(np.arange(0, len(hz) - 1, _CONTROL), len(hz) - 1)
    strength = _strengths(hz[marks], np.broadcast_to(tilt_db, hz.shape)[marks], spectrum, rate_hz)
    turn = np.exp(2j * np.pi * np.cumsum(hz) / rate_hz)
    phases = np.exp(2j * np.pi * rng.random(len(strength)))
    at = np.arange(len(hz))
    spun, tone = np.ones_like(turn), np.zeros(len(hz))
    for gains, phase in zip(strength, phases, strict=True):
        spun *= turn
        tone += np.interp(at, marks, gains) * (phase * spun).imag
    return tone * amplitude(level_db)


def _strengths(hz: np.ndarray, tilt_db: np.ndarray, spectrum: Spectrum, rate_hz: int) -> np.ndarray:
    """Return amplitudes of partial k (rows) at each control point, level 0 dB."""
    count = max(int(min(_HIGHEST_HZ, 0.45 * rate_hz) / hz.min()), 1)
    each = hz * np.arange(1, count + 1)[:, None]
    gains = 10 ** (spectrum(each, tilt_db) / 20) * _fading_out(each, rate_hz)
    return np.asarray(gains / np.sqrt(np.sum(gains**2, axis=0)))


def _fading_out(hz: np.ndarray, rate_hz: float = np.inf) -> np.ndarray:
    """Return 1, falling to 0 over the highest sixth of what is sounded."""
    top = min(_HIGHEST_HZ, 0.45 * rate_hz)
    return np.clip((top - hz) / (top / 6), 0.0, 1.0)
