"""What the partials say of a held pitch: its octave, its frequency again, and whether it is one.

The running pitch is a period; here the lines of the spectrum are asked, in windows of twelve
periods that follow the pitch. Places in the spectrum are counted in twelfths of the pitch, so
partial k lies at 12 k, and the lines of an octave below at 6, 18 and so on. Hz, s, cents.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reedlab.measure.pitches import FLOOR_HZ, PitchTrack
from reedlab.measure.recording import Recording
from reedlab.measure.settling import BAND_CENTS, Stand
from reedlab.measure.split import split_cents

#: The lowest pitch that is looked for below the running one, Hz: C1 is at 32.7.
LOWEST_HZ = 30.0
#: Window in periods: partials, halves and thirds of them fall on separate lines.
PERIODS, MOST_WINDOWS, MOST_PARTIALS = 12, 60, 16
#: Places in the spectrum from one partial to the next, and to where a line's own skirt reaches.
PLACES, SKIRT = 12, 2
#: A hiss may be stronger here than there, but not within so many places.
AROUND = 6
#: Lines between the partials make the pitch an octave or a twelfth lower if they hold this share
#: of the power, 27 dB below, and lie within so many cents of where they then belong: echoes of
#: an earlier note and noise do not.
LOWER_SHARE, TUNED_CENTS = 0.002, 5.0
#: A tone without odd partials is an octave higher: they hold less than this, 50 dB below; or in
#: noise less than that, 13 dB below, and no more of them stand out than this share.
FAINT_SHARE, HIGHER_SHARE, BY_CHANCE = 1e-5, 0.05, 0.25
#: A partial lies no further off its place, cents; a smear of noise does.
SMEARED_CENTS = 20.0
#: Noise at the place of a partial hides it from here on, 30 dB below the strongest.
HIDDEN_SHARE = 0.001
#: A line is so many times stronger than the places beside it.
STANDS_OUT = 4.0
#: A line off the partials with this share of the strongest one, 20 dB below, is another pitch.
FOREIGN_SHARE = 0.01
#: Partials further than this off the multiples belong to several pitches; those of a reed,
#: which is driven once a period, lie within 2 cents.
MISTUNED_CENTS = 7.0
#: A pitch above this share of the rate has no room for its second partial.
HIGHEST_SHARE = 0.3
#: Partials below this share of the strongest, 40 dB, are left to the noise.
WEAK_SHARE = 1e-4


@dataclass(frozen=True)
class Partials:
    """What the partials of a stand say; made by :func:`find_partials`.

    Attributes
    ----------
    factor : float
        By which the running pitch is to be multiplied: 1, or 2 where it was an octave low.
    hz : float
        The pitch from the frequencies of the partials; not a number if none stands out.
    mistuned_cents : float
        How far the partials lie off the multiples of the pitch, weighted by power.
    foreign_hz : float
        The strongest line that is no partial; not a number if there is none.
    gaps : bool
        Whether the partials are those of two or three notes and the rest are missing.
    apart_cents : float
        How far two near pitches lie apart; not a number if it is one.
    """

    factor: float
    hz: float
    mistuned_cents: float
    foreign_hz: float
    gaps: bool
    apart_cents: float = np.nan

    @property
    def several(self) -> bool:
        """Whether the lines are those of several pitches."""
        off = self.mistuned_cents > MISTUNED_CENTS
        other = np.isfinite(self.foreign_hz) or np.isfinite(self.apart_cents)
        return bool(off or self.gaps or other)


@dataclass(frozen=True)
class _Lines:
    """The spectrum against the pitch: power at each place, and the partials' own frequencies.

    `place_power` is the mean over the windows, `usual_power` the median of what it is against
    the strongest place of its window: a knock or an attack is not in it. `off_cents` has one row a
    window and one column a partial; `partial_power` likewise.
    """

    place_power: NDArray[np.float64]
    usual_power: NDArray[np.float64]
    partial_power: NDArray[np.float64]
    off_cents: NDArray[np.float64]
    hz: NDArray[np.float64]

    @property
    def partials(self) -> NDArray[np.float64]:
        return self.place_power[PLACES::PLACES]

    @property
    def floors(self) -> NDArray[np.float64]:
        """Power a quarter of the way to the next partial on either side, for each partial."""
        quarters = self.place_power[PLACES // 4 :: PLACES // 2]
        count = len(self.partials)
        return (quarters[1 : 2 * count : 2] + quarters[2 : 2 * count + 1 : 2]) / 2 + 1e-30

    @property
    def present(self) -> NDArray[np.bool_]:
        """Which partials are there: stronger than their surroundings, and not too weak."""
        least = WEAK_SHARE * self.partials.max()
        return self.partials > np.maximum(STANDS_OUT * self.floors, least)

    @property
    def tuned(self) -> NDArray[np.bool_]:
        """Which of these lie where they belong, the windows weighted by the tone and by each."""
        tone = self.partial_power.sum(axis=1, keepdims=True)
        tuned = self.present
        for weight in (tone + 0 * self.partial_power, self.partial_power):
            off = np.sum(weight * self.off_cents, axis=0) / np.maximum(weight.sum(axis=0), 1e-30)
            tuned = tuned & (np.abs(off) < SMEARED_CENTS)
        return tuned


def find_partials(recording: Recording, track: PitchTrack, stand: Stand) -> Partials:
    """Ask the partials of a stand for its octave, its frequency and whether it is one pitch.

    Parameters
    ----------
    recording : Recording
    track : PitchTrack
        Of that recording.
    stand : Stand

    Returns
    -------
    Partials

    Notes
    -----
    A tone above the ceiling of the running pitch is heard there at a half or a third: then
    all partials but every second or third are missing. A tone with weak odd partials may be
    heard an octave too high in noise: then lines stand out halfway between the partials.
    The second frequency weights partial k by its power and k squared, for the error of one
    line is the same in Hz wherever it lies.
    """
    factor = _lower(recording, track, stand)
    if factor == 1:
        factor = _higher(_lines(recording, track, stand, 1.0))
    if stand.hz * factor > HIGHEST_SHARE * recording.rate_hz:
        return Partials(factor, np.nan, np.nan, np.nan, False)
    lines = _lines(recording, track, stand, factor)
    present = lines.present
    power = lines.partial_power * present
    order = np.arange(1, power.shape[1] + 1)
    weight = power * order**2
    if not weight.sum() > 0:
        return Partials(factor, np.nan, np.nan, np.nan, False)
    mean_off = np.sum(weight * lines.off_cents, axis=1) / np.maximum(weight.sum(axis=1), 1e-30)
    cents = 1200 * np.log2(lines.hz) + mean_off
    each = np.sum(power * (lines.off_cents - mean_off[:, None]), axis=0)
    return Partials(
        factor=factor,
        hz=float(2 ** (_middle_mean(cents, power.sum(axis=1) > 0) / 1200)),
        mistuned_cents=float(np.sum(np.abs(each)) / power.sum()),
        foreign_hz=_foreign(lines) * stand.hz * factor,
        gaps=_gaps([int(k) for k in order[lines.tuned]], lines.partials / lines.partials.max()),
        apart_cents=split_cents(recording, track, stand, factor, lines.partials * present),
    )


def _lines(recording: Recording, track: PitchTrack, stand: Stand, factor: float) -> _Lines:
    rate, f0 = recording.rate_hz, stand.hz * factor
    length = min(round(PERIODS / f0 * rate), len(recording.samples))
    first = round(stand.settle_s * rate)
    room = max(round(stand.end_s * rate) - length, first) - first
    first = min(first, len(recording.samples) - length)
    room = min(room, len(recording.samples) - length - first)
    starts = first + np.linspace(0, room, min(MOST_WINDOWS, 1 + 2 * room // length)).astype(int)
    window = np.hanning(length + 2)[1:-1]
    parts = recording.samples[starts[:, None] + np.arange(length)]
    parts = (parts - parts.mean(axis=1, keepdims=True)) * window
    count = 2 ** int(np.ceil(np.log2(4 * length)))
    power = np.abs(np.fft.rfft(parts, count)) ** 2
    hz = _pitch_at(track, (starts + length / 2) / rate, stand.hz) * factor
    most = max(1, min(MOST_PARTIALS, int(0.45 * rate / (f0 * 2 ** (BAND_CENTS / 1200)) - 0.5)))
    places = np.arange(PLACES * most + PLACES // 2 + 1)
    at = hz[:, None] * places / PLACES * count / rate
    whole = at.astype(int)
    rows = np.arange(len(hz))[:, None]
    share = at - whole
    place_power = (1 - share) * power[rows, whole] + share * power[rows, whole + 1]
    usual = np.median(place_power / (place_power.max(axis=1, keepdims=True) + 1e-30), axis=0)
    partial_power, off_cents = _peaks(power, at[:, PLACES::PLACES], f0 * count / rate)
    return _Lines(place_power.mean(axis=0), usual, partial_power, off_cents, hz)


def _pitch_at(track: PitchTrack, time_s: NDArray, middle_hz: float) -> NDArray[np.float64]:
    """Return the running pitch at some times, the middle where it slips."""
    hz = np.interp(time_s, track.time_s, np.nan_to_num(track.hz))
    slips = np.abs(np.log2(np.maximum(hz, 1) / middle_hz)) > BAND_CENTS / 1200
    return np.where(slips, middle_hz, hz)


def _peaks(
    power: NDArray[np.float64], at: NDArray[np.float64], spacing: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return power and distance in cents of the peak nearest to each partial's bin."""
    reach = max(2, round(0.12 * spacing))
    near = np.round(at).astype(int)[:, :, None] + np.arange(-reach, reach + 1)
    near = np.clip(near, 1, power.shape[1] - 2)
    rows = np.arange(len(power))[:, None]
    tops = np.take_along_axis(
        near, power[rows[:, :, None], near].argmax(axis=2)[:, :, None], axis=2
    )[:, :, 0]
    left, mid, right = (np.log(power[rows, tops + k] + 1e-30) for k in (-1, 0, 1))
    bend = np.minimum(left - 2 * mid + right, -1e-9)
    found = tops + np.clip(0.5 * (left - right) / bend, -0.5, 0.5)
    return np.exp(mid), 1200 * np.log2(found / at)


