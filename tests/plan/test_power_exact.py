"""Power against the outside: other libraries, published tables, the noncentral F by hand."""

import numpy as np
import pandas as pd
import pingouin
import pytest
from scipy import stats
from statsmodels.stats.power import FTestAnovaPower, NormalIndPower, TTestIndPower
from statsmodels.stats.proportion import proportion_effectsize

from reedlab.plan.strength.keeping import share_found
from reedlab.plan.strength.power import power
from reedlab.plan.strength.rows import Layout
from reedlab.schema import Factor
from tests.plan.power_batches import planned

ALONE = {"tube": 0.3, "reed": 0.7}


def one(**call):
    found = power(**call)
    assert len(found.table) == 1
    return found.table.iloc[0]


def by_hand(effect, levels, units, error, den_df):
    """Noncentral F for equally many units a level, the ends `effect` apart, the rest between."""
    noncentrality = units / levels * effect**2 / 2 / error
    bar = stats.f.ppf(0.95, levels - 1, den_df)
    return stats.ncf.sf(bar, levels - 1, den_df, noncentrality)


@pytest.mark.parametrize("effect", [0.3, 0.8, 1.5])
@pytest.mark.parametrize("tubes", [8, 24, 60])
def test_two_levels_of_single_reeds_are_a_t_test(tubes, effect):
    row = one(tubes=tubes, reeds_per_tube=1, effect=effect, variance=ALONE)
    theirs = TTestIndPower().power(effect, tubes / 2, 0.05)
    assert row["power"] == pytest.approx(theirs, abs=1e-6)
    again = pingouin.power_ttest(d=effect, n=tubes // 2, contrast="two-samples")
    assert row["power"] == pytest.approx(again, abs=5e-4)
    assert row["mc_error"] == 0
    assert row["den_df"] == pytest.approx(tubes - 2)


@pytest.mark.parametrize("stratum", ["tube", "reed"])
@pytest.mark.parametrize(("levels", "tubes"), [(3, 12), (4, 20), (5, 40)])
def test_more_levels_of_single_reeds_are_one_way(levels, tubes, stratum):
    call = {"tubes": tubes, "reeds_per_tube": 1, "levels": levels, "stratum": stratum}
    row = one(**call, effect=1.2, variance=ALONE)
    f = 1.2 / np.sqrt(2 * levels)  # spread of the means over that of the reeds, Cohen's f
    theirs = FTestAnovaPower().power(f, tubes, 0.05, levels)
    assert row["power"] == pytest.approx(theirs, abs=5e-4)
    again = pingouin.power_anova(eta_squared=f**2 / (1 + f**2), k=levels, n=tubes // levels)
    assert row["power"] == pytest.approx(again, abs=5e-4)


@pytest.mark.parametrize(
    ("levels", "f", "n"),
    # Cohen (1988), table 8.4.4 (n per group for power .80 at the 5 % level); from memory.
    [(2, 0.25, 64), (3, 0.25, 52), (4, 0.25, 45), (2, 0.40, 26), (3, 0.40, 21), (4, 0.40, 18)],
)
def test_cohen_s_numbers(levels, f, n):
    effect = f * np.sqrt(2 * levels)
    row = one(tubes=levels * n, reeds_per_tube=1, levels=levels, effect=effect, variance=ALONE)
    assert row["power"] == pytest.approx(0.80, abs=0.015)
    assert row["power"] == pytest.approx(by_hand(effect, levels, levels * n, 1, levels * (n - 1)))


def test_cohen_s_medium_difference():
    # Cohen (1988), table 2.3.5: d = .50, n = 64 gives .80; from memory.
    row = one(tubes=128, reeds_per_tube=1, effect=0.5, variance=ALONE)
    assert round(row["power"], 2) == 0.80


SHARES = (0.0, 0.2, 0.4, 0.7)


@pytest.mark.parametrize("share", SHARES)
@pytest.mark.parametrize(("tubes", "reeds", "levels"), [(8, 3, 2), (6, 4, 2), (9, 2, 3)])
def test_whole_plot_error_judges_tubes(tubes, reeds, levels, share):
    variance = {"tube": share, "reed": 1 - share}
    call = {"tubes": tubes, "reeds_per_tube": reeds, "levels": levels, "stratum": "tube"}
    row = one(**call, effect=1.5, variance=variance)
    expected = by_hand(1.5, levels, tubes, share + (1 - share) / reeds, tubes - levels)
    assert row["power"] == pytest.approx(expected, abs=1e-9)
    counted = one(**call, effect=1.5, variance=variance, simulations=4000, seed=3)
    assert abs(counted["power"] - expected) < 3 * counted["mc_error"] + 0.002
    assert counted["mc_error"] == pytest.approx(
        np.sqrt(counted["power"] * (1 - counted["power"]) / 4000)
    )


@pytest.mark.parametrize("share", SHARES)
@pytest.mark.parametrize(("tubes", "reeds", "levels"), [(8, 2, 2), (6, 4, 2), (5, 3, 3)])
def test_error_within_tubes_judges_reeds(tubes, reeds, levels, share):
    variance = {"tube": share, "reed": 1 - share}
    call = {"tubes": tubes, "reeds_per_tube": reeds, "levels": levels, "stratum": "reed"}
    row = one(**call, effect=0.9, variance=variance)
    n = tubes * reeds
    expected = by_hand(0.9, levels, n, 1 - share, n - tubes - levels + 1)
    assert row["power"] == pytest.approx(expected, abs=1e-9)
    counted = one(**call, effect=0.9, variance=variance, simulations=4000, seed=4)
    assert abs(counted["power"] - expected) < 3 * counted["mc_error"] + 0.002


def test_sessions_average_what_tests_of_a_reed_differ_by():
    variance = {"tube": 0.3, "reed": 0.3, "session": 5.0, "test": 0.4}
    call = {"tubes": 8, "reeds_per_tube": 4, "sessions": 4, "effect": 0.8, "variance": variance}
    tube, reed = (one(**call, stratum=stratum) for stratum in ("tube", "reed"))
    assert tube["power"] == pytest.approx(by_hand(0.8, 2, 8, 0.3 + (0.3 + 0.1) / 4, 6))
    assert reed["power"] == pytest.approx(by_hand(0.8, 2, 32, 0.3 + 0.1, 23))
    assert reed["n_tests"] == 128


def test_sessions_judge_what_is_given_to_sessions():
    variance = {"tube": 0.3, "reed": 0.3, "session": 0.2, "test": 0.4}
    call = {"tubes": 4, "reeds_per_tube": 3, "sessions": 6, "stratum": "session"}
    row = one(**call, effect=1.0, variance=variance)
    assert row["power"] == pytest.approx(by_hand(1.0, 2, 6, 0.2 + 0.4 / 12, 4))
    assert (row["n_units"], row["needed_unit"]) == (6, "sessions")


def test_lots_judge_what_is_given_to_lots():
    variance = {"lot": 0.2, "tube": 0.3, "reed": 0.5}
    call = {"tubes": 12, "reeds_per_tube": 2, "lots": 6, "stratum": "lot"}
    row = one(**call, effect=1.5, variance=variance)
    assert row["power"] == pytest.approx(by_hand(1.5, 2, 6, 0.2 + 0.3 / 2 + 0.5 / 4, 4))
    assert (row["n_units"], row["needed_unit"]) == (6, "lots")


def test_few_lots_are_blocks_and_cost_degrees_of_freedom():
    call = {"tubes": 8, "reeds_per_tube": 2, "stratum": "tube", "effect": 1.0, "variance": ALONE}
    row = one(**call, lots=2)
    assert row["den_df"] == pytest.approx(5)
    assert row["power"] == pytest.approx(by_hand(1.0, 2, 8, 0.3 + 0.35, 5))


def _four_reeds(terms):
    columns = {
        "gouge": lambda _, place: np.where(place % 2, 1.30, 1.25),
        "shape": lambda _, place: np.where(place // 2, "wide", "narrow"),
    }
    factors = (Factor("gouge", (1.25, 1.30)), Factor("shape", ("narrow", "wide")))
    return planned([4] * 6, columns, factors, terms)


def test_an_interaction_is_a_difference_of_differences():
    batch = _four_reeds(("gouge", "shape", "gouge:shape"))
    table = power(batch, effect=1.2, variance=ALONE).table.set_index("term")
    # Of 24 reeds: a difference varies by 4/24, a difference of differences by 16/24.
    for term, parts in (("gouge", 4), ("gouge:shape", 16)):
        pull = 1.2**2 / (0.7 * parts / 24)
        expected = stats.ncf.sf(stats.f.ppf(0.95, 1, 15), 1, 15, pull)
        assert table.loc[term, "power"] == pytest.approx(expected)


def test_a_bend_is_how_far_the_middle_lies_off_the_line():
    columns = {"gouge": lambda tube, place: np.array([1.2, 1.25, 1.3])[place]}
    batch = planned(
        [3] * 8, columns, (Factor("gouge", (1.2, 1.25, 1.3)),), ("gouge", "gouge:gouge")
    )
    table = power(batch, effect=0.8, variance=ALONE).table.set_index("term")
    line = 0.8**2 / (0.7 * 2 / 8)
    bend = 0.8**2 / (0.7 * 1.5 / 8)
    bar = stats.f.ppf(0.95, 1, 14)
    assert table.loc["gouge", "power"] == pytest.approx(stats.ncf.sf(bar, 1, 14, line))
    assert table.loc["gouge:gouge", "power"] == pytest.approx(stats.ncf.sf(bar, 1, 14, bend))


def test_a_factor_of_sessions_in_a_batch():
    batch = _four_reeds(("gouge", "shape"))
    testing = pd.DataFrame(
        {
            "session": np.repeat([1, 2, 3, 4], 24),
            "place": np.tile(np.arange(1, 25), 4),
            "humid": np.repeat(["dry", "damp", "dry", "damp"], 24),
        }
    )
    humid = Factor("humid", ("dry", "damp"), "session")
    batch = type(batch)(batch.table, (*batch.factors, humid), batch.terms, testing)
    variance = {"tube": 0.3, "reed": 0.3, "session": 0.1, "test": 0.3}
    table = power(batch, effect=1.0, variance=variance).table.set_index("term")
    assert list(table["method"]) == ["noncentral F"] * 3
    assert table.loc["humid", "power"] == pytest.approx(by_hand(1.0, 2, 4, 0.1 + 0.3 / 24, 2))
    assert table.loc["gouge", "power"] == pytest.approx(by_hand(1.0, 2, 24, 0.3 + 0.3 / 4, 16))


def test_two_keep_rates_of_many_single_reeds():
    # The arcsine approximation (Cohen 1988, chapter 6), as statsmodels has it.
    rows = Layout(160, 1, "reed", 2, 1, 1).rows()
    found = share_found(rows, "factor", (0.25, 0.5), {"reed": 1.0}, 4000, 1)
    theirs = NormalIndPower().power(proportion_effectsize(0.5, 0.25), 80, 0.05)
    assert found == pytest.approx(theirs, abs=0.025)
