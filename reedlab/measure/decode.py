"""Read the samples out of a sound file; the only file that knows PyAV.

What a file is follows from its content, never from its name. Samples keep the type in which
they are stored, so that a long file stays small; `as_float` makes full scale 1. Times in
seconds, rates in Hz.
"""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from reedlab.errors import RecordError

if TYPE_CHECKING:
    from av import AudioStream
    from av.container import InputContainer

REMEDY = "copy it from the recorder again, or save the sound there as WAV or FLAC"
#: How much of a WAV is searched for another coding than the one that its header tells, bytes: a
#: longer search takes longer than all the rest, and takes noise for one.
SEARCHED = 32_768
#: Containers that tell only an estimate of how long they are, made from their own size.
ESTIMATES = {"aac", "amr", "ac3", "loas"}
#: Where the samples stand in a WAV and in an AIFF.
SOUND_PARTS = (b"data", b"SSND")


@dataclass(frozen=True)
class Decoded:
    """What was read from a file.

    Attributes
    ----------
    samples : ndarray, shape (n, channels)
        As stored: integers of 8, 16 or 32 bits, or floats.
    rate_hz : float
    promised_s : float or None
        How long the header says that the sound is; None where it does not say.
    stopped : bool
        Whether reading stopped at the longest that was wanted.
    sounds : int
        How many sound tracks the file holds; the samples are the main one's.
    """

    samples: NDArray[Any]
    rate_hz: float
    promised_s: float | None
    stopped: bool
    sounds: int


def decode(path: Path, longest_s: float, most_samples: int) -> Decoded:
    """Read the main sound track of a file, no more than so many seconds or samples.

    Raises
    ------
    RecordError
        If the file holds no sound that can be read.
    """
    import av

    options = {"protocol_whitelist": "file"}
    if _head(path)[8:12] == b"WAVE":
        options["probesize"] = str(SEARCHED)
    try:
        # `file:` keeps a colon in a name from being read as a network address, and a list of
        # other addresses inside the file is not followed.
        with av.open(f"file:{path}", metadata_errors="ignore", options=options) as container:
            return _main_track(container, path, longest_s, most_samples)
    except av.error.FFmpegError as error:
        raise RecordError(
            f"{path.name} cannot be read as sound ({error.strerror}); {REMEDY}."
        ) from error


def as_float(samples: NDArray[Any]) -> NDArray[np.float64]:
    """Return samples as stored with full scale 1.

    Examples
    --------
    >>> as_float(np.array([0, 128], dtype=np.uint8)), as_float(np.array([-32768], dtype=np.int16))
    (array([-1.,  0.]), array([-1.]))
    """
    if samples.dtype.kind == "f":
        return samples.astype(np.float64)
    bits = 8 * samples.dtype.itemsize
    middle = 2.0 ** (bits - 1)
    return (samples - middle if samples.dtype.kind == "u" else samples) / middle


def _main_track(
    container: "InputContainer", path: Path, longest_s: float, most_samples: int
) -> Decoded:
    if not container.streams.audio:
        # Text is taken for a picture made of letters.
        pictures = container.streams.video and container.format.name != "tty"
        what = "pictures but no sound" if pictures else "no sound"
        raise RecordError(f"{path.name} holds {what}; choose the recording of the reed.")
    best = container.streams.best("audio")
    stream = next(one for one in container.streams.audio if best is None or one is best)
    if stream.codec_context is None:
        raise RecordError(f"{path.name} is coded in a way that is not known here; {REMEDY}.")
    rate = float(stream.rate or 0)
    if not rate > 0:
        raise RecordError(f"{path.name} does not say its sampling rate; {REMEDY}.")
    promised = _promised_s(container, stream, path)
    wanted = min(int(longest_s * rate), most_samples)
    blocks, count = [], 0
    for block in _blocks(container, stream, path, rate):
        blocks.append(block)
        count += len(block)
        if count > wanted:
            break
    if not blocks:
        raise RecordError(f"{path.name} has a header but no sound after it; {REMEDY}.")
    samples = np.concatenate(blocks)[:wanted]
    return Decoded(samples, rate, promised, count > wanted, len(container.streams.audio))


def _blocks(
    container: "InputContainer", stream: "AudioStream", path: Path, rate: float
) -> Iterator[NDArray[Any]]:
    """Yield samples, shape (n, channels), up to the end or to where the file is broken."""
    import av

    layout = None
    try:
        for frame in container.decode(stream):
            shape = (frame.sample_rate, len(frame.layout.channels))
            layout = layout or shape
            if shape != layout or shape[0] != rate:
                raise RecordError(f"{path.name} changes its rate or channels midway; {REMEDY}.")
            values = frame.to_ndarray()
            yield values.T if frame.format.is_planar else values.reshape(-1, shape[1])
    except av.error.FFmpegError:
        # The promise of the header tells how much is missing.
        return


def _promised_s(container: "InputContainer", stream: "AudioStream", path: Path) -> float | None:
    name = container.format.name
    if name in ("wav", "aiff"):
        return _promised_by_size(stream, path)
    if name in ESTIMATES or (name == "mp3" and not _counts_frames(_head(path), path)):
        return None
    if stream.duration is not None and stream.time_base is not None:
        return float(stream.duration * stream.time_base)
    return None if container.duration is None else container.duration / 1e6


def _promised_by_size(stream: "AudioStream", path: Path) -> float | None:
    """Tell how long the sound of a WAV or AIFF should be by the size that it says it has.

    The decoder trusts the file's own size alone. What stands beside the sound, such as the
    recorder's notes, is not counted.
    """
    rate = stream.codec_context.bit_rate
    with path.open("rb") as file:
        order: Literal["little", "big"] = "little" if file.read(12)[:4] == b"RIFF" else "big"
        while len(head := file.read(8)) == 8:
            size = int.from_bytes(head[4:], order)
            if head[:4] in SOUND_PARTS:
                # 0 or all ones was never filled in: the recorder did not close the file, or the
                # true size stands elsewhere.
                return size * 8 / rate if rate and size not in (0, 2**32 - 1) else None
            file.seek(size + size % 2, os.SEEK_CUR)
    return None


def _counts_frames(head: bytes, path: Path) -> bool:
    """Tell whether an MP3 says how long it is, in its first frame."""
    if head.startswith(b"ID3"):
        size = 0
        for byte in head[6:10]:
            size = size * 128 + (byte & 127)
        head = _head(path, size + 10)
    return any(mark in head for mark in (b"Xing", b"Info", b"VBRI"))


def _head(path: Path, first: int = 0) -> bytes:
    with path.open("rb") as file:
        file.seek(first)
        return file.read(4096)
