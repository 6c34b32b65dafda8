"""What moves a rating: sentences, edges, players, picture. Data are invented."""

import numpy as np
import pandas as pd
import pytest

from reedlab import Factor, Response
from reedlab.analyse import drivers
from reedlab.analyse.rating_effects import LOG_ODDS, POINTS
from reedlab.analyse.ratings import ratings
from reedlab.answer import VOCABULARY
from reedlab.errors import CallError, ModelError
from reedlab.model import fit_ordinal
from tests.analyse.build import GOUGE, SHAPE, flat_study, reeds_of

RATING = Response("rating", "ordinal", direction="higher", levels=(1, 2, 3, 4, 5))
WORDS = Response("rating", "ordinal", levels=("bad", "ok", "good"))
CUTS = (-1.0, 0.2, 1.4, 2.6)


def rated(players=("P1", "P2"), tubes=8, per_tube=3, wide=0.0, seed=1, cuts=CUTS):
    """Every player rates every reed once, each in a session of its own; P2 rates higher."""
    rng = np.random.default_rng(seed)
    rows = reeds_of(tubes, per_tube)
    rows["gouge"] = np.repeat(np.resize([1.25, 1.3], tubes), per_tube)
    rows["shape"] = np.resize(["narrow", "wide"], len(rows))
    good = rng.normal(size=len(rows)) + wide * (rows["shape"] == "wide")
    parts = [
        rows.assign(
            player_id=player,
            session_id=f"S{number}",
            trial=1,
            rating=1 + np.digitize(good + number + 0.7 * rng.logistic(size=len(rows)) - 1.5, cuts),
        )
        for number, player in enumerate(players, start=1)
    ]
    return pd.concat(parts, ignore_index=True)


def found_in(study, rows, factors=(GOUGE, SHAPE), response=RATING, name="study", **more):
    return ratings(study(rows, factors, (response,), name, **more), "rating")


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    folder = tmp_path_factory.mktemp("rated") / "study"
    return ratings(flat_study(folder, rated(wide=2.5), [GOUGE, SHAPE], [RATING]), "rating")


def test_the_sentence_tells_ratings_and_not_odds(found):
    row = found.table.set_index(["term", "level"]).loc[("shape", found.cut)]
    assert found.strong == ("shape",)
    assert found.sentence.startswith(
        "Of 2 factors looked at, 1 goes with rating beyond chance: shape wide instead of narrow: "
        f"{row['estimate']:.2g} percentage points more ratings of {found.cut} or higher (95 % "
        f"{row['conf_low']:.2g} to {row['conf_high']:.2g}; observed, 24 reeds, 48 ratings). "
    )
    assert "cause" not in found.sentence


def test_log_odds_first_then_every_cut(found):
    own = found.table[found.table["term"] == "shape"]
    assert own["level"].tolist() == ["", "2", "3", "4", "5"]
    assert own["unit"].tolist() == [LOG_ODDS, *[POINTS] * 4]
    assert set(found.table.columns) <= set(VOCABULARY)
    assert (found.table["conf_low"] <= found.table["estimate"]).all()
    odds = own.iloc[0]
    # By statistics alone: the same coefficient, and differences of chances about the middle.
    plain = fit_ordinal("rating ~ player_id + gouge + shape", found.frame.data)
    assert odds["estimate"] == pytest.approx(
        plain.difference("shape", "narrow", "wide").estimate[0], rel=1e-3
    )
    assert (own["p_value"].nunique(), own["n_tests"].iloc[0]) == (1, 48)