def _lower(recording: Recording, track: PitchTrack, stand: Stand) -> float:
    """Return a half or a third if the lines of that pitch are there, else 1."""
    for parts in (2, 3):
        if stand.hz / parts <= LOWEST_HZ:
            break
        lines = _lines(recording, track, stand, 1 / parts)
        order = np.arange(1, len(lines.partials) + 1)
        added = order % parts != 0
        off = np.average(lines.off_cents, axis=0, weights=lines.partial_power.sum(axis=1))
        real = added & lines.present & (np.abs(off) < TUNED_CENTS)
        share = lines.partials[real].sum() / lines.partials[~added].sum()
        most = real.sum() > lines.present[added].sum() / 2
        if real.sum() >= parts and most and share > LOWER_SHARE:
            return 1 / parts
    return 1.0


def _higher(lines: _Lines) -> float:
    """Return 2, 3 or 4 if all partials but each second, third or fourth are missing, else 1."""
    whole, order = lines.partials, np.arange(1, len(lines.partials) + 1)
    over = np.maximum(whole - lines.floors, 0)
    highest = order[lines.present].max(initial=0)
    present = lines.tuned
    for times in (4, 3, 2):
        kept = order % times == 0
        between = ~kept & (order < highest)
        if not np.any(present & kept) or not between.any():
            continue
        faint = whole[~kept].sum() < FAINT_SHARE * whole[kept].sum()
        # In noise one or another stands out by chance; a tone has them all.
        missing = present[between].mean() <= BY_CHANCE
        if faint or (missing and over[~kept].sum() < HIGHER_SHARE * over[kept].sum()):
            return float(times)
    return 1.0


