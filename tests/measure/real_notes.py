"""Ten notes of a real bassoon, and how to hear them without this project's own reading.

Source, licence and attribution: notes/README.md.
"""

from pathlib import Path

import av
import numpy as np

NOTES = ("G2", "A2", "C3", "G3", "A3", "C4", "E4", "G4", "A4", "C5")


def real_notes() -> dict[str, Path]:
    """Return the sound file of each note, lowest first."""
    folder = Path(__file__).parent / "notes"
    return {note: folder / f"{note}.mp3" for note in NOTES}


def decoded(path: Path) -> tuple[np.ndarray, int]:
    """Return the samples, shape (n, channels) with full scale 1, and the rate in Hz."""
    with av.open(str(path)) as container:
        stream = container.streams.audio[0]
        as_float = av.AudioResampler(format="fltp")
        frames = [part for frame in container.decode(stream) for part in as_float.resample(frame)]
        frames += as_float.resample(None)
        planes = np.concatenate([frame.to_ndarray() for frame in frames], axis=1)
        return planes.T.astype(float), stream.rate