def test_players_have_levels_of_their_own_and_the_same_order(found):
    own = found.table[found.table["term"] == "player_id"]
    assert own["contrast"].unique().tolist() == ["P2 - P1"]
    assert own["p_adjusted"].isna().all()
    assert own["estimate"].iloc[0] > 1
    players = found.players.set_index("rater")
    assert players.loc["P2", "estimate"] > 0.5 > players.loc["P1", "estimate"]
    assert players["estimate"].mean() == pytest.approx(0.5)
    agreement = found.agreement.set_index("term")
    assert agreement.loc["rank correlation", "estimate"] > 0.3
    assert agreement.loc["Kendall's W", "n_reeds"] == 24
    assert "Do players put the same reeds in the same order (rank correlation" in found.sentence
    assert found.reeds["estimate"].is_monotonic_decreasing
    assert found.reeds["estimate"].mean() == pytest.approx(0.5)
    for table in (found.players, found.agreement, found.reeds):
        assert set(table.columns) <= set(VOCABULARY)


def test_places_do_not_depend_on_a_players_own_use_of_the_scale(study):
    rows = rated(cuts=(-1, 1))
    stretched = rows.assign(rating=np.where(rows["player_id"] == "P2", 5 - (3 - rows["rating"]), 1))
    stretched["rating"] = np.where(rows["player_id"] == "P1", rows["rating"], stretched["rating"])
    plain = found_in(study, rows, name="plain")
    other = found_in(study, stretched, name="other")
    pd.testing.assert_frame_equal(plain.reeds, other.reeds)
    pd.testing.assert_frame_equal(plain.agreement, other.agreement)


def test_three_players_together_and_in_pairs(study):
    found = found_in(study, rated(("P1", "P2", "P3")))
    W = found.agreement[found.agreement["term"] == "Kendall's W"]
    assert W["rater"].tolist() == ["all players", "P1 and P2", "P1 and P3", "P2 and P3"]


def test_a_player_who_always_gives_the_same(study):
    rows = rated(wide=1)
    found = found_in(study, rows.assign(rating=rows["rating"].where(rows["player_id"] == "P1", 4)))
    assert found.agreement["estimate"].isna().any()
    assert "same order" not in found.sentence


def test_five_players_are_random_and_have_no_rows(study):
    found = found_in(study, rated(("P1", "P2", "P3", "P4", "P5")))
    assert "player_id" not in set(found.table["term"])
    assert "player_id" in found.fit.groups
    assert len(found.players) == 5


def test_few_sessions_of_each_player_are_the_blocks(study):
    # The sessions hold the players' levels then; how high each rates is told all the same.
    rows = rated(("P1", "P1", "P2", "P2"))
    rows["trial"] = np.repeat([1, 2, 1, 2], 24)
    found = found_in(study, rows)
    assert "session_id" in found.fit.fixed.terms
    assert found.players["rater"].tolist() == ["P1", "P2"]


def test_no_effect_and_one_factor(study):
    none = found_in(study, rated(seed=3))
    assert none.sentence.startswith(
        "None of 2 factors looked at goes with rating beyond chance; the strongest: "
    )
    one = ratings(study(rated(seed=3), name="one", responses=(RATING,)), "rating", ["shape"])
    assert one.sentence.startswith(
        "The one factor looked at does not go with rating beyond chance: "
    )


def test_fewer_ratings_are_told_as_fewer(study):
    text = found_in(study, rated(wide=-2.5)).sentence
    assert "percentage points fewer ratings of" in text
    assert "−" not in text.split(" ratings)")[0]
    assert " fewer to " in found_in(study, rated(seed=3), name="none").sentence


def test_one_player(study):
    found = found_in(study, rated(("P1",)))
    assert (
        "One player only (P1): what is found holds for this player's ears, and how far others "
        "agree is not known." in found.cautions
    )
    assert found.agreement.empty
    assert "same order" not in found.sentence


def test_players_who_rated_different_reeds(study):
    rows = rated()
    first = rows["reed_id"] <= "R012"
    split = rows[first == (rows["player_id"] == "P1")]
    found = found_in(study, split)
    assert any(text.startswith("Players rated different reeds: whether") for text in found.cautions)
    few = rows[first == (rows["player_id"] == "P1") | (rows["reed_id"] == "R001")]
    text = " ".join(found_in(study, few, name="few").cautions)
    assert "Players have too few reeds in common (3 at one stage, not all rated alike)" in text


