"""Charts against published examples, and their rates of false alarms."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from joblib import parallel_config
from scipy.stats import multivariate_normal, norm

from reedlab.errors import CallError
from reedlab.model import fit_mixed, steady
from reedlab.model.control import (
    averaging,
    fixed_limits,
    largest_step,
    moving_average,
    season_limits,
    shares_about,
)
from reedlab.model.steady import (
    about_common,
    averages_of,
    hidden_correlation,
    normal_draws,
    yes_draws,
)

# NIST/SEMATECH e-Handbook 6.3.3.2: defective chips on each of 30 wafers with 50 chips. The counts
# are from memory; their mean share of .2313 is quoted in public copies of the exercise.
WAFERS = np.array(
    [
        12,
        15,
        8,
        10,
        4,
        7,
        16,
        9,
        14,
        10,
        5,
        6,
        17,
        12,
        22,
        8,
        10,
        5,
        13,
        11,
        20,
        18,
        24,
        15,
        9,
        12,
        7,
        13,
        9,
        6,
    ]
)
# NIST/SEMATECH e-Handbook 6.3.2.4, data, averages and limits as a public repository's test
# transcribes them from the page.
READINGS = np.array(
    [
        52.0,
        47.0,
        53.0,
        49.3,
        50.1,
        47.0,
        51.0,
        50.1,
        51.2,
        50.5,
        49.6,
        47.6,
        49.9,
        51.3,
        47.8,
        51.2,
        52.6,
        52.4,
        53.6,
        52.1,
    ]
)
AVERAGES = np.array(
    [
        50.60,
        49.52,
        50.56,
        50.18,
        50.16,
        49.21,
        49.75,
        49.85,
        50.26,
        50.33,
        50.11,
        49.36,
        49.52,
        50.05,
        49.38,
        49.92,
        50.73,
        51.23,
        51.94,
        51.99,
    ]
)


def test_the_wafers_have_the_published_share_and_two_are_outside():
    share, sd = shares_about(WAFERS, np.full(30, 50))
    assert share == pytest.approx(0.2313, abs=5e-5)
    low, high = fixed_limits(WAFERS / 50, share, sd, 3, 3)
    # Limits by the handbook's formula, p +- 3 sqrt(p (1 - p) / 50).
    assert low[0] == pytest.approx(0.0524, abs=5e-5)
    assert high[0] == pytest.approx(0.4102, abs=5e-5)
    outside = np.flatnonzero((low > WAFERS / 50) | (high < WAFERS / 50))
    assert (outside + 1).tolist() == [15, 23]


def test_the_handbooks_moving_average_and_limits():
    level = moving_average(READINGS, 50.0, 0.3)
    np.testing.assert_allclose(level, AVERAGES, atol=0.0051)
    W = averaging(20, 0.3)
    sd = 2.0539 * np.sqrt(np.diag(W @ W.T))
    low, high = fixed_limits(level, 50.0, sd, 3, 3)
    # The page rounds the root of .3 / 1.7 to .4201; at the last point the start is forgotten.
    assert high[-1] == pytest.approx(52.5884, abs=1e-3)
    assert low[-1] == pytest.approx(47.4115, abs=1e-3)
    assert ((level > low) & (level < high)).all()
    # Exact limits at the first points: lambda / (2 - lambda) [1 - (1 - lambda)^(2 i)] (same page).
    i = np.arange(1, 21)
    np.testing.assert_allclose(sd, 2.0539 * np.sqrt(0.3 / 1.7 * (1 - 0.7 ** (2 * i))))


def test_a_weight_that_is_no_weight_is_one_sentence():
    with pytest.raises(CallError, match="lies above 0 and up to 1, not 0"):
        averaging(4, 0.0)


def test_the_nile_changed_in_1898():
    """Annual flow at Aswan 1871-1970; Cobb (1978) and the data set's notes: near 1898."""
    nile = sm.datasets.nile.load_pandas().data
    flow = nile["volume"].to_numpy()
    # Sd about the two levels, from years far from the change: what a steady river would have.
    before, after = flow[:28], flow[28:]
    sd = np.sqrt((before.var() * 28 + after.var() * 72) / 98)
    covariance = sd**2 * (np.eye(100) - 1 / 100)
    draws = normal_draws(covariance, 98)
    found = largest_step(flow - flow.mean(), covariance, draws)
    assert nile["year"][found.place - 1] == 1898
    # Means of the two parts, as the segment means of a least-squares fit of one break.
    assert found.estimate == pytest.approx(after.mean() - before.mean())
    assert found.estimate == pytest.approx(849.9722 - 1097.75, abs=1e-3)
    assert found.p_value < 0.001
    assert found.conf_low < found.conf_high < 0


def test_widths_of_independent_points_are_sidaks():
    """With T independent points of known sd the width is that of Sidak (1967)."""
    draws = normal_draws(np.eye(12), np.inf)
    found = season_limits(np.zeros(12), 0.0, np.ones(12), draws)
    exact = norm.isf((1 - 0.95 ** (1 / 12)) / 2)
    assert found.width_low == found.width_high == pytest.approx(exact, abs=0.04)
    assert not found.outside.any()
    assert found.p_value == 1.0


