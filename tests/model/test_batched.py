"""The kernel that absorbs a group, beside the definitions written out."""

from dataclasses import fields, replace

import numpy as np
import pytest
from scipy.stats import f

from reedlab.model import batched
from reedlab.model.batched import Absorbed
from reedlab.model.inference import METHODS, basis
from reedlab.model.moments import Moments, Slopes
from reedlab.model.reml import fit_reml
from tests.model.test_kernel import Plain


def _nested_and_crossed():
    """Eight tubes, 24 reeds tried in two sessions, four tests lost."""
    kept = np.delete(np.arange(48), [3, 17, 30, 41])
    return [np.repeat(np.arange(8), 6)[kept], np.tile([0, 1], 24)[kept], kept // 2]


def _crossed():
    rng = np.random.default_rng(2)
    return [rng.permutation(np.arange(60) % 7), rng.permutation(np.arange(60) % 11)]


def _nested_unevenly():
    tube = np.repeat(np.arange(6), [3, 9, 5, 8, 6, 10])
    return [tube // 2, tube, np.arange(41) // 2 + tube]


DESIGNS = [_nested_and_crossed, _crossed, _nested_unevenly]


def _codes(make):
    return [np.unique(code, return_inverse=True)[1] for code in make()]


def _columns(n):
    columns = np.random.default_rng(4).normal(size=(n, 3))
    columns[:, 0] = 1
    return np.linalg.qr(columns)[0]


def _prepared(make):
    codes = _codes(make)
    X = _columns(len(codes[0]))
    return X, codes, Absorbed.of(X, codes)


def _responses(codes, count):
    rng = np.random.default_rng(9)
    Y = rng.normal(size=(len(codes[0]), count))
    for code in codes:
        Y += 0.7 * rng.normal(size=(code.max() + 1, count))[code]
    return Y


def _variances(codes, count):
    theta = np.random.default_rng(3).uniform(0.1, 1, size=(count, 1 + len(codes)))
    theta[1, 1:] = 0
    theta[2, 1] = 0
    return theta


@pytest.mark.parametrize("make", DESIGNS)
def test_all_moments_are_those_of_their_definition(make):
    X, codes, kernel = _prepared(make)
    Y, theta = _responses(codes, 5), _variances(codes, 5)
    data, plain = kernel.project(Y), Plain(X, codes)
    found, height = kernel.moments(theta, data), kernel.loglik(theta, data)
    for place, (variances, y) in enumerate(zip(theta, Y.T, strict=True)):
        wanted = plain.moments(variances, y)
        assert height[place] == pytest.approx(wanted.loglik[0], rel=1e-10)
        for field in fields(Moments):
            a, b = getattr(found, field.name)[place], getattr(wanted, field.name)[0]
            scale = 1e-9 * np.abs(b).max()
            np.testing.assert_allclose(a, b, rtol=1e-8, atol=scale, err_msg=field.name)
        solved = np.linalg.solve(plain.covariance(variances), y)
        np.testing.assert_allclose(kernel.solve(variances, y), solved, rtol=1e-8, atol=1e-10)


@pytest.mark.parametrize("make", DESIGNS)
def test_slopes_are_those_of_all_moments(make):
    _, codes, kernel = _prepared(make)
    theta, data = _variances(codes, 5), kernel.project(_responses(codes, 5))
    ours, wanted = kernel.slopes(theta, data), kernel.moments(theta, data)
    for field in fields(Slopes):
        a, b = getattr(ours, field.name), getattr(wanted, field.name)
        np.testing.assert_allclose(a, b, rtol=1e-9, atol=1e-11, err_msg=field.name)


@pytest.mark.parametrize("residual", [1e-3, 1e-6, 1e-9])
def test_slopes_keep_their_digits_where_the_residual_is_small(residual):
    _, codes, kernel = _prepared(_nested_and_crossed)
    theta = np.array([[residual, 0.3, 0.2, 0.5]])
    data = kernel.project(_responses(codes, 1))
    ours, wanted = kernel.slopes(theta, data), kernel.moments(theta, data)
    # A step of the logarithm of a variance is what they decide.
    a, b = ours.score * theta, wanted.score * theta
    np.testing.assert_allclose(a, b, rtol=1e-6, atol=1e-6 * np.abs(b).max())


@pytest.mark.parametrize("make", DESIGNS)
def test_what_the_groups_and_columns_leave(make):
    X, codes, kernel = _prepared(make)
    Z = np.hstack([np.eye(code.max() + 1)[code] for code in codes])
    assert kernel.rows == len(X)
    assert kernel.effects == np.linalg.matrix_rank(Z)
    assert kernel.spare == len(X) - np.linalg.matrix_rank(np.hstack([Z, X]))


@pytest.mark.parametrize("make", DESIGNS)
def test_no_slope_is_left_where_a_fit_ends(make):
    X, codes, kernel = _prepared(make)
    Y = _responses(codes, 40)
    Y -= X @ (X.T @ Y)
    fits, plain = fit_reml(kernel, Y), Plain(X, codes)
    assert fits.converged.all()
    assert (fits.theta == 0).any()
    for theta, y in zip(fits.theta, Y.T, strict=True):
        score = plain.moments(theta, y).score[0]
        np.testing.assert_allclose(score * theta, 0, atol=1e-4)
        assert (score[theta == 0] < 1e-6).all()


def test_pieces_of_a_large_call_are_joined_in_order(monkeypatch):
    _, codes, kernel = _prepared(_crossed)
    theta, data = _variances(codes, 7), kernel.project(_responses(codes, 7))
    whole, height = kernel.moments(theta, data), kernel.loglik(theta, data)
    monkeypatch.setattr(batched, "MOST_HELD", 1)
    pieces = kernel.moments(theta, data)
    for field in fields(Moments):
        a, b = getattr(pieces, field.name), getattr(whole, field.name)
        np.testing.assert_allclose(a, b, rtol=1e-10, atol=1e-12)
    np.testing.assert_allclose(kernel.loglik(theta, data), height, rtol=1e-12)


#: R 4.2.2, lme4 1.1.31, pbkrtest 0.5.2: lmer(y ~ level + gouge + (1|tube) + (1|session) + (1|reed))
#: and KRmodcomp on the responses below (invented): variances of tube, session, reed and residual;
#: F, df and p of the factor of reeds, then of that of tubes.
BY_R = [
    (
        "47 43 56 45 38 50 54 61 50 43 46 54 44 62 43 58 57 51 51 47 56 42 52 38 53 54 55 44 46 57 "
        "39 42 32 29 29 41 41 46 41 34 39 29 47 38",
        (30.44774116, 27.68919421, 14.91623259, 21.42057176),
        (0.9208564977, 14.5892345132, 0.3528848196),
        (0.02253086031, 6.33686744577, 0.88534802957),
    ),
    (
        "43 43 56 52 46 58 50 49 51 51 55 61 48 55 53 53 58 54 48 40 54 43 54 51 60 58 58 62 44 46 "
        "53 54 43 29 24 39 37 41 27 25 44 38 40 29",
        (76.448736662, 7.586408855, 17.536753536, 15.092137723),
        (0.7747374108, 14.7074149396, 0.3929112425),
        (0.2021957798, 6.1517385883, 0.6683649677),
    ),
    (
        "37 52 41 41 41 50 51 43 43 49 47 29 41 24 36 38 56 58 43 52 46 51 42 55 54 59 45 53 62 47 "
        "59 60 56 42 43 47 47 47 50 57 53 54 58 65",
        (30.739160451, 11.500072996, 5.538986827, 16.060664292),
        (3.68984629909, 14.41778123993, 0.07474322437),
        (3.557272336, 6.197242034, 0.106687069),
    ),
]


def test_batches_with_tests_lost_are_judged_as_by_other_software():
    tube, session, reed = (np.asarray(code) for code in _nested_and_crossed())
    level, gouge = (tube + reed % 3) % 2, tube % 2
    Q, R = np.linalg.qr(np.column_stack([np.ones(44), level, gouge]))
    Y = np.array([[float(value) for value in row[0].split()] for row in BY_R]).T
    start, scale = Q.T @ Y, 8.0
    kernel = Absorbed.of(Q, [tube, session, reed])
    fits = fit_reml(kernel, (Y - Q @ start) / scale)
    moments = replace(fits.moments, beta=fits.moments.beta + start.T / scale)
    rests_on = basis(replace(fits, moments=moments), METHODS[0], bounded=False)
    tests = [rests_on.test(np.linalg.solve(R.T, np.eye(3)[:, [place]]).T) for place in (1, 2)]
    for i, (_, variances, *wanted) in enumerate(BY_R):
        # The other optimiser ends a little before the maximum.
        theta = fits.theta[i] * scale**2
        np.testing.assert_allclose(theta, np.roll(variances, 1), rtol=2e-4)
        for test, (F, df, p_value) in zip(tests, wanted, strict=True):
            assert test.statistic[i] == pytest.approx(F, rel=2e-5)
            assert test.den_df[i] == pytest.approx(df, rel=2e-5)
            assert f.sf(test.statistic[i], 1, test.den_df[i]) == pytest.approx(p_value, rel=5e-5)
