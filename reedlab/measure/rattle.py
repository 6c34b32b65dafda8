"""Where a reed sounds several pitches at once, and which: the rattle.

What sounds beside the held pitch is looked at by itself. It is a rattle if its lines are the
partials of more than one pitch; breath has no lines. Times in seconds, pitches in Hz.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reedlab.measure.partials import find_partials
from reedlab.measure.pitches import PitchTrack
from reedlab.measure.quiet import runs
from reedlab.measure.recording import Recording
from reedlab.measure.settling import Stand

#: A period that repeats itself as well as this, 6 dB above all else, is one pitch.
SURE_STRENGTH = 0.8
#: A shorter stretch is the change from one pitch to another.
SHORTEST_S = 0.15
#: Quieter than the held pitch (or the loudest of the attempt) by more than this is its end.
FAINT_DB = 25.0
#: Window of the spectrum: pitches 12 Hz apart are two.
WINDOW_S = 0.25
#: A line is so much stronger than what lies around it, within so many Hz; one of a hiss is not.
STANDS_OUT_DB, AROUND_HZ = 14.0, 120.0
#: A line this much weaker than one so near is a ripple of it.
BESIDE_DB, BESIDE_HZ = 8.0, 15.0
#: Lines this far below the strongest are left to the noise.
WEAK_DB = 26.0
#: A line this near to a multiple of a lower one is its partial.
SAME_CENTS = 25.0
LOWEST_HZ, HIGHEST_HZ = 60.0, 3000.0
#: Partials of many pitches fall together; more are not told apart.
MOST_PITCHES = 6


@dataclass(frozen=True)
class Rattle:
    """A stretch in which several pitches sound; made by :func:`find_rattle`.

    Attributes
    ----------
    start_s, end_s : float
    pitches_hz : tuple of float
        The lowest line, and every line that is not a partial of those below it.
    """

    start_s: float
    end_s: float
    pitches_hz: tuple[float, ...]


def find_rattle(
    recording: Recording,
    track: PitchTrack,
    level: tuple[NDArray[np.float64], NDArray[np.float64]],
    span: tuple[float, float],
    stands: list[Stand],
    crow: Stand | None,
    hum_hz: Sequence[float] = (),
) -> Rattle | None:
    """Return the longest rattle of an attempt after its pitch has settled, or anywhere in it.

    Parameters
    ----------
    recording : Recording
    track : PitchTrack
    level : tuple of ndarray
        Times and levels, as of :func:`~reedlab.measure.levels.level_track`.
    span : tuple of float
        The attempt.
    stands : list of Stand
        The attempt's; one may be a rattle that repeats itself.
    crow : Stand or None
        The one that is the crow; None if there is none.
    hum_hz : sequence of float
        Lines of hum that were taken out; what is left of them is no pitch.
    """
    stretches = list(_unheld(track, level, span, crow))
    for stand in stands:
        if stand is not crow and find_partials(recording, track, stand).several:
            stretches.append((stand.settle_s, stand.end_s))
    found = []
    for start_s, end_s in stretches:
        pitches = pitches_at(recording, start_s, end_s, hum_hz)
        if len(pitches) > 1:
            found.append(Rattle(start_s, end_s, pitches))
    after = [rattle for rattle in found if crow and rattle.start_s >= crow.end_s - 0.1]
    return max(after or found, key=lambda rattle: rattle.end_s - rattle.start_s, default=None)


def pitches_at(
    recording: Recording, start_s: float, end_s: float, hum_hz: Sequence[float] = ()
) -> tuple[float, ...]:
    """Return the pitches that sound between two times: lines that no lower one explains.

    Examples
    --------
    >>> from pathlib import Path
    >>> t = np.arange(11025) / 11025
    >>> two = sum(np.sin(2 * np.pi * k * hz * t) / k for hz in (200, 330) for k in (1, 2, 3))
    >>> [round(hz) for hz in pitches_at(Recording(Path("a.wav"), two, 11025), 0, 1)]
    [200, 330]
    """
    lines = _lines(recording.part(start_s, end_s), recording.rate_hz)
    pitches: list[float] = []
    for line in lines:
        if any(abs(line - hum) < 1 / WINDOW_S for hum in hum_hz):
            continue
        if not any(_is_partial(line, pitch) for pitch in pitches):
            pitches.append(line)
    return tuple(pitches[:MOST_PITCHES])


def _unheld(
    track: PitchTrack,
    level: tuple[NDArray[np.float64], NDArray[np.float64]],
    span: tuple[float, float],
    crow: Stand | None,
) -> Iterator[tuple[float, float]]:
    """Yield stretches that are loud and in which no pitch stands."""
    time_s, level_db = level
    inside = (time_s >= span[0]) & (time_s <= span[1])
    if not inside.any():
        return
    reference = level_db[inside].max()
    held = np.zeros(len(time_s), dtype=bool)
    if crow is not None:
        held = (time_s > crow.settle_s - 0.1) & (time_s < crow.end_s + 0.02)
        reference = np.median(level_db[held]) if held.any() else reference
    loud = inside & ~held & (level_db > reference - FAINT_DB)
    place = np.minimum(np.searchsorted(track.time_s, time_s), len(track.time_s) - 1)
    unsure = track.strength[place] < SURE_STRENGTH
    for first, last in runs(loud):
        start_s, end_s = float(time_s[first]), float(time_s[last - 1])
        if end_s - start_s >= SHORTEST_S and unsure[first:last].mean() > 0.5:
            yield start_s, end_s


def _lines(samples: NDArray[np.float64], rate: float) -> list[float]:
    """Return the frequencies of the lines of a stretch, lowest first."""
    length = min(len(samples), round(WINDOW_S * rate))
    starts = np.linspace(0, len(samples) - length, 1 + 2 * (len(samples) - length) // length)
    window = np.hanning(length)
    count = 2 ** int(np.ceil(np.log2(4 * length)))
    power = np.mean(
        [
            np.abs(np.fft.rfft(samples[at : at + length] * window, count)) ** 2
            for at in starts.astype(int)
        ],
        axis=0,
    )
    hz = np.fft.rfftfreq(count, 1 / rate)
    level = 10 * np.log10(power + 1e-30)
    tops = 1 + np.flatnonzero((level[1:-1] > level[:-2]) & (level[1:-1] >= level[2:]))
    tops = tops[(hz[tops] > LOWEST_HZ) & (hz[tops] < HIGHEST_HZ)]
    if not len(tops):
        return []
    tops = tops[level[tops] > level[tops].max() - WEAK_DB]
    reach, beside = round(AROUND_HZ / hz[1]), round(BESIDE_HZ / hz[1])
    return [
        float(hz[top])
        for top in tops
        if level[top] - np.median(level[max(top - reach, 0) : top + reach]) > STANDS_OUT_DB
        and level[top] > level[max(top - beside, 0) : top + beside].max() - BESIDE_DB
    ]


def _is_partial(line: float, pitch: float) -> bool:
    order = max(round(line / pitch), 1)
    apart = max(SAME_CENTS, 1200 * np.log2(1 + 1.5 / WINDOW_S / line))
    return abs(1200 * np.log2(line / (order * pitch))) < apart
