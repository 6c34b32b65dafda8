"""How long reeds last: the demo's truth, which ends count, dates, factors, edges, words."""

from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy.stats import gamma

from reedlab.analyse.lasting import lasting
from reedlab.analyse.lasting_rows import as_day, life_spans
from reedlab.analyse.lasting_text import medians_text
from reedlab.answer import VOCABULARY
from reedlab.errors import CallError, ModelError, RecordError
from reedlab.schema import Factor
from reedlab.study import Settings, open_study, write_study

SHAPE = Factor("shape", ("narrow", "wide"))
SOFT = Factor("hardness", stratum="tube", kind="numeric", step=1)
LATER = "2026-12-31"


@pytest.fixture
def lives(tmp_path_factory):
    """Write a study with a life table out of lists; numbers of hours unless dates are given."""

    def make(life, reeds=None, tubes=None, factors=(SHAPE,)):
        n = len(next(iter(life.values())))
        ids = [f"R{i + 1}" for i in range(n)]
        table = pd.DataFrame({"reed_id": ids, **life})
        tables = {"reeds": pd.DataFrame({"reed_id": ids, **(reeds or {})}), "life": table}
        if tubes is not None:
            tables["tubes"] = pd.DataFrame(tubes)
        settings = Settings("bassoon", invented=True, factors=[*factors], responses=[])
        return write_study(tmp_path_factory.mktemp("lives") / "study", tables, settings)

    return make


def rows(found, quantity="median", term=None):
    table = found.table[found.table["quantity"] == quantity]
    return table if term is None else table[table["term"] == term]


@pytest.fixture(scope="module")
def demo(demo_season):
    return lasting(demo_season, until=LATER)


def test_the_truth_of_the_demo_lies_inside(demo):
    medians = rows(demo, term="").set_index("unit")
    # reedlab/demo/aftermath.py: days of a gamma law, hours 0.2 to 0.45 of a day each.
    rng = np.random.default_rng(1)
    days = np.maximum(gamma(3, scale=22).rvs(20_000, random_state=rng), 5)
    truth = {"days": np.median(days), "hours": np.median(days * rng.uniform(0.2, 0.45, 20_000))}
    for unit, true in truth.items():
        assert medians.loc[unit, "conf_low"] < true < medians.loc[unit, "conf_high"]
    ratios = rows(demo, "hazard ratio")
    assert demo.strong == ()  # no factor of the demo does anything to life
    assert ((ratios["conf_low"] < 1) & (ratios["conf_high"] > 1)).sum() >= len(ratios) - 1
    assert (ratios["evidence"] != "randomised").all()


def test_the_sentence_tells_medians_counts_and_the_strongest(demo):
    assert demo.sentence == (
        "Median life: 19.5 hours (95 % 13 to 22), 64 days (95 % 44 to 90); observed, 32 reeds, "
        "24 worn out. None of 8 factors looked at goes with it beyond chance; the strongest: tube "
        "diameter +0.5 mm wears out 0.563 times as fast (95 % 0.317 to 0.976; observed, 17 tubes, "
        "32 reeds, 24 worn out)."
    )
    assert "cause" not in demo.sentence + " ".join(demo.cautions)


def test_the_cautions_count_ends_by_reason_and_say_what_stands_alone(demo):
    told = " ".join(demo.cautions)
    assert "Counted as worn out: 15 played out, 7 went flat, 2 cracked." in told
    assert "they lasted at least so long: 5 lost, 3 in use." in told
    assert "too few to examine 8 factors together" in told
    assert "1 reed left out of the ratios: hardness not recorded." in told
    assert "relative humidity: belongs to a session" in told


def test_the_other_scale_judges_factors_in_days(demo_season):
    found = lasting(demo_season, ["shape"], scale="days", until=LATER)
    assert set(rows(found, term="shape")["unit"]) == {"days"}
    assert set(rows(found, term="")["unit"]) == {"hours", "days"}
    assert "The one factor looked at does not go with it beyond chance: shape" in found.sentence


def test_a_median_not_reached_says_by_when_and_its_lower_limit(lives):
    life = {"hours_played": [5.0, 8, 12, *[30] * 7], "retired": [True] * 3 + [False] * 7}
    found = lasting(lives(life), [])
    assert found.sentence == (
        "Median life: not reached by 30 hours (lower limit 5 hours); observed, 10 reeds, "
        "3 worn out."
    )
    assert "Only 3 reeds are worn out" in " ".join(found.cautions)
    assert "No tube is recorded" in " ".join(found.cautions)


