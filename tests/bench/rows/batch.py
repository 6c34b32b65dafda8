"""The best batch: four numbers of three levels, with bends and two-way interactions.

The exchange of pydoe starts once, from its own choice. Ours starts dozens to hundreds of times,
deals the recipes to reeds and draws orders and codes; it must find a design as good or better.
"""

from itertools import combinations
from typing import Any
from unittest.mock import patch

import numpy as np

from tests.bench.frame import Row, Run, Side

FACTORS = 4
REEDS = (16, 24, 32, 48)


def _ours(reeds: int) -> Run:
    from reedlab import Factor
    from reedlab.plan import design_batch

    names = [f"factor {i + 1}" for i in range(FACTORS)]
    factors = [Factor(name, levels=(-1, 0, 1)) for name in names]

    def run() -> object:
        batch = design_batch(factors, reeds=reeds, interactions="two-way", curved=names, seed=1)
        return batch.table[names].to_numpy(dtype=float)

    return run


def _one_start(reeds: int) -> Run:
    run = _ours(reeds)

    def once() -> object:
        with patch("reedlab.plan.draw.default_starts", lambda task: 1):
            return run()

    return once


def _pydoe(reeds: int) -> Run:
    from pydoe.optimal import generate_candidate_set, optimal_design

    candidates = generate_candidate_set(FACTORS, n_levels=3)
    return lambda: optimal_design(candidates, reeds, 2, "D", "modified_fedorov")[0]


def _as_good(ours: Any, other: Any) -> None:
    assert _per_reed(ours) >= _per_reed(other) - 1e-9


def _per_reed(levels: np.ndarray) -> float:
    """The determinant of the information, its root a parameter, of a reed."""
    bends = levels**2
    pairs = [levels[:, i] * levels[:, j] for i, j in combinations(range(FACTORS), 2)]
    X = np.column_stack([np.ones(len(levels)), *levels.T, *bends.T, *pairs])
    return float(np.linalg.det(X.T @ X) ** (1 / X.shape[1]) / len(X))


BATCH = Row(
    "optimal batch",
    "24 reeds, four numbers with bends and interactions; ours many starts, theirs one",
    "reeds",
    Side("reedlab design_batch", _ours, REEDS, 24),
    (
        Side("reedlab, one start", _one_start, REEDS, 24),
        Side("pydoe exchange", _pydoe, REEDS, 24, ("pydoe",)),
    ),
    agree=_as_good,
)
