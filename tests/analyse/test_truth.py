"""Is the truth found? Invented studies know what made their numbers.

In a season gouge, density and humidity move the crow; wires do nothing, but tight ones went
mostly on dense cane, so that a plain comparison of tight and normal wires is fooled.
"""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_ind

from reedlab.analyse import drivers
from reedlab.demo import TRUTH, simulate_batch, simulate_season

DRIVE_THE_CROW = ["density_kg_m3", "gouge_centre_mm", "relative_humidity_pct"]


def plain_comparison(study):
    """P value of the t test of tight against normal wires on the reeds' mean crow."""
    tests = study.tables["tests"].dropna(subset=["crow_cents"])
    reeds = study.tables["reeds"].set_index("reed_id")["wire_tension"]
    means = tests.groupby("reed_id")["crow_cents"].mean()
    tight = reeds.loc[means.index] == "tight"
    return ttest_ind(means[tight.to_numpy()], means[~tight.to_numpy()]).pvalue


def looked_at(simulate, seeds, folder, response):
    """One row a seed and factor: the truth, the test, whether the interval holds the truth."""
    parts = []
    for seed in seeds:
        study = simulate(seed).write(folder / str(seed))
        table = drivers(study, response).table
        truth = np.array([TRUTH.effect(response, term) for term in table["term"]])
        held = (table["conf_low"] <= truth) & (truth <= table["conf_high"])
        rows = table[["term", "estimate", "p_value", "p_adjusted"]]
        rows = rows.assign(truth=truth, held=held, found=table["p_value"] < 0.05)
        parts.append(rows.assign(naive=plain_comparison(study) < 0.05))
    return pd.concat(parts, ignore_index=True)


def by_term(rows):
    corrected = rows.assign(corrected=rows["p_adjusted"] < 0.05)
    shown = corrected.groupby("term", sort=False)
    return shown[["truth", "estimate", "held", "found", "corrected"]].mean()


def test_the_demo_season_gives_its_drivers_and_not_the_confounded_one(found_season, demo_season):
    assert sorted(found_season.drivers["crow_cents"].strong) == DRIVE_THE_CROW
    range_of = found_season.drivers["dynamic_range_db"].strong
    assert "shape" in range_of
    assert TRUTH.confounded not in {t for a in found_season.drivers.values() for t in a.strong}
    assert plain_comparison(demo_season) < 0.05


def test_the_truth_is_found_in_a_dozen_seasons(tmp_path):
    rows = looked_at(simulate_season, range(101, 113), tmp_path, "crow_cents")
    table = by_term(rows)
    assert (table.loc["gouge_centre_mm", "corrected"]) == 1
    assert (table.loc[DRIVE_THE_CROW, "found"] >= 10 / 12).all()
    # Twelve seasons at 5 %: more than three would come once in 450 times.
    assert table.loc[TRUTH.confounded, "found"] <= 3 / 12
    assert table.loc[TRUTH.confounded, "corrected"] == 0
    assert rows[rows["term"] == TRUTH.confounded]["naive"].mean() >= 0.75
    assert table.loc[DRIVE_THE_CROW, "held"].mean() >= 0.85
    assert table["held"].mean() >= 0.9


@pytest.mark.slow
def test_levels_and_coverage_over_a_hundred_seasons(tmp_path):
    rows = looked_at(simulate_season, range(1000, 1100), tmp_path, "crow_cents")
    table = by_term(rows)
    naive = rows[rows["term"] == TRUTH.confounded]["naive"].mean()
    print(f"\n100 invented seasons, crow in cents\n{table.round(3)}")
    print(f"plain t test calls the wires a driver: {naive:.2f}")
    nothing = table[table["truth"] == 0]
    # Monte-Carlo error of one rate of 5 % in 100 is 2.2 points; of the mean of seven, 0.8.
    assert nothing["found"].mean() <= 0.05 + 2 * 0.0082
    assert table.loc[TRUTH.confounded, "found"] <= 0.05 + 1.645 * 0.0218
    assert naive >= 0.7
    assert (table.loc[DRIVE_THE_CROW, "found"] >= 0.9).all()
    assert 0.93 <= table["held"].mean() <= 0.97
    assert (table["held"] >= 0.88).all()
    # No estimate leans: the mean of 100 lies within three of its standard errors of the truth.
    spread = rows.groupby("term", sort=False)["estimate"].std() / 10
    assert ((table["estimate"] - table["truth"]).abs() < 3 * spread).all()


@pytest.mark.slow
@pytest.mark.parametrize("response", ["crow_cents", "dynamic_range_db"])
def test_levels_and_coverage_over_two_hundred_batches(tmp_path, response):
    rows = looked_at(simulate_batch, range(2000, 2200), tmp_path, response)
    table = by_term(rows)
    print(f"\n200 invented batches of 8 tubes x 3 reeds, {response}\n{table.round(3)}")
    # Monte-Carlo error of 95 % in 200 is 1.5 points.
    assert (table["held"] >= 0.95 - 2 * 0.0154).all()
    assert (table.loc[table["truth"] == 0, "found"] <= 0.05 + 2 * 0.0154).all()
    spread = rows.groupby("term", sort=False)["estimate"].std() / np.sqrt(200)
    assert ((table["estimate"] - table["truth"]).abs() < 3 * spread).all()
