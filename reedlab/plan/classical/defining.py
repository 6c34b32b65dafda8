"""The defining words of a table of two-level recipes, and its resolution.

A word is a set of factors whose signs, multiplied, give the same in every recipe: then
each part of the word is mixed up with the rest of it. The resolution is the number of
factors in the shortest word. Signs: - for the lower number or the word named first, + for
the other. Recipes in which a number stands between its ends (centre and axial recipes) are
left aside.
"""

from collections.abc import Iterator, Sequence
from itertools import combinations, islice
from math import comb

import numpy as np
import pandas as pd

from reedlab.errors import CallError
from reedlab.plan.coded import require_factors
from reedlab.plan.terms import term_words
from reedlab.schema import Factor

ROMAN = ("I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X", "XI", "XII")
#: More products of factors than this are not formed.
MOST_PRODUCTS = 200_000
#: Products formed at a time.
CHUNK = 2_000
#: A mean sign this near to zero is zero.
TOLERANCE = 1e-9


def resolution_of(table: pd.DataFrame, factors: Sequence[Factor]) -> str | None:
    """Tell the resolution of any table of two-level recipes, in a Roman number.

    Parameters
    ----------
    table : DataFrame
        One recipe a row, in any order, each as often as it is made.
    factors : sequence of Factor
        With the two levels of each; a number may have more, and its ends are used.

    Returns
    -------
    str or None
        None if nothing is mixed up at all, as where every combination is there equally
        often.

    Raises
    ------
    CallError
        For a missing column, a category of more than two levels, a level that is none of
        the factor's, or a table without two-level recipes.

    Notes
    -----
    The smallest number of factors whose signs, multiplied, do not cancel out over the
    recipes. Where they cancel in part only (a Plackett-Burman design, a batch with lost
    reeds) this is the whole part of the generalised resolution; :func:`aliases` says how
    far. One lost recipe of a fraction unbalances every factor: resolution I.

    References
    ----------
    Box & Hunter (1961), Technometrics 3, 311-351 (resolution); Deng & Tang (1999),
    Statistica Sinica 9, 1071-1082 (generalised resolution).

    Examples
    --------
    >>> half = pd.DataFrame({"a": [1, 2, 1, 2], "b": [1, 1, 2, 2], "c": [2, 1, 1, 2]})
    >>> resolution_of(half, [Factor(name, (1, 2)) for name in "abc"])
    'III'
    """
    signs = two_level_signs(table, factors)
    for size in range(1, signs.shape[1] + 1):
        for _, means in _products(signs, size):
            if (np.abs(means) > TOLERANCE).any():
                return roman(size)
    return None


def defining_words(
    table: pd.DataFrame, factors: Sequence[Factor], longest: int | None = None
) -> dict[tuple[str, ...], int]:
    """List the defining words of a table of two-level recipes.

    Parameters
    ----------
    table, factors
        As in :func:`resolution_of`.
    longest : int, optional
        Only words of up to so many factors.

    Returns
    -------
    dict of tuple of str to int
        Names of the factors of each word, shortest words first, with the sign (+1 or -1)
        that their product has in every recipe. Empty if there is none.

    Raises
    ------
    CallError
        As :func:`resolution_of`, and if there are too many products to look at.

    Examples
    --------
    >>> half = pd.DataFrame({"a": [1, 2, 1, 2], "b": [1, 1, 2, 2], "c": [2, 1, 1, 2]})
    >>> defining_words(half, [Factor(name, (1, 2)) for name in "abc"])
    {('a', 'b', 'c'): 1}
    """
    signs = two_level_signs(table, factors)
    names = [factor.name for factor in factors]
    most = min(longest or len(names), len(names))
    words = {}
    for size in range(1, most + 1):
        for sets, means in _products(signs, size):
            for place in np.flatnonzero(np.abs(means) > 1 - TOLERANCE):
                words[tuple(names[i] for i in sets[place])] = int(np.sign(means[place]))
    return words


def block_terms(table: pd.DataFrame, factors: Sequence[Factor], block: str) -> tuple[str, ...]:
    """List what cannot be told from the blocks, in words.

    Parameters
    ----------
    table : DataFrame
        Two-level recipes with a column that names the block of each.
    factors : sequence of Factor
    block : str
        That column.

    Returns
    -------
    tuple of str
        Main effects and interactions of two factors; if there are none of these, the
        interactions of the fewest factors that there are.

    Examples
    --------
    >>> full = pd.DataFrame({"a": [1, 2, 1, 2], "b": [1, 1, 2, 2], "tube": list("xyyx")})
    >>> block_terms(full, [Factor(name, (1, 2)) for name in "ab"], "tube")
    ('a × b',)
    """
    signs = two_level_signs(table, factors)
    tubes = [np.flatnonzero(table[block] == one) for one in table[block].unique()]
    found: list[str] = []
    for size in range(1, len(factors) + 1):
        for chosen in combinations(range(len(factors)), size):
            product = signs[:, chosen].prod(axis=1)
            same = all(np.ptp(product[rows]) == 0 for rows in tubes)
            if same and np.ptp(product) > 0:
                found.append(term_words(tuple(factors[i].name for i in chosen), factors))
        if found and size >= 2:
            break
    return tuple(found)


def two_level_signs(table: pd.DataFrame, factors: Sequence[Factor]) -> np.ndarray:
    """Read -1 and +1 from the recipes that stand at the ends of every factor."""
    factors = tuple(factors)
    require_factors(table, factors)
    faults: list[str] = []
    columns = [_signs(factor, table[factor.name], faults) for factor in factors]
    if faults:
        raise CallError(" ".join(faults))
    signs = np.column_stack(columns) if columns else np.empty((len(table), 0))
    corners = signs[(signs != 0).all(axis=1)]
    if not corners.size:
        raise CallError(
            "No recipe of this table stands at one of two ends in every factor, so it has no "
            "resolution; aliases says what is mixed up with what."
        )
    return corners


def roman(number: int) -> str:
    """Write a small whole number as resolutions are written.

    Examples
    --------
    >>> roman(4)
    'IV'
    """
    return ROMAN[number - 1] if number <= len(ROMAN) else str(number)


def _signs(factor: Factor, values: pd.Series, faults: list[str]) -> np.ndarray:
    levels = factor.levels or tuple(dict.fromkeys(values.dropna()))
    if factor.kind == "numeric":
        numbers = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float)
        low, high = min(levels), max(levels)
        outside = values[~((numbers >= low) & (numbers <= high))]
        if len(outside):
            faults.append(
                f"{factor.label} is {outside.iloc[0]} in one recipe; its levels run from {low} to "
                f"{high}."
            )
        return np.where(numbers == low, -1.0, np.where(numbers == high, 1.0, 0.0))
    if len(levels) != 2:
        faults.append(
            f"{factor.label} has {len(levels)} levels; words and resolution are of factors with "
            "two: aliases takes any."
        )
        return np.zeros(len(values))
    strange = [value for value in values if value not in levels]
    if strange:
        faults.append(
            f"{factor.label} is '{strange[0]}' in one recipe; its levels are {levels[0]} and "
            f"{levels[1]}."
        )
    return np.where(values == levels[0], -1.0, 1.0)


def _products(signs: np.ndarray, size: int) -> Iterator[tuple[list[tuple[int, ...]], np.ndarray]]:
    """Sets of so many columns, a chunk at a time, with the mean of their product."""
    width = signs.shape[1]
    if comb(width, size) > MOST_PRODUCTS:
        raise CallError(
            f"{width} factors have {comb(width, size)} products of {size}, too many to look at: "
            f"ask for longest={size - 1}, or for fewer factors."
        )
    negative = (signs < 0).astype(np.int32)
    every = combinations(range(width), size)
    while sets := list(islice(every, CHUNK)):
        chosen = np.zeros((width, len(sets)), dtype=np.int32)
        for place, one in enumerate(sets):
            chosen[list(one), place] = 1
        # A product is -1 where an odd number of its columns are.
        yield sets, 1 - 2 * ((negative @ chosen) & 1).mean(axis=0)
