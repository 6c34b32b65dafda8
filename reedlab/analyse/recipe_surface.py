"""What is known of one response over what the maker sets: a recipe is read from it.

Numbers are coded -1 to 1 over the range tried; responses stay in their unit, kept or
discarded as 0 to 1. Means are those of finished reeds; how good they are is told of the
single reeds that scatter about them. How a surface is fitted stands in recipe_fit.py.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from reedlab.analyse.frame import Frame
from reedlab.analyse.recipe_space import Space
from reedlab.model import LinearFit
from reedlab.model.best_set import Estimates
from reedlab.model.comparisons import t_table
from reedlab.model.desirability import higher_on_average, lower_on_average, nearer_on_average
from reedlab.schema import Response


@dataclass(frozen=True)
class Finished:
    """How the tests of the last stage are coded, on average.

    Attributes
    ----------
    stage : str
        Its name; empty where the tests have one stage or none.
    coded : dict of str to ndarray
        By the terms that tell one stage from another: stages, or the few sessions in which
        they were played.
    """

    stage: str = ""
    coded: dict[str, np.ndarray] = field(default_factory=dict)


@dataclass(frozen=True)
class Surface:
    """One fitted response.

    Attributes
    ----------
    response : Response
    frame : Frame
        The rows used, in bench units.
    names : tuple of str
        Factors that are set and that this surface speaks of.
    fit : LinearFit
        Of the coded rows.
    estimates : Estimates
        Coefficients of the mean and of what depends on the factors that are set.
    low, high : float
        Limits between which the response of a reed is more or less desirable.
    spread : float
        Standard deviation of reeds of one recipe; 0 for kept or discarded, whose mean says it.
    reeds : Series
        The response of each reed as measured, its tests brought to the last stage.
    finished : Finished
        How a finished reed is coded.
    before : tuple of str
        Terms that were decided on before anything was looked at: all but the interactions
        that earlier rows showed, for which later batches may have been laid out.
    """

    response: Response
    frame: Frame
    names: tuple[str, ...]
    fit: LinearFit
    estimates: Estimates
    low: float
    high: float
    spread: float
    space: Space
    reeds: pd.Series
    finished: Finished
    before: tuple[str, ...]

    def rows(self, levels: pd.DataFrame) -> np.ndarray:
        """Code recipes, shape (n, p), to be multiplied with the coefficients."""
        coded = _coded_rows(self.fit, self.space, levels, self.names)
        return coded[:, kept_columns(self.fit, self.names)]

    def expected(self, levels: pd.DataFrame) -> pd.DataFrame:
        """Mean of reeds of these recipes: estimate, conf_low, conf_high; in the unit shown."""
        rows = self.rows(levels)
        whole = rows @ folded(self.fit, self.names, self.finished)
        df = np.maximum([self.fit.test(row[None])[2] for row in whole], 1.0)
        error = np.sqrt(np.einsum("np,pq,nq->n", rows, self.estimates.covariance, rows))
        names = [self.response.name] * len(rows)
        found = t_table("term", names, rows @ self.estimates.coefficients, error, df)
        found = found[["term", "estimate", "conf_low", "conf_high"]]
        if self.response.kind == "binary":
            shown = ["estimate", "conf_low", "conf_high"]
            found[shown] = found[shown].clip(0, 1) * 100
        return found

    def desirability(
        self, values: np.ndarray, floor: float = 0.0, spread: float = 0.0
    ) -> np.ndarray:
        """From values in the response's unit to 0 to 1; of means to what reeds about them make."""
        if self.response.direction == "target":
            target = self.response.target or 0.0
            return nearer_on_average(values, self.low, target, self.high, spread, floor)
        higher = self.response.direction == "higher"
        ramp = higher_on_average if higher else lower_on_average
        return ramp(values, self.low, self.high, spread, floor)

    @property
    def pairs(self) -> list[tuple[str, str]]:
        """Interactions in the model, by the names of their factors."""
        made = {*self.names}
        terms = [of for of in self.fit.fixed.variables.values() if len(of) == 2]
        return [(a, b) for a, b in terms if {a, b} <= made]

    def places_of(self, factor: str) -> np.ndarray:
        """Places among `estimates` of a factor's terms that were decided on before looking."""
        kept, own = kept_columns(self.fit, self.names), {factor, bent(factor)}
        return np.array(
            [
                kept.index(column)
                for term, part in self.fit.fixed.terms.items()
                if term in self.before and own & {*self.fit.fixed.variables[term]}
                for column in range(part.start, part.stop)
                if column in kept
            ],
            dtype=int,
        )

    @property
    def unit(self) -> str:
        """Unit in which the response is shown."""
        return "%" if self.response.kind == "binary" else self.response.unit

    @property
    def reed_residuals(self) -> pd.Series:
        """Mean of what the fixed terms leave of each reed; empty if no reed is named."""
        data = self.fit.fixed.data
        if "reed_id" not in data:
            return pd.Series(dtype=float)
        gap = self.fit.fixed.y - self.fit.fixed.X @ self.fit.coefficients
        return pd.Series(gap, index=data.index).groupby(data["reed_id"]).mean()


def bent(name: str) -> str:
    """Name of the column of a number's square."""
    return f"{name} squared"


def kept_columns(fit: LinearFit, names: Sequence[str]) -> list[int]:
    """Columns of the mean and of terms made of factors that are set, mean and mains first."""
    made = {*names, *map(bent, names)}
    terms = [t for t, of in fit.fixed.variables.items() if t != "1" and set(of) <= made]
    mains = [name for name in names if name in terms]
    order = ["1", *mains, *(term for term in terms if term not in mains)]
    slices = [fit.fixed.terms[term] for term in order]
    return [column for part in slices for column in range(part.start, part.stop)]


def folded(fit: LinearFit, names: Sequence[str], finished: Finished) -> np.ndarray:
    """From all coefficients to those kept: numbers held and the stage go into the mean."""
    kept = kept_columns(fit, names)
    folding = np.eye(fit.fixed.X.shape[1])[kept]
    for term, part in fit.fixed.terms.items():
        if term != "1" and part.start not in kept and term not in fit.fixed.levels:
            folding[0, part] = fit.fixed.X[:, part].mean(axis=0)
    for term, coded in finished.coded.items():
        folding[0, fit.fixed.terms[term]] = coded
    return folding


def _coded_rows(
    fit: LinearFit, space: Space, levels: pd.DataFrame, names: Sequence[str]
) -> np.ndarray:
    grid = space.coded(levels[[*names]])
    for name in names:
        if pd.api.types.is_numeric_dtype(grid[name]):
            grid[bent(name)] = grid[name] ** 2
    needed = {name for of in fit.fixed.variables.values() for name in of} - {*grid}
    first = fit.fixed.data.iloc[0]
    return fit.fixed.rows(grid.assign(**{name: first[name] for name in needed}))
