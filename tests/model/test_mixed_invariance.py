"""What must not change an answer: units, level, order of rows, names of groups.

The data are invented; one design is balanced, one is not and has crossed groups.
"""

import numpy as np
import pandas as pd
import pytest

from reedlab.model import MixedFit, fit_mixed


@pytest.fixture(params=["balanced", "crossed"])
def case(request) -> tuple[pd.DataFrame, list[str]]:
    rng = np.random.default_rng(8)
    rows = pd.DataFrame(
        {
            "tube": np.repeat([f"t{i}" for i in range(8)], 6),
            "player": np.tile(list("ABC"), 16),
            "cane": np.repeat(list("abababab"), 6),
            "finish": np.tile(list("xxxyyy"), 8),
            "wall": rng.normal(0.6, 0.02, 48).round(4),
        }
    )
    noise = rng.normal(size=48) + rng.normal(size=8).repeat(6)
    # Sixty-fourths, which stay exact next to a large level.
    rows["crow"] = np.round(64 * (noise + 2 * np.tile(rng.normal(size=3), 16))) / 64
    if request.param == "balanced":
        return rows, ["tube"]
    return rows.drop(index=[1, 8, 9, 30, 31, 32, 44]), ["tube", "player"]


FORMULA = "crow ~ cane * finish + wall"


def _answers(fit: MixedFit, scale: float = 1.0) -> np.ndarray:
    """Everything printed but the level of the means, in one row of numbers."""
    parts = []
    for method in ("kenward-roger", "satterthwaite"):
        parts += [fit.anova(kind, method).drop(columns="term").to_numpy() for kind in (2, 3)]
        pairs = fit.pairs("cane:finish", adjust="none", method=method)
        width = pairs["conf_high"] - pairs["conf_low"]
        parts += [pairs["estimate"] / scale, pairs["std_error"] / abs(scale), width / abs(scale)]
        parts += [pairs["df"], pairs["p_value"]]
    parts.append(np.array([*fit.variances.values()]) / scale**2)
    return np.concatenate([np.ravel(part) for part in parts])


@pytest.mark.parametrize("bounded", [True, False])
@pytest.mark.parametrize(("scale", "level"), [(25.4, 3.0), (-1e-6, 0.0), (1e5, -7e5)])
def test_units_and_level(case, scale, level, bounded):
    rows, groups = case
    wanted = _answers(fit_mixed(FORMULA, rows, groups, bounded=bounded))
    changed = rows.assign(crow=level + scale * rows["crow"])
    fit = fit_mixed(FORMULA, changed, groups, bounded=bounded)
    np.testing.assert_allclose(_answers(fit, scale), wanted, rtol=1e-6, atol=1e-9)
    means = fit_mixed(FORMULA, rows, groups).means("finish")["estimate"]
    np.testing.assert_allclose(fit.means("finish")["estimate"], level + scale * means, rtol=1e-9)


@pytest.mark.parametrize("level", [1e6, 1e9, 1e12])
def test_a_large_level_costs_no_digits(case, level):
    # Sixty-fourths are exact beside 1e12 too, so nothing may be lost on the way.
    rows, groups = case
    wanted = _answers(fit_mixed(FORMULA, rows, groups))
    found = _answers(fit_mixed(FORMULA, rows.assign(crow=level + rows["crow"]), groups))
    np.testing.assert_allclose(found, wanted, rtol=1e-11, atol=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_order_of_rows(case, seed):
    rows, groups = case
    first = fit_mixed(FORMULA, rows, groups)
    other = fit_mixed(FORMULA, rows.sample(frac=1, random_state=seed), groups)
    np.testing.assert_allclose(_answers(other), _answers(first), rtol=1e-6, atol=1e-9)
    assert other.loglik == pytest.approx(first.loglik, abs=1e-9)
    np.testing.assert_allclose(other.residuals[first.residuals.index], first.residuals, atol=1e-6)


def test_names_and_order_of_groups(case):
    rows, groups = case
    first = fit_mixed(FORMULA, rows, groups)
    renamed = rows.assign(tube=rows["tube"].map(lambda name: -int(name[1])))
    other = fit_mixed(FORMULA, renamed, groups[::-1])
    assert other.variances == pytest.approx(first.variances, rel=1e-6)
    np.testing.assert_allclose(other.anova()["p_value"], first.anova()["p_value"], rtol=1e-6)


def test_origin_and_unit_of_a_covariate(case):
    rows, groups = case
    first = fit_mixed(FORMULA, rows, groups)
    # Millimetres to thousandths of an inch, from another zero; no term contains it.
    other = fit_mixed(FORMULA, rows.assign(wall=1e4 + rows["wall"] * 1000 / 25.4), groups)
    np.testing.assert_allclose(_answers(other), _answers(first), rtol=1e-5, atol=1e-8)


def test_fitted_values_by_definition(case):
    # Henderson: fitted = X b + sum of Z u, u = theta Z' V^-1 (y - X b).
    rows, groups = case
    fit = fit_mixed(FORMULA, rows, groups)
    y, fixed = fit.fixed.y, fit.fixed.X @ fit.coefficients
    G = {name: code[:, None] == code[None] for name, code in fit.groups.items()}
    V = fit.variances["residual"] * np.eye(len(y))
    V = V + sum(fit.variances[name] * same for name, same in G.items())
    lifted = sum(fit.variances[name] * same for name, same in G.items())
    wanted = fixed + lifted @ np.linalg.solve(V, y - fixed)
    np.testing.assert_allclose(fit.fitted, wanted, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(fit.residuals, y - wanted, atol=1e-9)
    np.testing.assert_allclose(fit.predict(rows), fixed, rtol=1e-9)
