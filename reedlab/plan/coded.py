"""Coded columns of any table of recipes or reeds, and words for its terms.

A number is coded -1 at its lowest to +1 at its highest (of the factor's levels if it has
any, else of the rows), a category of two levels -1 for the first and +1 for the second, one
of more levels sum-to-zero.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from reedlab.errors import CallError, listed, unknown_name
from reedlab.plan.terms import from_end_to_end, level_codes
from reedlab.schema import Factor


def code_column(factor: Factor, values: pd.Series) -> np.ndarray:
    """Code one factor as it stands in a table, shape (n, k)."""
    if factor.kind == "numeric":
        numbers = values.to_numpy(dtype=float)
        known = np.array(factor.levels, dtype=float) if factor.levels else numbers
        return from_end_to_end(numbers, known)[:, None]
    present = set(values)
    levels = [level for level in dict.fromkeys([*factor.levels, *values]) if level in present]
    place = values.map({level: i for i, level in enumerate(levels)}).to_numpy(dtype=int)
    return level_codes(replace(factor, levels=levels))[place]


def require_factors(table: pd.DataFrame, factors: Sequence[Factor]) -> None:
    """Raise if a factor is named twice or has no column in the table."""
    names = [factor.name for factor in factors]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise CallError(f"Given twice among the factors: {listed(twice)}. Name each once.")
    for name in names:
        if name not in table.columns:
            raise unknown_name("column", name, map(str, table.columns))
