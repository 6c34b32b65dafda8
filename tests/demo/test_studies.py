"""The invented studies: the same from the same seed, built as planned, written soundly."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import reedlab
from reedlab.demo import simulate_batch, simulate_season
from reedlab.schema import cents, note_hz
from tests.demo.models import joined

DATA = Path(__file__).parents[2] / "data"
MAKERS = {"demo_batch": simulate_batch, "demo_season": simulate_season}


@pytest.fixture(scope="module")
def batch():
    return simulate_batch()


@pytest.fixture(scope="module")
def season():
    return simulate_season()


@pytest.mark.parametrize("make", MAKERS.values())
def test_the_same_seed_gives_the_same_study(make):
    first, again, other = make(11), make(11), make(12)
    for name, table in first.tables.items():
        pd.testing.assert_frame_equal(table, again.tables[name])
    assert not first.tables["tests"].equals(other.tables["tests"])
    assert first.settings == again.settings


@pytest.mark.parametrize("make", MAKERS.values())
@pytest.mark.parametrize("seed", range(5))
def test_an_opened_study_holds_the_same_tables(make, seed, tmp_path):
    demo = make(seed)
    study = demo.write(tmp_path / "study")
    assert study.settings == demo.settings
    assert study.tables.keys() == demo.tables.keys()
    for name, table in demo.tables.items():
        read = study.tables[name].drop(columns="kept", errors="ignore")
        pd.testing.assert_frame_equal(read, table)


@pytest.mark.parametrize("name", MAKERS)
def test_the_folder_in_data_is_what_the_generator_writes(name, tmp_path):
    MAKERS[name]().write(tmp_path / name)
    fresh = {file.name: file.read_bytes() for file in (tmp_path / name).iterdir()}
    stored = {file.name: file.read_bytes() for file in (DATA / name).iterdir()}
    assert fresh.keys() == stored.keys()
    changed = [file for file in fresh if fresh[file] != stored[file]]
    assert changed == []


@pytest.mark.parametrize("name", MAKERS)
def test_the_studies_say_that_they_are_invented(name):
    study = reedlab.open_study(DATA / name)
    assert study.title.startswith("Invented: ")
    assert study.settings.invented


def test_the_batch_has_no_faults():
    assert len(reedlab.open_study(DATA / "demo_batch").check().table) == 0


@pytest.mark.parametrize("seed", [None, 1, 2, 3])
def test_the_season_has_two_slips_of_the_pen_to_look_at(seed, tmp_path):
    demo = simulate_season() if seed is None else simulate_season(seed)
    faults = demo.write(tmp_path / "season").check().table
    assert faults["severity"].tolist() == ["warning", "warning"]
    assert set(faults["column"]) == {"fate_reason", "tip_opening_mm"}


def test_the_command_writes_both(tmp_path):
    subprocess.run([sys.executable, "-m", "reedlab.demo", tmp_path], check=True)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["demo_batch", "demo_season"]


@pytest.mark.parametrize("seed", range(5))
def test_the_batch_is_the_split_plot_that_it_says(seed):
    demo = simulate_batch(seed)
    tubes, reeds, tests = (demo.tables[name] for name in ("tubes", "reeds", "tests"))
    assert (len(reeds), len(tubes)) == (24, 8)
    assert (reeds["tube_id"].value_counts() == 3).all()
    assert (tubes.groupby(["lot_id", "gouge_centre_mm"]).size() == 2).all()
    rows = joined(demo).drop_duplicates("reed_id")
    cells = rows.groupby(["gouge_centre_mm", "shape", "wire_tension"]).size()
    assert cells.tolist() == [3] * 8
    within = rows.groupby("tube_id")[["shape", "wire_tension"]].apply(lambda t: t.duplicated())
    assert not within.to_numpy().any()
    assert reeds["blind_code"].is_unique
    assert (tests.groupby("reed_id")["session_id"].nunique() == 2).all()
    assert joined(demo)["player_id"].nunique() == 1


def test_the_batch_tells_what_was_randomised(batch):
    (planned,) = batch.settings.batches
    factors = {factor.name: factor.stratum for factor in batch.settings.factors}
    assert factors == {"gouge_centre_mm": "tube", "shape": "reed", "wire_tension": "reed"}
    assert set(planned.randomised) == set(factors)
    assert planned.seed is not None
    assert set(batch.tables["reeds"]["batch_id"]) == {planned.batch_id}


def test_the_season_is_built_as_it_says(season):
    tables = season.tables
    sizes = {name: len(tables[name]) for name in ("lots", "tubes", "reeds")}
    assert sizes == {"lots": 6, "tubes": 30, "reeds": 120}
    assert tables["lots"]["harvest_year"].nunique() == 2
    assert tables["sessions"]["player_id"].nunique() == 3
    assert (tables["reeds"]["tube_id"].value_counts() >= 3).all()
    assert set(tables["tests"]["stage"]) == {"day 1", "day 3", "day 7"}
    assert season.settings.batches == ()
    months = tables["sessions"].groupby(tables["sessions"]["started_at"].dt.month)
    humidity = months["relative_humidity_pct"].mean().sort_values()
    assert humidity.iloc[-1] > 60 > 50 > humidity.iloc[0]


def test_a_fifth_to_three_tenths_of_the_season_are_kept(season):
    fate = season.tables["reeds"]["fate"]
    decided = fate[fate.isin(["kept", "discarded"])]
    assert 0.2 <= (decided == "kept").mean() <= 0.3
    assert 1 <= (fate.isin(["unfinished", "lost"])).sum() <= 10


def test_a_reed_that_is_given_up_is_not_tested_again(season):
    reeds, tests = season.tables["reeds"], season.tables["tests"]
    last = tests.groupby("reed_id")["stage"].max()
    decided = reeds[reeds["fate_stage"].notna()].set_index("reed_id")
    assert (last[decided.index] == decided["fate_stage"]).all()
    spared = decided[decided["spared"]]
    assert 2 <= len(spared) <= 10
    assert (spared["fate_stage"] == "day 7").all()
    gone = decided[decided["fate"] == "discarded"]
    assert gone["fate_reason"].notna().all()
    assert gone["fate_stage"].nunique() == 3


def test_the_season_has_gaps_but_no_row_without_a_key(season):
    tests = season.tables["tests"]
    gaps = tests.isna().mean()
    assert (gaps[["reed_id", "session_id", "stage", "trial"]] == 0).all()
    assert gaps[["crow_cents", "dynamic_range_db", "attack_ms"]].between(0.003, 0.15).all()
    assert season.tables["tubes"]["hardness"].isna().sum() == 1
    assert season.tables["sessions"]["relative_humidity_pct"].isna().sum() == 1


@pytest.mark.parametrize("make", MAKERS.values())
def test_derived_columns_agree_with_what_they_are_derived_from(make):
    tests = make().tables["tests"].dropna(subset=["crow_hz", "dynamic_range_db"])
    off = tests["crow_hz"].map(lambda hz: cents(hz, note_hz("F4"))) - tests["crow_cents"]
    assert off.abs().max() < 0.8  # 0.5 cents from cents, 0.25 from tenths of a hertz
    range_db = tests["loud_db"] - tests["soft_db"]
    np.testing.assert_allclose(tests["dynamic_range_db"], range_db, atol=1e-9)


def test_what_follows_a_test_comes_after_it(season):
    tables = season.tables
    tried = tables["tests"].merge(tables["sessions"], on="session_id")
    pairs = set(zip(tried["reed_id"], tried["session_id"], strict=True))
    adjusted = tables["adjustments"]
    assert set(zip(adjusted["reed_id"], adjusted["session_id"], strict=True)) <= pairs
    life = tables["life"].set_index("reed_id")
    assert (life["first_played"] > tried.groupby("reed_id")["started_at"].max()[life.index]).all()
    assert (life["last_played"] > life["first_played"]).all()
    assert life["retired"].nunique() == 2
    kept = tables["reeds"].loc[tables["reeds"]["fate"] == "kept", "reed_id"]
    assert sorted(life.index) == sorted(kept)
