"""Is the season drifting? Against the truth of the invented season, and at every edge."""

import numpy as np
import pandas as pd
import pytest

from reedlab.analyse import drift
from reedlab.analyse.drift_chart import chart
from reedlab.analyse.drift_frame import dated
from reedlab.answer import VOCABULARY
from reedlab.demo import TRUTH
from reedlab.errors import CallError, ModelError
from reedlab.schema import Response
from tests.analyse.build import KEPT
from tests.analyse.seasons import (
    CROW,
    as_dated,
    made_in_turn,
    many_sessions,
    trials_in_turn,
    varied,
)


def term(found, name):
    return found.table.set_index("term").loc[name]


# The invented season knows what humidity does, and that nothing else drifts.


def test_the_weather_of_the_day_is_found_as_large_as_it_is(demo_season):
    found = drift(demo_season, "crow_cents", lag_days=(0, 0))
    row, truth = term(found, "relative_humidity_pct"), TRUTH.effect
    assert row["contrast"] == "+10 %"
    assert row["conf_low"] < truth("crow_cents", "relative_humidity_pct") < row["conf_high"] < 0
    assert row["p_adjusted"] < 0.05
    assert not found.drifts
    assert "no drift beyond chance in 5 looks, but goes along with the weather: relative" in (
        found.sentence
    )
    assert "relative humidity +10 % on the day: −6.5" in found.sentence
    other = term(found, "temperature_c")
    assert other["conf_low"] < 0 < other["conf_high"]


def test_what_does_not_drift_is_not_said_to(demo_season):
    for response in ("loud_db", "kept"):
        found = drift(demo_season, response)
        assert not found.drifts
        assert "shows no drift beyond chance in 5 looks; the nearest" in found.sentence
        assert "within its limits at all" in found.sentence


def test_the_table_and_points_are_of_declared_columns(demo_season):
    found = drift(demo_season, "crow_cents", by="lot")
    assert set(found.table) | set(found.points) <= set(VOCABULARY)
    assert found.table["term"].tolist() == [
        *("trend", "change point", "alarms", "relative_humidity_pct", "temperature_c")
    ]
    assert (found.table["evidence"] == "observed").all()
    assert (found.table["p_adjusted"] >= found.table["p_value"]).all()
    assert found.points["level"].tolist() == ["L1", "L2", "L3", "L4", "L5", "L6"]
    assert found.points["n_tests"].sum() == found.rows_used
    assert "cause" not in " ".join((found.sentence, *found.cautions))


def test_the_days_before_are_those_before(study):
    rows = many_sessions()
    found = dated(study(rows, [], [CROW]), "crow", "session", (7, 14))
    held = rows.drop_duplicates("session_id").set_index("session_id")["relative_humidity_pct"]
    seen = found.frame.data.groupby("session_id")["relative_humidity_pct"].first()
    assert seen.isna().tolist() == [True] + [False] * 11
    assert seen["S02"] == held["S01"]
    assert seen["S05"] == pytest.approx(held[["S03", "S04"]].mean())


def test_impossible_weather_is_set_aside(study):
    rows = many_sessions()
    rows.loc[rows["session_id"] == "S03", "relative_humidity_pct"] = 400.0
    found = dated(study(rows, [], [CROW]), "crow", "session", (0, 0))
    data = found.frame.data
    assert data.loc[data["session_id"] == "S03", "relative_humidity_pct"].isna().all()


def test_a_step_is_found_where_it_is(study):
    rows = made_in_turn()
    rows.loc[24:, "crow"] += 40
    found = drift(study(rows, []), "crow", by="month")
    row = term(found, "change point")
    assert row["contrast"] == "from Mar 2026 on"
    assert 25 < row["conf_low"] < 40 < row["conf_high"] < 55
    assert found.points["outside"].any()
    assert "he moving average is outside its limits at" in found.sentence
    ax = found.plot()
    assert "outside" in [text.get_text() for text in ax.get_legend().get_texts()]


