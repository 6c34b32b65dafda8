"""How often a steady season gives an alarm, and how often a step of known size is found.

Seasons have tubes, reeds and sessions that differ; nothing drifts, but tubes are used up
one after the other, so that neighbouring points share their cane.
"""

import numpy as np
import pytest

from reedlab.analyse.drift_chart import chart
from reedlab.analyse.drift_frame import DAYS
from reedlab.analyse.drift_rows import TREND, TREND_DAYS, _fitted
from reedlab.model import steady
from reedlab.schema import Factor
from tests.analyse.seasons import CROW, KEPT, as_dated, reeds_in_turn, trials_in_turn, varied

SEASONS = 120
#: Level of the hidden score of a kept reed: a quarter are kept.
BAR = 0.6745


def crow_season(rng, step=0.0):
    rows = trials_in_turn(rng)
    late = rows["day"] >= rows["day"].max() / 2
    return as_dated(rows.assign(crow=varied(rng, rows) + step * late), CROW, 7), "session"


def kept_season(rng, step=0.0):
    rows = reeds_in_turn(rng)
    score = varied(rng, rows, {"tube_id": 0.25, "residual": 0.75})
    late = rows["day"] >= rows["day"].max() / 2
    return as_dated(rows.assign(kept=(score + step * late > BAR) * 1.0), KEPT, 14), "reed"


def signs(season, seeds, step=0.0):
    """Share of seasons with a point outside, a change point, a trend."""
    found = []
    for seed in seeds:
        rows, stratum = season(np.random.default_rng(seed), step)
        made = chart(rows)
        trend = Factor(DAYS, (), stratum, "days", TREND, "numeric", TREND_DAYS)
        table, _ = _fitted(rows.frame, [trend])
        p_value = table["p_value"].iloc[0]
        found.append((made.limits.outside.any(), made.step.p_value < 0.05, p_value < 0.05))
        assert made.limits.outside.any() == (made.limits.p_value < 0.05)
    return np.mean(found, axis=0)


@pytest.fixture(autouse=True)
def fewer_draws(monkeypatch):
    """Five thousand draws a season: limits are then known to 0.3 points."""
    monkeypatch.setattr(steady, "MOST_NUMBERS", 480_000)


@pytest.mark.slow
@pytest.mark.parametrize("season", [crow_season, kept_season])
def test_false_alarms_of_a_steady_season(season):
    levels = signs(season, range(9000, 9000 + SEASONS))
    print(f"\n{SEASONS} steady seasons, {season.__name__}: chart, step, trend {levels.round(3)}")
    # Nominal 5 %; three standard errors of a rate of 5 % in so many seasons.
    assert (levels <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / SEASONS)).all()


@pytest.mark.slow
def test_a_step_of_one_standard_deviation_is_found():
    found = signs(crow_season, range(9500, 9525), step=1.0)
    print(f"\n25 seasons with a step of 1 sd in the middle: chart, step, trend {found.round(2)}")
    # Of these seasons 0.88 were measured; fewer than 0.6 would be a loss of power.
    assert (found[:2] >= 0.6).all()
