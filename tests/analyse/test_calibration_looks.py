"""Do findings of whole seasons hold their error rate, where everything is looked at?

500 invented seasons of 120 reeds from 30 tubes, 10 factors (five of tubes, five of reeds, and
those of a stratum go together) and 9 responses that go together within tubes and within
reeds: 90 tests a season. P values are those of the engine behind `drivers` (the first test
shows that they are), what stands is decided by `weighed`, as in `looks` and `season`.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest

from reedlab.analyse import drivers, looks
from reedlab.analyse.exploration import LEVEL, weighed
from reedlab.model.comparisons import holm
from reedlab.schema import Factor, Response
from tests.analyse.build import reeds_of
from tests.model.test_calibration import Design, _kenward_roger

pytestmark = pytest.mark.slow

SEASONS = 500
#: Seasons that share one layout of factors; the engine fits their responses at once.
TOGETHER = 25
TUBES, REEDS, FACTORS, RESPONSES = 30, 4, 10, 9
#: Correlation of factors of a stratum, and of responses within tubes and within reeds.
ALIKE = 0.5
#: Share of a response's variance between tubes.
SHARE = 0.4
#: In a season with effects: how many of the 90, and how large, in standard deviations of the
#: response for one of the factor.
EFFECTS, SIZE = 6, 0.6
QUESTION = np.repeat(np.arange(RESPONSES), FACTORS)


@dataclass(frozen=True)
class Seasons:
    """P values and truths, shape (seasons, 90): factors within responses."""

    p_values: np.ndarray
    true: np.ndarray


def _together(rng, rows, columns):
    """Normal deviates whose columns go together."""
    shared = rng.normal(size=(rows, 1))
    return np.sqrt(ALIKE) * shared + np.sqrt(1 - ALIKE) * rng.normal(size=(rows, columns))


def _layout(rng):
    tube = np.repeat(np.arange(TUBES), REEDS)
    half = FACTORS // 2
    levels = np.hstack(
        [_together(rng, TUBES, half)[tube], _together(rng, len(tube), FACTORS - half)]
    )
    X = np.column_stack([np.ones(len(tube)), levels])
    return Design(tube, X, {f"factor {k}": [k + 1] for k in range(FACTORS)})


def _responses(rng, design, true):
    """Responses of one season, shape (reeds, 9)."""
    between = _together(rng, TUBES, RESPONSES)[design.tube]
    within = _together(rng, len(design.tube), RESPONSES)
    noise = np.sqrt(SHARE) * between + np.sqrt(1 - SHARE) * within
    return noise + SIZE * design.X[:, 1:] @ true.reshape(RESPONSES, FACTORS).T


def _p_values(design, Y):
    """Tests of all factors on every column of Y, shape (columns, 10)."""
    found = _kenward_roger(design, Y, bounded=False)
    return np.column_stack([found[f"factor {k}"].p_values for k in range(FACTORS)])


def _seasons(effects, seed):
    rng = np.random.default_rng(seed)
    p_values, truths = [], []
    for _ in range(SEASONS // TOGETHER):
        design = _layout(rng)
        true = np.zeros((TOGETHER, RESPONSES * FACTORS), dtype=bool)
        for season in true:
            season[rng.choice(season.size, effects, replace=False)] = True
        Y = np.hstack([_responses(rng, design, season) for season in true])
        p_values.append(_p_values(design, Y).reshape(TOGETHER, -1))
        truths.append(true)
    return Seasons(np.vstack(p_values), np.vstack(truths))


def _standing(p_values):
    tests = pd.DataFrame({"p_value": p_values, "evidence": "observed", "question": QUESTION})
    return weighed(tests)["stands"].to_numpy()


def _called(p_values):
    """What the nine questions call an effect, each for itself (Holm)."""
    return np.concatenate([holm(p) < LEVEL for p in p_values.reshape(RESPONSES, FACTORS)])


def _false_share(found, true):
    """Share of false ones among the findings of each season; 0 where there is none."""
    return (found & ~true).sum(axis=1) / np.maximum(found.sum(axis=1), 1)


def _told(name, found, true):
    share, any_false = _false_share(found, true), (found & ~true).any(axis=1).mean()
    power = found[true].mean() if true.any() else np.nan
    error = share.std(ddof=1) / np.sqrt(len(share))
    print(
        f"{name:38} false share {share.mean():.3f} ± {error:.3f}; any false finding in "
        f"{any_false:.3f} of seasons; effects found {power:.2f}"
    )
    return share.mean(), error


def test_what_stands_in_500_seasons_is_false_in_a_twentieth_at_most():
    print()
    for effects, seed in ((0, 21), (EFFECTS, 22)):
        seasons, name = _seasons(effects, seed), f"{effects} effects of 90"
        stands = np.array([_standing(p) for p in seasons.p_values])
        called = np.array([_called(p) for p in seasons.p_values])
        rate, error = _told(f"{name}: stands", stands, seasons.true)
        _told(f"{name}: called by its question", called, seasons.true)
        # Without effects every finding is false: the rate is the share of seasons with any.
        assert rate <= LEVEL + 3 * (error if effects else np.sqrt(LEVEL * (1 - LEVEL) / SEASONS))
        if effects:
            assert stands[seasons.true].mean() > 0.5


def test_a_season_through_drivers_and_looks_is_the_one_calibrated(study):
    rng = np.random.default_rng(5)
    design = _layout(rng)
    true = np.zeros(RESPONSES * FACTORS, dtype=bool)
    true[[3, 27, 45]] = True
    Y = _responses(rng, design, true)
    rows = reeds_of(TUBES, REEDS)
    for k in range(FACTORS):
        rows[f"factor {k}"] = design.X[:, k + 1]
    for k in range(RESPONSES):
        rows[f"response {k}"] = Y[:, k]
    factors = [
        Factor(f"factor {k}", stratum="tube" if k < FACTORS // 2 else "reed", kind="numeric")
        for k in range(FACTORS)
    ]
    responses = [Response(f"response {k}", table="reeds") for k in range(RESPONSES)]
    made = study(rows, factors, responses)
    for response in responses:
        drivers(made, response.name)
    table = looks(made).table.sort_values(["response", "term"])
    expected = _p_values(design, Y).ravel()
    np.testing.assert_allclose(table["p_value"], expected, rtol=1e-6)
    assert table["stands"].tolist() == _standing(expected).tolist()