def test_a_steps_width_follows_the_rate_and_its_interval_follows_the_p_value():
    rng = np.random.default_rng(3)
    sizes = np.array([3, 8, 5, 9, 2, 7, 6, 4.0])
    covariance = np.diag(1 / sizes) - 1 / sizes.sum()
    draws = normal_draws(covariance, np.inf, 4000)
    raw = rng.standard_normal((1500, 8)) / np.sqrt(sizes)
    raw -= (raw @ sizes / sizes.sum())[:, None]
    found = [largest_step(row, covariance, draws) for row in raw]
    level = np.mean([step.p_value < 0.05 for step in found])
    assert abs(level - 0.05) < 3 * np.sqrt(0.05 * 0.95 / 1500)
    for step in found[:200]:
        assert (step.p_value < 0.05) == (step.conf_low > 0 or step.conf_high < 0)


def test_the_common_level_is_the_weighted_mean():
    levels, variance = np.array([1.0, 2.0, 4.0]), np.array([1.0, 0.5, 0.25])
    centre, deviations, covariance = about_common(levels, np.diag(variance))
    assert centre == pytest.approx(np.average(levels, weights=1 / variance))
    assert (deviations / variance).sum() == pytest.approx(0)
    np.testing.assert_allclose(covariance @ (1 / variance), 0, atol=1e-12)


def test_averages_with_terms_held_have_the_covariance_of_the_whole_matrix():
    """The long way round: b = phi X' V^-1 y, and the covariance of A (y - X_h b_h)."""
    rng = np.random.default_rng(8)
    session = np.repeat(np.arange(8), [3, 5, 2, 6, 4, 4, 3, 5])
    data = pd.DataFrame(
        {
            "session": session,
            "player": np.array([*"ABABBABA"])[session],
            "tube": rng.integers(0, 5, len(session)),
            "stage": np.array([*"xyz"])[rng.integers(0, 3, len(session))],
        }
    )
    data["crow"] = rng.normal(size=len(data)) + rng.normal(size=8)[session] + 0.7 * data["tube"]
    fit = fit_mixed("crow ~ player + stage", data, ["session", "tube"])
    levels, covariance = averages_of(fit, ["player", "stage"], session)
    X, V = fit.fixed.X, np.eye(len(data)) * fit.variances["residual"]
    for name in ("session", "tube"):
        V += fit.variances[name] * (data[name].to_numpy()[:, None] == data[name].to_numpy())
    G = np.linalg.solve(X.T @ np.linalg.solve(V, X), np.linalg.solve(V, X).T)
    held = X.copy()
    held[:, fit.fixed.terms["1"]] = 0
    A = (np.arange(8)[:, None] == session) / np.bincount(session)[:, None]
    weights = A @ (np.eye(len(data)) - held @ G)
    np.testing.assert_allclose(levels, weights @ data["crow"], atol=1e-8)
    np.testing.assert_allclose(covariance, weights @ V @ weights.T, atol=1e-6)


@pytest.mark.parametrize(("share", "alike"), [(0.25, 0.2), (0.1, 0.05), (0.5, 0.4)])
def test_hidden_correlation_gives_back_the_correlation_of_yes_and_no(share, alike):
    correlation = hidden_correlation(share, alike)
    bar = norm.isf(share)
    both = multivariate_normal([0, 0], [[1, correlation], [correlation, 1]]).cdf([-bar, -bar])
    assert (both - share**2) / (share * (1 - share)) == pytest.approx(alike, abs=1e-4)


def test_drawn_fates_keep_their_number_and_are_as_alike_as_asked():
    tube = np.repeat(np.arange(20), 5)
    point = np.repeat(np.arange(10), 10)
    alike = {"tube": np.array([hidden_correlation(0.3, 0.4)])}
    counts = yes_draws(point, 30, alike, {"tube": tube})
    assert (counts.sum(axis=1) == 30).all()
    # Sum of ten reeds from two tubes: binomial variance times 1 + 4 x .4, less 1/10 for the total.
    expected = 10 * 0.3 * 0.7 * 2.6 * 0.9
    assert counts.var(axis=0).mean() == pytest.approx(expected, rel=0.1)
    alone = yes_draws(point, 30, {}, {})
    # Without groups: hypergeometric, n K/N (1 - K/N) (N - n) / (N - 1).
    assert alone.var(axis=0).mean() == pytest.approx(10 * 0.21 * 90 / 99, rel=0.03)


def test_a_large_record_is_drawn_in_pieces_wherever_that_is_done(monkeypatch):
    monkeypatch.setattr(steady, "MOST_NUMBERS", 60_000)
    point, tube = np.repeat(np.arange(9), 10), np.repeat(np.arange(30), 3)
    asked = (point, 30, {"tube": np.linspace(0.1, 0.3, 4)}, {"tube": tube})
    alone = yes_draws(*asked)
    assert len(alone) == steady.FEWEST_DRAWS
    assert len(np.unique(alone, axis=0)) > 0.9 * len(alone)
    with parallel_config(backend="threading", n_jobs=2):
        assert yes_draws(*asked).tobytes() == alone.tobytes()
