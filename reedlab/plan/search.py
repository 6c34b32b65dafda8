"""Exact optimal designs by coordinate exchange, many random starts at a time.

A coordinate is one level of one factor on the thing to which it is given: a reed, or a
tube with all its reeds. Starting from random levels, each coordinate in turn takes the
level that makes the generalised-least-squares information X'V^-1 X largest, until no
coordinate gains. V is that of reeds within tubes (within lots) and rests on an assumed
share of the tubes; the criterion is averaged over several shares. D is the mean log
determinant a parameter (which effects?), I minus the mean variance of prediction over
all recipes (which recipe is best?).

A change touches the r rows of one unit, so the new information is M + U C U' with U of
2r columns: its determinant and its inverse follow from matrices of that size.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from threadpoolctl import threadpool_limits

from reedlab.pieces import in_pieces, workers
from reedlab.plan.terms import Model

#: Added to the diagonal of the information so that a singular start can climb out.
RIDGE = 1e-7
#: A coordinate is changed for a gain of more than this.
GAIN = 1e-9
#: Passes over all coordinates after which a start is left as it is.
MAX_PASSES = 60
#: Work (starts x rows x factors x parameters squared) that the default number of starts may cost.
WORK = 4e7
FEWEST_STARTS, MOST_STARTS = 20, 1000
#: Work that is worth giving to another process: about a quarter of a second.
PIECE = 5e6
#: Few parameters are soon at their best: so many starts for each pair of them.
STARTS_A_PAIR = 10


@dataclass(frozen=True)
class Task:
    """What is to be optimised.

    Attributes
    ----------
    model : Model
    units : ndarray of int, shape (factors set, n)
        Which unit of its stratum each row is in, for each factor.
    given : ndarray, shape (n, factors given)
    nuisance : ndarray, shape (n, q)
        The mean and what is taken out with it (lots, batches); they are not asked about.
    weights : ndarray, shape (K, n, n)
        V^-1 for each assumed share of the tubes.
    allowed : callable
        From places of levels, shape (m, factors set), to bool (m,): recipes that may be made.
    free : ndarray of bool, shape (n, factors set)
        Levels that may be chosen; the others are given already, the same over a unit.
    made : ndarray of int, shape (n, factors set)
        The levels that are given; anything elsewhere.
    moments : ndarray, shape (p + q, p + q), optional
        Mean of f f' over the recipes, f coded with the nuisance first; given, the criterion
        is I, else D.
    """

    model: Model
    units: np.ndarray
    given: np.ndarray
    nuisance: np.ndarray
    weights: np.ndarray
    allowed: Callable[[np.ndarray], np.ndarray]
    free: np.ndarray
    made: np.ndarray
    moments: np.ndarray | None = None

    def rows(self, levels: np.ndarray) -> np.ndarray:
        """Code levels (..., n, F) into all columns (..., n, q + p)."""
        columns = self.model.columns(levels, self.given)
        fixed = np.broadcast_to(self.nuisance, (*levels.shape[:-1], self.nuisance.shape[1]))
        return np.concatenate([fixed, columns], axis=-1)

    def information(self, levels: np.ndarray) -> np.ndarray:
        """X'V^-1 X for levels (..., n, F) and every share, shape (..., K, p, p)."""
        X = self.rows(levels)[..., None, :, :]
        return np.swapaxes(X, -1, -2) @ (self.weights @ X)

    def value(self, levels: np.ndarray) -> np.ndarray:
        """The criterion of levels (..., n, F); larger is better, -inf if not estimable."""
        M = self.information(levels)
        size = np.sqrt(np.einsum("...pp->...p", M))
        size = np.where(size > 0, size, 1)
        scaled = M / (size[..., :, None] * size[..., None, :])
        sound = np.linalg.eigvalsh(scaled)[..., 0].min(axis=-1) > 1e-9
        return np.where(sound, self._criterion(M + RIDGE * 1e-6 * np.eye(M.shape[-1])), -np.inf)

    def _criterion(self, M: np.ndarray) -> np.ndarray:
        if self.moments is None:
            return np.linalg.slogdet(M)[1].mean(axis=-1) / M.shape[-1]
        return -np.trace(np.linalg.solve(M, self.moments), axis1=-2, axis2=-1).mean(axis=-1)


