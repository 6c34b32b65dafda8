"""Pitch, level and spectrum by the plainest means, to check invented sounds against.

Nothing here is shared with the sounds' own making or with reedlab.measure.
"""

import numpy as np
from scipy.signal import butter, hilbert, sosfiltfilt

from reedlab.demo.sound import Sound


def piece(sound: Sound, start_s: float, end_s: float) -> np.ndarray:
    """Return the samples between two moments."""
    return sound.samples[round(start_s * sound.rate_hz) : round(end_s * sound.rate_hz)]


def rms_db(samples: np.ndarray) -> float:
    """RMS in dB; a sine of amplitude 1 has 0 dB."""
    return float(20 * np.log10(np.sqrt(2) * np.sqrt(np.mean(samples**2))))


def peak(samples: np.ndarray, rate_hz: int, low_hz: float, high_hz: float) -> tuple[float, float]:
    """Frequency and level in dB of the strongest line in a band.

    Gaussian window and a parabola through the logarithms, which is exact for it (Gasior and
    Gonzalez 2004, from memory); the level is that of the sine that would give this peak.
    """
    shape = np.exp(-0.5 * (np.linspace(-1, 1, len(samples)) * 4) ** 2)
    count = 4 * len(samples)
    size = 20 * np.log10(np.abs(np.fft.rfft(samples * shape, count)) * 2 / shape.sum() + 1e-12)
    hz = np.fft.rfftfreq(count, 1 / rate_hz)
    inside = np.flatnonzero((hz >= low_hz) & (hz <= high_hz))
    top = inside[np.argmax(size[inside])]
    left, mid, right = size[top - 1 : top + 2]
    shift = 0.5 * (left - right) / (left - 2 * mid + right)
    return float((top + shift) * rate_hz / count), float(mid - 0.25 * (left - right) * shift)


def lines(samples: np.ndarray, rate_hz: int, hz: float, top_hz: float = 5500) -> np.ndarray:
    """Frequency in Hz and level in dB of each partial of a note, shape (n, 2)."""
    count = int(top_hz / hz)
    return np.array(
        [peak(samples, rate_hz, (k - 0.4) * hz, (k + 0.4) * hz) for k in range(1, count + 1)]
    )


def centroid(partials: np.ndarray, power: float) -> float:
    """Centroid of lines (Hz, dB), weighted by amplitude to a power."""
    weight = 10 ** (power * partials[:, 1] / 20)
    return float(np.sum(weight * partials[:, 0]) / np.sum(weight))


def cents(hz: float | np.ndarray, reference_hz: float) -> np.ndarray:
    return 1200 * np.log2(np.asarray(hz) / reference_hz)


def momentary_hz(sound: Sound, low_hz: float, high_hz: float) -> np.ndarray:
    """Frequency of the one line within a band, at every sample: turning of its phase."""
    band = butter(3, [low_hz, high_hz], "bandpass", fs=sound.rate_hz, output="sos")
    phase = np.unwrap(np.angle(hilbert(sosfiltfilt(band, sound.samples))))
    return np.gradient(phase) * sound.rate_hz / (2 * np.pi)


def crossings_hz(sound: Sound, start_s: float, end_s: float, below_hz: float) -> float:
    """Frequency of what lies below a limit, by counting its upward zero crossings."""
    low = butter(4, below_hz, fs=sound.rate_hz, output="sos")
    part = piece(sound, start_s, end_s)
    wave = sosfiltfilt(low, part)
    up = np.flatnonzero((wave[:-1] < 0) & (wave[1:] >= 0))
    at = up - wave[up] / (wave[up + 1] - wave[up])
    return float((len(at) - 1) * sound.rate_hz / (at[-1] - at[0]))
