"""One recording of a reed: the samples of one live channel, at their own rate.

Two channels are never added up, for opposite ones cancel: one of them is taken, and which.
What cannot be used is refused in one sentence; what can be used with care is used, and the
care is told. Samples have full scale 1, rates are in Hz, times in seconds.
"""

from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import dataclass, field
from functools import wraps
from inspect import signature
from os import PathLike
from pathlib import Path
from typing import Any, Concatenate, ParamSpec, TypeVar

import numpy as np
from numpy.typing import NDArray

from reedlab.errors import CallError, RecordError
from reedlab.measure.decode import Decoded, as_float, decode

#: Longest part that is read, from the beginning, in seconds: a session of tests, not a day.
LONGEST_S = 600.0
#: Most samples that are read, so that a high rate does not fill the memory.
MOST_SAMPLES = int(LONGEST_S * 48_000)
#: Less holds no tone.
SHORTEST_S = 0.1
#: The highest crow is told from its octave only if its second partial is there.
LOWEST_RATE_HZ = 4000
#: Below this rate the upper partials are missing.
FULL_RATE_HZ = 16_000
#: Samples that are converted at once, to keep a long file small.
BLOCK = 2**18
#: Peak below which nothing was recorded: two steps of 16 bits.
SILENT_PEAK = 2 / 32768
#: A sample beyond is no sound: floats may pass full scale, and some are written as if it were 2^31.
MOST_SAMPLE = 1e10
#: RMS of a dead channel against the live one, 60 dB below.
DEAD_SHARE = 1e-3
#: Channels whose difference lies 40 dB below them are one sound, coded twice.
EQUAL_SHARE = 1e-2
#: Part of the promised length that may be missing: coders pad their last block.
PADDING_S = 0.2

NAMES = ("left", "right")

Asked = ParamSpec("Asked")
Found = TypeVar("Found")


@dataclass(frozen=True, eq=False)
class Recording:
    """The sound of a file; made by :func:`read_recording`.

    Attributes
    ----------
    path : Path
    samples : ndarray, shape (n,)
        One channel, full scale 1, not changed in any way.
    rate_hz : float
        Samples in a second, as recorded.
    cautions : tuple of str
        What must be known of the file before its numbers are used.
    """

    path: Path
    samples: NDArray[np.float64]
    rate_hz: float
    cautions: tuple[str, ...] = ()
    #: What was heard in it already, by what was asked; see :func:`heard_once`.
    heard: dict[tuple[Any, ...], Any] = field(default_factory=dict, init=False, repr=False)

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.rate_hz

    def __deepcopy__(self, _: Any) -> "Recording":
        """Return itself, for it is never changed."""
        return self

    def part(self, start_s: float, end_s: float) -> NDArray[np.float64]:
        """Return the samples between two times, in seconds from the beginning."""
        first, last = (round(max(time, 0) * self.rate_hz) for time in (start_s, end_s))
        return self.samples[first:last]


def heard_once(
    hear: Callable[Concatenate[Recording, Asked], Found],
) -> Callable[Concatenate[Recording, Asked], Found]:
    """Let a function hear each recording only once: what it found is kept with the recording.

    Levels and pitch of one recording are asked for by all who judge it. Each asker is given a
    copy of its own. For answers much smaller than the recording, for they live as long.
    """
    takes = signature(hear)

    @wraps(hear)
    def found(recording: Recording, *args: Asked.args, **kwargs: Asked.kwargs) -> Found:
        asked = takes.bind(recording, *args, **kwargs)
        asked.apply_defaults()
        key = (hear.__qualname__, *list(asked.arguments.values())[1:])
        if key not in recording.heard:
            recording.heard[key] = hear(recording, *args, **kwargs)
        answer: Found = deepcopy(recording.heard[key])
        return answer

    return found


def read_recording(path: str | Path) -> Recording:
    """Read a sound file: WAV, AIFF, FLAC, MP3, Ogg, M4A and what else a phone writes.

    Parameters
    ----------
    path : str or Path
        What the file holds is found from its content; its name may say otherwise.

    Returns
    -------
    Recording

    Raises
    ------
    CallError
        For what is no name of a file.
    RecordError
        In one sentence: no such file, a folder, no sound that can be read, a file that
        promises more than it holds, silence, samples that are no numbers or beyond all
        scale, or less than 0.1 s.

    Notes
    -----
    Of two channels the louder is taken; equal ones are one. At most the first 10 minutes
    are read, fewer above 48 kHz. The rate stays that of the file.

    Examples
    --------
    >>> read_recording("crow.wav")
    Traceback (most recent call last):
    reedlab.errors.RecordError: There is no file crow.wav; check its name and folder.
    """
    if not isinstance(path, str | PathLike):
        raise CallError(f"path is {path!r}; write the name of one sound file.")
    path = Path(path)
    _check_file(path)
    decoded = decode(path, LONGEST_S, MOST_SAMPLES)
    cautions = [*_length_cautions(decoded, path), *_rate_cautions(decoded, path)]
    samples, said = _live_channel(decoded, path)
    return Recording(path, samples, decoded.rate_hz, (*cautions, *said))


