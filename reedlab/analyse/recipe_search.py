"""What matters, which recipes may be the best, and which one to make.

A factor matters if the responses do not stay the same under it beyond chance, in one test
over all of them, corrected for the number of factors. The desirability of every candidate
is reckoned in some thousand draws of all surfaces together (reedlab.model.best_set). Errors
of two responses go together as far as what their surfaces leave of the same reeds does.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.analyse.recipe_space import Grid, Space, make_grid
from reedlab.analyse.recipe_surface import Surface
from reedlab.model.best_set import Candidates, best_set, expected_worth
from reedlab.model.comparisons import holm
from reedlab.model.desirability import overall
from reedlab.model.jointly import joint_p_value
from reedlab.model.threads import one_thread

#: Desirability below which it falls no longer straight, so that draws of no use are no ties.
FLOOR = 0.01
#: Reeds that two responses must share for their errors to be taken as related.
LEAST_SHARED = 10


@dataclass(frozen=True)
class Search:
    """The candidates and what became of them.

    Attributes
    ----------
    grid : Grid
    fixed : tuple of str
        Factors that were left as usual, for there are too many to try all.
    desirability : ndarray, shape (candidates,)
        At the estimates, 0 to 1.
    may_be_best : ndarray of bool, shape (candidates,)
    """

    grid: Grid
    fixed: tuple[str, ...]
    desirability: np.ndarray
    may_be_best: np.ndarray


@one_thread
def search(
    space: Space,
    surfaces: Sequence[Surface],
    weights: Sequence[float],
    order: Sequence[str],
    seed: int,
) -> Search:
    """Compare all candidates; factors last in `order` stay as usual if they are too many."""
    grid, fixed = make_grid(space, order)
    numeric = np.array([factor.kind == "numeric" for factor in space.factors])
    candidates = Candidates(grid.places, numeric, grid.inside)
    found = best_set(
        candidates,
        [surface.estimates for surface in surfaces],
        [surface.rows(grid.table) for surface in surfaces],
        _desirability(surfaces, weights),
        absolute=[surface.response.direction == "target" for surface in surfaces],
        correlation=_correlation(surfaces),
        seed=seed,
    )
    return Search(grid, fixed, found.worth, found.may_be_best)


def mattering(space: Space, surfaces: Sequence[Surface]) -> pd.DataFrame:
    """Test of each factor that no response depends on it: ``p_value``, ``p_adjusted``.

    The strongest factor comes first.
    """
    correlation = _correlation(surfaces)
    models = [surface.estimates for surface in surfaces]
    p = [
        joint_p_value(models, [surface.places_of(f.name) for surface in surfaces], correlation)
        for f in space.factors
    ]
    names = [factor.name for factor in space.factors]
    tests = pd.DataFrame({"p_value": p, "p_adjusted": holm(np.array(p))}, index=names)
    return tests.sort_values("p_value", kind="stable")


@one_thread
def chosen_recipe(
    space: Space,
    surfaces: Sequence[Surface],
    weights: Sequence[float],
    found: Search,
    matters: Mapping[str, Sequence[str] | tuple[float, float]],
    seed: int,
) -> pd.Series:
    """Choose the recipe: what matters is set, within what may be best; the rest is as usual.

    Of the recipes that this leaves, the one that is expected to be the most desirable: what
    looks best by the estimates alone lies too often at an end of what was tried.
    """
    grid, _ = make_grid(space, [*matters])
    if not grid.inside.any():
        return _nearly_usual(space, found)
    allowed = grid.inside.copy()
    for name, best in matters.items():
        levels = grid.table[name]
        within = levels.between(*best) if isinstance(best, tuple) else levels.isin(best)
        allowed &= within.to_numpy()
    worth = expected_worth(
        [surface.estimates for surface in surfaces],
        [surface.rows(grid.table) for surface in surfaces],
        _desirability(surfaces, weights),
        correlation=_correlation(surfaces),
        seed=seed,
    )
    among = allowed if allowed.any() else grid.inside
    return grid.table.iloc[int(np.argmax(np.where(among, worth, -np.inf)))]


def _nearly_usual(space: Space, found: Search) -> pd.Series:
    """Change as little as can be of a usual recipe whose levels were never made together."""
    changes = (found.grid.places != found.grid.nearest(space.usual)).sum(axis=1)
    worth = np.where(found.may_be_best, found.desirability - changes, -np.inf)
    return found.grid.table.iloc[int(np.argmax(worth))]


def _desirability(
    surfaces: Sequence[Surface], weights: Sequence[float]
) -> Callable[[Sequence[np.ndarray]], np.ndarray]:
    def desirability(means: Sequence[np.ndarray]) -> np.ndarray:
        parts = [s.desirability(m, FLOOR, s.spread) for s, m in zip(surfaces, means, strict=True)]
        return overall(parts, weights)

    return desirability


def _correlation(surfaces: Sequence[Surface]) -> np.ndarray:
    left = [surface.reed_residuals for surface in surfaces]
    shared = pd.concat(left, axis="columns", join="inner")
    if len(surfaces) == 1 or len(shared) < LEAST_SHARED:
        return np.eye(len(surfaces))
    return np.nan_to_num(shared.corr().to_numpy(), nan=0.0)