def test_a_change_of_the_keep_rate_is_found(study):
    rows = made_in_turn(96)
    rows["fate"] = np.where(
        np.arange(96) % 12 < np.where(np.arange(96) < 48, 1, 8), "kept", "discarded"
    )
    found = drift(study(rows, [], [KEPT]), "kept", by="month")
    assert found.drifts
    assert (found.table["unit"] == "percentage points").all()
    row = term(found, "change point")
    assert 0 < row["conf_low"] < row["estimate"] < row["conf_high"] <= 100
    assert found.points["observed"].between(0, 100).all()


def test_levels_hold_the_stage(study):
    """Late points with more late stages are no drift: the stage is held."""
    rng = np.random.default_rng(2)
    rows = trials_in_turn(rng)
    rows = rows[(rows["stage"] == "day 7") | (rows["day"] < 36)].reset_index(drop=True)
    late = 30.0 * (rows["stage"] == "day 7")
    made = chart(as_dated(rows.assign(crow=5 * varied(rng, rows) + late), CROW, 12))
    assert not made.limits.outside.any()
    assert made.step.p_value > 0.05


def test_limits_are_wider_where_less_is_known(demo_season):
    points = drift(demo_season, "kept", by="month").points
    width = (points["limit_high"] - points["limit_low"]).to_numpy()
    assert width[points["n_reeds"].argmin()] == width.max()
    assert points["limit_low"].min() >= 0
    assert points["limit_high"].max() <= 100


@pytest.mark.parametrize(("by", "points"), [(None, 21), ("session", 71)])
def test_pictures_show_every_point_and_both_limits(demo_season, by, points):
    found = drift(demo_season, "crow_cents", by=by)
    assert len(found.points) == points
    ax = found.plot()
    labels = [text.get_text() for text in ax.get_legend().get_texts()]
    assert labels == ["one test", "limits", "level of the point", "moving average"]
    assert "5 % of steady seasons" in ax.get_xlabel()
    assert ax.get_ylabel() == "crow against target, cents"


# Edges: one clear sentence each.


def test_an_unknown_division_names_the_nearest(demo_season):
    with pytest.raises(CallError, match=r"There is no division 'mont'\. Nearest: month"):
        drift(demo_season, "crow_cents", by="mont")


@pytest.mark.parametrize("lag", [(7, 0), 7, "week", (0, None), (-1, 3), (0, 1, 2)])
def test_a_lag_that_is_none_is_one_sentence(demo_season, lag):
    with pytest.raises(CallError, match="lag_days is two numbers of days before, the nearer first"):
        drift(demo_season, "crow_cents", lag_days=lag)


def test_no_days_is_one_sentence_and_lots_still_make_a_chart(study):
    rows = made_in_turn().drop(columns="made_on").assign(lot_id=np.repeat([*"ABCDEF"], 8))
    rows["lot_id"] = rows.groupby("tube_id")["lot_id"].transform("first")
    made = study(rows, [])
    with pytest.raises(ModelError, match="no day is recorded, neither of sessions"):
        drift(made, "crow")
    found = drift(made, "crow", by="lot")
    assert found.table["term"].tolist() == ["change point", "alarms"]
    assert found.points["moment"].isna().all()
    assert any("stand in the order of the record" in text for text in found.cautions)
    assert [tick.get_text() for tick in found.plot().get_xticklabels()] == [*"ABCDEF"]


def test_one_batch_or_one_session_has_nothing_to_compare(study):
    made = study(made_in_turn().assign(batch_id="B1"), [], name="batch")
    with pytest.raises(ModelError, match=r"all rows are of one batch \(B1\), so there is nothing"):
        drift(made, "crow", by="batch")
    alone = study(many_sessions(sessions=1), [], [CROW], name="session")
    with pytest.raises(ModelError, match=r"all rows are of one session \(S01\)"):
        drift(alone, "crow", by="session")


def test_a_division_without_its_column_is_one_sentence(study):
    made = study(made_in_turn(), [])
    with pytest.raises(CallError, match="crow is recorded in reeds, and no session is recorded"):
        drift(made, "crow", by="session")
    with pytest.raises(CallError, match="no lot is recorded with it"):
        drift(made, "crow", by="lot")


def test_too_few_points_is_one_sentence(study):
    with pytest.raises(ModelError, match="3 sessions are too few points for a chart; it takes 4"):
        drift(study(many_sessions(sessions=3), [], [CROW]), "crow", by="session")