def default_starts(task: Task) -> int:
    """How many random starts a task of this size gets, the same on every machine."""
    enough = min(MOST_STARTS, STARTS_A_PAIR * _parameters(task) ** 2)
    return max(FEWEST_STARTS, min(enough, int(WORK / _work(task))))


def search(
    task: Task,
    starts: int,
    rng: np.random.Generator,
    tell: Callable[[int, int], None] | None = None,
) -> tuple[np.ndarray, float]:
    """Find the best levels from so many random starts.

    On one process `tell` hears how many starts have ended, on several how many parts of them.

    Returns
    -------
    levels : ndarray of int, shape (n, factors set)
    value : float
        Its criterion; ``-inf`` if no start could be estimated.
    """
    levels = np.stack([_random_levels(task, rng) for _ in range(starts)])
    # Starts go their own ways whatever others are beside them, so that they may be divided by the
    # number of workers: few at a time take longer.
    parts = max(1, min(workers(), starts, int(starts * _work(task) / PIECE)))
    if parts == 1:
        levels = _climbed(task, levels, tell=tell)
    else:
        divided = np.array_split(levels, parts)
        levels = np.concatenate(in_pieces(partial(_climbed, task), divided, tell=tell))
    values = task.value(levels)
    # Equal designs differ in the last bits; the first of them is taken on every machine.
    best = int(np.argmax(values >= values.max() - 1e-9))
    return levels[best], float(values[best])


def _parameters(task: Task) -> int:
    return task.nuisance.shape[1] + sum(task.model.widths)


def _work(task: Task) -> int:
    """What one start costs."""
    factors, n = task.units.shape
    return n * factors * (_parameters(task) ** 2 + 100)


def _random_levels(task: Task, rng: np.random.Generator) -> np.ndarray:
    """Random levels on every unit; units whose reeds would be forbidden are drawn again."""
    counts = [len(factor.levels) for factor in task.model.settable]
    levels = task.made.copy()
    for place in np.argsort([len(np.unique(unit)) for unit in task.units], kind="stable"):
        drawn = rng.integers(counts[place], size=task.units[place].max() + 1)
        free = task.free[:, place]
        levels[free, place] = drawn[task.units[place]][free]
    for _ in range(1000):
        bad = ~task.allowed(levels) & task.free.any(axis=1)
        if not bad.any():
            return levels
        row = int(np.flatnonzero(bad)[0])
        for place, count in enumerate(counts):
            together = (task.units[place] == task.units[place][row]) & task.free[:, place]
            levels[together, place] = rng.integers(count)
    return levels


def _climbed(
    task: Task,
    starts: np.ndarray,
    _seed: np.random.SeedSequence | None = None,
    tell: Callable[[int, int], None] | None = None,
) -> np.ndarray:
    """Let every start climb until nothing gains; nothing is drawn."""
    levels = starts.copy()
    active = np.arange(len(levels))
    # On one thread, as reedlab.model.threads says, without the engine, which no plan needs.
    with threadpool_limits(limits=1, user_api="blas"):
        for _ in range(MAX_PASSES):
            moved = _one_pass(task, levels, active)
            active = active[moved]
            if tell is not None:
                tell(len(levels) - len(active), len(levels))
            if not len(active):
                break
    return levels


