"""What a recipe says when it cannot answer: one clear sentence each."""

import numpy as np
import pytest

from reedlab import Factor, Response
from reedlab.analyse.recipe import recipe
from reedlab.errors import CallError, ModelError
from tests.analyse.build import GOUGE, SHAPE, batch, reeds_of

CROW = Response("crow", unit="cents", direction="target", target=0.0, table="reeds")
KEPT = Response("kept", "binary", direction="higher", table="reeds")


def said(error):
    return str(error.value)


@pytest.fixture(scope="module")
def season_recipe(demo_season):
    return recipe(demo_season, ["dynamic_range_db"])


def test_an_unknown_response_or_factor(demo_season):
    with pytest.raises(CallError, match=r"^There is no response 'crow_cent'\. Nearest: crow_cents"):
        recipe(demo_season, ["crow_cent"])
    with pytest.raises(CallError, match=r"^There is no factor 'shap'\. Nearest: shape\."):
        recipe(demo_season, ["crow_cents"], ["shap"])


def test_a_name_that_is_no_list(demo_season):
    with pytest.raises(CallError, match=r'^responses is a list of names: write \["kept"\]\.$'):
        recipe(demo_season, "kept")
    with pytest.raises(CallError, match=r'^factors is a list of names: write \["shape"\]\.$'):
        recipe(demo_season, ["kept"], "shape")


def test_a_response_without_a_direction(demo_season):
    with pytest.raises(CallError) as error:
        recipe(demo_season, ["crow_hz"])
    assert said(error) == (
        "crow pitch has no direction: the study must say whether higher, lower or near a target is "
        "better (responses, 'crow_hz'), or leave it out of the recipe."
    )


@pytest.mark.parametrize(
    ("weights", "message"),
    [
        ({"kep": 1}, "There is no response in this recipe 'kep'. Nearest: kept. Present: kept."),
        ({"kept": -1}, "The weight of 'kept' is -1; a weight is 0 or more."),
        ({"kept": "much"}, "The weight of 'kept' is 'much'; a weight is 0 or more."),
        ({"kept": float("nan")}, "The weight of 'kept' is nan; a weight is 0 or more."),
        ({"kept": 0}, "Every weight is 0: give one response a weight above 0."),
    ],
)
def test_weights_that_are_none(demo_season, weights, message):
    with pytest.raises(CallError) as error:
        recipe(demo_season, ["kept"], weights=weights)
    assert said(error) == message


def test_nothing_recorded_yet(study):
    rows = batch().drop(columns="crow").assign(crow=None)
    with pytest.raises(CallError, match=r"^No response with a direction is recorded yet"):
        recipe(study(rows, [SHAPE], [CROW]))


def test_no_factor_that_the_maker_sets(study):
    with pytest.raises(ModelError) as error:
        recipe(study(batch(), [GOUGE], [CROW]))
    assert said(error) == (
        "No factor that the maker sets is recorded: a recipe needs one, or name the factors "
        "(factors=[...])."
    )
    assert recipe(study(batch(), [GOUGE], [CROW], name="named"), factors=["gouge"]).level["gouge"]


def test_one_level_only(study):
    with pytest.raises(ModelError) as error:
        recipe(study(batch().assign(shape="wide"), [SHAPE], [CROW]))
    assert said(error) == (
        "No factor that can be set differs.\n"
        "shape: one level only (wide); there is nothing to compare."
    )


@pytest.mark.parametrize(
    ("fate", "message"),
    [
        ("discarded", "None of 24 reeds is kept: no recipe can be told from another by it."),
        ("kept", "All 24 reeds are kept: no recipe can be told from another by it."),
    ],
)
def test_no_keepers_or_all_kept(study, fate, message):
    kept = study(batch().assign(fate=fate), [SHAPE], [KEPT, CROW])
    with pytest.raises(ModelError) as error:
        recipe(kept, ["kept"])
    assert said(error) == message
    # Unasked, the response is left out and that is said.
    found = recipe(kept)
    assert f"kept is left out: {message}" in found.cautions
    assert len(found.surfaces) == 1


def test_all_responses_constant(study):
    constant = study(batch().assign(crow=3.0, fate="kept"), [SHAPE], [KEPT, CROW])
    with pytest.raises(ModelError) as error:
        recipe(constant)
    assert said(error) == (
        "No response can be modelled.\n"
        "kept is left out: All 24 reeds are kept: no recipe can be told from another by it.\n"
        "crow is left out: crow is the same (3) in all 24 rows: no recipe can be told from "
        "another by it."
    )


