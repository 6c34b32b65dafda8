"""Whether an attempt is fit to be measured: clipping, noise, hum, a constant, a phone's gain.

Levels in dB re a full-scale sine, times in seconds.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from reedlab.errors import CallError
from reedlab.measure.clipping import clipped_share
from reedlab.measure.gain import gain_cautions, gate_cautions
from reedlab.measure.levels import level_track, power_db
from reedlab.measure.quiet import MAINS_HZ, Quiet, find_quiet, runs
from reedlab.measure.recording import Recording

#: What lies this near to the attempt is looked at for its quiet.
AROUND_S = 5.0
#: Share of clipped samples above which level and tone are not to be used.
MOST_CLIPPED = 0.001
#: Less above the noise, and the soft end of a hairpin of 20 dB is lost in it.
LEAST_SNR_DB = 30.0
#: A constant, as a share of full scale, that a sound input does not have.
MOST_DC = 0.01
#: The shortest quiet whose noise counts.
QUIET_S = 0.05
#: A quiet of this length shows hum, and how much of its power makes it one.
HUM_S, MOST_HUM = 0.5, 0.5
HUM_PARTIALS, HUM_WIDTH_HZ = 6, 4.0
#: An attempt shorter than this shows little.
SHORT_S = 0.5
#: An attempt that touches the end of the file by less than this may have lost its own.
EDGE_S = 0.05


@dataclass(frozen=True)
class Quality:
    """How far the numbers of one attempt can be trusted; made by :func:`quality`.

    Attributes
    ----------
    clipped_share : float
        Share of the samples that are cut off at the extreme, 0 to 1.
    noise_db : float
        Level of the quiet about the attempt, not weighted; not a number without quiet.
    snr_db : float
        Level of the attempt's mean power above it.
    dc : float
        The constant in the samples, as a share of full scale.
    hum_share : float
        Share of the noise's power that lies at 50 or 60 Hz and their partials, 0 to 1.
    gain_suspected : bool
        Whether the recorder seems to have changed its gain, or to have closed a gate.
    cautions : tuple of str
    """

    clipped_share: float
    noise_db: float
    snr_db: float
    dc: float
    hum_share: float
    gain_suspected: bool
    cautions: tuple[str, ...] = ()


def quality(recording: Recording, start_s: float, end_s: float) -> Quality:
    """Judge the recording of one attempt.

    Parameters
    ----------
    recording : Recording
    start_s, end_s : float
        Where the attempt lies, as :func:`~reedlab.measure.attempts.find_attempts` says.

    Returns
    -------
    Quality

    Raises
    ------
    CallError
        If there is no such part.

    Notes
    -----
    Clipping is told from the shape of the peaks, whatever their height: a gain behind the
    clipping does not hide it. Noise is that of the quiet within 5 s of the attempt.
    Automatic gain is suspected where noise comes up by 5 dB in the second after a tone, is
    6 dB lower after the first tone than before it, where a swell breaks off and stands
    still, or where a tone sinks by 5 dB to a level that it then holds for a second. A gate is
    suspected where there is digital silence, or noise drops by 12 dB in one step. These
    limits were set on invented sounds; that none is reached proves nothing.

    Examples
    --------
    >>> from pathlib import Path
    >>> t = np.arange(24000) / 8000
    >>> noise = np.random.default_rng(1).normal(size=24000) * 1e-4
    >>> tone = np.sin(2 * np.pi * 330 * t) * ((t > 1) & (t < 2))
    >>> found = quality(Recording(Path("crow.wav"), np.clip(2 * tone, -1, 1) + noise, 8000), 1, 2)
    >>> round(found.clipped_share, 2), found.cautions[0][:21]
    (0.67, '67 % of the samples a')
    """
    if not 0 <= start_s < end_s <= recording.duration_s + EDGE_S:
        raise CallError(
            f"There is no attempt from {start_s:g} to {end_s:g} s; the recording is "
            f"{recording.duration_s:.2f} s long."
        )
    found = find_quiet(recording).part(start_s - AROUND_S, end_s + AROUND_S)
    level_db = np.interp(found.time_s, *level_track(recording))
    inside = (found.time_s >= start_s) & (found.time_s <= end_s)
    noise_db, dc = _noise(recording, found)
    snr_db = float(10 * np.log10(np.mean(10 ** (level_db[inside] / 10)))) - noise_db
    clipped = clipped_share(recording.part(start_s, end_s))
    hum = _hum_share(recording, found)
    gain = [
        *gain_cautions(found, level_db, start_s, end_s),
        *gate_cautions(found, recording.part(found.time_s[0], found.time_s[-1]), recording.rate_hz),
    ]
    cautions = (
        *_clipping_cautions(clipped),
        *_noise_cautions(noise_db, snr_db, hum),
        *_dc_cautions(dc),
        *gain,
        *_edge_cautions(recording, start_s, end_s),
    )
    return Quality(clipped, noise_db, snr_db, dc, hum, bool(gain), cautions)


def _noise(recording: Recording, found: Quiet) -> tuple[float, float]:
    """Return the level of the quiet in dB and the constant in it.

    The constant is that of the quiet: the mean of a clipped tone is none.
    """
    parts = [
        recording.part(float(found.time_s[first]), float(found.time_s[last - 1]))
        for first, last in runs(found.quiet)
        if (last - first) * found.step_s > QUIET_S
    ]
    if not parts:
        around = recording.part(float(found.time_s[0]), float(found.time_s[-1]))
        return np.nan, float(around.mean())
    power = np.concatenate([(part - part.mean()) ** 2 for part in parts])
    return float(power_db(power.mean())), float(np.concatenate(parts).mean())


def _hum_share(recording: Recording, found: Quiet) -> float:
    """Return the share of the longest quiet's power that is hum of the mains."""
    quiet = runs(found.quiet)
    first, last = max(quiet, key=lambda run: run[1] - run[0], default=(0, 0))
    if (last - first) * found.step_s < HUM_S:
        return 0.0
    part = recording.part(float(found.time_s[first]), float(found.time_s[last - 1]))
    power = np.abs(np.fft.rfft((part - part.mean()) * np.hanning(len(part)))) ** 2
    hz = np.fft.rfftfreq(len(part), 1 / recording.rate_hz)
    total = float(power.sum())
    lines = [
        np.any([np.abs(hz - k * mains) < HUM_WIDTH_HZ for k in range(1, HUM_PARTIALS + 1)], axis=0)
        for mains in MAINS_HZ
    ]
    return max(float(power[line].sum()) for line in lines) / total if total else 0.0


