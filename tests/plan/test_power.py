"""The answer about power: its table, sentence, cautions and pictures, and a user's slips."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import reedlab
from reedlab.analyse import sources
from reedlab.demo import example_study
from reedlab.errors import CallError
from reedlab.plan.design import design_batch
from reedlab.plan.strength.design import design_of
from reedlab.plan.strength.power import power
from reedlab.schema import Factor
from tests.plan.power_batches import planned, two_factors

CALL = {"tubes": 8, "reeds_per_tube": 3, "stratum": "tube", "effect": 1.0}
PLAIN = {"tube": 0.4, "reed": 0.6}


@pytest.fixture(scope="module")
def batch():
    """Two lots of four tubes; two tubes of either lot have each gouge."""
    return two_factors([3] * 8, lots=[0, 0, 0, 0, 1, 1, 1, 1])


@pytest.fixture(scope="module")
def found(batch):
    return power(batch, effect=1.0)


def test_the_call_that_is_promised():
    answer = reedlab.plan.power(
        tubes=8,
        reeds_per_tube=3,
        stratum="tube",
        effect=1.0,
        variance={"tube": 0.4, "reed": 0.6},
        simulations=20000,
        seed=1,
    )
    row = answer.table.iloc[0]
    exact = power(**CALL, variance=PLAIN).table.iloc[0]
    assert len(answer.table) == 1
    assert abs(row["power"] - exact["power"]) < 3 * row["mc_error"]
    assert row["mc_error"] == pytest.approx(np.sqrt(row["power"] * (1 - row["power"]) / 20000))
    assert row["method"] == "simulation"
    assert row["smallest_effect"] == pytest.approx(exact["smallest_effect"], rel=0.02)


def test_the_sentence_says_the_table():
    answer = power(**CALL, variance=PLAIN)
    row = answer.table.iloc[0]
    assert answer.sentence == (
        f"A difference of 1 between two levels given to tubes would be found in "
        f"{100 * row['power']:.0f} of 100 such batches (8 tubes, 24 reeds; 6 error degrees of "
        f"freedom); 8 of 10 needs a difference of {row['smallest_effect']:.1f} or "
        f"{row['needed']:.0f} tubes."
    )


def test_smallest_effect_and_needed_are_eight_of_ten():
    row = power(**CALL, variance=PLAIN).table.iloc[0]
    there = power(**(CALL | {"effect": row["smallest_effect"]}), variance=PLAIN)
    assert there.table["power"].iloc[0] == pytest.approx(0.8, abs=1e-6)
    tubes = int(row["needed"])
    enough, short = (
        power(**(CALL | {"tubes": n}), variance=PLAIN).table["power"].iloc[0]
        for n in (tubes, tubes - 1)
    )
    assert enough >= 0.8 > short


def test_a_small_effect_is_out_of_reach():
    answer = power(**(CALL | {"effect": 0.05}), variance=PLAIN)
    assert np.isnan(answer.table["needed"][0])
    assert answer.sentence.endswith("8 of 10 needs a difference of 1.8 or more than 320 tubes.")


@pytest.mark.parametrize("stratum", ["tube", "reed"])
def test_power_rises_with_the_effect_and_the_tubes(stratum):
    call = {"reeds_per_tube": 4, "stratum": stratum, "variance": PLAIN}
    by_effect = [power(tubes=8, effect=e, **call).table["power"][0] for e in (0.5, 1.0, 2.0)]
    by_tubes = [power(tubes=t, effect=0.7, **call).table["power"][0] for t in (4, 8, 12, 40)]
    assert np.all(np.diff(by_effect) > 0)
    assert np.all(np.diff(by_tubes) > 0)
    nothing = power(tubes=8, effect=1e-9, **call).table["power"][0]
    assert nothing == pytest.approx(0.05, abs=1e-6)
    counted = power(tubes=8, effect=1e-9, simulations=5000, **call).table.iloc[0]
    assert abs(counted["power"] - 0.05) < 3 * counted["mc_error"]


def test_a_batch_gets_a_row_a_term(batch, found):
    table = found.table
    assert table["term"].tolist() == ["gouge", "shape"]
    assert table["stratum"].tolist() == ["tube", "reed"]
    assert table["n_units"].tolist() == [8, 24]
    # Three reeds cannot share out two shapes: a gouge has more narrow ones. What is left of the
    # shapes then lies within tubes, but the gouges are known from both strata.
    assert table["method"].tolist() == ["simulation", "noncentral F"]
    assert (
        "In batches like this one (2 lots, 8 tubes, 24 reeds) a difference of 1" in found.sentence
    )
    for row in table.to_dict("records"):
        assert f"in {100 * row['power']:.0f} of 100" in found.sentence
    assert any("corrects for the number" in text for text in found.cautions)
    assert any("assumed, not measured (tube 0.4, reed 0.6)" in text for text in found.cautions)


def test_the_order_of_the_rows_does_not_matter(batch, found):
    turned = replace(batch, table=batch.table.sample(frac=1, random_state=3))
    pd.testing.assert_frame_equal(power(turned, effect=1.0).table, found.table)


def test_seeds(batch, found):
    again = power(batch, effect=1.0, seed=1).table
    other = power(batch, effect=1.0, seed=2).table
    pd.testing.assert_frame_equal(again, found.table)
    assert 0 < abs(other["power"][0] - found.table["power"][0]) < 0.02
    assert other["power"][1] == found.table["power"][1]


def test_pooled_batches_are_more_tubes():
    batch = two_factors([4] * 8)
    table = power(batch, effect=1.0, variance=PLAIN).table.set_index("term")
    row = table.loc["gouge"]
    assert row["needed_unit"] == "batches"
    tubes = 8 * int(row["needed"])
    pooled = two_factors([4] * tubes)
    assert (
        power(pooled, effect=1.0, variance=PLAIN).table.set_index("term").loc["gouge", "power"]
        >= 0.8
    )


def test_a_designed_batch():
    factors = [Factor("gouge", (1.25, 1.30), "tube", "mm"), Factor("shape", ("narrow", "wide"))]
    cane = pd.DataFrame({"tube_id": [f"T{i}" for i in range(8)], "pieces": 4})
    batch = design_batch(factors, cane, 32, seed=1, breakage=0.0)
    table = power(batch, effect=1.0, variance=PLAIN).table.set_index("term")
    alone = power(tubes=8, reeds_per_tube=4, stratum="tube", effect=1.0, variance=PLAIN).table
    assert table.loc["gouge", "power"] == pytest.approx(alone["power"][0], abs=0.02)
    assert table.loc["gouge", "n_tests"] == 64


def test_what_the_cane_gives_is_judged_from_its_least_to_its_most():
    diameters = np.array([24.0, 24.2, 24.4, 24.6, 24.8, 25.0, 25.2, 25.4])
    columns = {"outer_diameter_mm": lambda tube, _: diameters[tube]}
    diameter = Factor("outer_diameter_mm", (), "tube", "mm", kind="numeric")
    batch = planned([2] * 8, columns, (diameter,))
    row = power(batch, effect=1.0, variance=PLAIN).table.iloc[0]
    x = (diameters - diameters.mean()) / np.ptp(diameters)
    from scipy.stats import f, ncf

    pull = np.sum(x**2) / (0.4 + 0.3)
    assert row["power"] == pytest.approx(ncf.sf(f.ppf(0.95, 1, 6), 1, 6, pull))


def test_what_nothing_is_left_to_judge_is_told_and_the_rest_examined():
    batch = two_factors([6, 6])
    answer = power(batch, effect=1.0)
    table = answer.table.set_index("term")
    assert table.loc["gouge", ["power", "den_df"]].tolist() == [0, 0]
    assert table.loc["gouge", "method"] == "not judged"
    assert table.loc["shape", "power"] > 0.3
    assert "gouge (given to tubes) cannot be judged by this batch" in answer.sentence
    assert answer.cautions[1] == (
        "gouge cannot be judged by this batch: too few tubes are left to judge it; drivers() "
        "leaves it out."
    )


def test_terms_that_cannot_be_told_apart():
    columns = {
        "gouge": lambda _, place: np.where(place % 2, 1.30, 1.25),
        "shape": lambda _, place: np.where(place % 2, "wide", "narrow"),
    }
    factors = (Factor("gouge", (1.25, 1.30)), Factor("shape", ("narrow", "wide")))
    answer = power(planned([4] * 6, columns, factors), effect=1.0)
    assert answer.table["method"].tolist() == ["noncentral F", "not judged"]
    assert any("it cannot be told from the other terms" in text for text in answer.cautions)


def test_lots_are_blocks_or_random_as_for_drivers():
    tubes = [lot for lot in range(6) for _ in range(2)]
    answer = power(two_factors([2] * 12, lots=tubes), effect=1.0, variance={"lot": 1, "reed": 1})
    assert answer.rows is not None
    assert design_of(answer.rows).groups == ["lot", "tube"]


def test_few_error_degrees_of_freedom_are_a_caution():
    answer = power(tubes=4, reeds_per_tube=3, stratum="tube", effect=1.0)
    assert any(
        text.startswith("only 2 error degrees of freedom: the test hardly knows its own error")
        for text in answer.cautions
    )


def test_one_error_degree_of_freedom_is_counted():
    # There the test of drivers() finds fewer than the classical F test would.
    row = power(tubes=3, reeds_per_tube=3, stratum="tube", effect=1.0).table.iloc[0]
    assert row["method"] == "simulation"


def pilot(low=0.1, high=0.8):
    table = pd.DataFrame(
        {
            "source": ["tube", "reed"],
            "variance": [40.0, 60.0],
            "share": [0.4, 0.6],
            "conf_low": [low, 1 - high],
            "conf_high": [high, 1 - low],
        }
    )
    return SimpleNamespace(table=table)


@pytest.mark.parametrize("stratum", ["tube", "reed"])
def test_a_pilot_carries_the_limits_of_its_shares(stratum):
    call = {"tubes": 8, "reeds_per_tube": 4, "stratum": stratum, "effect": 10}
    answer = power(**call, variance=pilot())
    row = answer.table.iloc[0]
    at = [
        power(**call, variance={"tube": 100 * share, "reed": 100 - 100 * share}).table["power"][0]
        for share in (0.1, 0.4, 0.8)
    ]
    assert [row["conf_low"], row["power"], row["conf_high"]] == pytest.approx(sorted(at))
    assert answer.cautions[0].startswith("The variances are those of an earlier study")


def test_sources_of_a_study_are_a_pilot():
    study = example_study("batch")
    answer = power(**(CALL | {"effect": 20}), variance=sources(study, "crow_cents"))
    row = answer.table.iloc[0]
    assert row["conf_low"] < row["power"] < row["conf_high"]


def test_pictures_show_the_layout_and_the_effect(found):
    import matplotlib.pyplot as plt

    answer = power(**CALL, variance=PLAIN)
    ax = answer.plot()
    labels = [text.get_text() for text in ax.get_legend().get_texts()]
    assert labels == ["1 reed per tube", "2 reeds per tube", "3 reeds per tube", "4 reeds per tube"]
    assert ax.get_xlabel() == "number of tubes"
    assert ax.get_title("left") == "a difference of 1 between 2 levels given to tubes"
    assert {text.get_text() for text in ax.texts} == {"80 % power", "this layout"}
    own = answer.lines[(answer.lines["by"] == "3 reeds per tube") & (answer.lines["x"] == 8)]
    assert own["power"].iloc[0] == pytest.approx(answer.table["power"][0])
    stars = [line for line in ax.lines if line.get_marker() == "*"]
    assert stars[0].get_xydata().tolist() == [[8, 100 * answer.table["power"][0]]]
    ax = found.plot(plt.subplots()[1])
    assert "asked: 1" in {text.get_text() for text in ax.texts}
    assert ax.get_xlabel().startswith("difference between the ends")
    at = found.lines[found.lines["shown"]].set_index("by")["power"]
    assert at.to_dict() == found.table.set_index("term")["power"].to_dict()
    plt.close("all")


SLIPS = [
    ({}, "power() was given neither effect nor keep_rates; give effect"),
    ({"effect": 1, "keep_rates": (0.2, 0.4)}, "power() was given both effect and keep_rates"),
    ({"effect": 0}, "effect is 0; give the size of the difference worth finding, above 0."),
    ({"effect": "big"}, "effect is 'big'; give the size"),
    ({"effect": 1, "simulations": 50}, "simulations is 50; give a whole number of 100 or more"),
    ({"keep_rates": 0.3}, "keep_rates is 0.3; give two shares between 0 and 1"),
    ({"keep_rates": (25, 50)}, "keep_rates is (25, 50); give two shares between 0 and 1"),
    ({"keep_rates": (0.3, 0.3)}, "keep_rates are both 0.3; give two that differ."),
    ({"effect": 1, "tubes": None}, "power() was not told tubes; give a batch, or tubes and"),
    ({"effect": 1, "tubes": 0}, "tubes is 0; give a whole number of 1 or more."),
    ({"effect": 1, "levels": 1}, "levels is 1; give a whole number of 2 or more."),
    ({"effect": 1, "lots": 9}, "9 lots cannot be had from 8 tubes; use fewer."),
    (
        {"effect": 1, "stratum": "blade"},
        "There is no stratum 'blade'. Present: lot, reed, session, tube.",
    ),
    (
        {"effect": 1, "variance": {"tubes": 1}},
        "There is no source of variation 'tubes'. Nearest: tube, test.",
    ),
    (
        {"effect": 1, "variance": {"tube": -1, "reed": 2}},
        "The variance of tube is -1; give a number of 0 or more.",
    ),
    ({"effect": 1, "variance": {"tube": 0}}, "No variance is above 0; give how much"),
    ({"effect": 1, "variance": 3}, "variance is 3; give a number for each source"),
    (
        {"effect": 1, "variance": SimpleNamespace(table=pd.DataFrame({"source": ["tube"]}))},
        "variance has no column variance, share, conf_low, conf_high; give the answer of",
    ),
    (
        {"effect": 1, "variance": {"tube": 1}},
        "The variance of test and reed is 0, so two rows of a kind would never differ",
    ),
    (
        {"effect": 1, "stratum": "tube", "tubes": 2},
        "A tube-level factor of 2 levels on 2 tubes leaves 0 error degrees of freedom, so nothing "
        "can be told from chance; use 3 tubes or more, or set it at reed level.",
    ),
    (
        {"effect": 1, "stratum": "session", "variance": {"session": 1, "reed": 1, "test": 1}},
        "A session-level factor of 2 levels on 1 session leaves 0 error degrees of freedom, so "
        "nothing can be told from chance; use 3 sessions or more.",
    ),
    (
        {"keep_rates": (0.2, 0.4), "stratum": "session", "sessions": 4},
        "A reed is kept or not once for all, not in each session; ask for a factor given to lots",
    ),
    (
        {"effect": 1, "tubes": 1, "reeds_per_tube": 2},
        "A reed-level factor of 2 levels on 2 reeds leaves 0 error degrees of freedom, so nothing "
        "can be told from chance; use 2 tubes or more.",
    ),
]


@pytest.mark.parametrize(("call", "message"), SLIPS, ids=lambda part: str(part)[:40])
def test_slips_are_told_with_the_way_out(call, message):
    with pytest.raises(CallError) as raised:
        power(**({"tubes": 8, "reeds_per_tube": 3} | call))
    assert message in str(raised.value)


def test_all_slips_are_told_at_once():
    with pytest.raises(CallError) as raised:
        power(tubes=8, reeds_per_tube=3, effect=-1, simulations=3)
    assert len(str(raised.value).splitlines()) == 2


def test_a_batch_says_how_large_it_is(batch):
    with pytest.raises(CallError, match="The batch says tubes, sessions itself; leave that out"):
        power(batch, effect=1.0, tubes=8, sessions=2)
    with pytest.raises(CallError, match="was given int as the batch; give what design_batch"):
        power(8, effect=1.0)
    short = replace(batch, table=batch.table.drop(columns="shape"))
    with pytest.raises(CallError, match="table of making has no column shape"):
        power(short, effect=1.0)
    strange = replace(batch, table=batch.table.replace({"shape": {"wide": "broad"}}))
    with pytest.raises(CallError, match="'shape' has no level broad; it has narrow, wide"):
        power(strange, effect=1.0)
