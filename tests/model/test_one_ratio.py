"""Two strata, one ratio: the results are those of the general fit, and of classical tests."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import f, f_oneway

from reedlab.model.inference import METHODS, basis
from reedlab.model.kernel import build_kernel
from reedlab.model.one_ratio import OneRatio
from reedlab.model.reml import fit_reml

#: Levels, tubes, reeds a tube, whether levels go to whole tubes, and the tubes' variance.
LAYOUTS = [
    (2, 8, 3, False, 0.4),
    (2, 8, 3, True, 0.05),
    (3, 8, 4, False, 0.1),
    (3, 12, 2, True, 0.4),
    (4, 9, 5, False, 0.0),
    (2, 3, 3, False, 2.0),
    (2, 40, 6, False, 0.2),
]


def _design(levels, tubes, reeds, whole):
    """The kernel, the columns in it, and the hypothesis that no level matters."""
    tube, place = np.repeat(np.arange(tubes), reeds), np.tile(np.arange(reeds), tubes)
    level = (tube if whole else tube + place) % levels
    X = np.column_stack([np.ones(len(tube)), *(level == k for k in range(1, levels))])
    Q, R = np.linalg.qr(X)
    L = np.linalg.solve(R.T, np.eye(levels)[:, 1:]).T
    return build_kernel(Q, [tube]), Q, L, tube, level


def _responses(tube, variance, count=400):
    rng = np.random.default_rng(5)
    return (
        rng.normal(size=(len(tube), count))
        + np.sqrt(variance) * rng.normal(size=(tube.max() + 1, count))[tube]
    )


@pytest.mark.parametrize(("levels", "tubes", "reeds", "whole", "variance"), LAYOUTS)
def test_fits_and_tests_are_those_of_the_general_fit(levels, tubes, reeds, whole, variance):
    kernel, Q, L, tube, _ = _design(levels, tubes, reeds, whole)
    Y = _responses(tube, variance)
    start, shift = Q.T @ Y, np.linspace(1, 2, Q.shape[1])
    fits = fit_reml(kernel, Y - Q @ start)
    found = OneRatio.of(kernel).fit(kernel.project(Y))
    np.testing.assert_allclose(found.theta, fits.theta, atol=1e-6)
    assert ((found.theta[:, 1] == 0) == (fits.theta[:, 1] == 0)).all()
    rests_on = basis(fits, METHODS[0], bounded=False)
    moved = found.test(L, shift)
    for times in (-1.0, 0.0, 0.5):
        beta = fits.moments.beta + start.T + times * shift
        wanted = replace(rests_on, moments=replace(fits.moments, beta=beta)).test(L)
        F = moved.a + 2 * times * moved.b + times**2 * moved.c
        np.testing.assert_allclose(F, wanted.statistic, rtol=1e-5)
        np.testing.assert_allclose(moved.den_df, wanted.den_df, rtol=1e-6)
        assert moved.num_df == wanted.num_df


def test_a_factor_of_tubes_is_judged_by_the_analysis_of_tube_means():
    kernel, _, L, tube, level = _design(2, 8, 3, True)
    Y = _responses(tube, 0.1)
    found = OneRatio.of(kernel).fit(kernel.project(Y)).test(L, np.zeros(2))
    means = Y.reshape(8, 3, -1).mean(axis=1)
    first = level.reshape(8, 3)[:, 0]
    classical = f_oneway(means[first == 0], means[first == 1]).statistic
    np.testing.assert_allclose(found.den_df, 6, rtol=1e-9)
    np.testing.assert_allclose(found.a, classical, rtol=1e-6)


#: R 4.2.2, lme4 1.1.31, pbkrtest 0.5.2: lmer(y ~ level + (1|tube)) and KRmodcomp on the responses
#: below (invented), 8 tubes of 3 reeds: variances of tube and residual; F, df and p of the level.
BY_R = [
    (
        "55 59 65 47 43 52 57 57 60 56 52 47 59 54 44 63 51 51 41 51 44 51 53 56",
        (16.53401364, 25.25850561),
        (1.1035571205, 16.2385745630, 0.3088699745),
    ),
    (
        "41 51 45 62 53 60 60 46 50 62 56 61 44 56 45 49 43 55 46 45 44 40 54 40",
        (21.42485628, 32.22892350),
        (1.4049613990, 16.2262654020, 0.2529640424),
    ),
    (
        "44 57 51 31 35 39 47 48 45 51 35 44 67 71 61 51 50 56 36 36 43 53 45 58",
        (93.80871243, 19.76367744),
        (6.8299815546, 15.2452230074, 0.0193751973),
    ),
]


def test_batches_are_judged_as_by_other_software():
    kernel, Q, L, _, _ = _design(2, 8, 3, False)
    Y = np.array([[float(value) for value in row[0].split()] for row in BY_R]).T
    found = OneRatio.of(kernel).fit(kernel.project(Y))
    test = found.test(L, np.zeros(Q.shape[1]))
    for i, (_, (tube, residual), (F, df, p_value)) in enumerate(BY_R):
        # The other optimiser ends a little before the maximum.
        np.testing.assert_allclose(found.theta[i], [residual, tube], rtol=2e-4)
        assert test.a[i] == pytest.approx(F, rel=2e-5)
        assert test.den_df[i] == pytest.approx(df, rel=2e-5)
        assert f.sf(test.a[i], 1, test.den_df[i]) == pytest.approx(p_value, rel=5e-5)


@pytest.mark.parametrize(
    "codes",
    [
        [],
        [np.repeat(np.arange(5), [1, 2, 3, 4, 2])],
        [np.repeat(np.arange(6), 2), np.tile(np.arange(2), 6)],
    ],
)
def test_other_designs_have_no_single_ratio(codes):
    X, _ = np.linalg.qr(np.column_stack([np.ones(12), np.arange(12.0)]))
    assert OneRatio.of(build_kernel(X, codes)) is None
