"""Kept or discarded by the plan's own shuffle: levels reached, and how often intervals cover.

Invented batches of 24 and 48 reeds, a quarter kept. What decides is a normal quantity of
which a share lies between tubes; one factor belongs to the tubes, one to the reeds.
"""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from reedlab.model.plot_interval import half_width
from reedlab.model.randomisation import randomisation
from reedlab.model.shuffles import Shuffles

LAYOUTS = ((8, 3), (16, 3), (12, 4))
SHARES = (0.0, 0.3, 0.7)
RATE = 0.25
#: Batches of each kind without an effect and with one of 20 points.
NULL, APART = 350, 120
DRAWS = 999
SURE = 1.645


def simulated(tubes, per_tube, share, count, which="", apart=0.0):
    """The plan's columns, its tubes and fates of many batches, shape (n, count)."""
    rng = np.random.default_rng([tubes, per_tube, round(10 * share), len(which)])
    tube, place = np.repeat(np.arange(tubes), per_tube), np.tile(np.arange(per_tube), tubes)
    # Of three reeds either two or one get the second shape, evenly over the gouges.
    columns = {"tube": (tube % 2) * 1.0, "reed": ((tube // 2 + place) % 2) * 1.0}
    high = columns.get(which, np.zeros(len(tube)))
    chance = RATE + np.where(high > 0, apart, -apart) / 2 if which else np.full(len(tube), RATE)
    latent = np.sqrt(share) * rng.normal(size=(count, tubes))[:, tube]
    latent = latent + np.sqrt(1 - share) * rng.normal(size=(count, len(tube)))
    return columns, tube, ((latent < norm.ppf(chance)) * 1.0).T


def measured(tubes, per_tube, share, count, which="", apart=0.0):
    columns, tube, fates = simulated(tubes, per_tube, share, count, which, apart)
    varying = fates[:, fates.min(axis=0) < fates.max(axis=0)]
    found = randomisation(varying, columns, Shuffles(tube, tube * 0), draws=DRAWS)
    rows = []
    for term in [which] if which else columns:
        truth = apart if term == which else 0.0
        for batch in range(varying.shape[1]):
            test = found.test(term, batch)
            shift = found.shift(term, response=batch, mid=test.mid)
            half = half_width(found.responses[batch], term)
            low = min(shift.conf_low, shift.estimate - half)
            high = max(shift.conf_high, shift.estimate + half)
            held = low - 1e-9 <= truth <= high + 1e-9
            width = min(high, 1) - max(low, -1)
            rows.append((term, test.p_value < 0.05, held, width, test.level))
    table = pd.DataFrame(rows, columns=["term", "called", "held", "width", "level"])
    by = table.groupby("term", sort=False)
    return pd.DataFrame(
        {
            "reeds": f"{tubes} x {per_tube}",
            "share": share,
            "apart": apart,
            "batches": by.size(),
            # A batch of which all or none are kept finds nothing.
            "called": by["called"].sum() / count,
            "covers": by["held"].mean(),
            "width": by["width"].mean(),
            "to be had": by["level"].mean(),
        }
    ).reset_index()


def shown(table):
    text = table.copy()
    for name in text.columns.intersection(["called", "covers", "width", "to be had"]):
        text[name] = (100 * text[name]).map("{:.1f}".format)
    return text.to_string(index=False)


@pytest.mark.slow
def test_null_batches_are_never_called_too_often_and_intervals_cover():
    parts = [measured(*layout, share, NULL) for layout in LAYOUTS for share in SHARES]
    null = pd.concat(parts, ignore_index=True)
    print("\nNo effect; percent of batches, width in points, and the level that the set allows:")
    print(shown(null))
    allowed = 0.055 + SURE * np.sqrt(0.055 * 0.945 / null["batches"])
    assert (null["called"] <= allowed).all(), shown(null[null["called"] > allowed])
    assert null["called"].mean() <= 0.05
    # What can be reached of 5 % is: only few tubes, alike by chance, leave little to be had.
    assert (null["called"] >= null["to be had"] - 0.03).all()
    assert null.loc[null["reeds"] != "8 x 3", "called"].mean() > 0.025
    assert (null["covers"] >= 0.95 - SURE * np.sqrt(0.05 * 0.95 / null["batches"])).all()


@pytest.mark.slow
def test_intervals_cover_a_true_difference():
    found = pd.concat(
        [
            measured(*layout, share, APART, which, 0.2)
            for which in ("tube", "reed")
            for layout in LAYOUTS
            for share in SHARES
        ],
        ignore_index=True,
    )
    print("\n20 points apart; percent of batches, width in points:")
    print(shown(found.drop(columns="to be had")))
    room = SURE * np.sqrt(0.93 * 0.07 / found["batches"])
    assert (found["covers"] >= 0.93 - room).all(), shown(found)
    assert found["covers"].mean() >= 0.94
