"""The break-in against the truth of the invented season, and at every edge."""

import numpy as np
import pytest

from reedlab.analyse import break_in
from reedlab.answer import VOCABULARY
from reedlab.demo import TRUTH
from reedlab.errors import CallError, ModelError
from tests.analyse.build import KEPT
from tests.analyse.seasons import CROW, many_sessions


@pytest.mark.parametrize("response", ["crow_cents", "dynamic_range_db", "attack_ms", "loud_db"])
def test_the_invented_break_in_is_held_by_the_intervals(demo_season, response):
    found = break_in(demo_season, response)
    table = found.table.set_index("term")
    # Minutes before the first tests of the stages: 15, 70 and 190 (the demo's bench).
    middle, end = TRUTH.traits[response].stages[1:]
    row = table.loc["break-in"]
    assert row["conf_low"] < end < row["conf_high"]
    near = found.curve.iloc[(found.curve["minutes"] - 70).abs().argmin()]
    start = found.curve.iloc[0]
    half = (near["conf_high"] - near["conf_low"]) / 2
    assert abs(near["estimate"] - start["estimate"] - middle) < half
    assert (row["p_value"] < 0.05) == (end != 0)


def test_it_says_what_it_found(demo_season):
    found = break_in(demo_season, "attack_ms")
    assert set(found.table) | set(found.curve) <= set(VOCABULARY)
    assert found.sentence.startswith("attack changes with playing (p < 0.001; observed, ")
    assert "from 15 to 60 minutes (95 % " in found.sentence
    assert "of its end from " in found.sentence
    assert any("were adjusted between tests" in text for text in found.cautions)
    assert any("between 90 and 180 minutes: the curve only bridges" in t for t in found.cautions)
    settled = found.table.set_index("term").loc["settled"]
    assert settled["conf_low"] <= settled["estimate"] <= settled["conf_high"]
    assert settled["unit"] == "minutes"
    still = break_in(demo_season, "loud_db")
    assert still.sentence.startswith("loudest note shows no change with playing beyond chance")
    assert "of its end from" not in still.sentence


def test_the_picture_has_every_reed_and_the_curve(demo_season):
    found = break_in(demo_season, "crow_cents")
    ax = found.plot()
    lines, band = ax.collections
    assert len(lines.get_segments()) == found.raw["reed_id"].nunique()
    assert np.vstack(lines.get_segments())[:, 0].max() == found.raw["minutes"].max()
    assert len(band.get_paths()) == 1
    labels = [text.get_text() for text in ax.get_legend().get_texts()]
    assert labels == ["one reed", "95 % interval", "mean reed", "settled"]
    assert ax.get_xlabel() == "minutes played"


def test_an_approach_to_a_plateau_is_told_as_one(study):
    rows = many_sessions(sessions=24)
    at = rows["minutes_played"]
    rng = np.random.default_rng(4)
    rows["crow"] = np.round(30 * (1 - np.exp(-at / 40)) + rng.normal(0, 3, len(rows)), 1)
    found = break_in(study(rows, [], [CROW]), "crow")
    true = 30 * (1 - np.exp(-found.curve["minutes"] / 40))
    assert (found.curve["estimate"] - true).abs().max() < 3
    settled = found.table.set_index("term").loc["settled"]
    # Within half the spread of 3 of its end the true curve is from 120 minutes on.
    assert settled["conf_low"] < 120 < settled["conf_high"]


def test_what_is_recorded_once_a_reed_has_no_break_in(demo_season):
    with pytest.raises(CallError, match="kept is recorded in reeds; a break-in is told of"):
        break_in(demo_season, "kept")


def test_no_minutes_is_one_sentence(study):
    rows = many_sessions().drop(columns="minutes_played")
    with pytest.raises(CallError, match=r"minutes_played is not recorded in tests.csv"):
        break_in(study(rows, [], [CROW]), "crow")


def test_one_reed_is_one_sentence(study):
    rows = many_sessions()
    rows = rows[rows["reed_id"] == "R001"]
    with pytest.raises(ModelError, match="1 reed of 1 tested at different minutes of playing"):
        break_in(study(rows, [], [CROW]), "crow")


def test_a_constant_response_is_one_sentence(study):
    with pytest.raises(ModelError, match=r"crow is the same \(3\) in all 72 tests: nothing"):
        break_in(study(many_sessions().assign(crow=3.0), [], [CROW]), "crow")


def test_rows_without_minutes_are_left_out_and_counted(study):
    rows = many_sessions()
    rows.loc[[0, 5], "minutes_played"] = None
    found = break_in(study(rows, [], [CROW]), "crow")
    assert found.rows_used == 70
    assert found.left_out["fault"].tolist() == ["minutes_played not recorded"] * 2
    assert any("2 rows of the record could not be used" in text for text in found.cautions)


def test_a_yes_or_no_of_tests_has_no_curve(study):
    rows = many_sessions().assign(clean=True)
    yes = type(KEPT)("clean", "binary")
    with pytest.raises(CallError, match="clean is a yes or no; a break-in is told of a number"):
        break_in(study(rows, [], [yes]), "clean")