def _check_file(path: Path) -> None:
    if not path.exists():
        raise RecordError(f"There is no file {path}; check its name and folder.")
    if path.is_dir():
        raise RecordError(f"{path} is a folder; name one sound file in it.")
    if not path.is_file():
        raise RecordError(f"{path} is not a file; name a sound file.")
    if path.stat().st_size == 0:
        raise RecordError(f"{path.name} is empty; copy it from the recorder again.")


def _length_cautions(decoded: Decoded, path: Path) -> Iterator[str]:
    read_s = len(decoded.samples) / decoded.rate_hz
    if read_s < SHORTEST_S:
        raise RecordError(
            f"{path.name} holds {read_s:.3g} s of sound; a test needs at least {SHORTEST_S:g} s."
        )
    promised = decoded.promised_s
    if decoded.stopped:
        yield (
            f"{path.name} is longer than is read at once: only its first {_minutes(read_s)} are "
            "used; cut the file to use the rest."
        )
    elif promised is not None and promised - read_s > max(PADDING_S, 0.01 * promised):
        raise RecordError(
            f"{path.name} is cut off: it promises {promised:.1f} s and holds {read_s:.1f} s; copy "
            "it from the recorder again, or save what is left of it as a new file."
        )
    if decoded.sounds > 1:
        yield f"{path.name} holds {decoded.sounds} sound tracks; the main one is used."


def _minutes(seconds: float) -> str:
    return f"{seconds / 60:.3g} minutes"


def _rate_cautions(decoded: Decoded, path: Path) -> Iterator[str]:
    rate = decoded.rate_hz
    if rate < LOWEST_RATE_HZ:
        raise RecordError(
            f"{path.name} has {rate:g} samples a second, too few for a reed; record with 44100 or "
            "48000."
        )
    if rate < FULL_RATE_HZ:
        yield (
            f"{path.name} has {rate:g} samples a second: nothing above {rate / 2:g} Hz is in it, "
            "so its levels and tone do not compare with those of other recordings."
        )


def _live_channel(decoded: Decoded, path: Path) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Choose one channel, and say why where there was a choice."""
    stored = decoded.samples
    _check_numbers(stored, decoded.rate_hz, path)
    covariance = _covariance(stored)
    live = int(np.argmax(covariance.diagonal()))
    samples = as_float(stored[:, live])
    if samples.max() - samples.min() <= 2 * SILENT_PEAK:
        raise RecordError(f"{path.name} has no sound in it; check the microphone and its setting.")
    count = stored.shape[1]
    if count > 2:
        return samples, (
            f"{path.name} has {count} channels; the loudest, number {live + 1}, is used.",
        )
    return samples, _stereo_caution(covariance, live) if count == 2 else ()


def _check_numbers(stored: NDArray[Any], rate_hz: float, path: Path) -> None:
    if stored.dtype.kind != "f":
        return
    bad = ~np.isfinite(stored).all(axis=1)
    if bad.any():
        first = int(np.argmax(bad)) / rate_hz
        raise RecordError(
            f"{path.name} holds {int(bad.sum())} samples that are not numbers, the first at "
            f"{first:.2f} s; write the file again from its source."
        )
    highest = max(float(stored.max(initial=0.0)), -float(stored.min(initial=0.0)))
    if highest > MOST_SAMPLE:
        raise RecordError(
            f"{path.name} holds samples of {highest:.2g} where full scale is 1; write the file "
            "again from its source."
        )


def _stereo_caution(covariance: NDArray[np.float64], live: int) -> tuple[str, ...]:
    used, other = NAMES[live], NAMES[1 - live]
    powers = covariance.diagonal()
    rms, fainter = np.sqrt(powers[live]), np.sqrt(powers[1 - live])
    if fainter < DEAD_SHARE * rms:
        return (f"The {other} channel is silent; the {used} one is used.",)
    difference, total = (
        np.sqrt(max(powers.sum() + 2 * sign * covariance[0, 1], 0.0)) for sign in (-1, 1)
    )
    if difference < EQUAL_SHARE * rms:
        return ()
    if total < EQUAL_SHARE * rms:
        return (f"The channels are opposite and would cancel; the {used} one is used.",)
    apart = 20 * np.log10(rms / fainter)
    louder = f", {apart:.1f} dB louder," if apart >= 0.05 else ""
    return (f"The two channels differ; the {used} one{louder} is used.",)


def _covariance(stored: NDArray[Any]) -> NDArray[np.float64]:
    """Return the mean products of the channels, without their constants; a block at a time."""
    count = stored.shape[1]
    total, products = np.zeros(count), np.zeros((count, count))
    for first in range(0, len(stored), BLOCK):
        channels = as_float(np.ascontiguousarray(stored[first : first + BLOCK].T))
        total += channels.sum(axis=1)
        # A matrix product would wait for other threads, and gain nothing here.
        products += np.einsum("ij,kj->ik", channels, channels)
    mean = total / len(stored)
    return products / len(stored) - np.outer(mean, mean)
