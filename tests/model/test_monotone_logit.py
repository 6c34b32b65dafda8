"""A monotone chance: against a general optimiser, an unpenalised fit, and at its edges."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.optimize import minimize
from scipy.special import expit

from reedlab.errors import ModelError
from reedlab.model.monotone_logit import fit_monotone_logit


def drawn(seed):
    rng = np.random.default_rng(seed)
    n, columns = int(rng.integers(15, 150)), int(rng.integers(1, 5))
    X = rng.normal(size=(n, columns)) * rng.uniform(0.1, 10, columns)
    y = (rng.random(n) < expit((X / X.std(axis=0)) @ rng.normal(0, 2, columns))).astype(float)
    y[rng.random(n) < 0.2] = rng.random()  # some are known as a chance only
    return X, y


@pytest.mark.parametrize("seed", range(30))
def test_it_is_the_optimum_that_a_general_method_finds(seed):
    """scipy's L-BFGS-B on the same function with the same bounds."""
    X, y = drawn(seed)
    scale = X.std(axis=0)
    Z = (X - X.mean(axis=0)) / scale

    def penalised(b):
        eta = b[0] + Z @ b[1:]
        gap = expit(eta) - y
        value = np.logaddexp(0, eta).sum() - y @ eta + b[1:] @ b[1:] / 2
        return value, np.concatenate([[gap.sum()], Z.T @ gap + b[1:]])

    bounds = [(None, None)] + [(0, None)] * X.shape[1]
    options = {"ftol": 1e-15, "gtol": 1e-9}
    start = np.zeros(X.shape[1] + 1)
    found = minimize(penalised, start, jac=True, method="L-BFGS-B", bounds=bounds, options=options)
    fit = fit_monotone_logit(X, y)
    assert fit.slopes * scale == pytest.approx(found.x[1:], abs=1e-5)
    assert fit.chance(X) == pytest.approx(expit(found.x[0] + Z @ found.x[1:]), abs=1e-5)


def test_without_a_penalty_it_is_logistic_regression():
    rng = np.random.default_rng(8)
    X = rng.normal(size=(200, 2))
    y = (rng.random(200) < expit(0.5 + X @ [1.0, 0.7])).astype(float)
    library = sm.Logit(y, sm.add_constant(X)).fit(disp=0)
    fit = fit_monotone_logit(X, y, ridge=0.0)
    assert [fit.intercept, *fit.slopes] == pytest.approx(library.params, abs=1e-6)
    assert fit.deviance == pytest.approx(-2 * library.llf)


def test_a_column_that_counts_against_its_direction_is_left_flat():
    x = np.arange(20.0)
    fit = fit_monotone_logit(x[:, None], (x < 10).astype(float))
    assert fit.slopes.tolist() == [0.0]
    assert fit.chance(x[:, None]) == pytest.approx(0.5)


def test_parted_groups_and_constant_columns_stay_finite():
    x = np.arange(20.0)
    X = np.column_stack([x, np.ones(20)])
    fit = fit_monotone_logit(X, (x >= 10).astype(float))
    assert np.isfinite(fit.slopes).all()
    assert (np.diff(fit.chance(X)) > 0).all()


def test_no_columns_give_the_mean():
    fit = fit_monotone_logit(np.empty((4, 0)), np.array([0.0, 1, 1, 1]))
    assert fit.chance(np.empty((2, 0))) == pytest.approx([0.75, 0.75])


@pytest.mark.parametrize("y", [np.zeros(3), np.ones(3), np.empty(0)])
def test_all_alike_is_refused(y):
    with pytest.raises(ModelError, match=r"^A chance cannot be learnt where all ended alike\.$"):
        fit_monotone_logit(np.zeros((len(y), 1)), y)
