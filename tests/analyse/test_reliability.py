"""How well a response repeats itself, beside the finding."""

import numpy as np
import pandas as pd
import pytest

from reedlab import Response
from reedlab.analyse import drivers
from reedlab.analyse.reliability import reliability
from reedlab.errors import CallError
from tests.analyse.build import CROW, KEPT, SHAPE, batch

SOFT = Response("soft", unit="dB")


def tried(values, players=("P1", "P1"), reeds=None, stage="day 1"):
    """One reed a column of `values`, one session a row."""
    rows = []
    for number, (player, readings) in enumerate(zip(players, values, strict=True), start=1):
        for reed, value in enumerate(readings, start=1):
            row = {"reed_id": f"R{reed}", "tube_id": f"T{(reed + 1) // 2}", "soft": value}
            row |= {"session_id": f"S{number}", "player_id": player, "stage": stage}
            rows.append(row | {"trial": number, "shape": "wide" if reed % 2 else "narrow"})
    return pd.DataFrame(rows)


PAIRS = ([1.0, 4, 7, 3, 9, 2], [2.0, 4, 6, 5, 9, 1])


def test_the_repeat_by_mean_squares(study):
    # By hand: E = sum of squared differences / 2n, U = twice the variance of the pairs' means
    # (Bland & Altman 1996, British Medical Journal 313, 744: within-subject SD); share
    # E / (E + (U - E) / 2); limit 2.8 root E.
    told = reliability(study(tried(PAIRS), (SHAPE,), (SOFT,)), "soft")
    first, second = map(np.array, PAIRS)
    within = ((first - second) ** 2).sum() / (2 * 6)
    between = (2 * np.var((first + second) / 2, ddof=1) - within) / 2
    assert told.share == pytest.approx(within / (within + between))
    assert told.conf_low < told.share < told.conf_high
    limit = 2.8 * np.sqrt(within)
    assert f"less than {limit:.3g} dB in 95 of 100" in told.sentence
    assert "(6 reeds tried twice, the change from session to session included)." in told.sentence
    assert (told.n_units, told.same_player, told.poor) == (6, True, False)


def test_several_players_repeats_are_their_own(study):
    # P2 reads 20 dB higher throughout: no part of what either repeats.
    both = [*PAIRS, *(np.array(PAIRS) + 20)]
    rows = tried(both, ("P1", "P1", "P2", "P2"))
    one = reliability(study(tried(PAIRS), (SHAPE,), (SOFT,), "one"), "soft")
    two = reliability(study(rows, (SHAPE,), (SOFT,), "two"), "soft")
    assert two.share == pytest.approx(one.share, rel=0.05)
    assert "6 reeds, 12 times tried twice" in two.sentence


def test_readings_by_two_players_tell_of_both(study):
    told = reliability(study(tried(PAIRS, ("P1", "P2")), (SHAPE,), (SOFT,)), "soft")
    assert told.sentence.startswith(
        "No player tried a reed twice at one stage, so how well soft repeats itself is not known. "
        "Player and repeat together are "
    )
    assert told.sentence.endswith("(6 reeds tried twice).")
    assert not told.same_player
    assert not told.poor


def test_nobody_tried_a_reed_twice(study):
    told = reliability(study(tried(PAIRS[:1], ("P1",)), (SHAPE,), (SOFT,)), "soft")
    assert told.sentence == (
        "No player tried a reed twice at one stage, so how well soft repeats itself is not known."
    )
    assert np.isnan(told.share)


def test_stages_are_no_repeats(study):
    rows = pd.concat([tried(PAIRS[:1], ("P1",)), tried(PAIRS[1:], ("P1",), stage="day 7")])
    assert reliability(study(rows, (SHAPE,), (SOFT,)), "soft").n_units == 0


def test_readings_that_never_differ(study):
    told = reliability(study(tried([[3.0] * 6] * 2), (SHAPE,), (SOFT,)), "soft")
    assert told.sentence == (
        "soft: what was read more than once does not differ (6 reeds tried twice)."
    )


def test_what_is_recorded_once_a_reed_has_none(study):
    rows = batch().assign(kept=np.resize([True, False, False], 24))
    rows["fate"] = np.where(rows["kept"], "kept", "discarded")
    made = study(rows.drop(columns="kept"), responses=(CROW, KEPT))
    assert reliability(made, "crow") is None
    assert drivers(made, "crow", ["gouge"]).reliability is None
    with pytest.raises(CallError, match="There is no response 'crows'"):
        reliability(made, "crows")


def test_drivers_show_it_and_warn_where_the_repeat_is_half_of_all(study):
    noisy = study(tried(([1.0, 4, 3, 3, 2, 2], [3.0, 2, 1, 4, 4, 1])), (SHAPE,), (SOFT,), "noisy")
    found = drivers(noisy, "soft")
    assert found.reliability.poor
    assert found.reliability.sentence in found.cautions
    steady = drivers(study(tried(PAIRS), (SHAPE,), (SOFT,), "steady"), "soft")
    assert steady.reliability.sentence not in steady.cautions
    assert steady.reliability == reliability(study(tried(PAIRS), (SHAPE,), (SOFT,)), "soft")


def test_the_demo(demo_batch, demo_season):
    told = reliability(demo_batch, "rating_overall")
    assert (told.n_units, told.same_player) == (24, True)
    assert reliability(demo_season, "crow_cents").n_units > 100
