"""What the invented bench measures: responses of tests, made from the truth.

A layout has one row a test: the number (from 0) of its lot, tube, reed, session,
player and stage, and the factors in the units of the record.
"""

import numpy as np
import pandas as pd

from reedlab.demo.truth import LEVELS, STAGES, STEPS, Truth
from reedlab.schema import note_hz

CROW_TARGET = "F4"

# Minutes for which a reed is played before the first test of each stage.
_PLAYED = np.array([15, 70, 190])


def measured(rng: np.random.Generator, layout: pd.DataFrame, truth: Truth) -> pd.DataFrame:
    """Return the responses of every test of a layout, as a maker writes them down.

    Parameters
    ----------
    rng : numpy.random.Generator
    layout : DataFrame
        One row a test.
    truth : Truth

    Returns
    -------
    DataFrame
        The measured columns of the tests table, one row a test, nothing missing.

    Examples
    --------
    >>> from reedlab.demo import TRUTH
    >>> one = pd.DataFrame(0, index=[0], columns=["lot", "tube", "reed", "session", "player"])
    >>> one = one.assign(stage=0, density_kg_m3=560.0, relative_humidity_pct=45.0)
    >>> one = one.assign(gouge_centre_mm=1.28, shape="wide")
    >>> tests = measured(np.random.default_rng(1), one, TRUTH)
    >>> tests[["crow_hz", "crow_cents", "soft_db"]].round(1).values.tolist()
    [[349.5, 2.0, 73.1]]
    """
    streams = dict(zip(truth.traits, rng.spawn(len(truth.traits)), strict=True))
    raw = {name: _trait(stream, layout, name, truth) for name, stream in streams.items()}
    tests = pd.DataFrame(
        {name: np.round(raw[name], trait.digits) for name, trait in truth.traits.items()}
    )
    tests["crow_hz"] = np.round(note_hz(CROW_TARGET) * 2 ** (raw["crow_cents"] / 1200), 1)
    tests["soft_db"] = np.round(tests["loud_db"] - tests["dynamic_range_db"], 1)
    tests["resoaked"] = rng.random(len(layout)) < 0.25
    tests["minutes_played"] = _minutes(rng, layout)
    tests["rating_overall"] = _rating(rng, tests, layout, truth)
    return tests


def _trait(
    rng: np.random.Generator, layout: pd.DataFrame, response: str, truth: Truth
) -> np.ndarray:
    trait = truth.traits[response]
    value = trait.mean + np.array(trait.stages)[layout["stage"]]
    for factor, effect in trait.effects.items():
        value = value + effect * _steps(layout, factor, truth)
    for source, variance in truth.variances(response).items():
        if source == "residual":
            noise = rng.standard_normal(len(layout))
        else:
            unit = layout[source].to_numpy()
            noise = rng.standard_normal(unit.max() + 1)[unit]
        value = value + np.sqrt(variance) * noise
    return np.maximum(value, trait.least)


def _steps(layout: pd.DataFrame, factor: str, truth: Truth) -> np.ndarray:
    """Return how many steps a factor is away from where the means hold."""
    given = layout[factor].to_numpy()
    if factor in LEVELS:
        return np.asarray(given == LEVELS[factor][1], dtype=float)
    return np.asarray((given - truth.centres[factor]) / STEPS[factor])


def _minutes(rng: np.random.Generator, layout: pd.DataFrame) -> np.ndarray:
    """Return the minutes played before each test; a test itself takes ten."""
    reed = layout["reed"].to_numpy()
    own = 5 * rng.integers(-2, 3, reed.max() + 1)[reed]
    earlier = layout.groupby(["reed", "stage"]).cumcount().to_numpy()
    return np.asarray(_PLAYED[layout["stage"]] + own + 10.0 * earlier)


def liking(crow: np.ndarray, span: np.ndarray, truth: Truth) -> np.ndarray:
    """Return what crow (cents) and dynamic range (dB) add to the log odds of carrying on."""
    verdict = truth.verdict
    average = truth.traits["dynamic_range_db"].mean
    return verdict.per_10_cents * np.abs(crow) / 10 + verdict.per_db * (span - average)


def _rating(
    rng: np.random.Generator, tests: pd.DataFrame, layout: pd.DataFrame, truth: Truth
) -> np.ndarray:
    """Return ratings 1 to 5: what players like, how strict they are, their mood."""
    player = layout["player"].to_numpy()
    crow, span = tests["crow_cents"].to_numpy(), tests["dynamic_range_db"].to_numpy()
    strictness = 0.4 * rng.standard_normal(player.max() + 1)[player]
    mood = 0.6 * rng.standard_normal(len(tests))
    return np.clip(np.round(3.9 + 0.35 * liking(crow, span, truth) + strictness + mood), 1, 5)


def stage_names(stage: pd.Series) -> pd.Series:
    """Return the names of stages given by number."""
    return stage.map(dict(enumerate(STAGES)))
