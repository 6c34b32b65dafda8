"""Restricted shuffles: what could as well have been drawn.

Rows lie in whole plots; whole plots of one group may change places, and rows may change
places inside their plot. An arrangement says from which row each row takes its treatment.
Arrangements that give every row the same treatment count once.
"""

from collections import Counter
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import ceil, factorial, prod

import numpy as np

from reedlab.errors import ModelError

#: Arrangements that are drawn at a time.
CHUNK = 5000
#: So many draws in a row, none of them accepted, are given up.
HOPELESS = 100_000


@dataclass(frozen=True)
class Shuffles:
    """All arrangements that a restricted randomisation could have drawn.

    Attributes
    ----------
    plot : ndarray of int, shape (n,)
        Whole plot of each row.
    group : ndarray of int, shape (n,)
        Plots of equal group may change places; they have equally many rows.
    inside : bool
        Whether rows change places inside their plot.
    accepts : callable, optional
        From arrangements, shape (m, n), to bool, shape (m,): those that were not drawn again.

    Raises
    ------
    ModelError
        If a plot lies in two groups, or plots of a group differ in size.

    Examples
    --------
    Four plots of one row, two of either treatment: six arrangements.

    >>> tea = Shuffles(np.arange(4), np.zeros(4, dtype=int))
    >>> tea.count([0, 0, 1, 1]), tea.every([0, 0, 1, 1]).shape
    (6, (6, 4))
    """

    plot: np.ndarray
    group: np.ndarray
    inside: bool = True
    accepts: Callable[[np.ndarray], np.ndarray] | None = None

    def __post_init__(self) -> None:
        for rows in self._rows:
            if len(set(self.group[rows].tolist())) > 1:
                raise ModelError("A whole plot lies in two groups of plots that change places.")
        for here in self._grouped:
            if len({len(self._rows[plot]) for plot in here}) > 1:
                raise ModelError("Plots of different size cannot change places.")

    def plots_only(self) -> "Shuffles":
        """Return the shuffles of whole plots, their rows staying in order."""
        return replace(self, inside=False)

    def count(self, treatment: Sequence[Hashable]) -> int:
        """Count the arrangements that differ in what some row gets; `accepts` not considered."""
        types = [self._type(rows, treatment) for rows in self._rows]
        ways = prod(_orders([types[plot] for plot in here]) for here in self._grouped)
        if self.inside:
            ways *= prod(_orders([treatment[row] for row in rows]) for rows in self._rows)
        return ways

    def every(self, treatment: Sequence[Hashable]) -> np.ndarray:
        """List these arrangements, shape (m, n): row i takes the treatment of row [., i]."""
        types = [self._type(rows, treatment) for rows in self._rows]
        swaps = [
            np.array(list(_distinct(here, [types[plot] for plot in here])))
            for here in self._grouped
        ]
        turns = [
            np.array(list(_distinct(rows, [treatment[row] for row in rows])))
            if self.inside
            else np.array([rows])
            for rows in self._rows
        ]
        ways = [len(one) for one in (*swaps, *turns)]
        place = np.unravel_index(np.arange(prod(ways)), ways)
        taken = np.empty((prod(ways), len(self.plot)), dtype=np.intp)
        for here, swap, chosen in zip(self._grouped, swaps, place, strict=False):
            # From which plot each plot of the group takes its rows, one column a plot.
            sources = swap[chosen]
            for slot, plot in enumerate(here):
                for source in here:
                    which = np.flatnonzero(sources[:, slot] == source)
                    order = place[len(swaps) + source][which]
                    taken[np.ix_(which, self._rows[plot])] = turns[source][order]
        return self._accepted(taken)

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Draw arrangements, shape (count, n).

        Raises
        ------
        ModelError
            If no arrangement is accepted.
        """
        parts, found, tried = [], 0, 0
        while found < count:
            size = CHUNK
            if found or self.accepts is None:
                # So many as give the rest if as many of them are accepted as so far.
                size = min(CHUNK, ceil((count - found) * (tried / found if found else 1)))
            part = self._accepted(self._drawn(size, rng))
            parts.append(part)
            found, tried = found + len(part), tried + size
            if not found and tried >= HOPELESS:
                raise ModelError("No arrangement that was drawn meets the plan's own restriction.")
        return np.concatenate(parts)[:count]

    def _drawn(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Sort random numbers: of plots within groups, then of rows within plots."""
        slots = np.concatenate(self._grouped)
        group_of = np.repeat(np.arange(len(self._grouped)), [len(g) for g in self._grouped])
        order = np.argsort(group_of + rng.random((count, len(slots))), axis=1)
        source = np.empty_like(order)
        source[:, slots] = slots[order]  # plot p takes the rows of plot source[:, p]
        # Where the rows of each plot go when rows are read plot by plot.
        slot = np.empty_like(source)
        np.put_along_axis(slot, source, np.arange(source.shape[1])[None], axis=1)
        key = slot[:, self._code]
        if self.inside:
            rows = np.argsort(key + rng.random(key.shape), axis=1)
        else:
            rows = np.argsort(key, axis=1, kind="stable")
        taken = np.empty_like(rows)
        taken[:, np.concatenate(self._rows)] = rows
        return taken

    def _accepted(self, taken: np.ndarray) -> np.ndarray:
        return taken if self.accepts is None else taken[self.accepts(taken)]

    def _type(self, rows: np.ndarray, treatment: Sequence[Hashable]) -> Hashable:
        """What a plot brings along: in order, or as a set if its rows are shuffled anyway."""
        brought = [treatment[row] for row in rows]
        return frozenset(Counter(brought).items()) if self.inside else tuple(brought)

    @cached_property
    def _code(self) -> np.ndarray:
        return np.unique(self.plot, return_inverse=True)[1]

    @cached_property
    def _rows(self) -> list[np.ndarray]:
        """Rows of each plot."""
        return [np.flatnonzero(self._code == plot) for plot in range(self._code.max() + 1)]

    @cached_property
    def _grouped(self) -> list[np.ndarray]:
        """Plots of each group."""
        group = np.array([self.group[rows[0]] for rows in self._rows])
        return [np.flatnonzero(group == one) for one in np.unique(group)]


def _orders(labels: Sequence[Hashable]) -> int:
    return factorial(len(labels)) // prod(map(factorial, Counter(labels).values()))


def _distinct(items: np.ndarray, labels: Sequence[Hashable]) -> Iterator[list[int]]:
    """Give the orders of items that differ in their labels; items alike keep their order."""
    waiting: dict[Hashable, list[int]] = {}
    for item, label in zip(items.tolist(), labels, strict=True):
        waiting.setdefault(label, []).append(item)
    used = dict.fromkeys(waiting, 0)
    chosen: list[int] = []

    def further() -> Iterator[list[int]]:
        if len(chosen) == len(items):
            yield list(chosen)
            return
        for label, alike in waiting.items():
            if used[label] < len(alike):
                chosen.append(alike[used[label]])
                used[label] += 1
                yield from further()
                used[label] -= 1
                chosen.pop()

    yield from further()
