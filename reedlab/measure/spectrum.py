"""How strong each partial of a tone is, and what follows: brightness, odd against even.

The power of a partial is what lies within a quarter of the pitch around it, less what lies
between its neighbours, which is noise. Frequencies in Hz, times in seconds.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reedlab.measure.levels import power_db
from reedlab.measure.recording import Recording

#: Partials above are not counted, so that recordings of different rates compare.
HIGHEST_HZ = 6000.0
#: Share of the sampling rate up to which a recorder passes everything.
PASSED = 0.45
#: Length of the Hann window, seconds: its lobe is narrower than half the distance of the
#: partials of B♭1.
WINDOW_S = 0.2


@dataclass(frozen=True)
class Partials:
    """The partials of a tone from moment to moment; made by :func:`partials`.

    Attributes
    ----------
    hz : ndarray, shape (n,)
        The pitch at each moment.
    power : ndarray, shape (n, k)
        Mean square of partials 1 to k; slightly below 0 where there is nothing but noise.
    """

    hz: NDArray[np.float64]
    power: NDArray[np.float64]

    @property
    def centroid_hz(self) -> NDArray[np.float64]:
        """Mean frequency of the partials, each weighted by its power, at each moment."""
        numbers = np.arange(1, self.power.shape[1] + 1)
        total = self.power.sum(axis=1)
        mean = self.power @ numbers / np.where(total > 0, total, np.nan)
        return np.asarray(mean * self.hz)

    @property
    def odd_even_db(self) -> float:
        """Power of partials 1, 3, 5 … over that of 2, 4, 6 …, of all moments together."""
        odd, even = self.power[:, ::2].sum(), self.power[:, 1::2].sum()
        return float(power_db(odd) - power_db(even))


def partials(
    recording: Recording, time_s: NDArray[np.float64], hz: NDArray[np.float64]
) -> Partials:
    """Return the partials at the given moments, where the pitch is known.

    Parameters
    ----------
    recording : Recording
    time_s, hz : ndarray, shape (n,)
        Middle of each window of 0.2 s, and the pitch there.

    Returns
    -------
    Partials
        Up to 6 kHz, or to what the recording holds.

    Examples
    --------
    >>> from pathlib import Path
    >>> angle = 2 * np.pi * 200 * np.arange(8000) / 8000
    >>> tone = 0.2 * np.sin(angle) + 0.1 * np.sin(2 * angle)
    >>> found = partials(Recording(Path("a.wav"), tone, 8000), np.array([0.5]), np.array([200.0]))
    >>> found.centroid_hz.round(1), round(found.odd_even_db, 2)
    (array([240.]), 6.02)
    """
    rate = recording.rate_hz
    highest = min(HIGHEST_HZ, PASSED * rate)
    count = max(int(highest / np.max(hz) - 0.75), 1)
    length = round(WINDOW_S * rate)
    window = np.hanning(length + 1)[:-1]
    # A Hann window holds 3/8 of a power; a one-sided spectrum counts each partial twice.
    scale = 2 / (0.375 * length**2)
    samples = np.concatenate([np.zeros(length), recording.samples, np.zeros(length)])
    # Nothing above the upper quarter beside the last partial is asked for.
    needed = min(int((count + 1) * np.max(hz) * length / rate) + 1, length // 2 + 1)
    edges = np.arange(needed + 1) - 0.5
    power = np.empty((len(hz), count))
    for place, (at, pitch) in enumerate(zip(time_s, hz, strict=True)):
        first = round(at * rate) + length - length // 2
        lines = np.fft.rfft(samples[first : first + length] * window)[:needed]
        spectrum = np.abs(lines) ** 2 * scale
        sums = np.concatenate([[0.0], np.cumsum(spectrum)])
        # Quarters of the pitch around 0.5, 1, 1.5, 2 … times the pitch, in turn.
        middles = np.arange(0.5, count + 0.75, 0.5) * pitch
        low, high = ((middles + side * pitch / 4) * length / rate for side in (-1, 1))
        within = np.interp(high, edges, sums) - np.interp(low, edges, sums)
        power[place] = within[1::2] - (within[:-1:2] + within[2::2]) / 2
    return Partials(np.asarray(hz, dtype=float), power)
