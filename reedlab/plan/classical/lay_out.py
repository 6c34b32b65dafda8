"""A classical design on the cane on hand: which reed of which tube gets which recipe.

Blocks go to tubes, one each, drawn at random; without blocks the recipes are spread over
the tubes by chance. Orders and codes are drawn as for any batch.
"""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd

from reedlab.errors import CallError, listed
from reedlab.plan.batch import Batch
from reedlab.plan.cane import BREAKAGE, Cane, allocate, loose_cane, read_cane
from reedlab.plan.classical.recipes import Recipes
from reedlab.plan.draw import Request, groups, slots, written
from reedlab.plan.layout import TUBE_SHARES
from reedlab.plan.terms import Model, Term
from reedlab.schema import Factor


def lay_out(
    recipes: Recipes,
    cane: pd.DataFrame | None = None,
    *,
    seed: int,
    breakage: float = BREAKAGE,
    sessions: int = 2,
    batch_id: str = "B1",
) -> Batch:
    """Lay the recipes of the catalogue on tubes, each recipe once.

    Parameters
    ----------
    recipes : Recipes
        Of factors that are set for each reed.
    cane : DataFrame, optional
        As for :func:`reedlab.plan.design_batch`; left out, every reed is its own tube.
    seed, breakage, sessions, batch_id
        As for :func:`reedlab.plan.design_batch`.

    Returns
    -------
    Batch
        Its terms are the main effects, then as many interactions of two factors and bends
        as the recipes can tell apart.

    Raises
    ------
    CallError
        For factors of tubes, lots or sessions, pieces that do not suffice, or a block that
        is larger than the tubes.

    Examples
    --------
    >>> from reedlab.plan import full_factorial
    >>> two = [Factor("shape", ("narrow", "wide")), Factor("soak_min", (60, 180))]
    >>> lay_out(full_factorial(two), seed=2).terms
    ('shape', 'soak_min', 'shape:soak_min')
    """
    above = [factor.label for factor in recipes.factors if factor.stratum != "reed"]
    if above:
        raise CallError(
            f"A classical design gives levels to reeds, and {listed(above)} is set for something "
            "larger: use design_batch, which knows tubes."
        )
    n = len(recipes.table)
    faults: list[str] = []
    found = loose_cane(n) if cane is None else read_cane(cane, (), faults)
    if faults or found is None:
        raise CallError("\n".join(faults))
    streams = np.random.default_rng(np.random.SeedSequence(seed)).spawn(3)
    counts, spare = _reeds_of_tubes(recipes, found, breakage, streams[0])
    factors = tuple(_with_all_levels(factor, recipes.table) for factor in recipes.factors)
    model = Model(factors, _terms(factors, recipes.table))
    new = slots(found, counts)
    given = recipes.table.iloc[_order(recipes, streams[1])].reset_index(drop=True)
    none_given = np.full((n, len(factors)), -1)
    new = new.drop(columns=[f.name for f in factors if f.name in new]).assign(
        **{factor.name: given[factor.name] for factor in factors},
        shuffled_among=groups(new, counts, none_given, model),
    )
    request = Request(model, (), n, sessions, seed, batch_id, False, TUBE_SHARES, (), breakage)
    return written(request, found, new, spare, pd.DataFrame(), streams[2])


def _reeds_of_tubes(
    recipes: Recipes, cane: Cane, breakage: float, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Reeds and spare pieces of each tube; a block has a tube to itself."""
    if recipes.block_column is None:
        return allocate(cane, len(recipes.table), len(cane.tube_id), breakage, rng)
    sizes = recipes.table[recipes.block_column].value_counts()
    size, blocks = int(sizes.max()), len(sizes)
    able = np.flatnonzero(cane.pieces >= size)
    if len(able) < blocks:
        raise CallError(
            f"{blocks} blocks of {size} recipes need {blocks} tubes of {size} pieces or more; "
            f"{len(able)} of these tubes yield as many: ask for smaller blocks, or add tubes."
        )
    # Tubes of different lots in turn, then those with pieces to spare, then by chance.
    turn = rng.permutation(able)
    lot = cane.lots[turn]
    rank = np.array([np.sum(lot[:i] == lot[i]) for i in range(len(turn))])
    chosen = turn[np.lexsort((-cane.pieces[turn], rank))][:blocks]
    few = replace(cane, tube_id=cane.tube_id[chosen], pieces=cane.pieces[chosen], lot_id=None)
    counts, spare = (np.zeros(len(cane.tube_id), dtype=int) for _ in range(2))
    counts[chosen], spare[chosen] = allocate(few, blocks * size, blocks, breakage, rng)
    return counts, spare


def _order(recipes: Recipes, rng: np.random.Generator) -> np.ndarray:
    """Draw which recipe each reed gets, tube by tube; blocks stay together."""
    n = len(recipes.table)
    if recipes.block_column is None:
        return rng.permutation(n)
    block = recipes.table[recipes.block_column].to_numpy()
    drawn = rng.permutation(np.unique(block))
    return np.concatenate([rng.permutation(np.flatnonzero(block == one)) for one in drawn])


def _with_all_levels(factor: Factor, table: pd.DataFrame) -> Factor:
    """Name every level that the recipes use, axial and middle ones too."""
    if factor.kind != "numeric":
        return factor
    return replace(factor, levels=tuple(sorted(table[factor.name].unique().tolist())))


def _terms(factors: tuple[Factor, ...], table: pd.DataFrame) -> tuple[Term, ...]:
    """Main effects, then interactions and bends while the recipes can tell them apart."""
    names = [factor.name for factor in factors]
    bends = [(f.name, f.name) for f in factors if f.kind == "numeric" and len(f.levels) > 2]
    chosen: tuple[Term, ...] = tuple((name,) for name in names)
    for more in (list(combinations(names, 2)), bends):
        wider = Model(factors, (*chosen, *more))
        columns = wider.columns(wider.levels_of(table), np.empty((len(table), 0)))
        columns = np.column_stack([np.ones(len(table)), columns])
        if np.linalg.matrix_rank(columns) == columns.shape[1]:
            chosen = wider.terms
    return chosen
