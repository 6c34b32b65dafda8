"""Does adjusting hold its level where reeds are adjusted because they were bad?

Invented seasons of 60 reeds from 15 tubes, in which every reed that seemed bad is adjusted,
by the mean of all that was seen of it. A plain before and after finds an effect in most
of them when there is none; the corrected effect must not, and must find a true one.
"""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm, ttest_1samp

from reedlab.analyse import adjusting
from reedlab.analyse.adjusting_effects import judge
from reedlab.analyse.adjusting_pairs import Pairs
from reedlab.analyse.adjusting_rows import _adjusted_earlier, _paired
from tests.analyse.adjusted import BAD, GAP, SESSION, TEST, adjusted_study, named, season

pytestmark = pytest.mark.slow


def as_pairs(tests, done):
    """Return what a study of these tests would give, without writing one."""
    tests, done = named(tests, done)
    held = tests.rename(columns={"gap": "value"})
    held = held.sort_values(["reed_id", "session_id"], ignore_index=True)
    data = _paired(held, []).assign(drawn=0.0)
    here = held.reset_index().merge(done, on=["reed_id", "session_id"])["index"] + 1
    kinds = {"kind": "scrape", "row": 0, "step": 1, "amount": np.nan, "amount_unit": None}
    done = pd.DataFrame({"pair": here[here.isin(data.index)], **kinds, "by_chance": False})
    data["adjusted"] = _adjusted_earlier(data, done)
    left_out = pd.DataFrame(columns=["file", "row", "fault"])
    return Pairs(GAP, data, done, left_out, (), "adjustments.csv")


def trial(seasons, seed, effect=0.0, **more):
    """Rates of rejection and coverage, and the means of plain and corrected errors."""
    rng, rows = np.random.default_rng(seed), []
    for _ in range(seasons):
        pairs = as_pairs(*season(rng, effect=effect, **more))
        row, own = judge(pairs).table.iloc[0], pairs.of("scrape")
        change = own["after"] - own["before"]
        rows.append(
            {
                "plain rejects": ttest_1samp(change, 0).pvalue < 0.05,
                "rejects": row["p_value"] < 0.05,
                "covers": row["conf_low"] <= effect <= row["conf_high"],
                "plain error": change.mean() - effect,
                "error": row["estimate"] - effect,
            }
        )
    found = pd.DataFrame(rows).astype(float)
    print(f"\n{seasons} seasons, effect {effect}, {more}\n{found.mean().round(3).to_string()}")
    return found


def test_a_plain_before_and_after_finds_what_is_not_there_and_adjusting_does_not():
    found = trial(400, seed=11)
    assert found["plain rejects"].mean() > 0.5
    # 5 % of 400 seasons has a binomial standard error of 1.1 points.
    assert 0.025 <= found["rejects"].mean() <= 0.075
    assert abs(found["error"].mean()) < 3.5 * found["error"].std() / 400**0.5
    assert found["plain error"].mean() < -0.25


def test_a_true_effect_is_found_and_covered():
    found = trial(150, seed=12, effect=-0.7)
    # Binomial standard error 1.8 points.
    assert found["covers"].mean() >= 0.91
    assert found["rejects"].mean() > 0.75
    assert abs(found["error"].mean()) < 3.5 * found["error"].std() / 150**0.5


def test_plain_changes_of_the_bad_follow_the_formula_of_regression_to_the_mean():
    """Barnett, van der Pols & Dobson (2005): var_within / sd_total · φ(z) / (1 − Φ(z))."""
    rng, changes = np.random.default_rng(13), []
    for _ in range(300):
        tests, done = season(rng, stages=2, fuzzy=0.0)
        gap = tests.pivot_table(index="reed", columns="stage", values="gap")
        bad = gap.loc[done.loc[done["stage"] == 0, "reed"]]
        changes.append((bad[1] - bad[0]).to_numpy())
    expected = -(SESSION + TEST) * norm.pdf(BAD) / norm.sf(BAD)
    # 300 seasons of some 18 bad reeds, whose changes share their sessions.
    assert np.concatenate(changes).mean() == pytest.approx(expected, abs=0.04)


def test_whole_studies_without_an_effect_are_told_to_have_none(tmp_path):
    rng, found = np.random.default_rng(14), []
    for number in range(8):
        study = adjusted_study(tmp_path / str(number), *named(*season(rng)))
        found.append(adjusting(study, "gap").kinds.iloc[0])
    table = pd.DataFrame(found)
    assert (table["p_value"] < 0.05).sum() <= 2
    assert (table["plain_high"] < 0).sum() >= 3
    assert (table["estimate"] > table["plain_change"]).all()
