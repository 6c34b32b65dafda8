"""Kept or discarded and ratings of planned batches: judged by the plan's own shuffle."""

import shutil
from dataclasses import replace
from itertools import combinations

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

from reedlab.analyse import drivers, keep_rate
from reedlab.analyse.keep_by_level import wilson
from reedlab.demo import example_study
from reedlab.errors import CallError, ModelError
from reedlab.plan import design_batch, write_sheets
from reedlab.schema import Factor, Response
from reedlab.study import default_settings, open_study, write_study
from tests.analyse import build, planned
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
    with pytest.raises(ModelError, match=r"is the same .* in all 48 rows"):
        drivers(study, "kept")


def test_one_level_that_no_reed_has_any_more(tmp_path):
    batch = batch_of([Factor("shape", ("A", "B", "C"))], 6, 3)
    fate = np.resize(["kept", "discarded"], 18).astype(object)
    fate[(batch.table["shape"] == "C").to_numpy()] = "lost"
    found = drivers(opened(tmp_path / "s", batch, {"fate": fate}), "kept")
    assert told(found, "shape: of C, which was planned, no reed is left. P values rest on a model")


def test_an_interaction_of_a_batch_by_its_plan(plain, tmp_path):
    both = (plain.table["gouge"] > 1.27) & (plain.table["shape"] == "wide")
    kept = np.random.default_rng(1).random(48) < np.where(both, 0.9, 0.2)
    found = drivers(opened(tmp_path / "s", plain, fates(kept)), "kept", ["gouge:shape"])
    table = found.table.set_index("term")
    assert table.index.tolist() == ["gouge", "shape", "gouge:shape"]
    row = table.loc["gouge:shape"]
    assert row["contrast"] == "(+0.05 mm) × (wide - narrow)"
    share = pd.Series(kept * 100.0).groupby([plain.table["gouge"], plain.table["shape"]]).mean()
    across = share[1.3]["wide"] - share[1.3]["narrow"] - share[1.25]["wide"] + share[1.25]["narrow"]
    assert row["estimate"] == pytest.approx(across)
    assert row["p_value"] < 0.001
    assert (row["stratum"], row["evidence"]) == ("reed", "randomised")
    assert "gouge × shape (+0.05 mm) × (wide − narrow)" in found.sentence
    with pytest.raises(CallError, match="'gouge:shape' is an interaction: draw one of its factors"):
        found.plot_factor("gouge:shape")


def test_an_interaction_in_a_mixed_model(study):
    rows = build.batch(tubes=12, per_tube=4)
    high = (rows["gouge"] > 1.27) & (rows["shape"] == "wide")
    rows["crow"] += 20 * high
    found = drivers(study(rows), "crow", ["shape", "gouge:shape"])
    row = found.table.set_index("term").loc["gouge:shape"]
    means = rows.groupby(["gouge", "shape"])["crow"].mean()
    across = means[1.3]["wide"] - means[1.3]["narrow"] - means[1.25]["wide"] + means[1.25]["narrow"]
    assert row["estimate"] == pytest.approx(across)
    assert row["p_value"] < 0.01
    with pytest.raises(CallError, match="'shape:shape' is no interaction of two factors"):
        drivers(study(rows, name="t"), "crow", ["shape:shape"])
    with pytest.raises(CallError, match="shap"):
        drivers(study(rows, name="u"), "crow", ["shap:gouge"])