def test_a_factor_that_parts_the_reeds_is_named_and_stays_finite(lives):
    life = {
        "hours_played": [5.0, 8, 12, 14, 20, *[30] * 7],
        "retired": [True] * 5 + [False] * 7,
    }
    found = lasting(lives(life, {"shape": ["wide"] * 7 + ["narrow"] * 5}))
    row = rows(found, "hazard ratio").iloc[0]
    assert row["p_value"] == pytest.approx(0.0224, abs=1e-4)
    assert np.isfinite(row[["estimate", "conf_low", "conf_high"]].astype(float)).all()
    told = " ".join(found.cautions)
    assert "shape parts the reeds that wore out" in told
    assert "narrow: 0 of 5 worn out; wide: 5 of 7 worn out" in told
    assert "goes with it beyond chance: shape wide − narrow wears out 12.1 times" in found.sentence


def test_ends_that_are_no_wear_are_censored_and_told(lives):
    life = {
        "hours_played": [5.0, 8, 12, 14, 20, 22],
        "retired": [True, True, True, False, False, True],
        "reason": ["played out", "Lost ", "given  away", "", "went flat", "dropped"],
    }
    study = lives(life)
    found = life_spans(study, "hours", date(2026, 12, 31))
    assert found.data["worn_out"].tolist() == [True, False, False, False, False, True]
    told = " ".join(found.cautions)
    assert "2 retired reeds ended by what is no wear (given away, lost)" in told
    assert "1 reed not retired, yet with a reason (went flat): counted as still in use" in told
    fewer = life_spans(study, "hours", date(2026, 12, 31), ["dropped"])
    assert fewer.data["worn_out"].tolist() == [True, True, True, False, False, False]


def test_days_beyond_the_last_day_are_cut_and_censored(lives):
    life = {
        "first_played": ["2026-10-10", "2026-10-01", "2026-10-20", "2026-10-01"],
        "last_played": ["2026-10-15", "2026-10-08", "2026-10-25", "2026-10-03"],
        "hours_played": [10.0, 4, 3, 2],
        "retired": [True, True, True, True],
    }
    study = lives(life)
    found = life_spans(study, "days", date(2026, 10, 12))
    assert found.data["lasted"].tolist() == [2, 7, 2]
    assert found.data["worn_out"].tolist() == [False, True, True]
    assert found.left_out["fault"].tolist() == ["first played after 2026-10-12"]
    hours = life_spans(study, "hours", date(2026, 10, 12))
    assert hours.data["lasted"].tolist() == [4, 4, 2]
    assert "1 reed played after 2026-10-12" in " ".join(hours.cautions)
    assert lasting(study, [], until="2026-10-12").rows_used == 3


def test_a_day_in_the_future_is_cut_today(lives):
    life = {
        "first_played": ["2020-01-01"] * 2,
        "last_played": ["2999-01-01", "2020-01-11"],
        "retired": [True, True],
    }
    found = lasting(lives(life), [], scale="days")
    assert found.lives.data["worn_out"].tolist() == [False, True]
    assert rows(found)["longest"].iloc[0] == (date.today() - date(2020, 1, 1)).days


def test_rows_that_cannot_be_used_are_left_out_with_the_reason(lives):
    life = {
        "first_played": ["2026-03-01", "", "2026-03-09", "2026-03-01", "2026-03-01", "2026-03-01"],
        "last_played": ["2026-03-09", "2026-03-09", "2026-03-01", "", "2026-03-05", "2026-03-07"],
        "hours_played": [0.0, -3, np.nan, 5, 20_000, 6],
        "retired": [True, True, True, True, True, None],
    }
    study = lives(life)
    hours = life_spans(study, "hours", date(2026, 12, 31))
    assert hours.left_out["row"].tolist() == [2, 3, 4, 6, 7]
    assert hours.left_out["fault"].tolist() == [
        "0 hours played: not in use yet",
        "fewer than 0 hours played",
        "hours_played not recorded",
        "hours_played: 20000 hours is impossible (0 to 10000 hours)",
        "retired not recorded",
    ]
    assert "5 of 6 lives left out: 1 × 0 hours played" in " ".join(hours.cautions)
    days = life_spans(study, "days", date(2026, 12, 31))
    assert days.left_out["fault"].tolist() == [
        "first_played not recorded",
        "last played before it was first played",
        "last_played not recorded",
        "retired not recorded",
    ]


