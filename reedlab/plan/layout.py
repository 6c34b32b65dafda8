"""From tubes and terms to the matrices of the search: who shares what, and V.

V is that of reeds within tubes within lots, of total variance one. Lots are taken out
as blocks where they are few, as the analysis of the batch will do; else they are
assumed to hold half of what tubes and lots share.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from reedlab.plan.request import Allowed
from reedlab.plan.search import Task
from reedlab.plan.terms import Model, from_end_to_end
from reedlab.schema import FEW

#: Shares of the variance that tubes are assumed to have; the criterion is averaged over them.
TUBE_SHARES = (0.1, 0.4, 0.7)
#: Rows of recipes (with the tubes' covariates) over which prediction is averaged.
PREDICTED = 4000


@dataclass(frozen=True)
class Layout:
    """Rows of a batch: one a reed, those of earlier batches first.

    Attributes
    ----------
    tube, lot : ndarray of int, shape (n,)
        Which tube and lot each reed is from; tubes of earlier batches keep their number.
    batch : ndarray of int, shape (n,)
        Zero for the new batch, else the number of the earlier one.
    given : DataFrame, n rows
        Covariates, in their units.
    """

    tube: np.ndarray
    lot: np.ndarray
    batch: np.ndarray
    given: pd.DataFrame

    @property
    def new(self) -> np.ndarray:
        """The rows that are to be planned."""
        return self.batch == 0

    def unit(self, stratum: str) -> np.ndarray:
        """The number of the lot, tube or reed of each row."""
        return {"lot": self.lot, "tube": self.tube}.get(stratum, np.arange(len(self.tube)))

    def nuisance(self, model: Model) -> np.ndarray:
        """The mean, with lots and earlier batches where they are taken out."""
        columns = [np.ones(len(self.tube))]
        lots = np.unique(self.lot)
        if len(lots) < FEW and all(factor.stratum != "lot" for factor in model.factors):
            columns += [(self.lot == k) - 1.0 * (self.lot == lots[-1]) for k in lots[:-1]]
        columns += [1.0 * (self.batch == k) for k in np.unique(self.batch) if k]
        return _independent(np.column_stack(columns))

    def weights(self, model: Model, shares: Sequence[float]) -> np.ndarray:
        """V^-1 for every assumed share, shape (K, n, n)."""
        tubes = 1.0 * (self.tube[:, None] == self.tube)
        lots = 1.0 * (self.lot[:, None] == self.lot)
        many = len(np.unique(self.lot))
        random_lots = many >= FEW or (
            many > 1 and any(factor.stratum == "lot" for factor in model.factors)
        )
        between = (tubes + lots) / 2 if random_lots else tubes
        own = np.eye(len(tubes))
        return np.stack([np.linalg.inv((1 - s) * own + s * between) for s in shares])


def _independent(columns: np.ndarray) -> np.ndarray:
    """Drop columns that follow from those before."""
    kept: list[int] = []
    for place in range(columns.shape[1]):
        if np.linalg.matrix_rank(columns[:, [*kept, place]]) > len(kept):
            kept.append(place)
    return columns[:, kept]


def task_for(
    model: Model,
    layout: Layout,
    shares: Sequence[float],
    allowed: Allowed,
    fixed: np.ndarray,
    rng: np.random.Generator,
    *,
    predict: bool,
) -> Task:
    """Put together what the search needs.

    Parameters
    ----------
    model, layout, shares, allowed
    fixed : ndarray of int, shape (n, factors set)
        Places of the levels that are given already; -1 where they are to be chosen.
    rng : Generator
        For the sample of recipes over which prediction is averaged.
    predict : bool
        Whether the criterion is I; else D.
    """
    units = [np.unique(layout.unit(f.stratum), return_inverse=True)[1] for f in model.settable]
    task = Task(
        model,
        np.array(units, dtype=int).reshape(len(units), len(layout.tube)),
        scaled(layout.given, model),
        layout.nuisance(model),
        layout.weights(model, shares),
        allowed,
        fixed < 0,
        np.maximum(fixed, 0),
    )
    return replace(task, moments=_moments(task, allowed, layout, rng)) if predict else task


def spare_units(columns: np.ndarray, unit: np.ndarray) -> int:
    """Units (codes of shape (n,)) beyond the independent columns constant within each.

    Examples
    --------
    >>> mean_and_gouge = np.array([[1.0, -1], [1, -1], [1, 1], [1, 1], [1, 1]])
    >>> spare_units(mean_and_gouge, np.array([0, 0, 1, 1, 2]))
    1
    """
    _, first, place = np.unique(unit, return_index=True, return_inverse=True)
    constant = np.all(columns[first][place] == columns, axis=0)
    return len(first) - int(np.linalg.matrix_rank(columns[first][:, constant]))


def scaled(given: pd.DataFrame, model: Model) -> np.ndarray:
    """Code covariates from -1 at their lowest to +1 at their highest, shape (n, given)."""
    values = [given[factor.name].to_numpy(dtype=float) for factor in model.given]
    columns = [from_end_to_end(one, one) for one in values]
    return np.stack(columns, axis=1) if columns else np.empty((len(given), 0))


def _moments(task: Task, allowed: Allowed, layout: Layout, rng: np.random.Generator) -> np.ndarray:
    """Mean of f f' over the recipes that may be made, at the covariates of the tubes."""
    recipes = allowed.recipes(rng)
    rows = np.flatnonzero(layout.new)
    _, first = np.unique(layout.tube[rows], return_index=True)
    tubes = task.given[rows[first]]
    if len(recipes) * len(tubes) <= PREDICTED:
        which, where = np.indices((len(recipes), len(tubes))).reshape(2, -1)
    else:
        which = rng.integers(len(recipes), size=PREDICTED)
        where = rng.integers(len(tubes), size=PREDICTED)
    columns = task.model.columns(recipes[which], tubes[where])
    mean = np.zeros((len(columns), task.nuisance.shape[1]))
    mean[:, 0] = 1.0  # lots and batches are averaged over: sum-to-zero columns at zero
    f = np.hstack([mean, columns])
    return f.T @ f / len(f)
