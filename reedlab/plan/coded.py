"""Coded columns of any table of recipes or reeds, and words for its terms.

A number is coded -1 at its lowest to +1 at its highest (of the factor's levels if it has
any, else of the rows), a category of two levels -1 for the first and +1 for the second, one
of more levels sum-to-zero.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reedlab.errors import CallError, listed, unknown_name
from reedlab.schema import Factor

#: Names of factors; a name twice is the bend of a number.
Term = tuple[str, ...]


def code_column(factor: Factor, values: pd.Series) -> np.ndarray:
    """Code one factor as it stands in a table, shape (n, k)."""
    if factor.kind == "numeric":
        numbers = values.to_numpy(dtype=float)
        known = np.array(factor.levels, dtype=float) if factor.levels else numbers
        low, high = (known.min(), known.max()) if len(known) else (0.0, 0.0)
        half = (high - low) / 2
        return ((numbers - (low + high) / 2) / (half or 1.0))[:, None]
    levels = [
        level for level in dict.fromkeys([*factor.levels, *values]) if (values == level).any()
    ]
    place = values.map({level: i for i, level in enumerate(levels)}).to_numpy(dtype=int)
    codes = np.vstack([np.eye(len(levels) - 1), -np.ones(len(levels) - 1)])
    # Of two levels the second is the high one, as in the recipes.
    return -codes[place] if len(levels) == 2 else codes[place]


def term_words(term: Term, factors: Sequence[Factor]) -> str:
    """Write a term with the labels of its factors.

    Examples
    --------
    >>> term_words(("wire_tension", "gouge"), [Factor("gouge"), Factor("wire_tension")])
    'wire tension × gouge'
    """
    labels = {factor.name: factor.label for factor in factors}
    if len(term) == 2 and term[0] == term[1]:
        return f"bend of {labels[term[0]]}"
    return " × ".join(labels[name] for name in term)


def require_factors(table: pd.DataFrame, factors: Sequence[Factor]) -> None:
    """Raise if a factor is named twice or has no column in the table."""
    names = [factor.name for factor in factors]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise CallError(f"Given twice among the factors: {listed(twice)}. Name each once.")
    for name in names:
        if name not in table.columns:
            raise unknown_name("column", name, map(str, table.columns))
