"""Which of many candidates may be the best, when what is known of them is uncertain.

Not one best point but the set of those that the data do not exclude. The estimates of
one or several models are drawn many times from their joint distribution; a candidate is
excluded if a rival is better than it in so many draws that this is no chance. A single
comparison is made at a level that allows for all of them, as in multiple comparisons
with the best (Hsu 1984) and confidence regions of an optimum (Peterson, Cahya & del
Castillo 2002): the level is such that 95 % of draws lie nowhere further from the estimate
than it, over all candidates at once (the minimal p value of Westfall & Young 1993).
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

#: Draws of the coefficients.
DRAWS = 4000
#: So many places of a factor decide how many comparisons are made of it.
LINE = 9
#: Scores nearer to each other than this are equal.
TIE = 1e-9


@dataclass(frozen=True)
class Estimates:
    """What is known of one model's coefficients.

    Attributes
    ----------
    names : tuple of str
        Of the coefficients; of several models those of the same name go together.
    coefficients : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
    df : ndarray, shape (p,)
        Degrees of freedom of the standard error of each.
    """

    names: tuple[str, ...]
    coefficients: np.ndarray
    covariance: np.ndarray
    df: np.ndarray


@dataclass(frozen=True)
class Candidates:
    """The points that are compared: a grid over several factors.

    Attributes
    ----------
    places : ndarray of int, shape (candidates, factors)
        Place of each on the grid of each factor, the last factor varying fastest.
    numeric : ndarray of bool, shape (factors,)
        Factors whose places are in order.
    inside : ndarray of bool, shape (candidates,)
        Those that may be chosen; the others are no rivals either.
    """

    places: np.ndarray
    numeric: np.ndarray
    inside: np.ndarray

    def rows_of(self, places: np.ndarray) -> np.ndarray:
        """Which candidate has these places, shape (m,)."""
        return np.ravel_multi_index(tuple(places.T), tuple(self.places.max(axis=0) + 1))


@dataclass(frozen=True)
class BestSet:
    """What became of the candidates.

    Attributes
    ----------
    worth : ndarray, shape (candidates,)
        At the estimates.
    may_be_best : ndarray of bool, shape (candidates,)
    level : float
        One-sided level of a single comparison.
    """

    worth: np.ndarray
    may_be_best: np.ndarray
    level: float


def best_set(
    candidates: Candidates,
    models: Sequence[Estimates],
    rows: Sequence[np.ndarray],
    worth: Callable[[Sequence[np.ndarray]], np.ndarray],
    *,
    absolute: Sequence[bool],
    correlation: np.ndarray | None = None,
    draws: int = DRAWS,
    seed: int = 1,
) -> BestSet:
    """Find the candidates that may be the best.

    Parameters
    ----------
    candidates : Candidates
    models : sequence of Estimates
    rows : sequence of ndarray, shape (candidates, p)
        For each model the candidates as its coefficients see them.
    worth : callable
        From the means of all models, each of shape (candidates, ...), to how good that is.
    absolute : sequence of bool
        For each model whether the level of its mean decides (a target), not differences only.
    correlation : ndarray, shape (models, models), optional
        Of the errors of the models; left out, none.
    draws, seed : int

    Returns
    -------
    BestSet

    Examples
    --------
    >>> places = np.array([[0], [1]])
    >>> two = Candidates(places, np.array([False]), np.array([True, True]))
    >>> known = Estimates(("1", "a"), np.array([0.0, 2.0]), np.eye(2) / 4, np.array([30.0, 30]))
    >>> rows = np.array([[1.0, -1], [1, 1]])
    >>> best_set(two, [known], [rows], lambda m: m[0], absolute=[False]).may_be_best.tolist()
    [False, True]
    """
    errors = joint_draws(
        models, np.eye(len(models)) if correlation is None else correlation, draws, seed
    )
    means = [row @ model.coefficients for row, model in zip(rows, models, strict=True)]
    now = worth(means)
    best = int(np.argmax(np.where(candidates.inside, now, -np.inf)))
    scores = worth(_drawn_means(models, rows, errors))
    # What is compared are changes of one factor; where a target is to be hit, its mean too.
    gaps = [scores[a] - scores[b] for a, b in _single_changes(candidates, best)]
    deviations = [gap - gap.mean(axis=1, keepdims=True) for gap in gaps]
    deviations += [r[[best]] @ e for r, e, a in zip(rows, errors, absolute, strict=True) if a]
    level = single_level(deviations)
    moved = towards(candidates.places, candidates.places[best], candidates.numeric)
    own = np.arange(len(now))
    rivals = [candidates.rows_of(places) for places in moved]
    rivals = [np.where(candidates.inside[rival], rival, own) for rival in rivals]
    kept = may_be_best(scores, rivals, level) & candidates.inside
    return BestSet(now, kept, level)


def expected_worth(
    models: Sequence[Estimates],
    rows: Sequence[np.ndarray],
    worth: Callable[[Sequence[np.ndarray]], np.ndarray],
    *,
    correlation: np.ndarray,
    draws: int = DRAWS,
    seed: int = 1,
) -> np.ndarray:
    """Return how good candidates are on average over what the coefficients may be.

    That is less than the worth at the estimates where an error either way only harms.

    Parameters
    ----------
    models, rows, worth, correlation, draws, seed
        As in :func:`best_set`.

    Returns
    -------
    ndarray, shape (candidates,)

    Examples
    --------
    >>> known = Estimates(("1",), np.array([0.0]), np.eye(1), np.array([1e6]))
    >>> far = expected_worth([known], [np.eye(1)], lambda m: -abs(m[0]), correlation=np.eye(1))
    >>> far.round(1).tolist()  # minus the mean of |z|, 0.8
    [-0.8]
    """
    errors = joint_draws(models, correlation, draws, seed)
    return worth(_drawn_means(models, rows, errors)).mean(axis=1)


def _drawn_means(
    models: Sequence[Estimates], rows: Sequence[np.ndarray], errors: Sequence[np.ndarray]
) -> list[np.ndarray]:
    """Means of the candidates in every draw, one array (candidates, count) a model."""
    return [
        (row @ model.coefficients)[:, None] + row @ error
        for row, model, error in zip(rows, models, errors, strict=True)
    ]


def joint_draws(
    models: Sequence[Estimates], correlation: np.ndarray, count: int, seed: int
) -> list[np.ndarray]:
    """Draw the errors of the coefficients of several models together.

    Parameters
    ----------
    models : sequence of Estimates
        With their shared coefficients first and in the same order.
    correlation : ndarray, shape (models, models)
        Of what no model explains.
    count : int
        How many draws.
    seed : int

    Returns
    -------
    list of ndarray, shape (p, count)
        One a model, around zero: each coefficient a t variable with its own degrees of
        freedom.

    Notes
    -----
    With one design and one ratio of the variances, the covariance of two models'
    coefficients is the correlation times the product of their Cholesky factors, exactly.
    """
    from scipy.stats import chi2

    rng = np.random.default_rng(seed)
    root = root_of(correlation)
    normal = {
        name: root @ rng.standard_normal((len(models), count))
        for name in dict.fromkeys(name for model in models for name in model.names)
    }
    # One draw of how far off the variances are goes through all coefficients alike.
    spread = rng.random(count)
    drawn = []
    for place, model in enumerate(models):
        standard = np.array([normal[name][place] for name in model.names])
        few, where = np.unique(np.maximum(model.df, 1.0), return_inverse=True)
        scale = np.sqrt(few[:, None] / chi2.ppf(spread, few[:, None]))
        drawn.append(scale[where] * (root_of(model.covariance) @ standard))
    return drawn


def single_level(deviations: Sequence[np.ndarray], level: float = 0.05) -> float:
    """Find the level of one comparison at which all of them together have `level`.

    Parameters
    ----------
    deviations : sequence of ndarray, shape (m, count)
        Draws of quantities around their estimates; rows that never deviate are ignored.
    level : float

    Returns
    -------
    float
        One-sided; at most level / 2.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> bool(abs(single_level([rng.standard_normal((1, 4000))]) - 0.025) < 1e-3)
    True
    """
    from scipy.stats import rankdata

    smallest = None
    for block in deviations:
        size = np.abs(block)
        size = size[size.max(axis=1) > 0]
        if not len(size):
            continue
        count = size.shape[1]
        p = (count + 1 - rankdata(size, axis=1, method="ordinal").max(axis=0)) / count
        smallest = p if smallest is None else np.minimum(smallest, p)
    return level / 2 if smallest is None else float(np.quantile(smallest, level)) / 2


def may_be_best(scores: np.ndarray, rivals: Iterable[np.ndarray], level: float) -> np.ndarray:
    """Keep the candidates that no rival is better than beyond chance.

    Parameters
    ----------
    scores : ndarray, shape (candidates, count)
        How good each candidate is in each draw.
    rivals : iterable of ndarray of int, shape (candidates,)
        For each candidate the place of one rival among the candidates, or its own.
    level : float
        One-sided level of a single comparison, from :func:`single_level`.

    Returns
    -------
    ndarray of bool, shape (candidates,)

    Examples
    --------
    >>> scores = np.random.default_rng(1).normal([[0.0], [1.0], [5.0]], 1, (3, 1000))
    >>> may_be_best(scores, [np.array([2, 2, 2])], 0.025).tolist()
    [False, False, True]
    """
    kept = np.ones(len(scores), dtype=bool)
    for rival in rivals:
        open_still = np.flatnonzero(kept & (rival != np.arange(len(scores))))
        as_good = scores[open_still] >= scores[rival[open_still]] - TIE
        kept[open_still] = as_good.mean(axis=1) >= level
    return kept


def towards(places: np.ndarray, goal: np.ndarray, numeric: np.ndarray) -> list[np.ndarray]:
    """Move candidates towards one of them, a factor at a time and all together.

    Parameters
    ----------
    places : ndarray of int, shape (candidates, factors)
        Place of each candidate on the grid of each factor.
    goal : ndarray of int, shape (factors,)
    numeric : ndarray of bool, shape (factors,)
        Factors that can be moved part of the way: one place, half the way, all of it.

    Returns
    -------
    list of ndarray of int, shape (candidates, factors)

    Examples
    --------
    >>> [m.tolist() for m in towards(np.array([[0, 1]]), np.array([4, 0]), np.array([True, False]))]
    [[[1, 1]], [[2, 1]], [[4, 1]], [[0, 0]], [[1, 1]], [[2, 1]], [[4, 0]]]
    """
    gap = goal - places
    steps = [np.where(numeric, np.sign(gap), 0), np.where(numeric, np.trunc(gap / 2), 0), gap]
    moves = []
    for factor, graded in enumerate(numeric):
        only = np.arange(len(numeric)) == factor
        moves += [np.where(only, step, 0) for step in (steps if graded else steps[-1:])]
    return [places + step.astype(int) for step in (*moves, *steps)]


def _single_changes(candidates: Candidates, best: int) -> list[tuple[np.ndarray, np.ndarray]]:
    """Pairs of candidates that differ in one factor, the others as in the best."""
    apart = candidates.places != candidates.places[best]
    pairs = []
    for factor in range(apart.shape[1]):
        line = np.flatnonzero(~np.delete(apart, factor, axis=1).any(axis=1))
        line = line[:: -(-len(line) // LINE)]
        first, second = np.triu_indices(len(line), 1)
        if len(first):
            pairs.append((line[first], line[second]))
    return pairs


def root_of(matrix: np.ndarray) -> np.ndarray:
    """Lower triangular root of a covariance; a hair is added where it is singular."""
    size = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    relative = matrix / np.outer(size, size)
    try:
        root = np.linalg.cholesky(relative)
    except np.linalg.LinAlgError:
        lift = 1e-9 + max(0.0, -float(np.linalg.eigvalsh(relative).min()))
        root = np.linalg.cholesky(relative + lift * np.eye(len(relative)))
    return size[:, None] * root
