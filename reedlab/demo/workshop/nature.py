"""What is true of a world: what each factor does, how reeds differ, and when a reed is good.

A reed's worth is the demo bench's liking (log odds, of crow in cents and dynamic range in dB)
and what the player feels besides. Levels are coded: a number from -1 to 1 over what is tried,
a word -1 for the first level and 1 for the second. Everything is counted from the usual recipe.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np

from reedlab.demo.bench import liking
from reedlab.demo.truth import TRUTH
from reedlab.demo.workshop.assumed import (
    BREAK_IN,
    CROW_SD,
    FACTORS,
    LAST,
    RANGE_SD,
    TASTE_SD,
    USUAL,
    USUAL_GOOD,
)
from reedlab.demo.workshop.kinds import Kind

Recipe = Mapping[str, str | float]

#: So many reeds of chance stand behind every share of good reeds, and points over a number.
REEDS, _POINTS = 1500, 7


@dataclass(frozen=True, eq=False)
class Nature:
    """The truth of one world; drawn by :func:`reedlab.demo.workshop.drawing.draw_nature`.

    Attributes
    ----------
    kind : Kind
    off : float
        Crow of the usual recipe against the target, cents.
    crow, span : ndarray, shape (6,)
        What a factor does from its middle to its end: cents, dB.
    bend, peak : ndarray, shape (6,)
        dB lost per square of the coded distance from the peak.
    pair : tuple of int
        Two factors that act together, and `together`, in dB.
    luck : ndarray, shape (3, n)
        Standard normal draws for crow, range and taste behind every share.
    """

    kind: Kind
    off: float
    crow: np.ndarray
    span: np.ndarray
    bend: np.ndarray
    peak: np.ndarray
    pair: tuple[int, int]
    together: float
    luck: np.ndarray

    @property
    def matters(self) -> frozenset[str]:
        """Names of the factors that do anything."""
        does = (self.crow != 0) | (self.span != 0) | (self.bend != 0)
        return frozenset(f.name for f, one in zip(FACTORS, does, strict=True) if one)

    def means(self, coded: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return mean crow (cents) and range (dB) of finished reeds, from codes (m, 6)."""
        here, usual = np.atleast_2d(coded), code([USUAL])
        crow = self.off + (here - usual) @ self.crow
        span = self._range(here) - self._range(usual)
        return crow, TRUTH.traits["dynamic_range_db"].mean + span

    def worth(self, crow: np.ndarray, span: np.ndarray, taste: np.ndarray) -> np.ndarray:
        """Return the worth of reeds in log odds."""
        return np.asarray(liking(crow, span, TRUTH) + taste)

    @property
    def spreads(self) -> np.ndarray:
        """Lasting standard deviations of crow (cents), range (dB) and taste."""
        return self.kind.spread * np.array([CROW_SD, RANGE_SD, TASTE_SD])

    @cached_property
    def usual_worth(self) -> np.ndarray:
        """Worth of many reeds of the usual recipe."""
        return self._worths(code([USUAL]))[0]

    @cached_property
    def line(self) -> float:
        """A reed of this worth or more is good."""
        return float(np.quantile(self.usual_worth, 1 - USUAL_GOOD))

    def good_share(self, recipes: Sequence[Recipe]) -> np.ndarray:
        """Return the share of good reeds that each recipe makes, 0 to 1."""
        return self._shares(code(recipes))

    @cached_property
    def best(self) -> tuple[dict[str, str | float], float]:
        """The best recipe on a grid, what does nothing as usual, and its share of good reeds."""
        axes = [
            [USUAL[factor.name]] if factor.name not in self.matters else _axis(place)
            for place, factor in enumerate(FACTORS)
        ]
        names = [factor.name for factor in FACTORS]
        recipes = [dict(zip(names, levels, strict=True)) for levels in product(*axes)]
        shares = self.good_share(recipes)
        top = int(np.argmax(shares))
        return recipes[top], float(shares[top])

    def _range(self, coded: np.ndarray) -> np.ndarray:
        first, second = self.pair
        bent = ((coded - self.peak) ** 2) @ self.bend
        return coded @ self.span - bent + self.together * coded[:, first] * coded[:, second]

    def _worths(self, coded: np.ndarray) -> np.ndarray:
        crow, span = self.means(coded)
        noise = self.spreads[:, None] * self.luck
        return self.worth(crow[:, None] + noise[0], span[:, None] + noise[1], noise[2])

    def _shares(self, coded: np.ndarray) -> np.ndarray:
        return np.asarray((self._worths(coded) >= self.line).mean(axis=1))


def stage_offsets(stage: int) -> tuple[float, float]:
    """Return what every reed's crow (cents) and range (dB) still lacks at a stage."""
    crow, span = (TRUTH.traits[name].stages for name in ("crow_cents", "dynamic_range_db"))
    return crow[stage] - crow[LAST], span[stage] - span[LAST]


def break_in(stage: int) -> float:
    """Return how far a reed is from what it becomes, as a share of the lasting spread."""
    return BREAK_IN[stage]


def code(recipes: Sequence[Recipe]) -> np.ndarray:
    """Code recipes, shape (m, 6).

    Examples
    --------
    >>> code([USUAL | {"gouge_centre_mm": 1.36, "shape": "wide"}])[0, [0, 4]].tolist()
    [1.0, 1.0]
    """
    columns = []
    for factor in FACTORS:
        levels = [recipe[factor.name] for recipe in recipes]
        if factor.kind == "numeric":
            low, high = float(factor.levels[0]), float(factor.levels[-1])
            columns.append([(float(v) - (low + high) / 2) / ((high - low) / 2) for v in levels])
        else:
            columns.append([-1.0 if v == factor.levels[0] else 1.0 for v in levels])
    return np.round(np.array(columns, dtype=float).T, 10)


def _axis(place: int) -> list[str | float]:
    factor = FACTORS[place]
    if factor.kind != "numeric":
        return [*factor.levels]
    low, high = float(factor.levels[0]), float(factor.levels[-1])
    return [float(value) for value in np.linspace(low, high, _POINTS)]