def _clipping_cautions(share: float) -> Iterator[str]:
    if share > MOST_CLIPPED:
        yield (
            f"{small_share(share)} of the samples are clipped, so levels and tone are not to be "
            "used; turn the recorder down or stand further away. The pitch is still good."
        )
    elif share:
        yield f"{small_share(share)} of the samples are clipped; turn the recorder down a little."


def _noise_cautions(noise_db: float, snr_db: float, hum: float) -> Iterator[str]:
    if np.isnan(noise_db):
        yield (
            "There is no quiet near the attempt, so its noise is not known; leave a second of "
            "quiet before and after."
        )
    elif snr_db < LEAST_SNR_DB:
        yield (
            f"The sound is only {max(round(snr_db), 0)} dB above the noise, so its soft parts are "
            "lost in it; record nearer to the reed or in a quieter room."
        )
    if hum > MOST_HUM:
        yield (
            f"{small_share(hum)} of the noise is hum of the mains; move the recorder away from "
            "lamps and chargers."
        )


def _dc_cautions(dc: float) -> Iterator[str]:
    if abs(dc) > MOST_DC:
        yield (
            f"The samples hold a constant of {dc:.3f} of full scale, which is taken off; the input "
            "of the recorder is faulty and clips on one side first."
        )


def _edge_cautions(recording: Recording, start_s: float, end_s: float) -> Iterator[str]:
    if end_s - start_s < SHORT_S:
        yield f"The attempt is only {end_s - start_s:.2f} s long; play for a second or more."
    if start_s < EDGE_S:
        yield "The attempt begins with the file, so its beginning may be missing."
    if end_s > recording.duration_s - EDGE_S:
        yield "The attempt ends with the file, so its end may be missing."


def small_share(share: float) -> str:
    """Write a share in percent, of small ones two digits."""
    return f"{100 * share:.0f} %" if share > 0.1 else f"{100 * share:.2g} %"