def retyped(study, old, new):
    """Mend the life table by hand and open the study again."""
    path = study.folder / "life.csv"
    path.write_text(path.read_text("utf-8-sig").replace(old, new), "utf-8")
    return open_study(study.folder)


def test_retired_in_ones_and_twos_is_refused(lives):
    study = lives({"hours_played": [5.0, 8, 9], "retired": [True, False, True]})
    study = retyped(retyped(study, "true", "1"), "false", "2")
    with pytest.raises(RecordError, match=r"retired holds what is neither true nor false \(row 3"):
        lasting(study)


def test_a_reed_twice_is_refused(lives):
    study = lives({"hours_played": [5.0, 8], "retired": [True, True]})
    with pytest.raises(RecordError, match="the same reed_id R1"):
        lasting(retyped(study, "R2", "R1"))


@pytest.mark.parametrize(
    ("life", "message"),
    [
        (
            {"hours_played": [9.0, 30, 8], "retired": [False] * 3},
            r"None of 3 reeds is worn out yet \(the longest in use: 30 hours\)",
        ),
        (
            {"hours_played": [9.0, 30], "retired": [False] * 2, "reason": ["lost"] * 2},
            "so they lasted at least so long: 2 lost",
        ),
        ({"hours_played": [9.0], "retired": [True]}, "One reed alone"),
        ({"hours_played": [0.0, 0.0], "retired": [True] * 2}, "2 × 0 hours played"),
        ({"hours_played": [], "retired": []}, "No reed's life can be used."),
    ],
)
def test_lives_that_say_nothing_are_one_clear_sentence(lives, life, message):
    with pytest.raises(ModelError, match=message):
        lasting(lives(life))


def test_no_life_and_missing_columns(lives, demo_batch):
    with pytest.raises(CallError, match="no table 'life'"):
        lasting(demo_batch)
    with pytest.raises(CallError, match="needs the column 'retired'"):
        lasting(lives({"hours_played": [1.0, 2]}))


def test_a_scale_without_its_columns_is_told(lives):
    study = lives({"hours_played": [5.0, 8, 9], "retired": [True] * 3})
    with pytest.raises(CallError, match="Lives in days need the columns first_played, last_played"):
        lasting(study, scale="days")
    with pytest.raises(CallError, match="Nearest: hours"):
        lasting(study, scale="hour")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"factors": "shape"}, r'write \["shape"\]'),
        ({"factors": ["shap"]}, "Nearest: shape"),
        ({"factors": ["hardness"]}, "declared, but the table 'tubes' has no such column"),
        ({"not_wear": "lost"}, r'write \["lost"\]'),
        ({"until": "12.10.2026"}, "until is a day like 2026-03-04, not '12.10.2026'"),
    ],
)
def test_wrong_calls_say_what_would_be_right(lives, options, message):
    life = {"hours_played": [5.0, 8, 9, 11], "retired": [True] * 4}
    study = lives(life, {"shape": ["wide", "narrow"] * 2}, factors=(SHAPE, SOFT))
    with pytest.raises(CallError, match=message):
        lasting(study, **options)


def test_few_worn_out_reeds_are_too_few_for_a_factor(lives):
    life = {"hours_played": [5.0, 8, 9, 11], "retired": [True] * 4}
    study = lives(life, {"shape": ["wide", "narrow"] * 2})
    with pytest.raises(ModelError, match=r"4 worn-out reeds are too few to judge it \(5 or more"):
        lasting(study, ["shape"])
    found = lasting(study)
    assert found.table["quantity"].eq("median").all()
    assert "4 worn-out reeds are too few" in " ".join(found.cautions)


def test_a_factor_with_one_level_is_not_examined(lives):
    life = {"hours_played": np.arange(1.0, 9), "retired": [True] * 8}
    study = lives(life, {"shape": ["wide"] * 8})
    with pytest.raises(ModelError, match="shape: one level only"):
        lasting(study, ["shape"])