def _one_pass(task: Task, levels: np.ndarray, active: np.ndarray) -> np.ndarray:
    """Offer every coordinate of the active starts all its levels; say which starts moved."""
    here = levels[active]
    X = task.rows(here)
    M = task.information(here)
    A = np.linalg.inv(M + RIDGE * np.eye(M.shape[-1]))
    moved = np.zeros(len(active), dtype=bool)
    for place, factor in enumerate(task.model.settable):
        for unit in np.unique(task.units[place][task.free[:, place]]):
            rows = np.flatnonzero(task.units[place] == unit)
            offered = np.repeat(here[:, None, rows], len(factor.levels), axis=1)
            offered[..., place] = np.arange(len(factor.levels))[:, None]
            fit = task.allowed(offered.reshape(-1, offered.shape[-1])).reshape(offered.shape[:3])
            change = _Change.of(task, X, A, rows, offered)
            gain = np.where(fit.all(axis=-1), change.gain(task, A), -np.inf)
            gain[np.arange(len(here)), here[:, rows[0], place]] = 0.0
            best = gain.argmax(axis=1)
            better = np.flatnonzero(gain[np.arange(len(here)), best] > GAIN)
            if not len(better):
                continue
            moved[better] = True
            here[better[:, None], rows, place] = best[better][:, None]
            X[np.ix_(better, rows)] = change.X[better, best[better]]
            A[better] = change.inverse(A, better, best[better])
    levels[active] = here
    return moved


@dataclass(frozen=True)
class _Change:
    """New rows of one unit for S starts and L levels: M + U C U'."""

    X: np.ndarray  # (S, L, r, p), the new rows
    AU: np.ndarray  # (S, L, K, p, 2r)
    core: np.ndarray  # (S, L, K, 2r, 2r), C^-1 + U'AU

    @classmethod
    def of(
        cls, task: Task, X: np.ndarray, A: np.ndarray, rows: np.ndarray, offered: np.ndarray
    ) -> "_Change":
        r = len(rows)
        columns = task.model.columns(offered, task.given[rows])
        fixed = np.broadcast_to(task.nuisance[rows], (*offered.shape[:-1], task.nuisance.shape[1]))
        new = np.concatenate([fixed, columns], axis=-1)
        D = np.swapaxes(new - X[:, None, rows], -1, -2)[:, :, None]  # (S, L, 1, p, r)
        P = np.swapaxes(task.weights[:, rows] @ X[:, None], -1, -2)[:, None]  # (S, 1, K, p, r)
        shape = np.broadcast_shapes(D.shape, P.shape)
        U = np.concatenate([np.broadcast_to(D, shape), np.broadcast_to(P, shape)], axis=-1)
        AU = A[:, None] @ U
        inverse = np.zeros((len(task.weights), 2 * r, 2 * r))
        inverse[:, :r, r:] = inverse[:, r:, :r] = np.eye(r)
        inverse[:, r:, r:] = -task.weights[:, rows][:, :, rows]
        return cls(new, AU, inverse + np.swapaxes(U, -1, -2) @ AU)

    def gain(self, task: Task, A: np.ndarray) -> np.ndarray:
        """Change of the criterion, shape (S, L)."""
        if task.moments is None:
            # det(C) is 1 or -1: the ratio of determinants is that of the core, without its sign.
            sign, log = np.linalg.slogdet(self.core)
            sound = sign == (-1.0) ** (self.core.shape[-1] // 2)
            return np.where(sound, log, -np.inf).mean(axis=-1) / A.shape[-1]
        middle = np.swapaxes(self.AU, -1, -2) @ task.moments @ self.AU
        return np.trace(np.linalg.solve(self.core, middle), axis1=-2, axis2=-1).mean(axis=-1)

    def inverse(self, A: np.ndarray, starts: np.ndarray, taken: np.ndarray) -> np.ndarray:
        """(M + U C U')^-1 of the starts that change, for the level that each takes."""
        AU, core = self.AU[starts, taken], self.core[starts, taken]
        return A[starts] - AU @ np.linalg.solve(core, np.swapaxes(AU, -1, -2))
