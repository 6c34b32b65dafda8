"""Intraclass correlations against Shrout & Fleiss (1979) and known traps."""

import numpy as np
import pandas as pd
import pingouin
import pytest

from reedlab.errors import CallError, ModelError, RecordError
from reedlab.model.agreement import COEFFICIENTS, intraclass

#: Shrout & Fleiss (1979), table 2: six targets by four judges.
RATINGS = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]


@pytest.fixture
def ratings():
    long = pd.DataFrame(
        {
            "reed": np.repeat(range(1, 7), 4),
            "player": list("ABCD") * 6,
            "rating": np.ravel(RATINGS),
        }
    )
    return long.sample(frac=1, random_state=1).reset_index(drop=True)


def test_shrout_and_fleiss(ratings):
    # Published .17 .29 .71 .44 .62 .91; six digits and the limits of (2,1) computed in R.
    found = intraclass(ratings, "reed", "player", "rating")
    published = [0.165742, 0.289764, 0.714841, 0.442797, 0.620051, 0.909316]
    assert list(found.table.estimate) == pytest.approx(published, abs=5e-7)
    row = found.table.iloc[1]
    assert (row.conf_low, row.conf_high) == pytest.approx((0.018787, 0.761084), abs=5e-7)
    # Mean squares 11.2417 (5 df) and 1.0194 (15 df): F of the two-way coefficients.
    assert row.statistic == pytest.approx(11.2417 / 1.0194, rel=1e-4)
    assert (row.num_df, row.den_df) == (5, 15)
    assert (found.n_targets, found.n_judges, found.cautions) == (6, 4, ())


def test_each_coefficient_says_agreement_or_consistency(ratings):
    # known trap B8: the two must not be muddled.
    terms = intraclass(ratings, "reed", "player", "rating").table.term
    assert tuple(terms) == COEFFICIENTS
    said = ["consistency" if "consistency" in term else "absolute agreement" for term in terms]
    assert said == ["absolute agreement", "absolute agreement", "consistency"] * 2
    assert all(word in term for word, term in zip(said, terms, strict=True))


@pytest.mark.parametrize("absent", [True, False])
def test_a_target_with_a_missing_rating_is_named(ratings, absent):
    # known trap B8: ICC(C,1) .747 on the five complete targets, whether the rating is
    # empty or its row is not there.
    hit = (ratings.reed == 1) & (ratings.player == "B")
    data = ratings[~hit] if absent else ratings.assign(rating=ratings.rating.where(~hit))
    found = intraclass(data, "reed", "player", "rating")
    assert found.table.estimate[2] == pytest.approx(0.747, abs=5e-4)
    assert found.cautions == ("reed 1 left out (no rating by B): 5 of 6 used.",)
    assert found.n_targets == 5
    assert found.left_out.to_dict("records") == [{"target": 1, "fault": "no rating by B"}]


def test_a_rating_given_twice_is_an_error(ratings):
    # known trap B4: never averaged in silence.
    again = pd.DataFrame({"reed": [1], "player": ["C"], "rating": [30]})
    with pytest.raises(RecordError, match=r"Rated more than once \(reed by player\): 1 by C\."):
        intraclass(pd.concat([ratings, again]), "reed", "player", "rating")


def test_a_constant_added_by_one_judge_hurts_agreement_only(ratings):
    moved = ratings.assign(rating=ratings.rating + 20.0 * (ratings.player == "A"))
    before = intraclass(ratings, "reed", "player", "rating").table.estimate
    after = intraclass(moved, "reed", "player", "rating").table.estimate
    assert after[2] == pytest.approx(before[2])
    assert after[1] < before[1]


@pytest.mark.filterwarnings("ignore:The inplace keyword")  # pingouin's own, about pandas 4
def test_random_tables_against_pingouin():
    rng = np.random.default_rng(2)
    for n, k in [(4, 2), (8, 3), (20, 5)]:
        values = rng.normal(size=(n, 1)) + rng.normal(size=k) + rng.normal(size=(n, k))
        long = pd.DataFrame(
            {
                "reed": np.repeat(np.arange(n), k),
                "player": np.tile(np.arange(k), n),
                "rating": values.ravel(),
            }
        )
        found = intraclass(long, "reed", "player", "rating").table
        other = pingouin.intraclass_corr(long, "reed", "player", "rating")
        for ours, theirs in [("estimate", "ICC"), ("statistic", "F"), ("p_value", "pval")]:
            assert list(found[ours]) == pytest.approx(list(other[theirs]))
        assert list(found.den_df) == list(other.df2)
        limits = np.vstack(list(other.CI95))  # which pingouin rounds to two decimals
        assert found[["conf_low", "conf_high"]].to_numpy() == pytest.approx(limits, abs=0.00501)


def test_what_cannot_be_answered_is_said(ratings):
    with pytest.raises(CallError, match="no column 'score'"):
        intraclass(ratings, "reed", "player", "score")
    with pytest.raises(ModelError, match="two of 'player' at least; there are 1"):
        intraclass(ratings[ratings.player == "A"], "reed", "player", "rating")
    exact = ratings.reed + 1.5 * (ratings.player == "A")
    with pytest.raises(ModelError, match="consistency 1"):
        intraclass(ratings.assign(rating=exact), "reed", "player", "rating")
    with pytest.raises(ModelError, match="All ratings are the same"):
        intraclass(ratings.assign(rating=3), "reed", "player", "rating")
    with pytest.raises(RecordError, match="not numbers"):
        intraclass(ratings.assign(rating="good"), "reed", "player", "rating")
    blank = ratings.assign(player=ratings.player.where(ratings.index != 3))
    cautions = intraclass(blank, "reed", "player", "rating").cautions
    assert cautions[0] == "Row 3 left out: player missing."
    assert not np.any([not text for text in cautions])


def test_limits_of_a_mean_stay_on_their_side_of_the_estimate():
    # Few targets, judges that hardly agree: the lower limit of one judge lies beyond the pole
    # of the formula for their mean, -1/(k - 1).
    rng = np.random.default_rng(0)
    beyond = 0
    for _ in range(300):
        ratings = rng.normal(size=(3, 3)) + 0.7 * rng.normal(size=(3, 1))
        rows = [(t, j, ratings[t, j]) for t in range(3) for j in range(3)]
        table = intraclass(pd.DataFrame(rows, columns=["t", "j", "y"]), "t", "j", "y").table
        assert (table["conf_low"] <= table["estimate"]).all()
        beyond += np.isinf(table["conf_low"]).any()
    assert beyond > 0
