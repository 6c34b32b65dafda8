"""One comparator for all reference values: it fails on anything missing.

A column, a row or a number that the reference has and the result lacks is a
failure, and so is a NaN on one side only. Columns and rows that only the result
has are not looked at: a reference need not be complete, a result must be.
"""

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd


def compare(
    actual: pd.DataFrame,
    expected: Iterable[Mapping[str, Any]],
    *,
    on: str = "term",
    rtol: float | Mapping[str, float] = 1e-4,
    atol: float | Mapping[str, float] = 0.0,
) -> None:
    """Fail, naming row and column, unless `actual` holds every value of `expected`.

    Rows are matched by the column `on`, which must be unique in `actual`. `rtol` is
    one relative tolerance or one for each column; `atol` likewise, zero where not given.
    """
    assert on in actual.columns, f"no column '{on}' in {list(actual.columns)}"
    assert actual[on].is_unique, f"'{on}' names a row twice: {list(actual[on])}"
    rows = actual.set_index(on)
    expected = list(expected)
    assert expected, "the reference is empty"
    for wanted in expected:
        label = wanted[on]
        assert label in rows.index, f"no row '{label}' in {list(rows.index)}"
        for column, value in wanted.items():
            if column == on:
                continue
            assert column in rows.columns, f"no column '{column}' in {list(rows.columns)}"
            got = rows.loc[label, column]
            where = f"row '{label}', column '{column}': {got!r}, reference {value!r}"
            if isinstance(value, str):
                assert got == value, where
                continue
            target = np.nan if value is None else float(value)
            assert np.isnan(got) == np.isnan(target), where
            tolerance = rtol if isinstance(rtol, int | float) else rtol[column]
            floor = atol if isinstance(atol, int | float) else atol.get(column, 0.0)
            assert np.isnan(target) or abs(got - target) <= tolerance * abs(target) + floor, where
