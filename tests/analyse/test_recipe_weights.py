"""What a recipe aims at: finished reeds, single reeds, and what the maker's ear listens to."""

import numpy as np
import pandas as pd
import pytest

from reedlab import Factor, Response
from reedlab.analyse.recipe import recipe
from reedlab.demo.truth import TRUTH
from reedlab.errors import CallError, ModelError
from tests.analyse.build import SHAPE, reeds_of

CROW = Response("crow", unit="cents", direction="target", target=0.0, table="tests")
RANGE = Response("range", unit="dB", direction="higher", table="tests")
LIKED = Response("liked", direction="higher", table="tests")
MEASURED = ["crow_cents", "dynamic_range_db"]
BEVEL = Factor("bevel", kind="numeric", unit="mm")


def played(rng, reeds, stages):
    """A row a test: every reed of 3 a tube at every stage, numbers of a bevel by chance."""
    rows = reeds_of(reeds // 3, 3).assign(bevel=rng.permutation(np.resize([4.0, 5, 6], reeds)))
    tests = rows.merge(pd.DataFrame({"stage": list(stages), "green": stages.values()}), how="cross")
    return tests.assign(session_id=tests["stage"])


def test_the_recipe_aims_at_finished_reeds(study):
    rng = np.random.default_rng(3)
    rows = played(rng, 60, {"day 1": -40.0, "day 3": -15.0, "day 8": 0.0})
    rows["crow"] = 20 * (rows["bevel"] - 5) + rows["green"] + rng.normal(0, 2, len(rows))
    found = recipe(study(rows, [BEVEL], [CROW]))
    # By the rule that made the rows a finished reed is on its target at 5 mm; over all days
    # the mean is on target at 5.9 mm.
    assert found.level["bevel"] == pytest.approx(5.0, abs=0.05)
    assert found.predict(bevel=5.0)["estimate"][0] == pytest.approx(0, abs=1.5)
    surface = found.surfaces[0]
    assert surface.finished.stage == "day 8"
    finished = rows[rows["stage"] == "day 8"].set_index("reed_id")["crow"]
    assert surface.reeds.mean() == pytest.approx(finished.mean(), abs=0.5)


def test_reeds_that_scatter_are_weighed_one_by_one(study):
    """To be 6 cents off costs little where reeds scatter by 40, so the range decides."""
    rng = np.random.default_rng(5)
    rows = reeds_of(100, 3).assign(bevel=rng.permutation(np.resize([4.0, 5, 6], 300)))
    rows["crow"] = 6 * (rows["bevel"] - 4) + rng.normal(0, 40, 300)
    rows["range"] = 0.5 * rows["bevel"] + rng.normal(0, 1, 300)
    own = [
        Response("crow", unit="cents", direction="target", target=0.0, table="reeds"),
        Response("range", unit="dB", direction="higher", table="reeds"),
    ]
    found = recipe(study(rows, [BEVEL], own))
    assert found.surfaces[0].spread == pytest.approx(40, rel=0.1)
    assert found.level["bevel"] == 6


def test_the_ear_says_how_much_each_response_counts(demo_season):
    found = recipe(demo_season, MEASURED, weights="rating_overall")
    crow, span = found.surfaces
    good = [
        surface.desirability(surface.frame.data[surface.response.name].to_numpy()).mean()
        for surface in found.surfaces
    ]
    # Log odds that the generator's maker gives to the whole of each desirability.
    verdict = TRUTH.verdict
    truth = np.array([-verdict.per_10_cents / 10 * crow.high, verdict.per_db]) * good
    truth[1] *= span.high - span.low
    told = next(text for text in found.cautions if text.startswith("Weights as overall rating"))
    share = truth / truth.mean()
    assert told == (
        "Weights as overall rating tells them, of 341 ratings: crow against target 0.831 (95 % "
        "0.753 to 0.909); dynamic range 1.17 (95 % 1.09 to 1.25)."
    )
    assert 0.753 < share[0] < 0.909
    assert 1.09 < share[1] < 1.25


def test_the_fates_say_it_too_and_what_goes_unheard_counts_for_nothing(demo_season):
    found = recipe(demo_season, weights="kept")
    assert [s.response.name for s in found.surfaces] == [
        *MEASURED,
        *("attack_ms", "slur_gap_ms", "low_evenness_cents"),
    ]
    told = next(text for text in found.cautions if text.startswith("Weights as kept tells them"))
    assert "of 103 reeds" in told
    assert "low-register spread 0 (95 %" in told


def test_a_lower_judgement_may_be_the_better_one(study):
    rng = np.random.default_rng(6)
    rows = played(rng, 30, {"day 1": 0.0})
    rows["crow"], rows["range"] = rng.normal(0, 10, (2, len(rows)))
    rows["liked"] = -rows["range"] + rng.normal(0, 1, len(rows))
    better = Response("liked", direction="lower", table="tests")
    found = recipe(study(rows, [BEVEL], [CROW, RANGE, better]), weights="liked")
    told = next(text for text in found.cautions if text.startswith("Weights as liked"))
    assert "range 2 (95 %" in told
    assert "crow 0" in told


@pytest.mark.parametrize(
    ("responses", "judge", "message"),
    [
        (
            MEASURED,
            "rating_overal",
            "There is no response 'rating_overal'. Nearest: rating_overall",
        ),
        (
            ["dynamic_range_db"],
            "crow_cents",
            "crow against target cannot say how much the responses count: it must have a "
            "direction, higher or lower.",
        ),
        (
            ["dynamic_range_db", "kept"],
            "kept",
            "kept cannot be judged by itself: leave it out of the responses.",
        ),
    ],
)
def test_judges_that_are_none(demo_season, responses, judge, message):
    with pytest.raises(CallError) as error:
        recipe(demo_season, responses, weights=judge)
    assert str(error.value).startswith(message)


def test_a_judge_that_does_not_tell(study):
    rng = np.random.default_rng(7)
    rows = played(rng, 30, {"day 1": 0.0})
    rows["crow"], rows["range"] = rng.normal(0, 10, (2, len(rows)))
    rows["liked"] = rows["crow"].abs() - rows["range"] + rng.normal(0, 1, len(rows))
    message = (
        "liked does not tell how much the responses count: it goes with none of them in the "
        "direction that is called better."
    )
    with pytest.raises(ModelError) as error:
        recipe(study(rows, [BEVEL], [CROW, RANGE, LIKED]), ["crow", "range"], weights="liked")
    assert str(error.value) == message
    rows["liked"] = 3.0
    with pytest.raises(ModelError, match=r"^liked does not tell how much the responses count: "):
        recipe(
            study(rows, [BEVEL], [CROW, RANGE, LIKED], name="same"),
            ["crow", "range"],
            weights="liked",
        )


def test_what_is_not_known_to_matter_stays_as_the_maker_says(demo_season):
    usual = {"gouge_centre_mm": 1.25, "shape": "narrow", "wire_tension": "normal", "soak_min": 100}
    found = recipe(demo_season, ["attack_ms"], usual=usual)
    assert dict(found.level) == usual
    rows = found.table[found.table["part"] == "set"]
    assert rows["usual"].all()
    changed = recipe(demo_season, ["dynamic_range_db"], usual=usual)
    assert dict(changed.level) == usual | {"shape": "wide"}
    rows = changed.table[changed.table["part"] == "set"].set_index("term")
    assert rows.index[~rows["usual"].astype(bool)].tolist() == ["shape"]


def test_a_usual_level_that_was_never_tried(demo_season, study):
    with pytest.raises(CallError, match=r"^gouge, centre 1\.1 mm was never tried: it was 1\.18 mm"):
        recipe(demo_season, ["attack_ms"], usual={"gouge_centre_mm": 1.1})
    with pytest.raises(CallError, match=r"^There is no factor 'shap'\. Nearest: shape\."):
        recipe(demo_season, ["attack_ms"], usual={"shap": "wide"})
    found = recipe(demo_season, ["attack_ms"], ["shape"], usual={"soak_min": 100})
    assert "soaking is not set here; its usual level is not looked at." in found.cautions


def test_each_factor_is_one_test_in_the_log(study):
    rng = np.random.default_rng(8)
    rows = reeds_of(24, 1).assign(shape=np.resize(["narrow", "wide"], 24))
    rows["crow"] = 20.0 * (rows["shape"] == "wide") + rng.normal(0, 5, 24)
    own = Response("crow", unit="cents", direction="higher", table="reeds")
    opened = study(rows, [SHAPE], [own])
    found = recipe(opened)
    assert found.matters == ("shape",)
    assert found.looked.endswith("(1 test).")
    from scipy.stats import f_oneway

    reference = f_oneway(*[part["crow"] for _, part in rows.groupby("shape")]).pvalue
    assert found.table["p_value"][0] == pytest.approx(reference)
