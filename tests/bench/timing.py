"""Time the sides of a row in alternating runs, so that what slows the machine slows all.

In every round each side runs once, in an order that turns; the ratio of a round is that of
times taken within it. Medians and quartiles over the rounds; seconds of the clock, or of another
one that is given (`time.process_time` where the machine is busy).
"""

import resource
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from gc import collect
from time import perf_counter

import numpy as np

from tests.bench.frame import Elsewhere, Row, Run, Side

Clock = Callable[[], float]

#: Rounds at the compared size, and at each of the other three.
ROUNDS, ROUNDS_GROWTH = 7, 3
#: A comparison stops after so many seconds if each side has run three times, growth at one size
#: if it has run once.
ENOUGH_S, FEWEST, ENOUGH_GROWTH_S = 15.0, 3, 2.5
#: A run that takes longer than this, in s, is not run only to get warm.
LONG_S = 2.0
#: Shorter runs are repeated until one measurement lasts this long, in s.
SHORTEST_S = 0.02


@dataclass(frozen=True)
class Timed:
    """Seconds of one side at one size, a run each; of one piece where the row counts pieces."""

    side: str
    size: int
    seconds: np.ndarray

    @property
    def quartiles(self) -> tuple[float, float, float]:
        """Lower quartile, median and upper quartile of the seconds."""
        low, middle, high = np.quantile(self.seconds, [0.25, 0.5, 0.75])
        return float(low), float(middle), float(high)

    def times_faster(self, other: "Timed") -> tuple[float, float, float]:
        """Quartiles and median of how many times longer the other took, round by round."""
        low, middle, high = np.quantile(other.seconds / self.seconds, [0.25, 0.5, 0.75])
        return float(low), float(middle), float(high)


def compared(row: Row, rounds: int = ROUNDS, clock: Clock = perf_counter) -> list[Timed]:
    """Time all sides at their compared sizes; ours first.

    Raises
    ------
    AssertionError
        If the row can compare what its sides return, and they differ.
    """
    sides = row.sides
    runs = [side.prepare(side.at) for side in sides]
    # The first run of each loads what is loaded once, and shows whether the sides agree.
    returned, repeats = [], []
    for run in runs:
        began = perf_counter()
        returned.append(run())
        long = perf_counter() - began > LONG_S
        repeats.append(1 if long else _repeats(_timed(run, 1, clock)))
    agreed(row, returned)
    del returned
    seconds: list[list[float]] = [[] for _ in sides]
    began = perf_counter()
    for turn in range(rounds):
        if turn >= FEWEST and perf_counter() - began > ENOUGH_S:
            break
        for place in _turned(len(sides), turn):
            seconds[place].append(_timed(runs[place], repeats[place], clock))
    return [
        Timed(side.name, side.at, np.array(taken) / _pieces(row, side.at))
        for side, taken in zip(sides, seconds, strict=True)
    ]


def agreed(row: Row, returned: list[object]) -> None:
    """Compare what the sides of a row returned, ours first, where the row can.

    Raises
    ------
    AssertionError
        If they differ.
    """
    answers = [one.answer if isinstance(one, Elsewhere) else one for one in returned]
    for other in answers[1:]:
        if row.agree is not None and other is not None:
            row.agree(answers[0], other)


def growth(row: Row, side: Side, rounds: int = ROUNDS_GROWTH) -> list[Timed]:
    """Time one side at its four sizes."""
    found = []
    for size in side.sizes:
        run, repeats = side.prepare(size), 1
        seconds = [_timed(run, 1)]
        if seconds[0] < LONG_S:  # the first of several short ones may have loaded something
            repeats = _repeats(_timed(run, 1))
            seconds = [_timed(run, repeats)]
        began = perf_counter()
        while len(seconds) < rounds and perf_counter() - began < ENOUGH_GROWTH_S:
            seconds.append(_timed(run, repeats))
        found.append(Timed(side.name, size, np.array(seconds) / _pieces(row, size)))
    return found


def exponent(grown: list[Timed], pieces: bool) -> float:
    """Fit the power of the size with which the time of the whole grows: 1 is in proportion."""
    sizes = np.array([timed.size for timed in grown], dtype=float)
    whole = np.array([timed.quartiles[1] for timed in grown]) * (sizes if pieces else 1)
    return float(np.polyfit(np.log(sizes), np.log(whole), 1)[0])


def of_children() -> float:
    """Read the clock of the processor time of all processes started here that have ended, in s."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _pieces(row: Row, size: int) -> int:
    return size if row.each else 1


def _turned(count: int, turn: int) -> Iterator[int]:
    """Each place once, beginning with another one in every turn."""
    return ((place + turn) % count for place in range(count))


def _repeats(seconds: float) -> int:
    return max(1, round(SHORTEST_S / max(seconds, 1e-9)))


def _timed(run: Run, repeats: int, clock: Clock = perf_counter) -> float:
    collect()
    start = clock()
    for _ in range(repeats):
        run()
    return (clock() - start) / repeats
