"""Begg and Greenes' correction against two published studies, and at its edges."""

import numpy as np
import pytest

from reedlab.errors import CallError, ModelError
from reedlab.model import begg_greenes

# Counts (with, without, not followed up) by verdict and the corrected shares as published:
# hepatic scintigraphy (Drum & Christacopoulos 1972, as in Begg & Greenes 1983, Biometrics 39,
# 207-215) and single-photon emission tomography with thallium (Cecil et al. 1996, J. Clin.
# Epidemiol. 49, 941-946), through the project's list of check values; the specificity and
# prevalence standard errors of both as reckoned there.
HEPATIC = ((231, 32, 166), (27, 54, 140))
THALLIUM = ((195, 232, 996), (5, 39, 1221))


def row(found, term, method):
    table = found.table
    return table[(table["term"] == term) & (table["method"] == method)].iloc[0]


@pytest.mark.parametrize(
    ("counts", "term", "method", "estimate", "std_error"),
    [
        (HEPATIC, "sensitivity", "naive", 0.895349, None),
        (HEPATIC, "specificity", "naive", 0.627907, None),
        (HEPATIC, "sensitivity", "Begg & Greenes", 0.836467, 0.024498),
        (HEPATIC, "specificity", "Begg & Greenes", 0.738398, 0.038863),
        (HEPATIC, "prevalence", "Begg & Greenes", 0.693029, None),
        (THALLIUM, "sensitivity", "naive", 0.975, None),
        (THALLIUM, "specificity", "naive", 0.143911, None),
        (THALLIUM, "sensitivity", "Begg & Greenes", 0.818863, 0.063200),
        (THALLIUM, "specificity", "Begg & Greenes", 0.591875, 0.019288),
        (THALLIUM, "prevalence", "Begg & Greenes", 0.295237, None),
    ],
)
def test_published_studies(counts, term, method, estimate, std_error):
    found = row(begg_greenes(*counts), term, method)
    assert found["estimate"] == pytest.approx(estimate, abs=1e-6)
    if std_error is not None:
        assert found["std_error"] == pytest.approx(std_error, abs=1e-6)
    assert found["conf_low"] < estimate < found["conf_high"]


def test_with_all_followed_nothing_is_corrected():
    found = begg_greenes((40, 10, 0), (5, 45, 0))
    for term in ("sensitivity", "specificity", "prevalence"):
        assert found.share(term) == pytest.approx(found.share(term, "naive"))
    # The delta method's error of a prevalence found in all is the binomial one.
    both = [row(found, "prevalence", method)["std_error"] for method in ("naive", "Begg & Greenes")]
    assert both[0] == pytest.approx(both[1])


def test_none_of_many_has_no_limits():
    found = row(begg_greenes((0, 20, 10), (5, 20, 10)), "sensitivity", "Begg & Greenes")
    assert found["estimate"] == 0
    assert np.isnan(found["conf_low"])
    assert np.isnan(found["conf_high"])


def test_the_intervals_cover_what_was_drawn():
    """2000 studies: within 3 binomial errors of 95 %."""
    rng = np.random.default_rng(3)
    studies, hit = 2000, 0
    for _ in range(studies):
        sick = rng.random(500) < 0.4
        positive = rng.random(500) < np.where(sick, 0.7, 0.3)
        followed = rng.random(500) < np.where(positive, 0.8, 0.3)
        cells = [
            [(v & followed & sick).sum(), (v & followed & ~sick).sum(), (v & ~followed).sum()]
            for v in (positive, ~positive)
        ]
        found = row(begg_greenes(*map(tuple, cells)), "sensitivity", "Begg & Greenes")
        hit += found["conf_low"] <= 0.7 <= found["conf_high"]
    assert hit / studies == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / studies))


@pytest.mark.parametrize("counts", [(-1, 2, 3), (1, 2), (1, np.nan, 2)])
def test_counts_that_cannot_be(counts):
    with pytest.raises(CallError, match=r"^Each verdict has three counts of 0 or more"):
        begg_greenes((1, 2, 3), counts) if len(counts) == 3 else begg_greenes(counts, counts)


def test_a_verdict_that_is_never_followed_up():
    with pytest.raises(ModelError, match=r"^Nothing with a negative verdict was followed up\.$"):
        begg_greenes((10, 5, 3), (0, 0, 40))


def test_an_unknown_share():
    with pytest.raises(CallError, match="There is no share 'power' by the method 'naive'"):
        begg_greenes(*HEPATIC).share("power", "naive")
