"""Where the attempts lie in a recording that holds several: sound apart from the quiet.

Found by the A-weighted level against the quiet of the same recording, which is taken from
its quietest tenth. Times in seconds, levels in dB.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reedlab.errors import RecordError
from reedlab.measure.levels import level_track
from reedlab.measure.recording import Recording

#: A quiet of at least this length parts two attempts.
GAP_S = 0.4
#: A sound shorter than this is a knock or a click.
SHORTEST_S = 0.15
#: A sound begins where the level reaches this far above the quiet, dB ...
ABOVE_DB = 10.0
#: ... and reaches as far as the level stays this far above it.
EDGE_DB = 5.0


@dataclass(frozen=True)
class Attempts:
    """The attempts of a recording, in order; made by :func:`find_attempts`.

    It can be counted, walked through and indexed like a list of ``(start_s, end_s)``.
    """

    spans: tuple[tuple[float, float], ...]
    quiet_db: float
    cautions: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.spans)

    def __iter__(self) -> Iterator[tuple[float, float]]:
        return iter(self.spans)

    def __getitem__(self, place: int) -> tuple[float, float]:
        return self.spans[place]


def find_attempts(recording: Recording) -> Attempts:
    """Return the beginning and end of every attempt, in seconds."""
    time_s, level_db = level_track(recording, "A")
    quiet_db = float(np.percentile(level_db, 10))
    above = level_db > quiet_db + EDGE_DB
    spans = [
        (first, last)
        for first, last in _runs(above)
        if level_db[first:last].max() > quiet_db + ABOVE_DB
    ]
    step = time_s[1] - time_s[0]
    joined = _joined(spans, GAP_S / step)
    kept = tuple(
        (float(time_s[first]), float(time_s[last - 1]))
        for first, last in joined
        if (last - first) * step >= SHORTEST_S
    )
    if not kept:
        raise RecordError(f"{recording.path.name} holds no sound that stands above its quiet.")
    return Attempts(kept, quiet_db)


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(int)))
    return [(int(first), int(last)) for first, last in edges.reshape(-1, 2)]


def _joined(spans: list[tuple[int, int]], gap: float) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for first, last in spans:
        if joined and first - joined[-1][1] < gap:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined
