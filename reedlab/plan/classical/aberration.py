"""Which products of the first factors make the best fraction and the best blocks.

Regular two-level designs in 2**size recipes, as arithmetic of bits: a factor is a whole
number whose bit j says whether the j-th of the factors laid out in full enters its product,
and the product of two factors is the exclusive or of their numbers. Recipe r holds the j-th
factor high where bit j of r is set.
"""

from functools import lru_cache
from itertools import combinations
from math import comb

import numpy as np

#: One number a factor.
Columns = tuple[int, ...]
#: The largest fraction of the catalogue.
MOST_RUNS = 128
#: The resolution of a fraction in which no word is found: all combinations.
FULL = 99
#: Fractions kept at each step of the search; 20 find the published word counts (see tests).
KEPT = 20
#: Layouts in blocks kept at each step of theirs.
KEPT_BLOCKS = 200
#: Words of more factors than this do not decide between fractions.
LONGEST_WORD = 8


def signs(columns: Columns, size: int) -> np.ndarray:
    """Write the recipes as -1 and +1, shape (2**size, factors), in standard order.

    Examples
    --------
    >>> signs((1, 2, 3), 2).astype(int).tolist()
    [[-1, -1, 1], [1, -1, -1], [-1, 1, -1], [1, 1, 1]]
    """
    return 1.0 - 2.0 * _minus(size)[:, list(columns)]


@lru_cache(maxsize=256)
def best_columns(count: int, size: int) -> tuple[Columns, int]:
    """Find the fraction of least aberration for `count` factors in 2**size recipes.

    Adds a factor at a time to the best fractions so far, and keeps one of each spread of
    minus signs over the recipes: fractions that differ in names only have the same. Word
    counts follow from that spread (MacWilliams identity), so that no word is formed.

    Returns
    -------
    tuple of the columns, and the resolution

    References
    ----------
    Fries & Hunter (1980), Technometrics 22, 601-608; MacWilliams (1963), Bell System
    Technical Journal 42, 79-94.

    Examples
    --------
    >>> best_columns(5, 4)
    ((1, 2, 4, 8, 15), 5)
    """
    minus = _minus(size)
    start = tuple(1 << j for j in range(size))
    beam = [(start, minus[:, list(start)].sum(axis=1))]
    words: tuple[int, ...] = ()
    for width in range(size + 1, count + 1):
        counts = _krawtchouk(width) / 2**size
        found: dict[tuple, tuple[Columns, np.ndarray]] = {}
        for columns, weights in beam:
            for new in set(range(1, 2**size)).difference(columns):
                heavier = weights + minus[:, new]
                spread = np.bincount(heavier, minlength=width + 1)
                key = (*np.rint(counts @ spread).astype(int).tolist(), *spread.tolist())
                found.setdefault(key, ((*columns, new), heavier))
        best = sorted(found)[:KEPT]
        beam = [found[key] for key in best]
        words = best[0][: len(counts)]
    short = [length for length, number in enumerate(words, start=3) if number]
    return beam[0][0], short[0] if short else FULL


def block_columns(columns: Columns, size: int, halvings: int) -> Columns | None:
    """Find products whose signs split a fraction into 2**halvings blocks.

    No factor is mixed up with the blocks, and as few interactions of two factors as can
    be, then of three. None if a factor cannot be kept clear.

    Examples
    --------
    >>> block_columns((1, 2, 4), 3, 1)
    (7,)
    """
    pairs = np.zeros(2**size, dtype=int)
    triples = np.zeros(2**size, dtype=int)
    for a, b in combinations(columns, 2):
        pairs[a ^ b] += 1
    for a, b, c in combinations(columns, 3):
        triples[a ^ b ^ c] += 1
    beam: list[tuple[Columns, Columns]] = [((0,), ())]
    for _ in range(halvings):
        found: dict[Columns, tuple[int, int, Columns]] = {}
        for span, chosen in beam:
            for new in set(range(1, 2**size)).difference(span):
                grown = tuple(sorted({*span, *(new ^ old for old in span)}))
                if not set(grown) & set(columns):
                    lost = [*grown]
                    score = (int(pairs[lost].sum()), int(triples[lost].sum()), (*chosen, new))
                    found[grown] = min(score, found.get(grown, score))
        best = sorted(found, key=lambda span: found[span])[:KEPT_BLOCKS]
        beam = [(span, found[span][2]) for span in best]
    return beam[0][1] if beam else None


def _minus(size: int) -> np.ndarray:
    """Whether the product of the column is minus in the recipe of the row: 0 or 1."""
    number = np.arange(2**size)
    low = np.bitwise_count(number[None, :] & ~number[:, None])
    return (low & 1).astype(int)


def _krawtchouk(width: int) -> np.ndarray:
    """Words of 3 to 8 factors that a recipe adds, by its number of minus signs."""
    return np.array(
        [
            [
                sum((-1) ** j * comb(minus, j) * comb(width - minus, i - j) for j in range(i + 1))
                for minus in range(width + 1)
            ]
            for i in range(3, LONGEST_WORD + 1)
        ],
        dtype=float,
    )
