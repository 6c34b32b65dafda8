"""Kept or discarded and ratings of planned batches: judged by the plan's own shuffle."""

import shutil
from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from reedlab.analyse import drivers
from reedlab.demo import example_study
from reedlab.errors import ModelError
from reedlab.schema import Factor, Response
from tests.analyse.planned import GOUGE, KEPT, SHAPE, TENSION, batch_of, opened

RATING = Response("rating_overall", "ordinal", levels=(1, 2, 3, 4, 5), table="tests")


def fates(kept):
    return {"fate": np.where(kept, "kept", "discarded")}


@pytest.fixture(scope="module")
def plain():
    return batch_of([GOUGE, SHAPE], 12, 4)


def told(found, start):
    return [text for text in found.cautions if text.startswith(start)]


def test_a_factor_of_tubes_is_compared_with_every_assignment(plain, tmp_path):
    gouge = plain.table["gouge"].to_numpy()
    kept = (np.random.default_rng(5).random(48) < np.where(gouge > 1.27, 0.5, 0.2)).astype(bool)
    found = drivers(opened(tmp_path / "s", plain, fates(kept)), "kept")
    row = found.table.set_index("term").loc["gouge"]
    counts = (
        plain.table.assign(kept=kept)
        .groupby("tube_id")
        .agg(kept=("kept", "sum"), gouge=("gouge", "first"))
    )
    # By hand: all 924 ways to choose six of twelve tubes; ties are told apart by the tubes' spread.
    total = counts["kept"].to_numpy()
    high = total[counts["gouge"] > 1.27].sum()
    apart = np.array(
        [abs(2 * total[list(c)].sum() - total.sum()) for c in combinations(range(12), 6)]
    )
    seen = abs(2 * high - total.sum())
    assert np.mean(apart > seen) <= row["p_value"] <= np.mean(apart >= seen)
    assert row["estimate"] == pytest.approx(100 * (2 * high - total.sum()) / 24)
    assert row["conf_low"] < row["estimate"] < row["conf_high"]
    assert np.isnan(row["den_df"])
    assert row["evidence"] == "randomised"
    assert told(found, "gouge: p value by all 924 assignments that the plan could have drawn.")


def test_a_factor_of_reeds_is_drawn_again_with_its_error_told(plain, tmp_path):
    wide = (plain.table["shape"] == "wide").to_numpy()
    kept = np.random.default_rng(2).random(48) < np.where(wide, 0.6, 0.1)
    found = drivers(opened(tmp_path / "s", plain, fates(kept)), "kept")
    row = found.table.set_index("term").loc["shape"]
    assert row["p_value"] < 0.01
    assert row["p_adjusted"] >= row["p_value"]
    share = pd.Series(kept).groupby(wide).mean()
    assert row["estimate"] == pytest.approx(100 * (share[True] - share[False]))
    assert told(found, "shape: p value by drawing the plan's own shuffle again 20000 times (Monte-")
    assert "shape wide − narrow" in found.sentence
    again = drivers(opened(tmp_path / "t", plain, fates(kept)), "kept")
    pd.testing.assert_frame_equal(found.table, again.table)


def test_few_tubes_say_that_they_cannot_show_an_effect(tmp_path):
    batch = batch_of([GOUGE, SHAPE, TENSION], 8, 3, lots=2)
    kept = batch.table["gouge"].to_numpy() > 1.27
    kept = kept ^ (np.arange(24) % 7 == 0)
    found = drivers(opened(tmp_path / "s", batch, fates(kept)), "kept")
    row = found.table.set_index("term").loc["gouge"]
    # Two of four tubes in either of two lots: 36 assignments, the best one and its mirror image.
    assert row["p_value"] >= 2 / 36 - 1e-9
    assert row["p_value"] * 36 == pytest.approx(round(row["p_value"] * 36))
    assert np.isfinite(row[["conf_low", "conf_high"]].astype(float)).all()
    assert told(
        found,
        "gouge: so few assignments differ that no p value lies below 0.",
    )