def test_keep_rate_by_level(plain, tmp_path):
    wide = (plain.table["shape"] == "wide").to_numpy()
    kept = np.random.default_rng(2).random(48) < np.where(wide, 0.6, 0.1)
    study = opened(tmp_path / "s", plain, fates(kept))
    found = keep_rate(study, by="shape")
    table = found.table.set_index("level")
    share = pd.Series(kept).groupby(plain.table["shape"]).mean()
    # A batch in balance: adjusting changes nothing.
    assert table["share"].tolist() == pytest.approx(share[table.index].tolist())
    assert ((table["conf_low"] < table["share"]) & (table["share"] < table["conf_high"])).all()
    assert table["conf_low"].min() >= 0
    assert table["n_units"].tolist() == [24, 24]
    assert found.sentence.startswith("Share of reeds kept by shape, all else alike: narrow ")
    assert found.sentence.endswith("24 reeds (randomised).")
    assert "Adjusted for gouge." in found.cautions
    ax = found.plot()
    assert [text.get_text() for text in ax.get_yticklabels()] == [
        "narrow (24 reeds)",
        "wide (24 reeds)",
    ]
    alone = keep_rate(study, by="gouge", factors=[])
    assert alone.cautions == ("Adjusted for no other factor.",)
    assert alone.table["level"].tolist() == ["1.25 mm", "1.3 mm"]
    assert alone.table["n_tubes"].tolist() == [6, 6]
    with pytest.raises(CallError, match="shap"):
        keep_rate(study, by="shap")


def test_keep_rate_by_level_of_none(plain, tmp_path):
    study = opened(tmp_path / "s", plain, fates(np.zeros(48, dtype=bool)))
    with pytest.raises(ModelError, match="None of 48 decided reeds was kept: no level"):
        keep_rate(study, by="shape")


def test_keep_rate_by_a_number_of_many_values():
    found = keep_rate(example_study("season"), by="density_kg_m3")
    assert len(found.table) == 3
    assert found.table["level"].str.endswith(" kg/m3").all()
    assert (found.table["evidence"] == "observed").all()
    assert np.isnan(found.plain).all()
    found.plot()
    plt.close("all")


def test_one_assignment_only_is_said(tmp_path):
    batch = batch_of([SHAPE], 8, 3)
    alone = [f"tube {tube} alone" for tube in batch.table["tube_id"]]
    levels = np.where(batch.table["tube_id"].isin(["T01", "T03", "T05", "T08"]), "narrow", "wide")
    stuck = replace(batch, table=batch.table.assign(shape=levels, shuffled_among=alone))
    record = replace(batch.record, randomised=("shape",))
    kept = np.arange(24) % 3 == 0
    study = opened(tmp_path / "s", stuck, fates(kept), record=record)
    assert told(
        drivers(study, "kept"),
        "shape: only one assignment was possible, so there is nothing to compare with. Judged by a "
        "model instead.",
    )


def test_tubes_of_two_batches_from_the_sheets_on(tmp_path):
    """Planned, made, opened, extended: whole tubes are not drawn again, their reeds are."""
    table = planned.cane(8, 8)
    tables = {"lots": pd.DataFrame({"lot_id": ["L1"]}), "tubes": table}
    study = write_study(tmp_path / "s", tables, default_settings("bassoon"))
    gouge = Factor("gouge_end_mm", (0.76, 1.0), "tube", "mm")
    batch = design_batch([gouge, SHAPE], table, 24, seed=1)
    study = all_made(batch.write(study), "B1")
    study = all_made(batch.extend(study, 24).write(study), "B2")
    reeds = pd.read_csv(study.folder / "reeds.csv", dtype=str, encoding="utf-8-sig")
    fate = np.where(np.arange(len(reeds)) % 3 == 0, "kept", "discarded")
    reeds.assign(fate=fate).to_csv(study.folder / "reeds.csv", index=False)
    found = drivers(open_study(study.folder), "kept", ["gouge_end_mm", "shape"])
    assert told(found, "gouge end mm: some tubes gave reeds to several batches, so what was given")
    assert told(found, "shape: p value by drawing the plan's own shuffle again 20000 times")
    assert found.table["evidence"].eq("randomised").all()


def all_made(study, batch_id):
    paths = {path.name: path for path in write_sheets(study, batch_id)}
    sheet = paths[f"{batch_id}_making.csv"]
    pd.read_csv(sheet, dtype=str).assign(as_planned="yes").to_csv(sheet, index=False)
    return study.record(sheet).unblind(batch_id)


def test_a_share_judged_by_next_to_nothing_may_be_anything():
    low, high = wilson(np.array([0.25]), np.array([12.0]), np.array([np.inf]))
    assert low[0] == pytest.approx(0, abs=1e-9)
    assert high[0] == pytest.approx(1, abs=1e-9)