def test_all_ratings_equal(study):
    with pytest.raises(ModelError) as caught:
        found_in(study, rated().assign(rating=3))
    assert str(caught.value) == ("rating: all 48 ratings are 3, so nothing can be seen to move it.")


def test_only_two_levels_used(study):
    rows = rated(wide=1)
    found = found_in(study, rows.assign(rating=np.where(rows["rating"] > 3, 4, 2)))
    assert "rating: only 2 and 4 were given, so it is as good as a yes or no." in found.cautions
    assert found.cut == "4"


def test_a_level_that_nobody_gave(study):
    rows = rated(wide=1)
    found = found_in(study, rows.assign(rating=rows["rating"].replace(3, 4)))
    assert "rating: nobody gave 3." in found.cautions
    assert found.table["level"].unique().tolist() == ["", "2", "4", "5"]


def test_ties_everywhere(study):
    rows = rated(seed=3)
    found = found_in(study, rows.assign(rating=np.where(rows["reed_id"] == "R001", 1, 4)))
    assert found.table["p_value"].between(0, 1).all()
    assert (
        "rating: all ratings of a reed are the same in each of 24 reeds, so each counts once."
        in found.cautions
    )
    assert found.rows_used == 24


def test_all_ratings_of_a_level_at_the_top(study):
    rows = rated()
    found = found_in(study, rows.assign(rating=rows["rating"].where(rows["shape"] == "narrow", 5)))
    told = next(text for text in found.cautions if "the odds have no end" in text)
    assert told.startswith(
        "rating: all 24 ratings with shape wide are 5, so that the odds have no end. "
    )
    assert found.strong == ("shape",)
    assert np.isfinite(found.table[["estimate", "conf_low", "conf_high"]]).all(axis=None)


def test_words_keep_their_declared_order(study):
    # known trap A11: sorted by letters they would be bad, good, ok.
    rows = rated(wide=2.5, cuts=(-0.5, 1.0))
    words = rows.assign(rating=rows["rating"].map({1: "bad", 2: "ok", 3: "good"}))
    found = found_in(study, words, response=WORDS)
    as_numbers = found_in(study, rows, name="numbers")
    assert found.table["level"].unique().tolist() == ["", "ok", "good"]
    assert found.table["estimate"].to_numpy() == pytest.approx(
        as_numbers.table["estimate"].to_numpy()
    )
    assert ("ratings of good (95 %" in found.sentence) == (found.cut == "good")


def test_digits_as_text_are_in_the_order_declared(study):
    # known trap A11: "1", "10", "2" would be sorted by letters.
    levels = Response("rating", "ordinal", levels=("1", "2", "10"))
    rows = rated(cuts=(-0.5, 1.0))
    found = found_in(study, rows.assign(rating=rows["rating"].replace(3, 10)), response=levels)
    assert found.table["level"].unique().tolist() == ["", "2", "10"]


def test_text_without_an_order_is_refused():
    with pytest.raises(CallError, match="list its levels from lowest to highest"):
        Response("rating", "ordinal")


def test_what_is_no_rating(study):
    rows = rated().assign(crow=np.arange(48.0))
    both = study(rows, responses=(RATING, Response("crow")))
    with pytest.raises(CallError) as caught:
        ratings(both, "crow")
    assert str(caught.value) == (
        "'crow' is continuous and no rating on an ordered scale: ask drivers(study, 'crow'). "
        "Ratings here: rating."
    )
    with pytest.raises(CallError, match=r"There is no response 'rating_overall'\. Nearest: rating"):
        ratings(both, "rating_overall")
    none = study(rows.drop(columns="rating"), responses=(Response("crow"),), name="none")
    with pytest.raises(CallError, match="No rating is declared here"):
        ratings(none, "crow")


