"""Where the attempts lie in a recording that holds several: the sounds between the quiet.

Found by the A-weighted level against the quiet of the same recording. Times in seconds,
levels in dB.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from reedlab.errors import RecordError
from reedlab.measure.quiet import Quiet, find_quiet, runs
from reedlab.measure.recording import Recording

#: A quiet of this length parts two attempts; a shorter one is a breath or a slur that caught.
GAP_S = 0.4
#: A sound shorter than this is a knock or a click.
SHORTEST_S = 0.15
#: A sound is one that rises this far above the quiet, in dB ...
ABOVE_DB = 10.0
#: ... and it lasts as long as it stays this far above.
EDGE_DB = 5.0
#: A sound this far below the loudest attempt is none: a chair, a page, a word from afar.
FAINT_DB = 30.0


@dataclass(frozen=True)
class Attempts(Sequence[tuple[float, float]]):
    """The attempts of a recording in order, like a list; made by :func:`find_attempts`.

    Attributes
    ----------
    spans : tuple of (float, float)
        Beginning and end of each, in seconds. The first is attempt number 1.
    cautions : tuple of str
        What was left out, and whether there is any quiet.
    """

    spans: tuple[tuple[float, float], ...]
    cautions: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.spans)

    def __iter__(self) -> Iterator[tuple[float, float]]:
        return iter(self.spans)

    def __getitem__(self, place):  # type: ignore[no-untyped-def]
        return self.spans[place]


def find_attempts(recording: Recording) -> Attempts:
    """Return where each attempt of a recording begins and ends.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    Attempts
        A sequence of ``(start_s, end_s)``, with `cautions`.

    Raises
    ------
    RecordError
        If nothing stands out of the quiet.

    Notes
    -----
    A sound rises 10 dB above the quiet and lasts as long as it stays 5 dB above it;
    sounds less than 0.4 s apart are one attempt. Knocks (shorter than 0.15 s) and sounds
    30 dB below the loudest attempt are left out and counted. The edges are those of a
    window of 0.05 s, so an attempt is given up to 0.03 s too long at either end. Where
    somebody plays from the first to the last moment the whole recording is one attempt.

    Examples
    --------
    >>> from pathlib import Path
    >>> t = np.arange(24000) / 8000
    >>> noise = np.random.default_rng(1).normal(size=24000) * 1e-4
    >>> tone = np.sin(2 * np.pi * 330 * t) * ((t % 1.5 > 0.5) & (t % 1.5 < 1))
    >>> [(round(a, 1), round(b, 1)) for a, b in
    ...  find_attempts(Recording(Path("crow.wav"), tone / 4 + noise, 8000))]
    [(0.5, 1.0), (2.0, 2.5)]
    """
    found = find_quiet(recording)
    if np.isnan(found.floor_db):
        return Attempts(
            ((0.0, recording.duration_s),),
            (
                f"There is no quiet in {recording.path.name}, so it counts as one attempt; leave "
                "a second of quiet before and after each.",
            ),
        )
    sounds = [
        (first, last)
        for first, last in runs(found.level_db > found.floor_db + EDGE_DB)
        if found.level_db[first:last].max() > found.floor_db + ABOVE_DB
    ]
    spans, knocks = _without_knocks(_joined(sounds, found), found)
    spans, faint = _without_faint(spans, found)
    if not spans:
        raise RecordError(
            f"{recording.path.name} holds no sound longer than {SHORTEST_S:g} s that rises "
            f"{ABOVE_DB:g} dB above its quiet; record nearer to the reed."
        )
    half = found.step_s / 2
    return Attempts(
        tuple(
            (
                max(float(found.time_s[first]) - half, 0.0),
                min(float(found.time_s[last - 1]) + half, recording.duration_s),
            )
            for first, last in spans
        ),
        tuple(_left_out(knocks, faint)),
    )


def _joined(sounds: list[tuple[int, int]], found: Quiet) -> list[list[tuple[int, int]]]:
    """Group sounds that lie less than a gap apart."""
    groups: list[list[tuple[int, int]]] = []
    for sound in sounds:
        if groups and (sound[0] - groups[-1][-1][1]) * found.step_s < GAP_S:
            groups[-1].append(sound)
        else:
            groups.append([sound])
    return groups


def _without_knocks(
    groups: list[list[tuple[int, int]]], found: Quiet
) -> tuple[list[tuple[int, int]], int]:
    """Take knocks off both ends of each group; one in the middle belongs to the playing."""
    spans, knocks = [], 0
    for group in groups:
        long = [
            place
            for place, (first, last) in enumerate(group)
            if (last - first) * found.step_s >= SHORTEST_S
        ]
        if long:
            spans.append((group[long[0]][0], group[long[-1]][1]))
            knocks += len(group) - 1 - (long[-1] - long[0])
        else:
            knocks += len(group)
    return spans, knocks


def _without_faint(spans: list[tuple[int, int]], found: Quiet) -> tuple[list[tuple[int, int]], int]:
    loud = [float(np.quantile(found.level_db[first:last], 0.95)) for first, last in spans]
    kept = [
        span
        for span, level in zip(spans, loud, strict=True)
        if level > max(loud, default=0) - FAINT_DB
    ]
    return kept, len(spans) - len(kept)


def _left_out(knocks: int, faint: int) -> Iterator[str]:
    if knocks:
        yield (
            f"{knocks} sound{'s' if knocks > 1 else ''} shorter than {SHORTEST_S:g} s "
            f"{'are' if knocks > 1 else 'is'} left out as {'knocks' if knocks > 1 else 'a knock'}."
        )
    if faint:
        yield (
            f"{faint} sound{'s' if faint > 1 else ''} more than {FAINT_DB:g} dB below the loudest "
            f"attempt {'are' if faint > 1 else 'is'} left out."
        )
