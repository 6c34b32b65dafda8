"""Full factorials, and regular fractions of two-level factorials, in blocks if wished.

The first factors of a fraction are laid out in full; each further one takes the signs of a
product of those. Which products: the fraction of least aberration, that is with the fewest
short words, found by search. Resolution and mixtures are then read from the finished table.
"""

from collections.abc import Mapping, Sequence
from itertools import product
from math import prod

import numpy as np
import pandas as pd

from reedlab.answer import counted
from reedlab.errors import CallError, listed
from reedlab.plan.classical.aberration import MOST_RUNS, Columns, best_columns, block_columns, signs
from reedlab.plan.classical.defining import ROMAN, block_terms, resolution_of, roman
from reedlab.plan.classical.generators import generator_words, own_columns
from reedlab.plan.classical.recipes import (
    MOST_RECIPES,
    Recipes,
    checked,
    levels_table,
    recipe_table,
    stratum_cautions,
)
from reedlab.schema import Factor

#: The most factors that a fraction spreads.
MOST_FACTORS = 31
#: What a fraction is asked for if nothing is said: no main effect with an interaction of two.
USUAL = 4


def full_factorial(factors: Sequence[Factor]) -> Recipes:
    """Lay out every combination of levels once.

    Parameters
    ----------
    factors : sequence of Factor
        Each with two levels or more; not all need have as many.

    Returns
    -------
    Recipes
        In standard order: the first factor changes fastest; numbers rise.

    Raises
    ------
    CallError
        For factors without levels, or more than 4096 recipes.

    Examples
    --------
    >>> gouge, shape = Factor("gouge", (1.25, 1.30, 1.35)), Factor("shape", ("narrow", "wide"))
    >>> print(full_factorial([gouge, shape]).sentence)
    6 recipes for 2 factors: every combination once, so nothing is mixed up.
    """
    factors = checked(factors)
    count = prod(len(factor.levels) for factor in factors)
    if count > MOST_RECIPES:
        raise CallError(
            f"{len(factors)} factors have {count} combinations; the most laid out is "
            f"{MOST_RECIPES}: use fractional_factorial, or design_batch with the reeds you have."
        )
    ordered = [sorted(f.levels) if f.kind == "numeric" else f.levels for f in factors]
    rows = [row[::-1] for row in product(*reversed(ordered))]
    table, _ = levels_table(factors, list(zip(*rows, strict=True)))
    return Recipes(
        question=f"Every combination of {listed(f.label for f in factors)}",
        table=table,
        cautions=stratum_cautions(factors),
        factors=factors,
        shows="every combination once, so nothing is mixed up",
    )


def fractional_factorial(
    factors: Sequence[Factor],
    runs: int | None = None,
    resolution: str | int | None = None,
    generators: Mapping[str, Sequence[str]] | None = None,
    blocks: int | None = None,
) -> Recipes:
    """Lay out a regular fraction of a two-level factorial.

    Parameters
    ----------
    factors : sequence of Factor
        Two levels each. The order matters: the first ones are laid out in full.
    runs : int, optional
        Recipes wanted: 4, 8, 16, 32, 64 or 128, at most all combinations.
    resolution : str or int, optional
        At least this: III or 3 (main effects may be mixed up with interactions of two), IV
        (they may not), V (nor may interactions of two with each other), and so on. With
        neither runs, resolution nor generators, the smallest fraction of resolution IV.
    generators : mapping of str to sequence of str, optional
        Your own: ``{"bevel": ("gouge", "shape")}`` gives bevel its high level where gouge
        and shape are both high or both low. The other factors are laid out in full.
    blocks : int, optional
        2, 4, 8 ... blocks of equal size, to be laid on tubes or days. No main effect is
        mixed up with them, and as few interactions of two factors as can be.

    Returns
    -------
    Recipes

    Raises
    ------
    CallError
        All faults at once: what is asked for cannot be had, with the nearest that can.

    Notes
    -----
    Least aberration: of all fractions the one with the fewest words of three factors, then
    of four, and so on, by a beam search over word counts. The other half of a half fraction
    comes of naming the two levels of a category the other way round.

    References
    ----------
    Box & Hunter (1961), Technometrics 3, 311-351; Fries & Hunter (1980), Technometrics 22,
    601-608 (aberration); Chen, Sun & Wu (1993), International Statistical Review 61, 131-145.

    Examples
    --------
    >>> five = [Factor(name, (-1, 1)) for name in ("gouge", "shape", "bevel", "wire", "soak")]
    >>> half = fractional_factorial(five, resolution="V")
    >>> len(half.table), half.generators
    (16, ('soak = gouge × shape × bevel × wire',))
    """
    faults: list[str] = []
    wanted = _wanted(resolution, faults)
    factors = checked(factors, faults, two="a two-level fraction")
    if generators is not None:
        columns = own_columns(factors, generators, runs)
    else:
        columns = _chosen_columns(len(factors), runs, wanted)
    size = max(columns).bit_length()
    block = None if blocks is None else _blocks(columns, size, blocks)
    table, where = recipe_table(factors, signs(columns, size), block)
    reached = resolution_of(table, factors)
    if generators is not None and wanted and reached and ROMAN.index(reached) + 1 < wanted:
        raise CallError(
            f"These generators give resolution {reached}, not {roman(wanted)}: leave them out, "
            "and the best are chosen."
        )
    return Recipes(
        question=f"A two-level fraction for {listed(f.label for f in factors)}",
        table=table,
        cautions=(*_few_cautions(reached), *stratum_cautions(factors, blocked=where is not None)),
        factors=factors,
        shows=_shows(reached),
        resolution=reached,
        generators=tuple(generator_words(factors, columns)),
        block_column=where,
        mixed_with_blocks=block_terms(table, factors, where) if where else (),
    )


