"""What a rule does when some were stopped early: by hand, at the edges, and its coverage."""

import numpy as np
import pytest
from scipy.special import expit
from scipy.stats import beta

from reedlab.errors import CallError
from reedlab.model.early_stops import METHODS, early_stops


def counts(good_carried, bad_carried, good_spared, bad_spared, stopped):
    """A rule that was in use: all that it stops are stopped or spared, each its own group."""
    n = (good_carried, bad_carried, good_spared, bad_spared, stopped)
    fate = np.repeat(["finished", "finished", "spared", "spared", "stopped"], n)
    good = np.repeat([1.0, 0, 1, 0, np.nan], n)
    verdict = np.repeat([False, False, True, True, True], n)
    return early_stops(verdict, fate, good, np.arange(sum(n)))


def test_by_hand():
    """30 + 20 carried on; of 50 to be stopped 10 were spared, 2 of them good: 10 in all."""
    found = counts(30, 20, 2, 8, 40)
    spared = found.estimate("spared")
    assert spared.stopped[0] == pytest.approx(0.5)
    assert spared.good[0] == pytest.approx(0.4)
    assert spared.lost_of_good[0] == pytest.approx(10 / 40)
    # Here stopping depends on the verdict alone, so that Begg and Greenes' figure is the same.
    assert found.estimate("Begg & Greenes").lost_of_good[0] == pytest.approx(10 / 40)
    assert found.estimate("naive").lost_of_good[0] == pytest.approx(2 / 32)
    assert found.spared == 10


def test_begg_and_greenes_are_those_of_the_published_study():
    """Hepatic scintigraphy: what the test misses is 1 - sensitivity, 1 - 0.836467."""
    n = (231, 32, 166, 27, 54, 140)
    fate = np.repeat(["finished", "finished", "stopped"] * 2, n)
    good = np.repeat([1, 0, np.nan] * 2, n)
    missed = np.repeat([False] * 3 + [True] * 3, n)
    found = early_stops(missed, fate, good, np.arange(sum(n)))
    share = found.estimate("Begg & Greenes").lost_of_good[0]
    assert share == pytest.approx(1 - 0.836467, abs=1e-6)
    # Independent things: the spread of the draws is the published standard error, 0.024498.
    assert found.draws("Begg & Greenes").lost_of_good.std() == pytest.approx(0.0245, rel=0.05)


def test_with_everything_finished_all_methods_agree():
    rng = np.random.default_rng(1)
    good = (rng.random(60) < 0.4).astype(float)
    found = early_stops(rng.random(60) < 0.3, np.repeat("finished", 60), good, np.arange(60))
    shares = [found.estimate(method) for method in METHODS]
    for name in ("stopped", "good", "lost"):
        assert len({round(float(getattr(each, name)[0]), 12) for each in shares}) == 1


def test_single_things_give_jeffreys_interval():
    """None of 12 good ones lost: the draws are Beta(0.5, 12.5) (Brown, Cai & DasGupta 2001)."""
    fate, good = np.repeat("finished", 24), np.repeat([1.0, 0.0], 12)
    found = early_stops(np.repeat([False, True], 12), fate, good, np.arange(24))
    drawn = found.draws("spared").lost_of_good
    assert np.quantile(drawn, 0.975) == pytest.approx(beta.ppf(0.975, 0.5, 12.5), rel=0.06)


def test_groups_that_go_together_make_wider_intervals():
    rng = np.random.default_rng(4)
    good = np.repeat(rng.random(12) < 0.5, 8).astype(float)
    verdict = np.repeat(rng.random(12) < 0.5, 8)
    fate = np.repeat("finished", 96)
    widths = [
        np.ptp(
            np.quantile(early_stops(verdict, fate, good, groups).draws("spared").good, [0.1, 0.9])
        )
        for groups in (np.arange(96), np.repeat(np.arange(12), 8))
    ]
    assert widths[1] > 1.8 * widths[0]


def test_the_same_seed_draws_the_same():
    found = counts(30, 20, 2, 8, 40)
    one, again, other = (found.draws("spared", seed).lost for seed in (3, 3, 4))
    assert (one == again).all()
    assert (one != other).any()


