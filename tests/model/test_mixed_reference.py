"""The mixed engine against R on eight models, and proof where R's own digits end."""

from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.special import log_ndtr, ndtr

from reedlab.model import MixedFit, fit_mixed
from tests.reference.compare import compare
from tests.reference.mixed import MODELS, data_of, expected, factor_of, formula_and_groups

#: R's estimates carry its optimiser's tolerance: 3e-5 in the variances, 2e-6 in F.
ANOVA = {"num_df": 0, "den_df": 1e-4, "statistic": 1e-4, "p_value": 1e-4}
#: lmerTest takes the Hessian of the deviance by differences; in oats_unbalanced, variety, its
#: degrees of freedom are off by 2.4e-4 (see the test of that below). Four digits hold.
SATTERTHWAITE = {**ANOVA, "den_df": 5e-4}
ESTIMATES = dict.fromkeys(["estimate", "std_error", "df", "conf_low", "conf_high"], 1e-4)
PAIRS = {**ESTIMATES, "statistic": 1e-4, "p_value": 1e-4}
#: R's ptukey gives one minus a sum: it has no digits below about 1e-12 (see below).
PTUKEY_FLOOR = 1e-12

TABLES = {
    "anova_type3_kenward_roger": ANOVA,
    "anova_type3_satterthwaite": SATTERTHWAITE,
    "anova_type2_kenward_roger": ANOVA,
    "emmeans_kenward_roger": ESTIMATES,
    "pairs_tukey": PAIRS,
}
EVERY = [(name, table) for name in MODELS for table in TABLES]
KEYS = {"emmeans_kenward_roger": "level", "pairs_tukey": "contrast"}


@pytest.fixture(scope="module")
def fits() -> dict[str, MixedFit]:
    made = {}
    for name, model in MODELS.items():
        formula, groups = formula_and_groups(model)
        made[name] = fit_mixed(formula, data_of(model), groups)
    return made


@pytest.fixture(scope="module")
def tables(fits) -> dict[tuple[str, str], pd.DataFrame]:
    made = {}
    for name, fit in fits.items():
        factor = factor_of(MODELS[name])
        made[name, "anova_type3_kenward_roger"] = fit.anova()
        made[name, "anova_type3_satterthwaite"] = fit.anova(3, "satterthwaite")
        made[name, "anova_type2_kenward_roger"] = fit.anova(2, "kenward-roger")
        made[name, "emmeans_kenward_roger"] = fit.means(factor)
        made[name, "pairs_tukey"] = fit.pairs(factor)
    return made


def _compare(actual: pd.DataFrame, model: str, table: str) -> None:
    compare(
        actual,
        expected(MODELS[model], table),
        on=KEYS.get(table, "term"),
        rtol=TABLES[table],
        atol={"p_value": PTUKEY_FLOOR} if table == "pairs_tukey" else 0.0,
    )


def test_the_file_holds_eight_models_and_all_tables():
    assert len(MODELS) == 8
    assert all(len(model[table]) > 0 for model in MODELS.values() for table in TABLES)


@pytest.mark.parametrize("name", MODELS)
def test_variances_and_likelihood(fits, name):
    fit, model = fits[name], MODELS[name]
    found = {**fit.variances, "Residual": fit.variances["residual"]}
    del found["residual"]
    assert found == pytest.approx(model["variance_components"], rel=1e-3)
    # The likelihood is flat at its maximum, so R's optimiser does not blur it.
    assert fit.loglik == pytest.approx(model["reml_loglik"], abs=1e-6)
    assert fit.singular == model["singular"]


@pytest.mark.parametrize(("name", "table"), EVERY)
def test_table(tables, name, table):
    _compare(tables[name, table], name, table)


@pytest.mark.parametrize(("name", "table"), EVERY)
def test_a_perturbed_table_fails(tables, name, table):
    """Each column of each table: another sign, one per cent more, not a number, not there."""
    actual = tables[name, table]
    assert set(TABLES[table]) | {KEYS.get(table, "term")} == set(actual.columns)
    for column in TABLES[table]:
        largest = actual[column].abs().idxmax()
        for factor in (-1, 1.01, np.nan):
            changed = actual.astype({column: float})
            changed.loc[largest, column] *= factor
            with pytest.raises(AssertionError, match=f"column '{column}'"):
                _compare(changed, name, table)
        with pytest.raises(AssertionError, match=f"no column '{column}'"):
            _compare(actual.drop(columns=column), name, table)
    with pytest.raises(AssertionError, match="no row"):
        _compare(actual.iloc[1:], name, table)


