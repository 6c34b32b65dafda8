"""Intervals for a share against known values and against the definition itself."""

import pytest
from scipy.stats import binom, norm

from reedlab.errors import CallError
from reedlab.model.proportion import proportion


@pytest.mark.parametrize(
    ("k", "method", "low", "high"),
    [
        # known trap A16; 12 of 12 by Wilson is 0 of 12 turned round.
        (0, "wilson", 0, 0.2425),
        (3, "wilson", 0.0889, 0.5323),
        (12, "wilson", 1 - 0.2425, 1),
        (0, "exact", 0, 0.2646),
        (3, "exact", 0.0549, 0.5719),
        (12, "exact", 0.7354, 1),
    ],
)
def test_known_values(k, method, low, high):
    found = proportion(k, 12, method)
    assert found == pytest.approx((k / 12, low, high), abs=5e-5)
    assert found.conf_low >= 0
    assert found.conf_high <= 1


def test_ends_are_exactly_none_and_all():
    for n in (1, 7, 24, 119):
        for method in ("wilson", "exact"):
            assert proportion(0, n, method).conf_low == 0
            assert proportion(n, n, method).conf_high == 1


@pytest.mark.parametrize(("k", "n"), [(1, 5), (6, 24), (30, 119)])
def test_the_definitions(k, n):
    # Wilson (1927): the shares p whose score test of k has p = .05. Clopper & Pearson
    # (1934): the p at which k or more, k or fewer, have a chance of 2.5 %.
    for p in proportion(k, n)[1:]:
        assert abs(k - n * p) / (n * p * (1 - p)) ** 0.5 == pytest.approx(norm.ppf(0.975))
    _, low, high = proportion(k, n, "exact")
    assert binom.sf(k - 1, n, low) == pytest.approx(0.025)
    assert binom.cdf(k, n, high) == pytest.approx(0.025)


def test_impossible_counts_and_methods_are_refused():
    for k, n in [(3, 2), (-1, 4), (0, 0), (1.5, 4)]:
        with pytest.raises(CallError, match="no count of successes"):
            proportion(k, n)
    with pytest.raises(CallError, match="choose wilson or exact"):
        proportion(1, 4, "normal")