def test_a_factor_with_one_level_is_named(study):
    # known trap A13: a constant column.
    rows = rated().assign(staple="S1")
    found = found_in(study, rows, (SHAPE, Factor("staple")))
    assert any(text.startswith("staple: one level only (S1)") for text in found.cautions)
    with pytest.raises(ModelError, match="No factor can be examined"):
        found_in(study, rows, (Factor("staple"),), name="alone")


def test_a_tube_factor_is_judged_by_tubes(study):
    found = found_in(study, rated())
    row = found.table[found.table["term"] == "gouge"].iloc[0]
    assert (row["stratum"], row["n_units"]) == ("tube", 8)
    assert row["den_df"] < 8
    assert found.fit.groups.keys() == {"tube_id", "reed_id"}


def test_gaps_are_counted(study):
    rows = rated()
    rows["rating"] = rows["rating"].astype(object)
    rows.loc[[0, 5], "rating"] = None
    found = found_in(study, rows)
    assert found.left_out["fault"].tolist() == ["rating not recorded"] * 2
    assert "rating: 2 of 48 rows left out: 2 × rating not recorded." in found.cautions
    assert found.rows_used == 46


def test_an_effect_at_one_end_of_the_scale_is_told(study):
    rng = np.random.default_rng(5)
    rows = rated(tubes=20, per_tube=4, seed=5)
    five = (rows["shape"] == "wide") & (rng.random(len(rows)) < 0.5)
    low = rng.integers(1, 5, len(rows))
    found = found_in(study, rows.assign(rating=np.where(five, 5, low)), (SHAPE,))
    told = [text for text in found.cautions if "not the same all along the scale" in text]
    assert len(told) == 1
    assert told[0].startswith("shape: its effect is not the same all along the scale")


def test_reliability_stands_beside_the_finding(study):
    rows = rated(("P1", "P1"))
    rows["trial"] = np.repeat([1, 2], 24)
    found = found_in(study, rows)
    assert found.reliability.n_units == 24
    assert found.sentence.endswith(found.reliability.sentence)


def test_the_pictures(found):
    ax = found.plot_factor("shape")
    dots = np.concatenate([line.get_ydata() for line in ax.lines])
    assert len(dots) == 48
    assert "chance of a rating above that line" in ax.get_title(loc="left")
    assert "with 95 % interval" in ax.get_title(loc="left")
    bars = np.array([bar.get_width() for bar in ax.patches]).reshape(2, 4)
    assert (np.diff(bars, axis=1) < 0).all()
    assert (bars[1] > bars[0]).all()
    along = found.plot_factor("gouge")
    assert along.get_xlabel() == "gouge, mm"
    assert len(found.plot().get_yticks()) == 3
    with pytest.raises(CallError, match="There is no factor 'shap'"):
        found.plot_factor("shap")


def test_the_demo_season(demo_season):
    found = ratings(demo_season, "rating_overall")
    assert set(found.strong) == {"gouge_centre_mm", "shape"}
    scores = drivers(demo_season, "rating_overall")
    ours = found.table.drop_duplicates("term").set_index("term")["p_value"]
    theirs = scores.table.drop_duplicates("term").set_index("term")["p_value"]
    # Evenly spaced scores and the ordered scale tell much the same story here.
    assert np.abs(np.log10(ours[theirs.index] / theirs)).max() < 1


def test_a_rating_of_the_reed_without_a_player(study):
    own = Response("rating", "ordinal", levels=(1, 2, 3, 4, 5), table="reeds")
    rows = rated(("P1",)).drop(columns=["player_id", "session_id", "trial"])
    found = found_in(study, rows, response=own)
    assert "No player is recorded: whose ears these ratings are is not known." in found.cautions
    assert found.reliability is None
    assert found.sentence.endswith("24 ratings).")