def test_a_time_is_no_response_of_a_recipe(study):
    hours = Response("hours", "time", direction="higher", table="reeds")
    timed = study(batch().assign(hours=5.0), [SHAPE], [hours])
    with pytest.raises(CallError, match=r"^'hours' is a time until something happens"):
        recipe(timed, ["hours"])


def test_one_small_batch(demo_batch):
    found = recipe(demo_batch, ["crow_cents"])
    assert found.table["n_reeds"].max() == 24
    assert len(found.next_batch(reeds=8).table) == 8


def test_levels_beyond_what_was_tried(season_recipe):
    with pytest.raises(CallError) as error:
        season_recipe.predict(gouge_centre_mm=1.5)
    assert said(error) == (
        "gouge, centre 1.5 mm was never tried: it was 1.18 mm to 1.4 mm. The nearest that can be "
        "predicted is 1.4 mm."
    )
    with pytest.raises(CallError, match=r"^There is no level of shape that was tried 'huge'\."):
        season_recipe.predict(shape="huge")
    with pytest.raises(CallError, match=r"^gouge, centre is a number; 'thin' is none\.$"):
        season_recipe.predict(gouge_centre_mm="thin")
    with pytest.raises(CallError, match=r"^gouge, centre is a number; nan is none\.$"):
        season_recipe.predict(gouge_centre_mm=float("nan"))


def test_a_combination_beyond_what_was_made(season_recipe):
    with pytest.raises(CallError) as error:
        season_recipe.predict(gouge_centre_mm=1.4, soak_min=90)
    assert said(error) == (
        "gouge, centre 1.4 mm, shape wide, wire tension tight, soaking 90 minutes lies outside the "
        "combinations that were made, so nothing can be said of it. The nearest recipe that was "
        "made: gouge, centre 1.3 mm, shape wide, wire tension tight, soaking 90 minutes."
    )


def test_an_unknown_factor_of_a_prediction(season_recipe):
    with pytest.raises(CallError, match=r"^There is no factor that is set here 'shap'\. Nearest: "):
        season_recipe.predict(shap="wide")


def settled(study, **more):
    rows = batch().assign(shape=np.resize(["narrow", "wide"], 24))
    rows["crow"] = np.where(rows["shape"] == "wide", 0.0, 80.0) + np.resize([1, -2, 3, 0, -1], 24)
    return study(rows.drop(columns="gouge"), [SHAPE], [CROW], **more)


def test_everything_settled_leaves_nothing_to_plan(study):
    found = recipe(settled(study))
    assert found.settled == ("shape",)
    with pytest.raises(CallError) as error:
        found.next_batch()
    assert said(error) == (
        "Everything is settled: shape wide. There is no open question for a next batch; name "
        "further factors (factors=[...]) to go on."
    )


def test_cane_that_is_missing(study):
    rows = reeds_of(24, 1).drop(columns="tube_id").assign(shape=np.resize(["narrow", "wide"], 24))
    rows["crow"] = np.resize([1.0, 5, -3, 2, -4], 24)
    found = recipe(study(rows, [SHAPE], [CROW]))
    with pytest.raises(CallError) as error:
        found.next_batch()
    assert said(error) == (
        "The study lists no tubes, so there is no cane to plan with: give cane=..., a table with "
        "tube_id and pieces."
    )


def test_too_little_cane(season_recipe):
    with pytest.raises(CallError, match="make 141 reeds, or add tubes"):
        season_recipe.next_batch(reeds=500)


def test_responses_whose_reeds_share_no_two_levels(study):
    rows = reeds_of(24, 1).assign(shape=np.repeat(["a", "b", "c", "d"], 6))
    rows["crow"] = np.where(np.arange(24) < 12, np.arange(24) % 5 * 1.0, np.nan)
    rows["tip"] = np.where(np.arange(24) < 12, np.nan, np.arange(24) % 7 * 1.0)
    tip = Response("tip", direction="lower", table="reeds")
    with pytest.raises(ModelError) as error:
        recipe(study(rows, [Factor("shape")], [CROW, tip]))
    assert said(error) == (
        "No factor that can be set differs.\n"
        "shape: the reeds of the different responses share no two levels of it; not set."
    )
