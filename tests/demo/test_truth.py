"""Whether the truth is found: by the joint mixed model yes, by a naive comparison no."""

import numpy as np
import pandas as pd
import pytest
from joblib import Parallel, delayed
from statsmodels.stats.multitest import multipletests

from reedlab.demo import TRUTH, Truth, simulate_batch, simulate_season
from tests.demo.models import batch_fit, effects, joined, naive_p, season_fit

CROW = {"gouge_centre_mm", "density_kg_m3", "relative_humidity_pct"}
RANGE = {"shape", "density_kg_m3"}


def _looked_at(seed: int, response: str, with_effects: bool) -> dict:
    demo = simulate_season(seed, effects=with_effects)
    fit = season_fit(demo, response)
    found = effects(fit, [factor.name for factor in demo.settings.factors])
    return {
        "estimate": found["estimate"],
        "p": found["p_value"],
        "naive": naive_p(demo, TRUTH.confounded, response),
        "variance": pd.Series(fit.variances),
    }


def _look(seeds: range, response: str, *, with_effects: bool = True) -> dict[str, pd.DataFrame]:
    seen = Parallel(n_jobs=-1)(delayed(_looked_at)(seed, response, with_effects) for seed in seeds)
    return {
        key: pd.DataFrame([one[key] for one in seen]) for key in ("estimate", "p", "variance")
    } | {"naive": pd.DataFrame({"p": [one["naive"] for one in seen]})}


def _far_off(estimates: pd.DataFrame, response: str, truth: Truth) -> list[str]:
    """Name the factors whose mean estimate is not the truth, by the Monte-Carlo error."""
    error = estimates.std() / np.sqrt(len(estimates))
    true = pd.Series({name: truth.effect(response, name) for name in estimates})
    # 3.3 errors: one false alarm in a hundred runs of ten factors.
    return list(estimates.columns[(estimates.mean() - true).abs() > 3.3 * error])


@pytest.fixture(scope="module")
def twenty():
    return _look(range(20), "crow_cents")


def test_the_joint_model_finds_the_true_effects_on_the_crow(twenty):
    assert _far_off(twenty["estimate"], "crow_cents", TRUTH) == []
    assert (twenty["p"]["gouge_centre_mm"] < 0.05).mean() > 0.9


def test_the_naive_comparison_is_fooled_and_the_joint_model_is_not(twenty):
    assert (twenty["naive"]["p"] < 0.05).mean() > 0.8
    assert (twenty["p"][TRUTH.confounded] < 0.05).mean() < 0.2  # 5 % expected of 20


def test_a_wrong_truth_would_be_noticed(twenty):
    assert "gouge_centre_mm" in _far_off(twenty["estimate"] * 1.2, "crow_cents", TRUTH)


@pytest.mark.slow
@pytest.mark.parametrize("response", ["crow_cents", "dynamic_range_db"])
@pytest.mark.parametrize("with_effects", [True, False])
def test_the_truth_over_many_seasons(response, with_effects):
    truth = TRUTH if with_effects else TRUTH.without_effects()
    seen = _look(range(1000, 1300), response, with_effects=with_effects)
    assert _far_off(seen["estimate"], response, truth) == []
    nothing = [name for name in seen["p"] if truth.effect(response, name) == 0]
    rejected = (seen["p"][nothing] < 0.05).mean()
    # Of 300 seasons 5 % plus or minus three binomial errors.
    assert rejected.between(0.012, 0.088).all(), rejected
    assert 0.04 < rejected.mean() < 0.065
    if with_effects:
        assert (seen["naive"]["p"] < 0.05).mean() > 0.85
    components = seen["variance"].mean()
    for source in ("tube", "session"):
        true = truth.variances(response)[source]
        assert components[f"{source}_id"] == pytest.approx(true, rel=0.12)


def _significant(found: pd.DataFrame) -> set[str]:
    return set(found.index[multipletests(found["p_value"], method="holm")[0]])


@pytest.mark.parametrize(
    ("response", "drivers"), [("crow_cents", CROW), ("dynamic_range_db", RANGE)]
)
def test_the_season_in_data_teaches_its_lesson(response, drivers):
    demo = simulate_season()
    names = [factor.name for factor in demo.settings.factors]
    found = effects(season_fit(demo, response), names)
    assert _significant(found) == drivers
    assert found.loc[TRUTH.confounded, "p_value"] > 0.2
    assert naive_p(demo, TRUTH.confounded, response) < 1e-4
    truth = pd.Series({name: TRUTH.effect(response, name) for name in names})
    assert truth.between(found["conf_low"], found["conf_high"]).all()


def test_tight_wires_went_on_dense_cane():
    rows = joined(simulate_season()).drop_duplicates("reed_id")
    density = rows.groupby("wire_tension")["density_kg_m3"].mean()
    assert density["tight"] - density["normal"] > 40


def test_the_batch_in_data_teaches_its_lesson():
    demo = simulate_batch()
    names = [factor.name for factor in demo.settings.factors]
    crow = effects(batch_fit(demo, "crow_cents"), names)
    span = effects(batch_fit(demo, "dynamic_range_db"), names)
    assert naive_p(demo, "gouge_centre_mm") < 0.02
    assert crow.loc["gouge_centre_mm", "p_value"] > 0.1  # eight tubes cannot tell
    assert span.loc["shape", "p_value"] < 0.01
    assert crow.loc["gouge_centre_mm", "conf_low"] < -14 < crow.loc["gouge_centre_mm", "conf_high"]
    for found in (crow, span):
        assert found.loc["wire_tension", "p_value"] > 0.2


def test_the_batch_finds_the_truth_on_average():
    names = ["gouge_centre_mm", "shape", "wire_tension"]
    seen = [effects(batch_fit(simulate_batch(seed)), names)["estimate"] for seed in range(40)]
    assert _far_off(pd.DataFrame(seen), "crow_cents", TRUTH) == []
