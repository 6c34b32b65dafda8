"""What holds across makers and what is one maker's hand: invented studios with known truth."""

from dataclasses import replace

import numpy as np
import pytest

from reedlab import pool
from reedlab.analyse import across_makers, drivers
from reedlab.answer import VOCABULARY
from reedlab.charts import save
from reedlab.demo import example_studio, simulate_studio
from reedlab.errors import CallError, ModelError
from reedlab.model.across import across
from reedlab.schema import Factor, Response
from reedlab.study import BatchRecord
from tests.analyse.build import CROW, KEPT, SHAPE, flat_study, reeds_of

GOUGE = Factor("gouge", stratum="reed", kind="numeric", unit="mm", step=0.05)


@pytest.fixture(scope="module")
def studio():
    return pool(example_studio())


@pytest.fixture(scope="module")
def found(studio):
    return across_makers(studio, "crow_cents")


def hand(seed, gouge=-10.0, shape=0.0, tubes=8, per_tube=4):
    """One maker's reeds: effects of a step of the gouge and of the wide shape, in cents."""
    rng = np.random.default_rng(seed)
    rows = reeds_of(tubes, per_tube)
    rows["gouge"] = np.round(rng.normal(1.28, 0.05, len(rows)), 2)
    rows["shape"] = rng.permutation(np.resize(["narrow", "wide"], len(rows)))
    cane = np.repeat(rng.normal(0, 4, tubes), per_tube)
    rows["crow"] = (
        cane
        + gouge * (rows["gouge"] - 1.28) / 0.05
        + shape * (rows["shape"] == "wide")
        + rng.normal(0, 5, len(rows))
    )
    return rows


@pytest.fixture
def pooled(tmp_path):
    """Pool makers' rows; named A, B, C and on."""

    def make(hands, factors=(GOUGE, SHAPE), responses=(CROW,), mapping=None, **more):
        studies = {}
        for name, rows in zip("ABCDEFGH", hands, strict=False):
            folder = tmp_path / name
            studies[name] = flat_study(folder, rows, [*factors], [*responses], **more)
        return pool(studies, mapping)

    return make


def test_the_studio_says_what_holds_and_what_is_one_makers_hand(found):
    holds = found.table.set_index("term")["holds"]
    assert holds.to_dict() == {
        "gouge_centre_mm": "across makers",
        "density_kg_m3": "across makers",
        "shape": "one maker's hand",
        "wire_tension": "not shown",
    }
    assert "holds across 6 makers" in found.sentence
    assert "is one maker's hand: from " in found.sentence
    assert "for a new maker expect between " in found.sentence
    assert found.sentence.endswith("Of 1 other effect nothing is shown.")


def test_the_truth_of_every_hand_lies_within_its_interval(found):
    truths = {name: demo.truth for name, demo in simulate_studio().items()}
    rows = found.makers
    inside = [
        row["conf_low"]
        <= truths[row["maker_id"]].effect("crow_cents", row["term"])
        <= row["conf_high"]
        for row in rows.to_dict("records")
    ]
    assert np.mean(inside) >= 0.9
    means = {"gouge_centre_mm": -14.0, "density_kg_m3": 8.0, "shape": 0.0, "wire_tension": 0.0}
    for row in found.table.to_dict("records"):
        assert row["conf_low"] <= means[row["term"]] <= row["conf_high"]
        assert row["new_low"] < row["conf_low"] < row["conf_high"] < row["new_high"]


def test_each_hand_is_what_drivers_says_of_it_alone(studio, found):
    alone = drivers(example_studio()["Birch"], "crow_cents").table
    own = found.makers[found.makers["maker_id"] == "Birch"]
    columns = ["estimate", "std_error", "df", "conf_low", "conf_high"]
    merged = own.merge(alone, on=["term", "contrast"], suffixes=("", "_alone"))
    assert len(merged) == 4
    for column in columns:
        np.testing.assert_allclose(merged[column], merged[f"{column}_alone"], rtol=1e-6)


