"""Do tests of what moves a rating hold their level where tubes are few?

Thousands of invented batches of 8 tubes x 3 reeds, each reed rated 1 to 5 by two players
who use the scale differently, with tubes and reeds that differ from nothing to much.
The grouped link model is set beside the cumulative-link model's own z tests, which take
ratings as independent.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.special import expit

from reedlab.model.inference import basis
from reedlab.model.kernel import build_kernel
from reedlab.model.link_groups import fit_link_groups
from reedlab.model.link_scores import departures, information_of, turning
from reedlab.model.reml import fit_reml

pytestmark = pytest.mark.slow

BATCHES = 3000
CUTS = np.array([-1.6, -0.5, 0.6, 1.7])
#: Spread of tubes and of reeds on the logit scale, beside that of a rating, 1.81.
SPREADS = ((0.0, 0.0), (0.8, 0.8), (1.6, 1.0))
#: Log odds ratios of gouge and shape where there is an effect.
EFFECT = np.array([1.5, 1.5])
TUBE = np.tile(np.repeat(np.arange(8), 3), 2)
REED = np.tile(np.arange(24), 2)
SIGN = np.array([1.0, -1.0])
X = np.column_stack(
    [
        np.ones(48),
        np.repeat(SIGN, 24),  # player
        SIGN[TUBE % 2],  # gouge
        SIGN[(TUBE + REED % 3) % 2],  # shape
    ]
)
TERMS = {"gouge": 2, "shape": 3}


def ratings(spreads, effect, seed, count=BATCHES):
    """Levels of every rating, from 0, shape (count, 48); batches without all five are left out."""
    rng = np.random.default_rng([seed, round(10 * spreads[0])])
    latent = rng.logistic(size=(count, 48)) + X[:, 1] / 2 + X[:, 2:] @ (effect / 2)
    latent += spreads[0] * rng.normal(size=(count, 8))[:, TUBE]
    latent += spreads[1] * rng.normal(size=(count, 24))[:, REED]
    codes = np.digitize(latent, CUTS)
    used = np.array([len(np.unique(row)) == 5 for row in codes])
    assert used.mean() > 0.9
    return codes[used]


def proportional_odds(codes):
    """Newton's method on all batches: thresholds, slopes, covariance; from statistics alone."""
    B, p = len(codes), X.shape[1] - 1
    share = np.stack([(codes <= cut).mean(axis=1) for cut in range(4)], axis=1)
    at = np.hstack([np.log(share / (1 - share)), np.zeros((B, p))])
    rows = np.arange(48)
    for _ in range(25):
        edge = np.hstack([np.full((B, 1), -40.0), at[:, :4], np.full((B, 1), 40.0)])
        eta = at[:, 4:] @ X[:, 1:].T
        upper = np.take_along_axis(edge, codes + 1, 1) - eta
        lower = np.take_along_axis(edge, codes, 1) - eta
        gap = np.expm1(upper - lower)
        turn = (gap + 1) / gap**2
        up, low = expit(-upper) + 1 / gap, -expit(lower) - 1 / gap
        bend = np.stack(
            [
                np.stack([expit(upper) * expit(-upper) + turn, -turn], -1),
                np.stack([-turn, expit(lower) * expit(-lower) + turn], -1),
            ],
            -2,
        )
        D = np.zeros((B, 48, 2, 4 + p))
        D[..., 4:] = -X[:, None, 1:]
        for side, place in enumerate((codes, codes - 1)):
            for cut in range(4):
                D[:, rows, side, cut] += place == cut
        score = np.einsum("bns,bnsp->bp", np.stack([up, low], -1), D)
        information = np.einsum("bnsp,bnst,bntq->bpq", D, bend, D, optimize=True)
        step = np.linalg.solve(information, score[..., None])[..., 0]
        at = at + np.clip(step, -2, 2)
        if np.abs(step).max() < 1e-9:
            break
    return at[:, :4], at[:, 4:], np.linalg.inv(information)[:, 4:, 4:]


