"""Stopping by the chance of a keeper: one line through what all measures tell together."""

import matplotlib.pyplot as plt
import numpy as np
import pytest

from reedlab.analyse import stopping_rule
from reedlab.analyse.stopping_learn import learn, round_cuts
from reedlab.analyse.stopping_stages import Costs
from reedlab.demo import simulate_season
from reedlab.errors import CallError
from tests.analyse.test_stopping import RANGE, by_rule, by_term, true_figures

SEEN = ["dynamic_range_db", "crow_cents"]
COSTS = Costs(60.0, 180.0, 10.0)


@pytest.fixture
def found(demo_season):
    return stopping_rule(demo_season, predictors=SEEN, by="chance")


@pytest.fixture(scope="module")
def two_measures():
    """Invented: 6000 reeds; two measures tell as much, and nothing else tells."""
    rng = np.random.default_rng(4)
    G = rng.standard_normal((6000, 2))
    ends = (rng.random(6000) < 1 / (1 + np.exp(1.5 - 1.5 * G.sum(axis=1)))).astype(float)
    return G, ends


def minutes(stop, ends):
    return float(COSTS.per_keeper(np.array(stop.mean()), np.array((ends * ~stop).mean())))


def test_the_line_is_where_a_further_reed_is_worth_its_minutes(two_measures):
    """Marginal value (Charnov 1976, Theoretical Population Biology 9, 129-136).

    Where the rate is best, the last reed carried on brings as many keepers for the minutes
    that it still takes as all the work does.
    """
    G, ends = two_measures
    learnt = learn(G, ends, None, COSTS)
    per_keeper = minutes(learnt.stops(G), ends)
    assert learnt.line == pytest.approx((COSTS.finished - COSTS.until) / per_keeper, abs=0.015)


def test_a_line_through_the_chance_saves_more_than_two_cuts(two_measures):
    G, ends = two_measures
    fresh, own = G[:3000], ends[:3000]
    measures = (RANGE, RANGE)
    by_cuts = learn(G[3000:], ends[3000:], round_cuts(G, measures), COSTS)
    by_line = learn(G[3000:], ends[3000:], None, COSTS)
    nothing = minutes(np.zeros(3000, dtype=bool), own)
    assert minutes(by_line.stops(fresh), own) < minutes(by_cuts.stops(fresh), own) < nothing


def test_it_is_told_as_a_chance(found):
    line = 100 * found.judged.learnt.line
    assert found.rule == (
        f"stop if the chance of a keeper, by the dynamic range and the crow, is below {line:g} %"
    )
    assert found.sentence.startswith(f"At the first test, {found.rule}: this stops ")
    assert any("judged by a line learnt from the other tubes" in text for text in found.cautions)


def test_a_new_reed_is_judged_as_those_of_the_record_are(found):
    reeds = found.judged.rows.at_stage.to_dict("records")
    assert [found.stops(seen) for seen in reeds] == (found.chances["rule"] == "stop").tolist()
    assert {True, False} == {found.stops(seen) for seen in reeds}
    chances = [100 * found.chance(seen) for seen in reeds]
    assert chances == pytest.approx(found.chances["estimate"].tolist())


def test_a_better_reed_never_has_the_smaller_chance(found):
    chance = [found.chance({"dynamic_range_db": 12.0, "crow_cents": c}) for c in (-40, 25, -5)]
    assert chance == sorted(chance)
    assert found.chance({"dynamic_range_db": 16.0, "crow_cents": -5}) > chance[-1]


def test_rules_by_cuts_tell_chances_too(demo_season, found):
    by_cuts = stopping_rule(demo_season, predictors=SEEN)
    seen = {"dynamic_range_db": 12.0, "crow_cents": -10.0}
    assert by_cuts.chance(seen) == found.chance(seen)
    assert by_cuts.chances["estimate"].equals(found.chances["estimate"])


def test_every_measure_must_be_known(found):
    message = r"goes by crow against target \('crow_cents'\), a number that must be known"
    for asked in (found.stops, found.chance):
        with pytest.raises(CallError, match=message):
            asked({"dynamic_range_db": 12.0})


def test_where_the_measures_tell_nothing_there_is_no_line(two_measures):
    G, ends = two_measures
    learnt = learn(G, np.random.default_rng(2).permutation(ends), None, COSTS)
    assert not learnt.stops_some
    assert not learnt.stops(G).any()
    assert np.isfinite(learnt.chance(G)).all()


def test_where_all_ended_alike_there_is_no_chance(two_measures):
    learnt = learn(two_measures[0], np.ones(6000), None, COSTS)
    assert not learnt.stops_some
    assert np.isnan(learnt.chance(two_measures[0])).all()
    assert not learnt.stops(two_measures[0]).any()


def test_a_way_to_stop_that_is_none(demo_season):
    with pytest.raises(CallError, match=r"no way to stop 'luck'\. Present: chance, cuts"):
        stopping_rule(demo_season, by="luck")


def test_the_picture_shows_the_chance_and_the_line(found):
    ax = found.plot()
    assert ax.get_xlabel() == "chance of a keeper, %"
    lines = {line.get_label(): line.get_xdata() for line in ax.lines}
    assert lines["cut of the rule"][0] == pytest.approx(100 * found.judged.learnt.line)
    kept = found.judged.rows.reeds["good"].to_numpy() == 1
    assert lines["kept"].tolist() == found.chances["estimate"][kept].tolist()
    plt.close(ax.figure)


def test_at_the_line_of_the_rule_the_picture_holds_the_rules_minutes(found):
    stops = found.judged.stops_at(100 * found.judged.learnt.line)
    assert stops.tolist() == (found.chances["rule"] == "stop").tolist()


@pytest.mark.slow
def test_over_seasons_the_intervals_hold_what_the_generator_knows(tmp_path):
    """30 invented seasons: the line, learnt anew in each, against its reeds' true ends.

    95 % less 3 binomial errors of about 28 seasons (12 points).
    """
    held = []
    for seed in range(1, 31):
        demo = simulate_season(seed)
        found = stopping_rule(demo.write(tmp_path / str(seed)), predictors=SEEN, by="chance")
        if found.table["method"].iloc[0] != "spared" or found.rule == "finish every reed":
            continue
        truth, figures = true_figures(found, demo.keepers, by_rule(found)), by_term(found)
        held.append(
            [
                figures.loc[term, "conf_low"] <= truth[term] <= figures.loc[term, "conf_high"]
                for term in ("minutes saved per keeper", "keepers thrown away")
            ]
        )
    rates = np.mean(held, axis=0)
    print(f"{len(held)} seasons; saved minutes, thrown keepers held: {rates}")
    assert len(held) >= 20
    assert (rates >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(held))).all()