def test_without_spared_ones_nothing_is_known_of_the_stopped():
    found = counts(30, 20, 0, 0, 50)
    assert np.isnan(found.estimate("spared").lost[0])
    assert np.isnan(found.estimate("Begg & Greenes").lost[0])
    low, high = np.quantile(found.draws("spared").lost_of_good, [0.025, 0.975])
    assert low < 0.05
    assert high > 0.55


def test_calls_that_cannot_be():
    one = np.array([True])
    with pytest.raises(CallError, match=r"A fate is one of finished, spared, stopped; not 'lost'"):
        early_stops(one, np.array(["lost"]), np.ones(1), one)
    with pytest.raises(CallError, match="it must be known whether it ended well"):
        early_stops(one, np.array(["finished"]), np.array([np.nan]), one)
    with pytest.raises(CallError, match="There is no method 'bootstrap'; choose spared, Begg"):
        counts(3, 3, 1, 1, 3).estimate("bootstrap")


def season(rng, tubes, spared=0.1, by_rule=False):
    """Tubes of 4: what is measured at the stage, what became of it, whether it is good.

    Later stops depend on what is measured later; `by_rule` stops below -0.2 and nowhere else.
    """
    tube = np.repeat(np.arange(tubes), 4)
    x = 0.6 * rng.normal(size=tubes)[tube] + 0.8 * rng.normal(size=len(tube))
    later = 0.7 * x + 0.7 * rng.normal(size=len(tube))
    own = 0.7 * rng.normal(size=tubes)[tube]
    good = rng.random(len(tube)) < expit(-0.6 + 1.2 * x + 0.8 * later + own)
    early = rng.random(len(tube)) < expit(-1 - 2 * x)
    early |= rng.random(len(tube)) < expit(-2 - 2 * later)
    if by_rule:
        early = x < -0.2
    kept_on = early & (rng.random(len(tube)) < spared)
    fate = np.where(early, np.where(kept_on, "spared", "stopped"), "finished")
    return x, fate, good, tube


@pytest.mark.slow
def test_the_corrected_share_covers_the_truth_and_the_naive_one_does_not():
    """Share of good ones that a rule stops, with one in ten spared: 8 kinds of season.

    250 seasons a kind: the corrected interval must hold the truth in 93 to 97 % of all 2000,
    and in each kind within that give or take 2 binomial errors (counts are whole: with few
    spared good ones no interval comes nearer).
    """
    rng, seasons, rates = np.random.default_rng(20), 250, []
    for by_rule in (True, False):
        x, _, good, _ = season(rng, 50_000, by_rule=by_rule)
        for cut in (-0.6, -0.2):
            truth = ((x < cut) & good).sum() / good.sum()
            for tubes in (60, 120):
                hits, naive_hits, naive = 0, 0, []
                for _ in range(seasons):
                    x_, fate, good_, tube = season(rng, tubes, by_rule=by_rule)
                    ends = np.where(fate == "stopped", np.nan, good_)
                    found = early_stops(x_ < cut, fate, ends, tube)
                    low, high = _limits(found.draws("spared", rng).lost_of_good)
                    hits += low <= truth <= high
                    low, high = _limits(found.draws("naive", rng).lost_of_good)
                    naive_hits += low <= truth <= high
                    naive.append(found.estimate("naive").lost_of_good[0])
                rate = hits / seasons
                rates.append(rate)
                print(
                    f"by rule {by_rule!s:5} cut {cut} tubes {tubes:3}: truth {truth:.3f}, "
                    f"naive {np.mean(naive):.3f} covers {naive_hits / seasons:.1%}, "
                    f"spared covers {rate:.1%}"
                )
                error = np.sqrt(0.95 * 0.05 / seasons)
                assert 0.93 - 2 * error <= rate <= 0.97 + 2 * error
                assert np.mean(naive) < 0.65 * truth
                assert naive_hits / seasons < 0.8
    print(f"all kinds: {np.mean(rates):.1%}")
    assert 0.93 <= np.mean(rates) <= 0.97


def _limits(drawn):
    return np.quantile(drawn, [0.025, 0.975])
