"""Does the interval of an adjusted keep rate hold the share that the cane would give?

Invented batches of 24 and 48 reeds, kept at 10 to 40 in a hundred by gouge (of tubes) or
shape (of reeds); what decides is a normal quantity of which a share lies between tubes.
"""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from reedlab.analyse.effects import fit_factors
from reedlab.analyse.frame import Frame
from reedlab.analyse.keep_by_level import level_shares, places
from reedlab.analyse.strata import judged
from reedlab.errors import ModelError
from tests.analyse.build import GOUGE, KEPT, SHAPE, reeds_of

BATCHES = 90
SURE = 1.645


def measured(tubes, per_tube, share, factor, apart):
    rng = np.random.default_rng([tubes, per_tube, round(10 * share), round(10 * apart)])
    rows = reeds_of(tubes, per_tube)
    tube, place = np.repeat(np.arange(tubes), per_tube), np.tile(np.arange(per_tube), tubes)
    rows["gouge"] = np.where(tube % 2, 1.3, 1.25)
    rows["shape"] = np.where((tube // 2 + place) % 2, "wide", "narrow")
    high = rows[factor.name].isin([1.3, "wide"]).to_numpy()
    chance = 0.25 + np.where(high, apart, -apart) / 2
    nothing = pd.DataFrame(columns=["file", "row", "fault"])
    held = []
    for _ in range(BATCHES):
        latent = np.sqrt(share) * rng.normal(size=tubes)[tube]
        latent = latent + np.sqrt(1 - share) * rng.normal(size=len(tube))
        kept = (latent < norm.ppf(chance)).astype(float)
        try:
            frame = Frame(KEPT, (GOUGE, SHAPE), rows.assign(kept=kept), nothing, ())
            frame, chosen = judged(frame)
            fit, frame = fit_factors(frame, chosen)
        except ModelError:
            continue
        table = level_shares(fit, frame, factor, places(factor, frame))
        truth = np.array([0.25 - apart / 2, 0.25 + apart / 2])
        held.append((table["conf_low"] <= truth) & (truth <= table["conf_high"]))
        assert table["conf_low"].min() >= 0
        assert table["conf_high"].max() <= 1
    low, high_level = np.mean(held, axis=0)
    return f"{tubes} x {per_tube}", share, factor.name, apart, len(held), low, high_level


@pytest.mark.slow
def test_intervals_of_adjusted_keep_rates_cover():
    rows = [
        measured(tubes, per_tube, share, factor, apart)
        for tubes, per_tube in ((8, 3), (12, 4))
        for share in (0.0, 0.7)
        for factor, apart in ((GOUGE, 0.3), (SHAPE, 0.0))
    ]
    names = ["reeds", "share", "factor", "apart", "batches", "low", "high"]
    table = pd.DataFrame(rows, columns=names)
    print("\nAdjusted keep rate: share of intervals that hold the truth, low and high level:")
    print(table.round(3).to_string(index=False))
    room = SURE * np.sqrt(0.93 * 0.07 / table["batches"])
    assert (table["low"] >= 0.93 - room).all()
    assert (table["high"] >= 0.93 - room).all()
    assert table[["low", "high"]].to_numpy().mean() >= 0.94