@pytest.mark.parametrize("name", ["oats_balanced", "oats_unbalanced", "ergostool_blocks"])
def test_tukey_tails_by_integration(tables, name):
    # The definition of the studentized range, integrated with positive terms only.
    found = tables[name, "pairs_tukey"]
    means = len(tables[name, "emmeans_kenward_roger"])
    for row in found.to_dict("records"):
        q = abs(row["statistic"]) * np.sqrt(2)
        exact = _range_tail(q, means, row["df"])
        # scipy's sum has an absolute error near 3e-15; R's is near 3e-13 and up to 1e-9.
        assert row["p_value"] == pytest.approx(exact, rel=1e-8, abs=1e-14)


def test_satterthwaite_by_differences_of_the_likelihood():
    """Variety of oats_unbalanced, where R's 9.82086 and ours, 9.8233, differ."""
    model = MODELS["oats_unbalanced"]
    formula, groups = formula_and_groups(model)
    data = data_of(model)
    fit = fit_mixed(formula, data, groups)
    y, X = fit.fixed.y, fit.fixed.X
    G = [np.eye(len(y)), *(c[:, None] == c[None] for c in fit.groups.values())]
    theta = np.array([fit.variances["residual"], *(fit.variances[g] for g in groups)])

    def covariance(theta: np.ndarray) -> np.ndarray:
        return np.linalg.inv(X.T @ np.linalg.solve(np.tensordot(theta, G, axes=1), X))

    def loglik(theta: np.ndarray) -> float:
        V = np.tensordot(theta, G, axes=1)
        beta = covariance(theta) @ X.T @ np.linalg.solve(V, y)
        quad = (y - X @ beta) @ np.linalg.solve(V, y - X @ beta)
        return (-np.linalg.slogdet(V)[1] + np.linalg.slogdet(covariance(theta))[1] - quad) / 2

    h = 1e-3 * theta
    hessian, gradient = np.empty((3, 3)), np.empty((3, *(X.shape[1:] * 2)))
    for i, j in product(range(3), range(3)):
        a, b = np.eye(3)[i] * h, np.eye(3)[j] * h
        ends = loglik(theta + a + b) - loglik(theta + a - b)
        hessian[i, j] = (ends - loglik(theta - a + b) + loglik(theta - a - b)) / (4 * h[i] * h[j])
        gradient[i] = (covariance(theta + a) - covariance(theta - a)) / (2 * h[i])
    L = np.eye(X.shape[1])[fit.fixed.terms["Variety"]]
    values, vectors = np.linalg.eigh(L @ covariance(theta) @ L.T)
    slopes = np.einsum("qi,qp,kpr,sr,si->ik", vectors, L, gradient, L, vectors)
    nu = 2 * values**2 / np.einsum("ik,kl,il->i", slopes, np.linalg.inv(-hessian), slopes)
    E = np.sum(nu / (nu - 2))
    df = fit.anova(3, "satterthwaite").set_index("term").loc["Variety", "den_df"]
    assert df == pytest.approx(2 * E / (E - 2), rel=2e-5)  # the differences' own error


def _range_tail(q: float, means: int, df: float) -> float:
    """P(studentized range > q): over the largest z of the means, and over s, by trapezoids."""
    z, s = np.linspace(-9, 18, 2001)[:, None], np.exp(np.linspace(-7, 3, 1501))
    below = np.minimum(np.exp(log_ndtr(z - q * s) - log_ndtr(z)), 1 - 1e-16)
    # Not all of the other means lie within q s below the largest.
    apart = ndtr(z) ** (means - 1) * -np.expm1((means - 1) * np.log1p(-below))
    given_s = means * np.trapezoid(stats.norm.pdf(z) * apart, z, axis=0)
    density = stats.chi.pdf(s * np.sqrt(df), df) * np.sqrt(df)
    return float(np.trapezoid(density * given_s * s, np.log(s)))