def _wanted(resolution: str | int | None, faults: list[str]) -> int | None:
    if resolution is None:
        return None
    asked = ROMAN.index(resolution) + 1 if resolution in ROMAN else resolution
    if isinstance(asked, bool) or not isinstance(asked, int) or not 3 <= asked <= len(ROMAN):
        faults.append(f"The resolution is {resolution!r}; say III, IV, V or more, or 3, 4, 5.")
        return None
    return asked


def _chosen_columns(count: int, runs: int | None, wanted: int | None) -> Columns:
    """The best fraction of the size or the resolution asked for."""
    if count > MOST_FACTORS:
        raise CallError(
            f"{count} factors are more than this catalogue spreads ({MOST_FACTORS}): leave the "
            "least likely out."
        )
    if runs is None:
        return _smallest(count, wanted or USUAL)
    if runs not in {2**m for m in range(2, MOST_RUNS.bit_length())}:
        raise CallError(
            f"A regular fraction has 4, 8, 16, 32, 64 or {MOST_RUNS} recipes, not {runs}; "
            "plackett_burman has 12, 20 or 24, and design_batch any number."
        )
    if runs > 2**count:
        raise CallError(
            f"{counted(count, 'factor')} have {2**count} combinations, fewer than {runs} "
            f"recipes: ask for {2**count}, and make each more than once."
        )
    if count >= runs:
        raise CallError(
            f"{runs} recipes hold at most {runs - 1} factors; {count} need {_smallest_size(count)}."
        )
    columns, reached = best_columns(count, runs.bit_length() - 1)
    if wanted and reached < wanted:
        needed = _needs(count, wanted)
        raise CallError(
            f"{count} factors at resolution {roman(wanted)} need {needed}; {runs} give resolution "
            f"{roman(reached)}."
        )
    return columns


def _smallest(count: int, wanted: int) -> Columns:
    for size in range(2, MOST_RUNS.bit_length()):
        if count < 2**size:
            columns, reached = best_columns(count, min(size, count))
            if reached >= wanted:
                return columns
    raise CallError(
        f"{count} factors at resolution {roman(wanted)} need more than {MOST_RUNS} recipes; "
        f"{MOST_RUNS} give resolution {roman(reached)}."
    )


def _needs(count: int, wanted: int) -> str:
    try:
        return f"{2 ** max(_smallest(count, wanted)).bit_length()} recipes"
    except CallError:
        return f"more than {MOST_RUNS} recipes"


def _smallest_size(count: int) -> int:
    return 2 ** count.bit_length()


def _blocks(columns: Columns, size: int, blocks: int) -> np.ndarray:
    """Number the block of every recipe, the first recipe's block 1."""
    runs = 2**size
    if blocks not in {2**q for q in range(1, size)}:
        raise CallError(
            f"{runs} recipes fall into 2, 4, 8 ... blocks of 2 or more, not into {blocks!r}."
        )
    chosen = block_columns(columns, size, blocks.bit_length() - 1)
    if chosen is None:
        fewer = blocks // 2
        while fewer > 1 and block_columns(columns, size, fewer.bit_length() - 1) is None:
            fewer //= 2
        way = f"ask for {fewer} blocks" if fewer > 1 else "lay them in one block, or make more"
        raise CallError(
            f"{runs} recipes for {len(columns)} factors cannot fall into {blocks} blocks without "
            f"mixing up a main effect with the blocks: {way}."
        )
    place = (signs(chosen, size) > 0) @ (1 << np.arange(len(chosen)))
    return pd.factorize(place)[0] + 1


def _shows(reached: str | None) -> str:
    if reached is None:
        return "every combination once, so nothing is mixed up"
    if reached == "III":
        return "main effects are mixed up with interactions of two factors"
    if reached == "IV":
        return (
            "no main effect is mixed up with an interaction of two factors, but some of these are "
            "mixed up with each other"
        )
    if reached == "V":
        return "no main effect and no interaction of two factors is mixed up with another of these"
    return (
        "no main effect and no interaction of two factors is mixed up with one of fewer than "
        f"{ROMAN.index(reached) - 1} factors"
    )


def _few_cautions(reached: str | None) -> tuple[str, ...]:
    if reached != "III":
        return ()
    return (
        "A main effect seen here may be an interaction of two others: take it for a lead, and "
        "settle it in a further batch.",
    )
