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
from reedlab.model.best_set import Candidates, best_set
from reedlab.model.desirability import overall
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
    expected : ndarray, shape (candidates,)
        Its mean over what the coefficients may be.
    gain : ndarray, shape (candidates,)
        By how much that is surely better than the usual recipe, in all but a tenth of draws.
    may_be_best : ndarray of bool, shape (candidates,)
    """

    grid: Grid
    fixed: tuple[str, ...]
    desirability: np.ndarray
    expected: np.ndarray
    gain: np.ndarray
    may_be_best: np.ndarray


@one_thread
def search(
    space: Space, surfaces: Sequence[Surface], weights: Sequence[float], seed: int
) -> Search:
    """Compare all candidates; see the module's text."""
    grid, fixed = make_grid(space, _by_strength(space, surfaces))
    numeric = np.array([factor.kind == "numeric" for factor in space.factors])

    def desirability(means: Sequence[np.ndarray]) -> np.ndarray:
        parts = [s.desirability(m, FLOOR) for s, m in zip(surfaces, means, strict=True)]
        return overall(parts, weights)

    candidates = Candidates(grid.places, numeric, grid.inside)
    found = best_set(
        candidates,
        [surface.estimates for surface in surfaces],
        [surface.rows(grid.table) for surface in surfaces],
        desirability,
        absolute=[surface.response.direction == "target" for surface in surfaces],
        reference=int(candidates.rows_of(grid.nearest(space.usual)[None])[0]),
        correlation=_correlation(surfaces),
        seed=seed,
    )
    return Search(grid, fixed, found.worth, found.expected, found.gain, found.may_be_best)


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


def _correlation(surfaces: Sequence[Surface]) -> np.ndarray:
    left = [surface.reed_residuals for surface in surfaces]
    shared = pd.concat(left, axis="columns", join="inner")
    if len(surfaces) == 1 or len(shared) < LEAST_SHARED:
        return np.eye(len(surfaces))
    return np.nan_to_num(shared.corr().to_numpy(), nan=0.0)
