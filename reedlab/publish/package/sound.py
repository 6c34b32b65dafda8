"""A recording without what its recorder noted beside the sound; the only file here that knows PyAV.

The coded sound is copied packet by packet into a fresh container, so that its samples stay the
same; tags, pictures, places and the recorder's own parts are not copied. What was written is
read again, and a file in which anything is left is refused.
"""

from pathlib import Path
from typing import TYPE_CHECKING

from reedlab.errors import RecordError

if TYPE_CHECKING:
    from av.container import InputContainer

#: From the container that is read to the one that is written, and the ending of its name.
WRITTEN = {
    "wav": ("wav", ".wav"),
    "w64": ("w64", ".w64"),
    "aiff": ("aiff", ".aiff"),
    "flac": ("flac", ".flac"),
    "mp3": ("mp3", ".mp3"),
    "aac": ("adts", ".aac"),
    "ogg": ("ogg", ".ogg"),
    "mov,mp4,m4a,3gp,3g2,mj2": ("mov", ".mov"),
    "matroska,webm": ("matroska", ".mka"),
    "caf": ("caf", ".caf"),
}
#: What of the sound fits into the plainer container of music, which more programs open.
_MUSIC = ("aac", "alac")
#: Writers that note nothing of themselves, and no list of tags.
_PLAIN = {"fflags": "+bitexact"}
_BY_CONTAINER = {"mp3": {"id3v2_version": "0", "write_id3v1": "0"}}
#: What a container says of its own making, and nothing of who, where or when.
HARMLESS = {"major_brand", "minor_version", "compatible_brands", "language", "handler_name"}
HARMLESS |= {"vendor_id", "duration", "encoder"}
_HANDLERS = {"SoundHandler", "soun", ""}
REMEDY = "save the sound as WAV or FLAC first"


def strip(path: Path, target: Path) -> Path:
    """Write the main sound of a recording without anything beside it.

    Parameters
    ----------
    path : Path
        The recording; it is only read.
    target : Path
        Where to write, without an ending, which follows from the container.

    Returns
    -------
    Path
        What was written.

    Raises
    ------
    RecordError
        If the file holds no sound that can be copied, or something is left beside it.
    """
    import av

    try:
        # `file:` keeps a colon in a name from being read as a network address.
        with av.open(
            f"file:{path}", metadata_errors="ignore", options={"protocol_whitelist": "file"}
        ) as container:
            written = _copy(container, path, target)
    except (av.error.FFmpegError, ValueError, OSError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise RecordError(f"{path.name} cannot be copied as sound ({reason}); {REMEDY}.") from None
    left = beside_the_sound(written)
    if left:
        raise RecordError(
            f"{path.name} keeps something beside its sound ({', '.join(sorted(left))}); {REMEDY}."
        )
    return written


def beside_the_sound(path: Path) -> dict[str, str]:
    """Return what a file says beside its sound, and what cannot be seen to be harmless."""
    import av

    with av.open(
        f"file:{path}", metadata_errors="ignore", options={"protocol_whitelist": "file"}
    ) as container:
        said = dict(container.metadata)
        for stream in container.streams:
            said |= dict(stream.metadata)
            if stream.type != "audio":
                said[f"a part of the kind {stream.type}"] = ""
        if container.chapters():
            said["chapters"] = ""
    return {
        name: text
        for name, text in said.items()
        if name.casefold() not in HARMLESS
        or (name == "handler_name" and text not in _HANDLERS)
        or (name == "encoder" and not text.startswith("Lav"))
    }


def _copy(container: "InputContainer", path: Path, target: Path) -> Path:
    """Copy the packets of the main sound into a fresh container."""
    import av

    if not container.streams.audio:
        raise RecordError(f"{path.name} holds no sound; choose the recording of the reed.")
    best = container.streams.best("audio")
    stream = next(one for one in container.streams.audio if best is None or one is best)
    if container.format.name not in WRITTEN or stream.codec_context is None:
        raise RecordError(f"{path.name} is of a kind that is not copied here; {REMEDY}.")
    kind, ending = WRITTEN[container.format.name]
    if kind == "mov" and stream.codec_context.name.startswith(_MUSIC):
        kind, ending = "ipod", ".m4a"
    if stream.codec_context.name == "vorbis":
        kind, ending = "ogg", ".ogg"  # others keep its tags inside the head of its sound
    written = target.with_name(target.name + ending)
    options = _PLAIN | _BY_CONTAINER.get(kind, {})
    if kind == "mp3":
        # The first frame says what to leave off at the ends; where there is none, none is made.
        options["write_xing"] = "1" if stream.start_time else "0"
    with av.open(f"file:{written}", "w", format=kind, options=options) as fresh:
        copy = fresh.add_stream_from_template(stream)
        copy.metadata.clear()
        for packet in container.demux(stream):
            if packet.dts is not None:
                packet.stream = copy
                fresh.mux(packet)
    return written