def season(seed, tubes=10, effect=1.5, per_tube=4):
    """Invented: wide reeds wear out faster within every tube."""
    rng = np.random.default_rng(seed)
    n = tubes * per_tube
    shape = np.resize(["narrow", "wide"], n)
    hours = 20 * (rng.exponential(size=n) * np.exp(-effect * (shape == "wide"))) ** 0.4
    life = {"hours_played": np.round(2 * hours + 1) / 2, "retired": rng.random(n) < 0.9}
    ids = [f"T{i + 1}" for i in range(tubes)]
    reeds = {"shape": shape, "tube_id": np.repeat(ids, per_tube)}
    return life, reeds, {"tube_id": ids, "hardness": np.round(rng.normal(14, 2, tubes))}


def test_factors_are_examined_together_when_reeds_allow_and_a_strong_one_is_found(lives):
    study = lives(*season(2), factors=(SHAPE, SOFT))
    found = lasting(study)
    assert found.strong == ("shape",)
    assert found.sentence.count("beyond chance: shape wide − narrow wears out") == 1
    assert not any("stands alone" in text for text in found.cautions)
    ratio = rows(found, "hazard ratio", "shape").iloc[0]
    assert 1 < ratio["conf_low"] < ratio["estimate"] < ratio["conf_high"]
    assert ratio["method"] == "Cox (Efron's ties), judged by tubes"
    tube = rows(found, "hazard ratio", "hardness").iloc[0]
    assert (tube["stratum"], tube["n_units"]) == ("tube", 10)


def test_one_tube_and_tubes_of_one_reed(lives):
    life, reeds, _ = season(3)
    found = lasting(lives(life, {**reeds, "tube_id": ["T1"] * 40}), ["shape"])
    assert "All reeds come of one tube" in " ".join(found.cautions)
    assert rows(found, "hazard ratio")["method"].iloc[0].endswith("judged by reeds")
    study = lives(life, {**reeds, "tube_id": [f"T{i}" for i in range(40)]})
    assert rows(lasting(study, ["shape"]), "hazard ratio")["den_df"].isna().all()


def test_two_tubes_are_too_few_for_a_factor_of_theirs(lives):
    life, _, _ = season(3)
    tubes = {"tube_id": ["T1", "T2"], "hardness": [12.0, 15.0]}
    study = lives(life, {"tube_id": np.repeat(["T1", "T2"], 20)}, tubes, factors=(SOFT,))
    with pytest.raises(ModelError, match="hardness: 2 tubes are too few to judge it"):
        lasting(study, ["hardness"])


def test_the_picture_shows_steps_intervals_strokes_and_counts(demo):
    import matplotlib.pyplot as plt

    ax = demo.plot()
    line = ax.get_lines()[0]
    steps = demo.curve.steps
    assert line.get_drawstyle() == "steps-post"
    assert line.get_ydata()[1:-1].tolist() == pytest.approx((100 * steps["estimate"]).tolist())
    assert len(ax.get_lines()[1].get_xdata()) == 8  # reeds not worn out when last seen
    assert "pointwise 95 % interval" in ax.get_title(loc="left")
    assert ax.get_xlabel() == "hours played"
    assert "32" in [text.get_text() for text in ax.texts]
    by_level = demo.plot_factor("shape")
    assert [text.get_text() for text in by_level.get_legend().get_texts()] == [
        "shape narrow (6 worn out)",
        "shape wide (18 worn out)",
    ]
    with pytest.raises(CallError, match="Nearest: shape"):
        demo.plot_factor("shap")
    plt.close("all")


def test_a_day_is_read_from_what_is_given():
    assert as_day(pd.Timestamp("2026-10-12")) == date(2026, 10, 12)
    assert as_day(date(2026, 10, 12)) == date(2026, 10, 12)


def test_columns_are_declared(demo):
    assert set(demo.table) <= set(VOCABULARY)
    assert set(demo.curve.steps) <= set(VOCABULARY)


def test_what_is_told_without_rows(demo):
    import dataclasses

    with pytest.raises(CallError, match="without its rows"):
        _ = dataclasses.replace(demo, lives=None).curve


def test_a_single_life_has_no_interval():
    row = {"estimate": 20.0, "conf_low": np.nan, "conf_high": np.nan, "unit": "days"}
    counts = {"longest": 20.0, "n_reeds": 1, "n_worn_out": 1, "evidence": "observed"}
    told = medians_text([row | counts])
    assert told == "Median life: 20 days (no interval); observed, 1 reed, 1 worn out."
