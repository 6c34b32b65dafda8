"""Worse copies of a sound, as phones, rooms and cables make them.

Each function takes samples (shape (n,), full scale 1) and their rate in Hz, writes one file
and returns its path. Nothing is written by this project's own code but PyAV and scipy.
"""

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from scipy.io import wavfile
from scipy.signal import lfilter, resample_poly


def wav(samples: np.ndarray, rate_hz: int, path: Path) -> Path:
    """Write 16 bits; shape (n,) or (n, channels)."""
    wavfile.write(path, rate_hz, np.round(np.clip(samples, -1, 1) * 32767).astype(np.int16))
    return path


def m4a(samples: np.ndarray, rate_hz: int, path: Path, bit_rate: int = 128_000) -> Path:
    """Write AAC in an MP4 container, as most phones do."""
    return _encoded(samples, rate_hz, path, "ipod", "aac", bit_rate)


def mp3(samples: np.ndarray, rate_hz: int, path: Path, bit_rate: int = 64_000) -> Path:
    """Write MP3."""
    return _encoded(samples, rate_hz, path, "mp3", "libmp3lame", bit_rate)


def ogg(samples: np.ndarray, rate_hz: int, path: Path, bit_rate: int = 64_000) -> Path:
    """Write Opus in an Ogg container, which is always at 48 kHz."""
    at_48 = _at_rate(samples, rate_hz, 48_000)
    return _encoded(at_48, 48_000, path, "ogg", "libopus", bit_rate, "flt")


def wav_8_khz(samples: np.ndarray, rate_hz: int, path: Path) -> Path:
    """Write a WAV at the rate of a telephone."""
    return wav(_at_rate(samples, rate_hz, 8000), 8000, path)


def one_dead_channel(samples: np.ndarray, rate_hz: int, path: Path, dead: int = 1) -> Path:
    """Write stereo at 48 kHz in which one channel (0 left, 1 right) is silent."""
    live = _at_rate(samples, rate_hz, 48_000)
    both = np.column_stack([live, live])
    both[:, dead] = 0
    return wav(both, 48_000, path)


def opposed_channels(samples: np.ndarray, rate_hz: int, path: Path) -> Path:
    """Write stereo whose channels cancel when they are added."""
    return wav(np.column_stack([samples, -samples]), rate_hz, path)


def noisy(
    samples: np.ndarray, rate_hz: int, path: Path, snr_db: float = 20.0, seed: int = 1
) -> Path:
    """Add pink noise (20 Hz and up) whose RMS lies this far below that of the whole sound."""
    hz = np.fft.rfftfreq(len(samples), 1 / rate_hz)
    shape = np.where(hz < 20, 0.0, 1 / np.sqrt(np.maximum(hz, 20)))
    drawn = np.fft.rfft(np.random.default_rng(seed).standard_normal(len(samples)))
    pink = np.fft.irfft(drawn * shape, len(samples))
    wanted = np.sqrt(np.mean(samples**2)) * 10 ** (-snr_db / 20)
    return wav(samples + pink * wanted / np.sqrt(np.mean(pink**2)), rate_hz, path)


def transposed(samples: np.ndarray, rate_hz: int, path: Path, cents: float = 50.0) -> Path:
    """Play the sound faster or slower, so that it sounds this many cents higher.

    The ratio is a fraction within 0.0001 cents of the one asked for.
    """
    faster = Fraction(2 ** (cents / 1200)).limit_denominator(3000)
    return wav(resample_poly(samples, faster.denominator, faster.numerator), rate_hz, path)


def humming(
    samples: np.ndarray, rate_hz: int, path: Path, hum_hz: float = 50.0, snr_db: float = 20.0
) -> Path:
    """Add a hum with its second and third partial, this far below the RMS of the whole sound."""
    angle = 2 * np.pi * hum_hz * np.arange(len(samples)) / rate_hz
    hum = np.sin(angle) + 0.5 * np.sin(2 * angle) + 0.3 * np.sin(3 * angle)
    wanted = np.sqrt(np.mean(samples**2)) * 10 ** (-snr_db / 20)
    return wav(samples + hum * wanted / np.sqrt(np.mean(hum**2)), rate_hz, path)


def clipped(samples: np.ndarray, rate_hz: int, path: Path, over_db: float = 6.0) -> Path:
    """Turn the sound up until its peak lies this far above full scale, where it is cut off."""
    return wav(samples / np.abs(samples).max() * 10 ** (over_db / 20), rate_hz, path)


def offset(samples: np.ndarray, rate_hz: int, path: Path, dc: float = 0.05) -> Path:
    """Add a constant, as a faulty input does."""
    return wav(samples + dc, rate_hz, path)


def automatic_gain(
    samples: np.ndarray, rate_hz: int, path: Path, level_db: float = -20.0, most_db: float = 30.0
) -> Path:
    """Turn soft passages up and loud ones down, within half a second, as phones do.

    The gain that would bring the recent level to `level_db` (a full-scale sine is 0 dB), but
    at most `most_db` up.
    """
    wanted = 10 ** (level_db / 20) / np.sqrt(2)
    gain = wanted / np.maximum(_recent(samples, rate_hz, 0.5), wanted * 10 ** (-most_db / 20))
    return wav(samples * gain, rate_hz, path)


def gated(samples: np.ndarray, rate_hz: int, path: Path, below_db: float = 30.0) -> Path:
    """Mute what lies this far below the loudest, as noise suppression does."""
    recent = _recent(samples, rate_hz, 0.02)
    return wav(samples * (recent > recent.max() * 10 ** (-below_db / 20)), rate_hz, path)


def _recent(samples: np.ndarray, rate_hz: int, memory_s: float) -> np.ndarray:
    """Return the RMS of the recent past, which is forgotten by a factor of e in this time."""
    keep = np.exp(-1 / (memory_s * rate_hz))
    power = lfilter([1 - keep], [1, -keep], samples**2)
    return np.sqrt(np.maximum(power, 1e-20))


def _at_rate(samples: np.ndarray, rate_hz: int, wanted_hz: int) -> np.ndarray:
    ratio = Fraction(wanted_hz, rate_hz)
    return resample_poly(samples, ratio.numerator, ratio.denominator)


def _encoded(
    samples: np.ndarray,
    rate_hz: int,
    path: Path,
    container: str,
    codec: str,
    bit_rate: int,
    kind: str = "fltp",
) -> Path:
    with av.open(str(path), "w", format=container) as file:
        stream = file.add_stream(codec, rate=rate_hz, layout="mono", format=kind)
        stream.bit_rate = bit_rate
        frame = av.AudioFrame.from_ndarray(
            np.clip(samples, -1, 1).astype(np.float32)[None, :], format=kind, layout="mono"
        )
        frame.sample_rate = rate_hz
        file.mux(stream.encode(frame))
        file.mux(stream.encode(None))
    return path
