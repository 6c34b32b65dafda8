"""Studies that agree become one; each row keeps its maker, and its place in the source."""

import hashlib
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reedlab import pool
from reedlab.analyse import drift, drivers, keep_rate, lasting, residuals, sources
from reedlab.errors import CallError, RecordError
from reedlab.schema import Factor
from reedlab.study import BatchRecord, open_study
from tests.study.pooling.build import GOUGE, SHAPE


@pytest.fixture
def two(maker):
    return [maker("Ash", 1), maker("Beech", 2)]


def marks(studies):
    files = [
        file for study in studies for file in sorted(study.folder.rglob("*")) if file.is_file()
    ]
    return {file: hashlib.sha256(file.read_bytes()).hexdigest() for file in files}


def test_rows_of_all_makers_stand_in_one_study_with_ids_of_their_own(two):
    pooled = pool(two)
    assert pooled.makers == ("Ash", "Beech")
    assert len(pooled.tables["reeds"]) == 24
    assert pooled.tables["reeds"]["reed_id"].is_unique
    assert pooled.tables["reeds"]["reed_id"].iloc[12] == "Beech/R1"
    assert set(pooled.tables["tests"]["reed_id"]) == set(pooled.tables["reeds"]["reed_id"])
    assert pooled.tables["tubes"]["lot_id"].tolist() == ["Ash/L1"] * 4 + ["Beech/L1"] * 4
    assert all("maker_id" in frame for frame in pooled.tables.values())
    assert pooled.tables["reeds"].index.tolist() == list(range(2, 26))


def test_values_and_types_stay_as_they_were(two):
    pooled = pool(two)
    for study, name in zip(two, pooled.makers, strict=True):
        own = pooled.of(name).tables["tests"]
        for column in ("crow_cents", "rating_overall", "stage"):
            assert own[column].dtype == study.tables["tests"][column].dtype
            assert own[column].tolist() == study.tables["tests"][column].tolist()