def judged(codes):
    """P values, estimates, standard errors and df of every term, batched."""
    thresholds, slopes, covariance = proportional_odds(codes)
    eta = slopes @ X[:, 1:].T
    numbers, turns = [], []
    for row, cuts, fitted, C in zip(codes, thresholds, eta, covariance, strict=True):
        chance = expit(fitted[:, None] - cuts)
        information = information_of(chance)
        numbers.append(fitted + departures(row, chance) / information)
        turns.append(turning(X[:, 1:], information, C))
    Y = np.array(numbers).T
    Q, R = np.linalg.qr(X)
    start = Q.T @ Y
    fits = fit_reml(build_kernel(Q, [TUBE, REED]), Y - Q @ start)
    moments = replace(fits.moments, beta=fits.moments.beta + start.T)
    rests_on = basis(replace(fits, moments=moments), "kenward-roger", bounded=False)
    back = np.linalg.inv(R)
    plain = back @ rests_on.covariance @ back.T
    turned = np.array(turns) @ plain[:, 1:, 1:] @ np.swapaxes(np.array(turns), 1, 2)
    found = {}
    for term, column in TERMS.items():
        answer = rests_on.test(np.linalg.solve(R.T, np.eye(4)[:, [column]]).T)
        own = turned[:, column - 1, column - 1]
        F = answer.statistic * plain[:, column, column] / own
        z = slopes[:, column - 1] / np.sqrt(covariance[:, column - 1, column - 1])
        found[term] = pd.DataFrame(
            {
                "p_value": stats.f.sf(F, 1, answer.den_df),
                "estimate": 2 * (moments.beta @ back.T)[:, column],
                "std_error": 2 * np.sqrt(own),
                "df": answer.den_df,
                "z": 2 * stats.norm.sf(np.abs(z)),
            }
        )
    return found


@pytest.fixture(scope="module")
def null():
    return {spreads: judged(ratings(spreads, 0 * EFFECT, 7)) for spreads in SPREADS}


def test_the_batched_test_is_the_one_of_the_engine():
    codes = ratings(SPREADS[1], EFFECT, 3, count=4)
    batched = judged(codes)
    names = ["player", "gouge", "shape"]
    rows = pd.DataFrame(np.where(X[:, 1:] > 0, "a", "b"), columns=names)
    rows = rows.assign(tube=TUBE, reed=REED)
    for number, row in enumerate(codes):
        formula = "rating ~ player + gouge + shape"
        fit = fit_link_groups(formula, rows.assign(rating=row + 1), ["tube", "reed"])
        tests = fit.anova().set_index("term")
        for term in TERMS:
            found = batched[term].iloc[number]
            assert found["p_value"] == pytest.approx(tests.p_value[term], rel=1e-4)
            at = fit.fixed.terms[term].start
            assert found["estimate"] == pytest.approx(2 * fit.coefficients[at], rel=1e-4)


def test_the_level_is_held(null):
    print(f"\nnull batches called an effect at 5 %; {BATCHES} of 8 tubes x 3 reeds x 2 players")
    for spreads, found in null.items():
        for term, table in found.items():
            level, z = (table["p_value"] < 0.05).mean(), (table["z"] < 0.05).mean()
            print(f"tubes {spreads[0]}, reeds {spreads[1]}: {term} {level:.3f}, z test {z:.3f}")
            error = np.sqrt(0.05 * 0.95 / len(table))
            assert 0.03 - 1.645 * error < level < 0.06 + 1.645 * error
    # What it is for: the model's own z test calls every fourth null batch an effect of the gouge.
    assert (null[SPREADS[2]]["gouge"]["z"] < 0.05).mean() > 0.2


def test_intervals_cover(null):
    # Zero without an effect. With one, what is estimated is the average over tubes and reeds,
    # here the mean of the estimates themselves: coverage tells of the width alone.
    for effect in (0 * EFFECT, EFFECT):
        for spreads in SPREADS:
            found = judged(ratings(spreads, effect, 8)) if effect.any() else null[spreads]
            for term, table in found.items():
                truth = table["estimate"].median() if effect.any() else 0.0
                half = stats.t.ppf(0.975, table["df"]) * table["std_error"]
                held = ((table["estimate"] - truth).abs() <= half).mean()
                power = (table["p_value"] < 0.05).mean()
                print(f"{term} {effect[0]}, tubes {spreads[0]}: held {held:.3f}, found {power:.3f}")
                assert held > 0.93 - 1.645 * np.sqrt(0.93 * 0.07 / len(table))
