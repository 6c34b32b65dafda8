"""The paired difference against known values, scipy and R's sleep data."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_rel

from reedlab.errors import CallError, ModelError
from reedlab.model.paired import paired_difference

BEFORE = pd.Series([100.0, 200, 300, 400], index=list("abcd"))
AFTER = pd.Series([101.0, 202, 303, 404], index=list("abcd"))


def test_two_sizes_by_their_names():
    # known trap B6.
    found = paired_difference(BEFORE, AFTER)
    assert found.d_z == pytest.approx(1.936, abs=5e-4)
    assert found.d_av == pytest.approx(0.0193, abs=5e-5)
    assert (found.estimate, found.df) == (2.5, 3)


def test_sleep_data():
    # Student (1908) as R's documentation prints it: t = -4.0621 (first minus second),
    # df 9, p = .002833, 95 % from 0.70011 to 2.45989, mean 1.58.
    first = pd.Series([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
    second = pd.Series([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])
    found = paired_difference(first, second)
    assert found.statistic == pytest.approx(4.0621, abs=5e-5)
    assert found.p_value == pytest.approx(0.002833, abs=5e-7)
    assert (found.conf_low, found.conf_high) == pytest.approx((0.7001142, 2.4598858), abs=5e-8)
    assert found.df == 9
    own = ttest_rel(second, first)
    assert (found.statistic, found.p_value) == pytest.approx((own.statistic, own.pvalue))


def test_pairs_are_matched_by_name_and_gaps_named():
    found = paired_difference(BEFORE, AFTER.iloc[::-1])
    assert found == paired_difference(BEFORE, AFTER)
    gap = paired_difference(BEFORE, AFTER.where(AFTER.index != "b"))
    assert gap.left_out == ("b",)
    assert gap.df == 2


def test_what_cannot_be_answered_is_said():
    with pytest.raises(CallError, match="No pair for d"):
        paired_difference(BEFORE, AFTER.head(3))
    with pytest.raises(CallError, match="'after' has more than one reading of a"):
        paired_difference(BEFORE, pd.concat([AFTER, AFTER.head(1)]))
    with pytest.raises(ModelError, match="All 4 changes are the same"):
        paired_difference(BEFORE, BEFORE + 3)
    with pytest.raises(ModelError, match="two complete pairs at least; there are 1"):
        paired_difference(BEFORE, AFTER.where(np.arange(4) == 0))