def test_nothing_is_written_to_a_source_or_anywhere(two, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    before = marks(two)
    pooled = pool(two)
    drivers(pooled, "crow_cents")
    with pytest.raises(RecordError, match="it is pooled in memory from 2 studies"):
        pooled.record("sheet.csv")
    with pytest.raises(RecordError, match="pooled in memory"):
        pooled.undo()
    assert marks(two) == before
    assert not Path("pooled in memory").exists()


def test_names_may_be_given(two):
    pooled = pool({"first": two[0], "second": two[1]})
    assert pooled.makers == ("first", "second")
    assert pooled.tables["reeds"]["reed_id"].iloc[0] == "first/R1"
    assert repr(pooled).startswith("<Pool of 2 studies, 2 makers: 2 lots, 8 tubes, 24 reeds")


def test_a_makers_part_can_be_taken_out_again(two):
    own = pool(two).of("Beech")
    assert own.makers == ("Beech",)
    assert keep_rate(own).table["n_units"].tolist() == [12]
    with pytest.raises(CallError, match=r"There is no maker 'Beach'. Nearest: Beech."):
        own.of("Beach")


def test_two_studies_of_one_maker_are_one_hand(maker):
    parts = [maker("2024", 1), maker("2025", 2), maker("Beech", 3)]
    pooled = pool(parts, {"makers": {"2024": "Ash", "2025": "Ash"}})
    assert pooled.makers == ("Ash", "Beech")
    reeds = pooled.tables["reeds"]["reed_id"]
    assert reeds.is_unique
    assert [reeds.iloc[0], reeds.iloc[12], reeds.iloc[24]] == ["2024/R1", "2025/R1", "Beech/R1"]


def test_faults_and_rows_left_out_name_the_makers_file_and_row(maker):
    def lost(tables):
        tables["tests"].loc[4, "crow_cents"] = None
        tables["reeds"].loc[1, "fate"] = None

    def impossible(tables):
        tables["tests"].loc[2, "crow_hz"] = 5.0

    pooled = pool([maker("Ash", 1, lost), maker("Beech", 2, impossible)])
    errors = pooled.check().errors
    assert errors[["file", "row", "column"]].to_numpy().tolist() == [
        ["Beech/tests.csv", 4, "crow_hz"]
    ]
    found = drivers(pooled, "crow_cents").left_out
    assert found.to_numpy().tolist() == [["Ash/tests.csv", 6, "crow_cents not recorded"]]
    kept = keep_rate(pooled).left_out
    assert kept[["file", "row"]].to_numpy().tolist() == [["Ash/reeds.csv", 3]]
    assert sources(pooled, "crow_cents").left_out["file"].tolist() == ["Ash/tests.csv"]


def test_an_impossible_cell_is_set_aside_and_told(maker):
    def impossible(tables):
        tables["reeds"].loc[2, "gouge_centre_mm"] = 12.8

    pooled = pool([maker("Ash", 1), maker("Beech", 2, impossible)])
    assert pooled.tables["reeds"]["gouge_centre_mm"].isna().sum() == 1
    cautions = " ".join(drivers(pooled, "crow_cents").cautions)
    assert "Set aside: Beech/reeds.csv row 4, gouge_centre_mm '12.8'" in cautions


def test_columns_that_only_one_maker_has_are_kept_and_told(maker):
    def more(tables):
        tables["reeds"] = tables["reeds"].assign(
            bevel_mm=4.0, profile="P", spared=False, made_on=date(2026, 3, 4)
        )
        tables["tubes"]["pieces"] = 4

    study = maker("Ash", 1, more)
    for pooled in (pool([study, maker("Beech", 2)]), pool([maker("Cedar", 3), study])):
        for table, names in (
            ("reeds", ("bevel_mm", "profile", "spared", "made_on")),
            ("tubes", ("pieces",)),
        ):
            frame = pooled.tables[table]
            for name in names:
                assert frame[name].notna().equals(frame["maker_id"] == "Ash")
                assert frame[name].dtype == study.tables[table][name].dtype
    told = "reeds.bevel_mm: only Ash recorded it, so it is missing elsewhere."
    assert told in pooled.told


def test_a_column_under_another_name_is_hinted_at_and_can_be_renamed(maker):
    def other(tables):
        tables["reeds"] = tables["reeds"].rename(columns={"gouge_centre_mm": "gouge_center_mm"})

    gouge = Factor("gouge_center_mm", stratum="reed", kind="numeric", unit="mm", step=0.05)
    studies = [maker("Ash", 1), maker("Beech", 2, other, factors=(gouge, SHAPE))]
    hint = "if it is the same as gouge_center_mm, rename one of the two"
    assert any(hint in text for text in pool(studies).told)
    said = {"of": {"Beech": {"rename": {"reeds.gouge_center_mm": "gouge_centre_mm"}}}}
    pooled = pool(studies, said)
    assert pooled.told == ()
    assert pooled.tables["reeds"]["gouge_centre_mm"].notna().all()
    assert [factor.name for factor in pooled.settings.factors] == ["gouge_centre_mm", "shape"]


def test_batches_keep_what_was_randomised(maker):
    def in_batch(tables):
        tables["reeds"]["batch_id"] = "B1"

    batches = [BatchRecord("B1", ("shape",), 1)]
    studies = [maker(name, seed, in_batch, batches=batches) for name, seed in (("A", 1), ("B", 2))]
    pooled = pool(studies)
    assert [batch.batch_id for batch in pooled.settings.batches] == ["A/B1", "B/B1"]
    found = drivers(pooled, "crow_cents").table.set_index("term")["evidence"]
    assert found["shape"] == "randomised"
    assert found["gouge_centre_mm"] != "randomised"


def test_makers_are_blocks_and_a_source_of_their_own(two, maker):
    def higher(tables):
        tables["tests"]["crow_cents"] += 100
        tables["tests"]["crow_hz"] *= 2 ** (100 / 1200)

    pooled = pool([*two, maker("Cedar", 3)])
    assert "maker" in sources(pooled, "crow_cents").table["source"].tolist()
    found = drivers(pooled, "crow_cents")
    assert any("across_makers" in text for text in found.cautions)
    # A shift of one maker's crows changes nothing within makers.
    shifted = pool([*two, maker("Dora", 3, higher)])
    other = drivers(shifted, "crow_cents").table
    pd.testing.assert_series_equal(other["estimate"], found.table["estimate"], rtol=1e-6)


def test_residuals_name_the_makers_rows(two):
    table = residuals(pool(two), "crow_cents").table
    assert sorted(table["file"].unique()) == ["Ash/tests.csv", "Beech/tests.csv"]
    assert sorted(table.loc[table["file"] == "Beech/tests.csv", "row"]) == list(range(2, 14))


def test_what_is_asked_of_one_season_only_is_told(two):
    message = r"drift is asked of one maker's season; these are 2 makers': take one out by of\('A"
    with pytest.raises(CallError, match=message):
        drift(pool(two), "crow_cents")


def test_a_question_that_does_not_take_out_makers_says_so(maker):
    def used(tables):
        days = pd.date_range("2026-03-01", periods=12).date
        tables["life"] = pd.DataFrame(
            {
                "reed_id": tables["reeds"]["reed_id"],
                "first_played": days,
                "last_played": pd.date_range("2026-04-01", periods=12, freq="3D").date,
                "hours_played": np.linspace(5, 30, 12),
                "retired": True,
                "reason": "played out",
            }
        )

    found = lasting(pool([maker("Ash", 1, used), maker("Beech", 2, used)]))
    assert any(text.startswith("The reeds of 2 makers are taken as one") for text in found.cautions)


def test_a_factor_that_only_differs_between_makers_is_not_examined(maker):
    def all_of(level):
        def change(tables):
            tables["reeds"]["shape"] = level

        return change

    said = {"words": {"reeds.shape": "as they are"}}
    pooled = pool([maker("Ash", 1, all_of("narrow")), maker("Beech", 2, all_of("wide"))], said)
    found = drivers(pooled, "crow_cents")
    assert found.table["term"].tolist() == ["gouge_centre_mm"]
    assert any(text.startswith("shape: ") for text in found.cautions)


def test_an_open_study_is_read_again_after_pooling(two):
    pool(two)
    assert open_study(two[0].folder).check().ok


@pytest.mark.parametrize(
    ("studies", "message"),
    [
        (lambda two: [], "A pool is made of two studies or more; none is given."),
        (lambda two: two[:1], "A pool is made of two studies or more; one is given."),
        (lambda two: [two[0], two[0]], r"Several studies are called 'Ash'; name them yourself"),
        (lambda two: [pool(two), two[0]], "Pool of Ash, Beech is a pool itself"),
        (lambda two: two[0], "A pool is made of a list of opened studies"),
        (lambda two: ["ash", "beech"], r"ash is no opened study; open it first: open_study\('as"),
    ],
)
def test_what_is_no_pool_is_told(two, studies, message):
    with pytest.raises(CallError, match=message):
        pool(studies(two))


def test_the_same_study_twice_is_refused(two, maker):
    with pytest.raises(RecordError, match="Ash and Copy are the same study: every cell"):
        pool([*two, maker("Copy", 1)])


def test_an_older_copy_of_a_study_is_refused(two, maker):
    def older(tables):
        tables["tests"] = tables["tests"].iloc[:8]

    with pytest.raises(RecordError, match="Ash and Older share 8 of 8 tests, cell by cell"):
        pool([*two, maker("Older", 1, older)])


def test_rows_that_stand_twice_are_told_in_the_makers_file(two, maker):
    def twice(tables):
        tables["reeds"] = pd.concat([tables["reeds"], tables["reeds"].iloc[[0]]])

    with pytest.raises(RecordError, match=r"- Cedar/reeds.csv, rows 2, 14: the same R1."):
        pool([*two, maker("Cedar", 3, twice)])


def test_steps_that_differ_are_told(maker):
    finer = Factor("gouge_centre_mm", stratum="reed", kind="numeric", unit="mm", step=0.01)
    pooled = pool([maker("Ash", 1), maker("Beech", 2, factors=(finer, SHAPE))])
    assert pooled.settings.factors[0].step == GOUGE.step
    assert (
        "its step differs: 0.05 (Ash), 0.01 (Beech); effects are told for 0.05." in pooled.told[0]
    )
