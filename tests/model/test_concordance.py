"""Kendall's W and ridits against published and other libraries' values."""

from itertools import combinations

import numpy as np
import pandas as pd
import pingouin
import pytest
from scipy.stats import friedmanchisquare, mannwhitneyu, spearmanr

from reedlab.errors import ModelError
from reedlab.model.concordance import kendall_w, ridits

#: Anxiety of 20 people by three raters: the example of Kendall's W in the manual of R's
#: DescTools (data from R's irr), W corrected for ties 0.5396569.
ANXIETY = pd.DataFrame(
    {
        "rater1": [3, 3, 3, 4, 5, 5, 2, 3, 5, 2, 2, 6, 1, 5, 2, 2, 1, 2, 4, 3],
        "rater2": [3, 6, 4, 6, 2, 4, 2, 4, 3, 3, 2, 3, 3, 3, 2, 2, 1, 3, 3, 4],
        "rater3": [2, 1, 4, 4, 3, 2, 1, 6, 1, 1, 1, 2, 3, 3, 1, 1, 3, 3, 2, 2],
    }
)
#: Six applicants ranked by three executives, Siegel (1956), Nonparametric Statistics: W = .16
#: (from memory).
APPLICANTS = pd.DataFrame(
    {"X": [1, 6, 3, 2, 5, 4], "Y": [1, 5, 6, 4, 2, 3], "Z": [6, 3, 2, 5, 4, 1]}
)


def test_published_examples():
    assert kendall_w(ANXIETY).estimate == pytest.approx(0.5396569, abs=5e-8)
    assert kendall_w(APPLICANTS).estimate == pytest.approx(0.16, abs=5e-3)


@pytest.mark.parametrize("table", [ANXIETY, APPLICANTS])
def test_against_scipy_and_pingouin(table):
    found = kendall_w(table)
    statistic = friedmanchisquare(*table.to_numpy()).statistic
    assert found.statistic == pytest.approx(statistic)
    assert found.estimate == pytest.approx(statistic / (3 * (len(table) - 1)))
    long = table.rename_axis("thing").reset_index().melt("thing", var_name="rater")
    other = pingouin.friedman(long, dv="value", within="thing", subject="rater")
    assert found.estimate == pytest.approx(float(other["W"].iloc[0]), abs=1e-6)
    pairs = [spearmanr(table[a], table[b]).statistic for a, b in combinations(table, 2)]
    assert found.correlation == pytest.approx(np.mean(pairs))


def test_p_is_that_of_all_orders():
    # Three things, two raters who agree: one of the six orders has a W as large.
    found = kendall_w(pd.DataFrame({"P": [1, 2, 3], "Q": [10, 20, 30]}))
    assert (found.estimate, found.correlation) == pytest.approx((1, 1))
    assert found.p_value == pytest.approx(1 / 6, abs=3 * np.sqrt(5 / 36 / 4999))
    # Each rater's own use of the scale does not matter.
    stretched = ANXIETY.assign(rater2=10 + ANXIETY["rater2"] ** 3)
    assert kendall_w(stretched) == kendall_w(ANXIETY)


def test_a_rater_who_gives_one_value_only():
    one = kendall_w(pd.DataFrame({"P": [1, 2, 3], "Q": [4, 4, 4]}))
    assert np.isnan(one.correlation)
    with pytest.raises(ModelError, match="Every rater gives one value only"):
        kendall_w(pd.DataFrame({"P": [1, 1, 1], "Q": [4, 4, 4]}))
    with pytest.raises(ModelError, match=r"3 things and 2 raters at least; here are 2 and 2\."):
        kendall_w(pd.DataFrame({"P": [1, 2], "Q": [4, 3]}))


def test_a_mean_ridit_is_the_chance_of_lying_higher():
    # Bross (1958): the mean ridit of the reference is 1/2, that of another group the chance that
    # one of it lies higher than one of the reference, ties by halves: Mann-Whitney's U / (m n).
    reference, other = ANXIETY["rater1"], ANXIETY["rater2"]
    assert ridits(reference).mean() == pytest.approx(0.5)
    U = mannwhitneyu(other, reference).statistic
    assert ridits(other, reference).mean() == pytest.approx(U / 400)
