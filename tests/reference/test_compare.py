"""The comparator must fail on a sign, on one per cent, and on anything missing."""

import numpy as np
import pandas as pd
import pytest

from tests.reference.compare import compare

EXPECTED = [
    {"term": "a", "estimate": 1.5, "std_error": 0.2, "df": 4},
    {"term": "b", "estimate": -2.5, "std_error": None, "df": 7},
]


def _table() -> pd.DataFrame:
    return pd.DataFrame(EXPECTED).astype({"std_error": float, "df": float})


def test_equal_tables_pass():
    compare(_table(), EXPECTED)


@pytest.mark.parametrize("column", ["estimate", "std_error", "df"])
@pytest.mark.parametrize("factor", [-1, 1.01, np.nan])
def test_every_perturbed_number_fails(column, factor):
    table = _table()
    table.loc[0, column] *= factor
    with pytest.raises(AssertionError, match=column):
        compare(table, EXPECTED)


@pytest.mark.parametrize("column", ["term", "estimate", "std_error", "df"])
def test_a_missing_column_fails(column):
    with pytest.raises(AssertionError, match=f"no column '{column}'"):
        compare(_table().drop(columns=column), EXPECTED)


def test_a_missing_row_fails():
    with pytest.raises(AssertionError, match="no row 'b'"):
        compare(_table().head(1), EXPECTED)


def test_a_number_where_the_reference_has_none_fails():
    table = _table()
    table.loc[1, "std_error"] = 0.3
    with pytest.raises(AssertionError, match="std_error"):
        compare(table, EXPECTED)


def test_an_empty_reference_fails():
    with pytest.raises(AssertionError, match="empty"):
        compare(_table(), [])
