"""Does the interval for a new maker hold the new maker's effect, and the mean's test its level?

Invented studios: every maker's estimate, standard error and degrees of freedom come from a
batch of reeds of tubes through the free Kenward-Roger test, as `fit_mixed(..., bounded=False)`
makes it; the effect in each hand is the mean's plus a draw of its own. Beside it stand the
usual ways: t on k - 2 degrees of freedom, and Hartung and Knapp's test.
"""

import numpy as np
import pandas as pd
import pytest

from reedlab.model.across import across, textbook
from tests.model.test_calibration import _batches, _kenward_roger, _two_levels

pytestmark = pytest.mark.slow

#: Reeds of each tube of a maker: 24 to 60 reeds.
HANDS = ([3] * 8, [4] * 6, [1, 2, 2, 3, 3, 4, 4, 2, 3], [3] * 12, [4] * 15)
SHARES = (0.1, 0.3, 0.5, 0.7)
MAKERS = (4, 8, 12)
#: Between makers, in parts of an effect of one standard deviation of a reed (coefficient 1/2).
SPREADS = (0.0, 0.25, 0.5, 1.0)
STUDIOS = 200
POOL = 1200


@pytest.fixture(scope="module")
def found() -> pd.DataFrame:
    """Estimate, standard error and df of makers without effects, by hand, share and stratum."""
    batches = {}
    for hand, sizes in enumerate(HANDS):
        design = _two_levels([*sizes])
        for share in SHARES:
            tests = _kenward_roger(design, _batches(design, share, POOL, seed=3), bounded=False)
            for stratum, answers in tests.items():
                batches[hand, share, stratum] = np.stack(
                    [answers.estimate, answers.std_error, answers.df]
                )
    rng = np.random.default_rng(21)
    rows = []
    for k in MAKERS:
        for stratum in ("tube", "reed"):
            for spread in SPREADS:
                for number in range(STUDIOS):
                    share = SHARES[number % len(SHARES)]
                    rows.append(_studio(rng, batches, k, share, stratum, spread))
    return pd.DataFrame(rows)


def _studio(rng, batches, k, share, stratum, spread):
    hands = rng.integers(len(HANDS), size=k)
    drawn = [batches[hand, share, stratum][:, rng.integers(POOL)] for hand in hands]
    null, error, df = np.array(drawn).T
    own = 0.5 * spread * rng.standard_normal(k + 1)
    ours = across(null + own[:k], error, df)
    usual = textbook(null + own[:k], error)
    return {
        "makers": k,
        "stratum": stratum,
        "spread": spread,
        "new maker": ours.new_low <= own[k] <= ours.new_high,
        "level": ours.p_value < 0.05,
        "differ": ours.sd_low > 0,
        "spread held": ours.sd_low <= 0.5 * spread <= ours.sd_high,
        "t, k - 2": usual.new_low <= own[k] <= usual.new_high,
        "HKSJ level": not usual.conf_low <= 0 <= usual.conf_high,
    }


def test_the_interval_for_a_new_maker_covers(found):
    table = found.groupby(["spread", "makers", "stratum"]).mean().round(3)
    print(f"\n{len(found)} studios, {STUDIOS} a row; spread between makers in effects")
    print(table.to_string())
    by_spread = found.groupby("spread").mean(numeric_only=True)
    print(by_spread.round(3).to_string())
    differing = found[found["spread"] > 0]
    covered = differing["new maker"].mean()
    print(f"new maker covered, hands differ: {covered:.3f}; all: {found['new maker'].mean():.3f}")
    assert 0.93 <= covered <= 0.97
    # Three standard errors of a rate of 93 % over the studios of a spread.
    error = np.sqrt(0.93 * 0.07 / (len(found) / len(SPREADS)))
    assert by_spread.loc[[0.25, 0.5, 1.0], "new maker"].between(0.93 - 3 * error, 0.97).all()
    # Where all hands are alike it cannot know that they are, and reaches too far.
    assert by_spread.loc[0.0, "new maker"] >= 0.95
    assert differing["spread held"].mean() >= 0.93


def test_the_test_of_the_mean_holds_its_level(found):
    level = found.groupby("spread")["level"].mean()
    # Three standard errors of a rate of 5 % over the studios of a spread.
    assert (level <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / (len(found) / len(SPREADS)))).all()
    assert 0.03 <= found["level"].mean() <= 0.06


def test_hands_that_are_alike_are_rarely_called_different(found):
    alike = found[found["spread"] == 0.0]
    assert alike["differ"].mean() <= 0.06
