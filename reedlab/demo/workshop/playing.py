"""What a test shows of a reed on a day, and what the player says of it.

Crow in cents against the target, dynamic range in dB, a rating from 1 to 5. The noise of a
test belongs to its reed, stage and trial, so that the same test gives the same reading.
"""

from dataclasses import dataclass

import numpy as np

from reedlab.demo.truth import TRUTH
from reedlab.demo.workshop.assumed import (
    HUMIDITY_DAY,
    HUMIDITY_MEAN,
    HUMIDITY_PER_10,
    HUMIDITY_SWING,
    RATING_SD,
    VERDICT_NOISE,
)
from reedlab.demo.workshop.nature import Nature, Recipe, break_in, code, stage_offsets

_CROW, _RANGE = (TRUTH.traits[name] for name in ("crow_cents", "dynamic_range_db"))
_MIDDLE = 2.7  # the rating of a usual reed
_ROUNDING = 1 / 12  # what rounding to whole steps adds to the variance
_LEAST_NOISE = 0.01


@dataclass(frozen=True)
class Day:
    """A day's weather and what it does to all readings."""

    humidity: float
    crow: float
    span: float


@dataclass(frozen=True, eq=False)
class Reed:
    """The hidden side of a reed: what it becomes, and what it lacks while it is broken in."""

    crow: float
    span: float
    taste: float
    green: np.ndarray
    worth: float


def reed_of(nature: Nature, recipe: Recipe, own: np.ndarray, green: np.ndarray) -> Reed:
    """Let a reed be of its recipe, its cane's own part and its part while it is broken in.

    Parameters
    ----------
    nature : Nature
    recipe : mapping
    own, green : ndarray, shape (3,)
        Of crow in cents, range in dB, taste in log odds.
    """
    crow, span = nature.means(code([recipe]))
    crow, span, taste = np.array([crow[0], span[0], 0.0]) + own
    return Reed(crow, span, taste, green, float(nature.worth(crow, span, taste)))


def day_of(number: int, rng: np.random.Generator) -> Day:
    """Draw the weather of a day; `number` counts from the first of the year."""
    turn = np.cos(2 * np.pi * (number - 213) / 365)  # most humid at the end of July
    humidity = HUMIDITY_MEAN + HUMIDITY_SWING * turn + HUMIDITY_DAY * rng.standard_normal()
    humidity = float(np.clip(humidity, 15.0, 90.0))
    shift = np.sqrt([TRUTH.shares["session"]]) * rng.standard_normal(2)
    air = HUMIDITY_PER_10 * (humidity - HUMIDITY_MEAN) / 10
    return Day(humidity, air + _CROW.spread * shift[0], _RANGE.spread * shift[1])


def reading(
    nature: Nature, reed: Reed, stage: int, day: Day, rng: np.random.Generator
) -> dict[str, float]:
    """Return what a test shows: crow_cents, dynamic_range_db, rating_overall."""
    lacks = stage_offsets(stage)
    green = break_in(stage) * reed.green
    crow = reed.crow + lacks[0] + green[0] + day.crow
    span = reed.span + lacks[1] + green[1] + day.span
    worth = float(nature.worth(crow, span, reed.taste + green[2]))
    error = np.sqrt(TRUTH.shares["residual"]) * rng.standard_normal(2)
    seen = max(span + _RANGE.spread * error[1], _RANGE.least)
    return {
        "crow_cents": round(crow + _CROW.spread * error[0], _CROW.digits),
        "dynamic_range_db": round(seen, _RANGE.digits),
        "rating_overall": rating(nature, worth, rng),
    }


def rating(nature: Nature, worth: float, rng: np.random.Generator) -> int:
    """Return the player's rating, 1 to 5, of a reed that is worth so much as it plays now."""
    usual = nature.usual_worth
    said = _MIDDLE + RATING_SD * (worth - usual.mean()) / usual.std()
    agreement = nature.kind.agreement
    noise = max(RATING_SD**2 * (1 / agreement - 1) - _ROUNDING, _LEAST_NOISE)
    return int(np.clip(np.round(said + np.sqrt(noise) * rng.standard_normal()), 1, 5))


def is_kept(nature: Nature, reed: Reed, rng: np.random.Generator) -> bool:
    """Say whether the player keeps a finished reed, after a week with it."""
    noise = VERDICT_NOISE * np.sqrt(1 / nature.kind.agreement - 1) * nature.usual_worth.std()
    return bool(reed.worth + noise * rng.standard_normal() >= nature.line)