def test_ratings_get_the_plans_p_value_and_keep_their_estimate(plain, tmp_path):
    wide = (plain.table["shape"] == "wide").to_numpy()
    rng = np.random.default_rng(3)
    parts = []
    for session in ("S1", "S2"):
        score = 3 + 1.2 * wide + rng.normal(0, 0.8, 48) + (session == "S2")
        tried = pd.DataFrame({"place": plain.table["place"], "session_id": session})
        tried["rating_overall"] = np.clip(np.round(score), 1, 5).astype(int)
        parts.append(tried.assign(stage="new"))
    tests = pd.concat(parts, ignore_index=True)
    study = opened(tmp_path / "s", plain, {}, [KEPT, RATING], tests=tests)
    found = drivers(study, "rating_overall")
    row = found.table.set_index("term").loc["shape"]
    assert row["p_value"] < 0.001
    means = tests.groupby(np.tile(wide, 2))["rating_overall"].mean()
    assert row["estimate"] == pytest.approx(means[True] - means[False], abs=0.02)
    assert row["std_error"] > 0
    assert told(found, "shape: p value by drawing the plan's own shuffle again 20000 times")


def test_reeds_lost_and_made_otherwise_are_told(plain, tmp_path):
    wide = (plain.table["shape"] == "wide").to_numpy()
    kept = np.random.default_rng(2).random(48) < np.where(wide, 0.6, 0.1)
    fate = np.where(kept, "kept", "discarded").astype(object)
    fate[[3, 20]] = "lost"
    shape = plain.table["shape"].copy()
    shape.iloc[7] = {"wide": "narrow", "narrow": "wide"}[shape.iloc[7]]
    study = opened(tmp_path / "s", plain, {"fate": fate}, made={"shape": shape})
    found = drivers(study, "kept")
    assert told(found, "1 reed made otherwise than planned: p values go by the plan, effects by wh")
    assert told(found, "2 planned reeds without kept: taken to have nothing to do with the levels")
    row = found.table.set_index("term").loc["shape"]
    assert row["p_value"] < 0.05
    assert row["conf_low"] < row["estimate"] < row["conf_high"]


def test_a_covariate_of_the_cane_and_the_plans_own_restriction(tmp_path):
    wide = Factor("outer_diameter_mm", (), "tube", "mm", kind="numeric", label="diameter")
    batch = batch_of([GOUGE, SHAPE, wide], 12, 2)
    assert batch.least is not None
    rng = np.random.default_rng(1)
    taken = np.stack([rng.permutation(24) for _ in range(20)])
    stays = np.arange(24)[None]
    assert batch.could_be(stays).tolist() == [True]
    assert batch.could_be(taken).shape == (20,)
    kept = rng.random(24) < 0.4
    found = drivers(opened(tmp_path / "s", batch, fates(kept)), "kept")
    evidence = found.table.set_index("term")["evidence"]
    assert evidence["gouge"] == "randomised"
    assert evidence["outer_diameter_mm"] != "randomised"
    assert told(found, "gouge: p value by") or told(found, "gouge, shape: p value by")


@pytest.mark.parametrize("gone", ["plans", "keys"])
def test_a_plan_that_is_not_stored_is_said(gone, plain, tmp_path):
    kept = np.arange(48) % 3 == 0
    study = opened(tmp_path / "s", plain, fates(kept))
    shutil.rmtree(study.folder / gone)
    found = drivers(study, "kept")
    assert told(
        found,
        "The plan of batch B1 is not stored, so it cannot be drawn again. P values rest on a "
        "model instead.",
    )
    assert (found.table["evidence"] == "randomised").all()


def test_a_season_record_has_no_plan_and_says_nothing_of_one():
    found = drivers(example_study("season"), "kept")
    assert not [text for text in found.cautions if "plan" in text and "planned batch" not in text]
    assert found.table["statistic"].notna().all()


@pytest.mark.parametrize("all_kept", [True, False])
def test_all_kept_or_none(all_kept, plain, tmp_path):
    study = opened(tmp_path / "s", plain, fates(np.full(48, all_kept)))
    with pytest.raises(ModelError, match="the same .* in all 48 rows"):
        drivers(study, "kept")


def test_one_level_that_no_reed_has_any_more(tmp_path):
    batch = batch_of([Factor("shape", ("A", "B", "C"))], 6, 3)
    fate = np.resize(["kept", "discarded"], 18).astype(object)
    fate[(batch.table["shape"] == "C").to_numpy()] = "lost"
    found = drivers(opened(tmp_path / "s", batch, {"fate": fate}), "kept")
    assert told(found, "shape: of C, which was planned, no reed is left. P values rest on a model")