def test_the_table_is_the_engines(found):
    own = found.makers[found.makers["term"] == "shape"]
    engine = across(own["estimate"], own["std_error"], own["df"])
    row = found.table.set_index("term").loc["shape"]
    assert (row["estimate"], row["new_low"]) == (engine.estimate, engine.new_low)
    assert row["sd_makers"] == engine.sd


def test_columns_are_declared(found):
    for table in (found.table, found.makers):
        assert set(table.columns) <= set(VOCABULARY)


def test_drivers_of_a_pool_points_to_it_and_lies_near_the_mean(studio, found):
    table = drivers(studio, "crow_cents").table.set_index("term")
    gouge = found.table.set_index("term").loc["gouge_centre_mm"]
    assert table["estimate"]["gouge_centre_mm"] == pytest.approx(gouge["estimate"], abs=1.5)


def test_pictures_show_every_hand_the_mean_and_a_new_maker(found, tmp_path):
    ax = found.plot_factor("shape")
    labels = [text.get_text() for text in ax.get_yticklabels()]
    assert labels[0] == "Ash (40 reeds)"
    assert labels[-2:] == ["mean of 6 makers", "expected of a new maker"]
    assert "shape wide − narrow: effect on crow against target, cents" in ax.get_xlabel()
    assert all(file.stat().st_size for file in save(ax, tmp_path / "shape"))
    assert "gouge, centre" in found.plot().get_xlabel()
    with pytest.raises(CallError, match=r"There is no factor 'shap'. Nearest: shape"):
        found.plot_factor("shap")


def test_it_is_logged_like_any_other_question(studio, found):
    assert found.looked.startswith("So far ")
    assert any(look.asked == "across_makers" for look in studio.log.looks)


def test_randomised_in_every_hand_is_randomised(pooled):
    hands = [hand(seed).assign(batch_id="B1") for seed in range(4)]
    batches = [BatchRecord("B1", ("shape",), 1)]
    table = across_makers(pooled(hands, batches=batches), "crow").table.set_index("term")
    assert table["evidence"].to_dict() == {"gouge": "observed", "shape": "randomised"}


def test_a_randomised_effect_moves_and_an_observed_one_goes_with(pooled):
    hands = [hand(seed, shape=15.0).assign(batch_id="B1") for seed in range(4)]
    found = across_makers(pooled(hands, batches=[BatchRecord("B1", ("shape",), 1)]), "crow")
    assert "Gouge +0.05 mm goes with crow" in found.sentence
    assert "Shape wide − narrow moves crow" in found.sentence


def test_a_mean_that_a_new_hand_may_not_follow_is_on_average(pooled):
    effects = (2.0, 12.0, 22.0, 8.0, 16.0, 25.0, 4.0, 19.0)
    hands = [hand(seed, shape=effect) for seed, effect in enumerate(effects)]
    found = across_makers(pooled(hands), "crow")
    assert found.table.set_index("term")["holds"]["shape"] == "on average"
    assert "on average of 8 makers" in found.sentence
    assert "so try it in your own hand." in found.sentence


def test_hands_that_differ_but_go_one_way_are_told_as_that(pooled):
    hands = [hand(seed, gouge=effect, tubes=12) for seed, effect in enumerate((-3, -16, -30))]
    found = across_makers(pooled(hands), "crow", ["gouge"])
    assert found.table["holds"].tolist() == ["by hand"]
    assert "differs from hand to hand, though one way: from −" in found.sentence


def test_strata_may_differ_from_hand_to_hand(pooled):
    hands = [hand(seed) for seed in range(3)]
    tube = hands[2].groupby("tube_id")["gouge"].transform("first")
    hands[2] = hands[2].assign(
        gouge=tube, crow=hands[2]["crow"] - 10 * (tube - hands[2]["gouge"]) / 0.05
    )
    makers = across_makers(pooled(hands), "crow").makers
    strata = makers[makers["term"] == "gouge"].set_index("maker_id")["stratum"]
    assert strata.to_dict() == {"A": "reed", "B": "reed", "C": "tube"}