@pytest.mark.parametrize(("fate", "told"), [("kept", "are kept"), ("discarded", "are not kept")])
def test_one_fate_for_all_is_one_sentence(study, fate, told):
    made = study(made_in_turn().assign(fate=fate), [], [KEPT])
    with pytest.raises(ModelError, match=f"All 48 decided rows {told}: there is no change"):
        drift(made, "kept")


def test_a_constant_response_is_one_sentence(study):
    with pytest.raises(ModelError, match=r"crow is the same \(3\) in all 48 rows: nothing drifts"):
        drift(study(made_in_turn().assign(crow=3.0), []), "crow")


def test_no_weather_recorded_is_said(study):
    rows = many_sessions().drop(columns=["relative_humidity_pct"]).assign(temperature_c=20.0)
    found = drift(study(rows, [], [CROW]), "crow", by="session")
    assert found.table["term"].tolist() == ["trend", "change point", "alarms"]
    assert any("No relative humidity is recorded" in text for text in found.cautions)
    assert any("temperature is the same throughout" in text for text in found.cautions)


def test_sessions_at_the_same_time_stand_in_the_order_of_the_record(study):
    rows = many_sessions().assign(started_at=pd.Timestamp("2026-03-02"))
    found = drift(study(rows, [], [CROW]), "crow", by="session")
    assert found.points["level"].is_monotonic_increasing
    assert any("trend is the same throughout" in text for text in found.cautions)
    assert "trend" not in found.table["term"].to_list()


def test_rows_without_a_day_are_left_out_and_counted(study):
    rows = made_in_turn()
    rows.loc[[3, 4], "made_on"] = pd.NaT
    found = drift(study(rows, []), "crow", by="month")
    assert found.rows_used == 46
    assert found.left_out[["row", "fault"]].to_numpy().tolist() == [
        [5, "day not recorded"],
        [6, "day not recorded"],
    ]


def test_one_reed_a_tube_and_nothing_shared(study):
    found = drift(study(made_in_turn(per_tube=1), []), "crow", by="month")
    assert len(found.points) >= 4
    assert any("Every tube gave one row only" in text for text in found.cautions)


def test_players_are_held_and_it_is_said(study):
    rows = many_sessions()
    late = rows["session_id"] > "S06"
    rows["player_id"] = np.where(late, "P2", "P1")
    rows["crow"] += 40.0 * late
    found = drift(study(rows, [], [CROW]), "crow", by="session")
    assert term(found, "change point")["p_value"] > 0.05
    assert any("came with another player does not show" in text for text in found.cautions)


def test_players_who_change_with_the_points_are_not_held_and_it_is_said(study):
    rows = many_sessions(sessions=16)
    rows["player_id"] = np.where(rows["started_at"].dt.month % 2, "P1", "P2")
    made = study(rows, [], [CROW])
    by_month = drift(made, "crow", by="month").cautions
    together = "player and month changed together: differences between players are not"
    assert any(text.startswith(together) for text in by_month)
    by_session = drift(made, "crow", by="session").cautions
    assert any(text.startswith("Players are held") for text in by_session)


def test_too_few_tubes_is_one_sentence(study):
    with pytest.raises(ModelError, match=r"crow: 9 rows of 3 tubes leave too little to judge 4"):
        drift(study(made_in_turn(9), []), "crow")


def test_an_alarm_that_does_not_stand_among_all_looks_is_said_to_be_alone(study):
    rows = made_in_turn(60).assign(batch_id=np.repeat([f"B{i}" for i in range(5)], 12))
    found = drift(study(rows, []), "crow", by="batch")
    assert found.points["outside"].sum() == 1
    assert found.sentence.startswith("Over 5 batches crow shows no drift beyond chance in 3 looks")
    assert "Taken alone, the moving average is outside its limits at 1 of 5 points: B3." in (
        found.sentence
    )


def test_a_yes_or_no_of_tests_makes_a_chart_of_sessions(study):
    rows = many_sessions()
    rows["clean"] = np.arange(len(rows)) % 3 > 0
    found = drift(study(rows, [], [Response("clean", "binary")]), "clean", by="session")
    assert len(found.points) == 12
    assert found.points["n_tests"].tolist() == [6] * 12