def _foreign(lines: _Lines) -> float:
    """Return the strongest line between the partials, in units of the pitch."""
    power = lines.usual_power
    strongest = power[PLACES::PLACES].max()
    # Lines below the floor are the rumble of a room.
    lowest = max(SKIRT + 1, int(PLACES * FLOOR_HZ / np.median(lines.hz)) + 1)
    between = [
        place
        for place in range(lowest, len(power) - 1)
        if SKIRT < place % PLACES < PLACES - SKIRT
        and power[place] > FOREIGN_SHARE * strongest
        and power[place] >= max(power[place - 1], power[place + 1])
    ]
    for place in sorted(between, key=lambda at: -power[at]):
        around = [
            power[at]
            for at in range(max(place - AROUND, 1), min(place + AROUND + 1, len(power)))
            if SKIRT < at % PLACES < PLACES - SKIRT and abs(at - place) > SKIRT
        ]
        if around and power[place] > STANDS_OUT * np.median(around):
            return place / PLACES
    return np.nan


def _gaps(present: list[int], shares: NDArray[np.float64]) -> bool:
    """Tell whether these partials are the multiples of two or three numbers and no others.

    A fifth has the partials 2, 3, 4, 6, 8, 9 of a pitch that nobody plays; a tone that has lost
    its lowest partials still has 5, 7 and 11. Two or three lines alone may be as many whistles,
    where noise does not hide the others.
    """
    if len(present) < 2 or present[0] == 1:
        return False
    if len(present) <= 3:
        return bool(present[0] > 3 or shares[: present[0] - 1].max() < HIDDEN_SHARE)
    notes: list[int] = []
    for k in present:
        if all(k % note for note in notes):
            notes.append(k)
    missing = [
        k for k in range(present[0], present[-1]) if k not in present and all(k % n for n in notes)
    ]
    return 2 <= len(notes) <= 3 and len(missing) >= 2


def _middle_mean(values: NDArray[np.float64], good: NDArray[np.bool_]) -> float:
    """Return the mean of the middle 80 %."""
    ordered = np.sort(values[good])
    cut = len(ordered) // 10
    return float(ordered[cut : len(ordered) - cut].mean())
