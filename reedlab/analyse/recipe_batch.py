"""The batch that would settle what a recipe leaves open, handed to the plan."""

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.analyse.recipe_rows import best_ranges
from reedlab.analyse.recipe_space import level_text
from reedlab.analyse.recipe_text import joined
from reedlab.errors import CallError, ModelError
from reedlab.schema import Factor

if TYPE_CHECKING:
    from reedlab.analyse.recipe import Recipe
    from reedlab.plan import Batch

#: Levels of a number are rounded to this share of the distance between two of them.
ROUNDED_TO = 0.05


def plan_next(found: "Recipe", cane: pd.DataFrame | None, reeds: int, seed: int) -> "Batch":
    """Plan over the factors that are not settled, within what may be best.

    Raises
    ------
    CallError
        If everything is settled, there is no cane, or the plan does not fit it.
    """
    from reedlab.plan import design_batch
    from reedlab.plan.request import SESSIONS_A_LEVEL

    ranges = best_ranges(found.searched_space, found.searched)
    open_still = [f for f in found.searched_space.factors if f.name not in found.settled]
    if not open_still:
        raise CallError(
            f"Everything is settled: {found.searched_space.words(found.level)}. There is no open "
            "question for a next batch; name further factors (factors=[...]) to go on."
        )
    cane = found.cane if cane is None else cane
    if cane is None:
        raise CallError(
            "The study lists no tubes, so there is no cane to plan with: give cane=..., a table "
            "with tube_id and pieces."
        )
    factors = [_with_levels(factor, ranges[factor.name]) for factor in open_still]
    numbers = tuple(factor.name for factor in factors if _bends(factor))
    names = {factor.name for factor in factors}
    pairs = [pair for surface in found.surfaces for pair in surface.pairs if set(pair) <= names]
    of_day = [len(factor.levels) for factor in factors if factor.stratum == "session"]
    batch = design_batch(
        factors,
        cane,
        reeds,
        interactions=list(dict.fromkeys(pairs)) or "none",
        curved=numbers,
        seed=seed,
        criterion="I",
        sessions=SESSIONS_A_LEVEL * max(of_day, default=1),
        batch_id=found.next_id,
    )
    held = [f for f in found.searched_space.factors if f.name in found.settled]
    if not held:
        return batch
    words = joined([f"{f.label} {level_text(f, found.level[f.name])}" for f in held])
    return replace(batch, cautions=(*batch.cautions, f"Settled, so for all reeds: {words}."))


def _bends(factor: Factor) -> bool:
    return factor.kind == "numeric" and factor.stratum == "reed"


def _with_levels(factor: Factor, best: tuple[float, float] | list[str]) -> Factor:
    """Give a factor the levels to make: those that may be best; of a number both ends.

    And the middle, if it is set reed by reed: tubes are too few to see a bend.
    """
    if isinstance(best, list):
        return replace(factor, levels=tuple(best))
    low, high = best
    if not _bends(factor):
        return replace(factor, levels=(low, high))
    half = (high - low) / 2
    grain = 10 ** np.floor(np.log10(half * ROUNDED_TO * 2))
    levels = [round(float(np.round(v / grain) * grain), 10) for v in (low, low + half, high)]
    # Rounding must not leave what was tried.
    levels = [levels[0] if levels[0] >= low else low, levels[1], min(levels[2], high)]
    if len(set(levels)) < 3:
        raise ModelError(f"{factor.label}: what may be best is too narrow for three levels.")
    return replace(factor, levels=tuple(levels))
