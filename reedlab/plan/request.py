"""What is asked of a batch, checked as a whole before any search begins.

All faults are told at once, each in one sentence with the way out.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np

from reedlab.errors import CallError, listed
from reedlab.plan.terms import Model
from reedlab.schema import Factor

#: Tubes that each level of a tube-level factor needs, so that tubes can judge it.
TUBES_A_LEVEL = 4
#: Sessions that each level of a session-level factor needs.
SESSIONS_A_LEVEL = 2
#: Up to so many recipes are listed one by one; of more a sample is taken.
MOST_RECIPES = 20_000


@dataclass(frozen=True)
class Forbidden:
    """A combination of levels that must not be made.

    Attributes
    ----------
    reason : str
        Why, in a sentence that the maker can read.
    when : callable
        From a mapping of factor name to level: true if the recipe is forbidden.

    Examples
    --------
    >>> thin = Forbidden(
    ...     "A thin gouge splits in the wide shape.",
    ...     lambda recipe: recipe["gouge"] < 1.27 and recipe["shape"] == "wide",
    ... )
    >>> thin.when({"gouge": 1.25, "shape": "wide"})
    True
    """

    reason: str
    when: Callable[[Mapping[str, Any]], bool]


class Allowed:
    """Which recipes may be made; each is looked at once."""

    def __init__(self, factors: Sequence[Factor], forbidden: Sequence[Forbidden]) -> None:
        self.factors = tuple(factors)
        self.forbidden = tuple(forbidden)
        self._known: dict[tuple[int, ...], bool] = {}

    def __call__(self, levels: np.ndarray) -> np.ndarray:
        """From places of levels, shape (m, factors), to bool (m,)."""
        if not self.forbidden:
            return np.ones(len(levels), dtype=bool)
        return np.array([self._one(tuple(row)) for row in levels.tolist()], dtype=bool)

    def _one(self, row: tuple[int, ...]) -> bool:
        if row not in self._known:
            recipe = {
                factor.name: factor.levels[place]
                for factor, place in zip(self.factors, row, strict=True)
            }
            try:
                self._known[row] = not any(one.when(recipe) for one in self.forbidden)
            except KeyError as error:
                raise CallError(
                    f"A forbidden combination asks for {error}; a recipe of this batch has "
                    f"{listed(recipe)}."
                ) from None
        return self._known[row]

    def recipes(self, rng: np.random.Generator) -> np.ndarray:
        """The recipes that may be made, shape (m, factors); a sample if they are very many."""
        counts = [len(factor.levels) for factor in self.factors]
        if np.prod(counts, dtype=float) <= MOST_RECIPES:
            every = np.array(list(product(*map(range, counts))), dtype=int)
            every = every.reshape(-1, len(counts))
        else:
            every = rng.integers(counts, size=(MOST_RECIPES, len(counts)))
        return every[self(every)]

    def faults(self, rng: np.random.Generator) -> list[str]:
        """Say what the forbidden combinations leave out altogether."""
        if not self.forbidden:
            return []
        reasons = " ".join(one.reason for one in self.forbidden)
        left = self.recipes(rng)
        if not len(left):
            return [f"The forbidden combinations leave nothing to make: {reasons} Lift one."]
        return [
            f"The forbidden combinations leave no recipe with {factor.label} {level}: {reasons} "
            "Lift one of them, or leave that level out."
            for place, factor in enumerate(self.factors)
            for i, level in enumerate(factor.levels)
            if not (left[:, place] == i).any()
        ]


def level_faults(factors: Sequence[Factor], *, cane: bool) -> list[str]:
    """Look at factors by themselves: names, levels, strata."""
    faults = [] if factors else ["No factor is asked for: name at least one."]
    names = [factor.name for factor in factors]
    twice = sorted({name for name in names if names.count(name) > 1})
    faults += [f"The factor '{name}' is given twice." for name in twice]
    for factor in factors:
        if len(factor.levels) == 1:
            faults.append(
                f"{factor.label} has one level only ({factor.levels[0]}): name two or more."
            )
        elif not factor.levels and factor.stratum == "session":
            faults.append(f"{factor.label} is set for sessions and has no levels: name them.")
        elif not factor.levels and not cane:
            faults.append(
                f"'{factor.name}' has no levels and there is no cane to read it from: name two or "
                "more levels."
            )
    return faults


def session_faults(factors: Sequence[Factor], sessions: int) -> list[str]:
    """Look at the factors of sessions."""
    faults = []
    if sessions < 1:
        faults.append(f"sessions is {sessions}; every reed is tried in at least 1.")
    for factor in factors:
        needed = SESSIONS_A_LEVEL * len(factor.levels)
        if len(factor.levels) > 1 and sessions < needed:
            faults.append(
                f"{factor.label} is set for whole sessions: {sessions} of them for "
                f"{len(factor.levels)} levels cannot tell it from the day; plan {needed} sessions."
            )
    return faults


def size_faults(model: Model, reeds: int, tubes: int, lots: int, blocks: int) -> list[str]:
    """Look at whether the batch is large enough; `blocks` are columns taken out (with the mean)."""
    faults = []
    for factor in model.settable:
        units = {"tube": tubes, "lot": lots}.get(factor.stratum)
        if units is None:
            continue
        bends = (factor.name, factor.name) in model.terms
        levels = 2 + bends if factor.kind == "numeric" else len(factor.levels)
        needed = TUBES_A_LEVEL * levels
        if units < needed:
            spare = max(units - levels, 0)
            degrees = "1 error degree" if spare == 1 else f"{spare} error degrees"
            faults.append(
                f"{factor.label} is set for whole {factor.stratum}s: {units} {factor.stratum}s for "
                f"{levels} levels leave {degrees} of freedom: this batch cannot answer it; set it "
                f"at reed level, or use {needed} {factor.stratum}s."
            )
    parameters = blocks + sum(model.widths)
    if parameters > reeds:
        pairs = sum(len(term) == 2 for term in model.terms)
        way = f"make {parameters} reeds or more" + (
            ", or ask for fewer interactions" if pairs else ", or leave a factor out"
        )
        faults.append(
            f"{parameters} figures cannot be had from {reeds} reeds (one for the mean"
            f"{f', {blocks - 1} for lots' if blocks > 1 else ''}, {sum(model.widths)} for factors"
            f"{' and interactions' if pairs else ''}): {way}."
        )
    return faults
