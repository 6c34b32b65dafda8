"""Which recipes may be the best: candidates, their desirability, and what is excluded.

The desirability of every candidate is reckoned in some thousand draws of all surfaces
together (reedlab.model.best_set). Errors of two responses go together as far as what
their surfaces leave of the same reeds does.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.analyse.recipe_space import Grid, Space, make_grid
from reedlab.analyse.recipe_surface import Surface
from reedlab.model.best_set import joint_draws, may_be_best, single_level, towards
from reedlab.model.desirability import overall
from reedlab.model.threads import one_thread

#: Draws of the coefficients.
DRAWS = 4000
#: So many candidates decide the level of a single comparison.
ENOUGH = 150
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
    space: Space, surfaces: Sequence[Surface], weights: Sequence[float], seed: int
) -> Search:
    """Compare all candidates; see the module's text."""
    grid, fixed = make_grid(space, _by_strength(space, surfaces))
    rows = [surface.rows(grid.table) for surface in surfaces]
    errors = joint_draws([s.estimates for s in surfaces], _correlation(surfaces), DRAWS, seed)
    means = [r @ surface.estimates.values for r, surface in zip(rows, surfaces, strict=True)]
    desirability = overall(_parts(surfaces, means), weights)
    best = int(np.argmax(np.where(grid.inside, desirability, -1.0)))
    level = single_level(_deviations(grid, surfaces, rows, errors, best))
    drawn = [m[:, None] + r @ e for m, r, e in zip(means, rows, errors, strict=True)]
    scores = overall(_parts(surfaces, drawn), weights)
    numeric = np.array([factor.kind == "numeric" for factor in space.factors])
    moved = [grid.place_of(p) for p in towards(grid.places, grid.places[best], numeric)]
    own = np.arange(len(scores))
    rivals = [np.where(grid.inside[rival], rival, own) for rival in moved]
    return Search(grid, fixed, desirability, may_be_best(scores, rivals, level) & grid.inside)


def _by_strength(space: Space, surfaces: Sequence[Surface]) -> list[str]:
    """Names of the factors, that of the smallest p value for any response first."""
    from scipy.stats import f as f_distribution

    smallest = {factor.name: 1.0 for factor in space.factors}
    for surface in surfaces:
        unit = np.eye(surface.fit.fixed.X.shape[1])
        for name in surface.names:
            F, q, df = surface.fit.test(unit[surface.fit.fixed.terms[name]])
            smallest[name] = min(smallest[name], float(f_distribution.sf(F, q, df)))
    return sorted(smallest, key=smallest.__getitem__)


def _parts(surfaces: Sequence[Surface], means: Sequence[np.ndarray]) -> list[np.ndarray]:
    return [surface.desirability(m) for surface, m in zip(surfaces, means, strict=True)]


def _deviations(
    grid: Grid,
    surfaces: Sequence[Surface],
    rows: Sequence[np.ndarray],
    errors: Sequence[np.ndarray],
    best: int,
) -> list[np.ndarray]:
    """How far draws lie from the estimates: candidates against the best, single coefficients.

    For a target also the means themselves, for there the level of a mean decides.
    """
    chosen = np.flatnonzero(grid.inside)
    chosen = chosen[:: max(1, len(chosen) // ENOUGH)]
    found = []
    for surface, row, error in zip(surfaces, rows, errors, strict=True):
        found += [(row[chosen] - row[best]) @ error, error[1:]]
        if surface.response.direction == "target":
            found.append(row[chosen] @ error)
    return [block for block in found if len(block)]


def _correlation(surfaces: Sequence[Surface]) -> np.ndarray:
    left = [surface.reed_residuals for surface in surfaces]
    shared = pd.concat(left, axis="columns", join="inner")
    if len(surfaces) == 1 or len(shared) < LEAST_SHARED:
        return np.eye(len(surfaces))
    return np.nan_to_num(shared.corr().to_numpy(), nan=0.0) + 0.0
