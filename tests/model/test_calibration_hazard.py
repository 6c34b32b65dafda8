"""Do effects on how long reeds last hold their level where tubes are few?

Invented seasons of 30 reeds from 12 tubes, about half of them worn out and the rest still in
use, without an effect. The table that `pytest -m slow -s` prints sets the test of fit_cox
beside the likelihood ratio that takes all reeds as independent, and the usual robust variance
(statsmodels' PHReg with groups) with its normal test.
"""

import numpy as np
import pandas as pd
import pytest
from statsmodels.duration.hazard_regression import PHReg

from reedlab.model.hazard import fit_cox
from reedlab.model.survival import survival_curve

pytestmark = pytest.mark.slow

TUBES, REEDS = 12, 30
#: Variance of the tubes' log hazards: none, and much.
FRAILTIES = (0.0, 0.7)
SEASONS, SEASONS_ROBUST, SEASONS_COVER = 450, 60, 250
#: A Weibull law's shape, as of a gamma law of shape 3, and its scale in hours.
SHAPE, SCALE = 1.8, 25.0
ONE = np.ones(1)


def levels(rng, kind, tube):
    """Levels of a factor: of reeds, of half of the tubes or a quarter, or a number of the tube."""
    if kind == "reed":
        return rng.permutation(REEDS) % 2.0
    if kind == "tube number":
        return rng.normal(size=TUBES)[tube]
    share = {"tube": TUBES // 2, "few tubes": TUBES // 4}[kind]
    return 1.0 * (rng.permutation(TUBES) < share)[tube]


def simulated(rng, frailty, kind="reed", effect=0.0):
    tube = np.r_[np.arange(TUBES), rng.integers(TUBES, size=REEDS - TUBES)]
    x = levels(rng, kind, tube)
    pace = np.exp(rng.normal(0, np.sqrt(frailty), TUBES)[tube] + effect * x)
    lasts = SCALE * (rng.exponential(size=REEDS) / pace) ** (1 / SHAPE)
    followed = rng.uniform(3, 45, REEDS)
    hours = np.ceil(2 * np.minimum(lasts, followed)) / 2
    return pd.DataFrame({"hours": hours, "x": x, "out": lasts <= followed}), tube


def robust_rejects(data, tube):
    model = PHReg(data["hours"], data[["x"]], data["out"].astype(float), ties="efron")
    with np.errstate(all="ignore"):  # its optimiser strays where few are worn out
        fit = model.fit(groups=tube)
    return abs(fit.params[0] / fit.bse[0]) > 1.96


def test_null_seasons_are_rarely_called_effects():
    print(f"\n{'factor':>12} frailty  events  tubes  as reeds  robust")
    for kind in ("reed", "tube", "few tubes", "tube number"):
        for frailty in FRAILTIES:
            rng = np.random.default_rng(20)
            judged, as_reeds, robust, events = [], [], [], []
            for season in range(SEASONS):
                data, tube = simulated(rng, frailty, kind)
                fit = fit_cox("hours ~ x", data, "out")
                judged.append(fit.test("x", tube).p_value < 0.05)
                as_reeds.append(fit.test("x").p_value < 0.05)
                events.append(data["out"].sum())
                if season < SEASONS_ROBUST and not fit.infinite:
                    robust.append(robust_rejects(data, tube))
            rate = np.mean(judged)
            print(
                f"{kind:>12} {frailty:7.1f} {np.mean(events):7.1f} {rate:6.3f} "
                f"{np.mean(as_reeds):9.3f} {np.mean(robust):7.3f}"
            )
            # 6 % and two standard errors of a rate of 450 seasons.
            assert rate < 0.06 + 2 * np.sqrt(0.06 * 0.94 / SEASONS)
            if frailty and kind != "reed":
                assert np.mean(as_reeds) > rate + 0.02


@pytest.mark.parametrize("kind", ["reed", "tube"])
def test_intervals_hold_the_effect(kind):
    """The ratio of reeds alike in tube; where tubes differ that of all reeds is nearer to 1."""
    rng, effect = np.random.default_rng(21), np.log(2.5)
    inside, found = [], []
    for _ in range(SEASONS_COVER):
        data, tube = simulated(rng, 0.0, kind, effect)
        _, low, high = fit_cox("hours ~ x", data, "out").contrast(ONE, tube)
        inside.append(low <= effect <= high)
        found.append(low > 0)
    print(f"\n{kind}: covers {np.mean(inside):.3f}, found {np.mean(found):.3f}")
    assert np.mean(inside) > 0.95 - 2.5 * np.sqrt(0.95 * 0.05 / SEASONS_COVER)


def test_intervals_of_the_median_hold_it():
    print("\nfrailty  covers  as reeds  bounded")
    for frailty in FRAILTIES:
        rng = np.random.default_rng(22)
        paces = np.exp(np.random.default_rng(1).normal(0, np.sqrt(frailty), 200_000))
        draws = np.random.default_rng(2).exponential(size=200_000)
        truth = np.median(SCALE * (draws / paces) ** (1 / SHAPE))
        inside, bounded, alone = [], [], []
        for _ in range(700):
            data, tube = simulated(rng, frailty)
            rows = (data["hours"], data["out"].to_numpy())
            _, low, high = survival_curve(*rows, groups=tube).median()
            # Hours are written down in halves, rounded up.
            inside.append(low - 0.5 <= truth <= high)
            _, low_alone, high_alone = survival_curve(*rows).median()
            alone.append(low_alone - 0.5 <= truth <= high_alone)
            bounded.append(np.isfinite(high))
        print(
            f"{frailty:7.1f} {np.mean(inside):7.3f} {np.mean(alone):9.3f} {np.mean(bounded):8.3f}"
        )
        assert np.mean(inside) > 0.95 - 2.5 * np.sqrt(0.95 * 0.05 / 700)