def test_a_step_is_the_same_in_every_hand(pooled):
    plain = replace(GOUGE, step=None)
    hands = [hand(seed) for seed in range(3)]
    hands[1]["gouge"] = np.resize([1.2, 1.4], len(hands[1]))
    makers = across_makers(pooled(hands, factors=(plain, SHAPE)), "crow").makers
    assert makers.loc[makers["term"] == "gouge", "contrast"].nunique() == 1


def test_a_hand_that_cannot_be_judged_is_told_and_left_out(pooled):
    hands = [hand(seed) for seed in range(4)]
    hands[3] = hands[3].assign(crow=np.nan)
    found = across_makers(pooled(hands), "crow")
    assert found.table["n_makers"].tolist() == [3, 3]
    assert any(text.startswith("D: ") for text in found.cautions)
    assert any("3 makers say little of how hands differ" in text for text in found.cautions)


def test_a_factor_of_two_hands_only_is_told_not_judged(pooled):
    hands = [hand(seed) for seed in range(3)]
    hands[0] = hands[0].assign(gouge=1.3)
    found = across_makers(pooled(hands), "crow")
    assert found.table["term"].tolist() == ["shape"]
    assert any("gouge +0.05 mm: examined in 2 hands only (B, C)" in text for text in found.cautions)


def test_left_out_rows_are_those_of_the_makers_files(pooled):
    hands = [hand(seed) for seed in range(3)]
    hands[1].loc[4, "crow"] = np.nan
    found = across_makers(pooled(hands), "crow")
    assert found.left_out.to_numpy().tolist() == [["B/reeds.csv", 6, "crow not recorded"]]
    assert found.rows_used == 95


def test_a_player_of_several_makers_is_told(pooled):
    hands = [hand(seed).assign(session_id="S1", player_id="P", trial=1) for seed in range(3)]
    crow = Response("crow", unit="cents")
    study = pooled(hands, responses=(crow,), mapping={"players": {"P": "same"}})
    cautions = across_makers(study, "crow").cautions
    assert any(text.startswith("P played reeds of 3 makers") for text in cautions)


def test_a_scale_is_told_to_be_taken_as_numbers(studio):
    found = across_makers(studio, "rating_overall", ["shape"])
    assert any("taken here as evenly spaced numbers" in text for text in found.cautions)


@pytest.mark.parametrize(
    ("response", "message"),
    [
        ("kept", "kept is a yes or no, and one maker's reeds hold too few of either"),
        ("crow_cent", "There is no response 'crow_cent'. Nearest: crow_cents"),
    ],
)
def test_a_response_that_does_not_fit_is_told(studio, response, message):
    with pytest.raises(CallError, match=message):
        across_makers(studio, response)


def test_a_single_study_is_no_pool(demo_season):
    with pytest.raises(CallError, match=r"asked of several makers' studies together: reedlab.pool"):
        across_makers(demo_season, "crow_cents")


def test_two_makers_are_too_few(pooled):
    with pytest.raises(
        CallError, match="There are 2 makers; to say how hands differ there must be 3"
    ):
        across_makers(pooled([hand(1), hand(2)]), "crow")


def test_where_nothing_can_be_examined_every_reason_is_told(pooled):
    hands = [hand(seed).assign(shape="wide", gouge=1.3) for seed in range(3)]
    with pytest.raises(ModelError, match="No maker's reeds can be judged"):
        across_makers(pooled(hands, responses=(CROW, KEPT)), "crow")


def test_a_wrong_factor_is_told(studio):
    with pytest.raises(CallError, match="There is no factor 'shap'"):
        across_makers(studio, "crow_cents", ["shap"])
    with pytest.raises(CallError, match="factors is a list of names"):
        across_makers(studio, "crow_cents", "shape")
