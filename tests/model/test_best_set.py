"""Which candidates may be the best: known distributions, known answers."""

from itertools import product

import numpy as np
import pytest
from scipy import stats

from reedlab.model.best_set import (
    Candidates,
    Estimates,
    best_set,
    joint_draws,
    may_be_best,
    single_level,
    towards,
)
from reedlab.model.reach import Reach


def estimates(names, coefficients, variance, df=20.0):
    size = len(coefficients)
    return Estimates(
        tuple(names), np.array(coefficients, float), np.eye(size) * variance, np.full(size, df)
    )


def test_draws_are_t_variables_with_the_covariance_asked_for():
    root = np.array([[1.0, 0], [0.6, 0.8]])
    model = Estimates(("1", "a"), np.zeros(2), root @ root.T * 4, np.array([6.0, 6.0]))
    drawn = joint_draws([model], np.eye(1), 100_000, seed=1)[0]
    # Variance of t with 6 degrees of freedom: 6 / 4.
    assert np.cov(drawn) == pytest.approx(root @ root.T * 4 * 1.5, rel=0.04)
    limits = np.quantile(drawn[0] / 2, [0.025, 0.975])
    assert limits == pytest.approx(stats.t.ppf([0.025, 0.975], 6), abs=0.05)


def test_errors_of_two_models_go_together_as_asked():
    models = [estimates("1a", [0, 0], 1.0, 1e6), estimates("1ab", [0, 0, 0], 9.0, 1e6)]
    first, second = joint_draws(models, np.array([[1, 0.7], [0.7, 1]]), 50_000, seed=2)
    assert np.corrcoef(first[1], second[1])[0, 1] == pytest.approx(0.7, abs=0.01)
    assert np.corrcoef(first[1], second[2])[0, 1] == pytest.approx(0.0, abs=0.02)


def test_a_singular_covariance_is_drawn_all_the_same():
    model = Estimates(("1", "a"), np.zeros(2), np.ones((2, 2)), np.full(2, 30.0))
    drawn = joint_draws([model], np.eye(1), 2000, seed=3)[0]
    assert np.corrcoef(drawn)[0, 1] == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize("m", [1, 4])
def test_the_level_of_one_of_several_independent_comparisons(m):
    draws = np.random.default_rng(4).standard_normal((m, 40_000))
    # Sidak (1967): 1 - (1 - 0.05)^(1/m), halved for one side.
    assert single_level([draws]) == pytest.approx((1 - 0.95 ** (1 / m)) / 2, rel=0.06)


def test_without_any_comparison_the_level_is_that_of_one():
    assert single_level([]) == 0.025
    assert single_level([np.zeros((2, 50))]) == 0.025


def test_a_candidate_is_kept_up_to_the_level():
    # 3 of 100 draws as good as the rival: kept at 2.5 %, not at 4 %.
    scores = np.array([[1.0] * 3 + [0.0] * 97, [0.5] * 100])
    rival = [np.array([1, 1])]
    assert may_be_best(scores, rival, 0.025).tolist() == [True, True]
    assert may_be_best(scores, rival, 0.04).tolist() == [False, True]


def test_moves_go_one_place_half_the_way_and_all_of_it():
    moves = towards(np.array([[0], [6], [9]]), np.array([6]), np.array([True]))
    assert [m.ravel().tolist() for m in moves[:3]] == [[1, 6, 8], [3, 6, 8], [6, 6, 6]]


def two_levels(k):
    places = np.array(list(product(range(2), repeat=k)))
    rows = np.column_stack([np.ones(len(places)), 2.0 * places - 1])
    return Candidates(places, np.zeros(k, bool), np.ones(len(places), bool)), rows


def test_one_factor_of_two_levels_is_the_t_test():
    candidates, rows = two_levels(1)
    for t, settled in [(1.9, False), (2.3, True)]:  # 5 % limit with 20 df: 2.086
        known = estimates("1a", [0, t], 1.0)
        found = best_set(candidates, [known], [rows], lambda m: m[0], absolute=[False])
        assert found.may_be_best.tolist() == [not settled, True]


def test_what_may_not_be_chosen_is_no_rival_either():
    candidates, rows = two_levels(1)
    outside = Candidates(candidates.places, candidates.numeric, np.array([True, False]))
    known = estimates("1a", [0, 9.0], 1.0)
    found = best_set(outside, [known], [rows], lambda m: m[0], absolute=[False])
    assert found.may_be_best.tolist() == [True, False]


def test_the_same_seed_gives_the_same_set():
    candidates, rows = two_levels(3)
    known = estimates("1abc", [0, 1.0, 2.0, 3.0], 1.0)
    first, again = (
        best_set(candidates, [known], [rows], lambda m: m[0], absolute=[False], seed=5)
        for _ in range(2)
    )
    assert (first.may_be_best == again.may_be_best).all()
    assert first.level == again.level


def test_leverage_against_the_hat_matrix():
    rng = np.random.default_rng(6)
    rows, points = rng.normal(size=(12, 3)), rng.normal(size=(5, 3))
    X, x = np.column_stack([np.ones(12), rows]), np.column_stack([np.ones(5), points])
    expected = np.einsum("ij,jk,ik->i", x, np.linalg.inv(X.T @ X), x)
    assert Reach(rows).leverage(points) == pytest.approx(expected)


def test_a_direction_that_was_never_varied_is_out_of_reach():
    reach = Reach(np.array([[0.0, 1.0], [1.0, 1.0], [2.0, 1.0]]))
    assert reach.holds(np.array([[1.5, 1.0], [1.5, 1.1]])).tolist() == [True, False]
