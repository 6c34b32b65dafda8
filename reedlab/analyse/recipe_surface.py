"""How one response depends on what the maker sets: the surface that a recipe is read from.

The house's mixed model with main effects, a bend for every number of three levels or
more, and the interactions that a batch was laid out for or that are beyond chance
(corrected for how many were looked at). Other recorded factors stay in the model and are
held: numbers at their mean, categories and blocks averaged. Numbers are coded -1 to 1
over the range tried; responses stay in their unit, kept or discarded as 0 to 1.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd

from reedlab.analyse.effects import fit_factors, formula
from reedlab.analyse.evidence import LEVEL
from reedlab.analyse.frame import Frame
from reedlab.analyse.recipe_space import Space
from reedlab.analyse.strata import Layout, judged
from reedlab.errors import InestimableTermError, ModelError
from reedlab.model import LinearFit, fit_mixed
from reedlab.model.best_set import Estimates
from reedlab.model.comparisons import holm, t_table
from reedlab.model.design import quoted
from reedlab.model.desirability import higher_is_better, lower_is_better, nearer_is_better
from reedlab.model.moderated import PRIOR_DF, independent_covariance
from reedlab.schema import Factor, Response

#: Error degrees of freedom that bends and interactions must leave (rule of thumb, common
#: practice, no source).
LEAST_DF = 5


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
        Limits between which the response is more or less desirable.
    """

    response: Response
    frame: Frame
    names: tuple[str, ...]
    fit: LinearFit
    estimates: Estimates
    low: float
    high: float
    space: Space

    def rows(self, levels: pd.DataFrame) -> np.ndarray:
        """Code recipes, shape (n, p), to be multiplied with the coefficients."""
        return _coded_rows(self.fit, self.space, levels, self.names)[:, _kept(self.fit, self.names)]

    def expected(self, levels: pd.DataFrame) -> pd.DataFrame:
        """Mean of reeds of these recipes: estimate, conf_low, conf_high; in the unit shown."""
        rows = self.rows(levels)
        whole = rows @ _folding(self.fit, self.names)
        df = np.maximum([self.fit.test(row[None])[2] for row in whole], 1.0)
        error = np.sqrt(np.einsum("np,pq,nq->n", rows, self.estimates.covariance, rows))
        names = [self.response.name] * len(rows)
        found = t_table("term", names, rows @ self.estimates.coefficients, error, df)
        found = found[["term", "estimate", "conf_low", "conf_high"]]
        if self.response.kind == "binary":
            shown = ["estimate", "conf_low", "conf_high"]
            found[shown] = found[shown].clip(0, 1) * 100
        return found

    def desirability(self, means: np.ndarray, floor: float = 0.0) -> np.ndarray:
        """From means in the response's unit to 0 to 1."""
        if self.response.direction == "target":
            target = self.response.target or 0.0
            return nearer_is_better(means, self.low, target, self.high, floor=floor)
        ramp = higher_is_better if self.response.direction == "higher" else lower_is_better
        return ramp(means, self.low, self.high, floor=floor)

    @property
    def pairs(self) -> list[tuple[str, str]]:
        """Interactions in the model, by the names of their factors."""
        made = {*self.names}
        terms = [of for of in self.fit.fixed.variables.values() if len(of) == 2]
        return [(a, b) for a, b in terms if {a, b} <= made]

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


def fit_surface(frame: Frame, space: Space, planned: Sequence[tuple[str, str]]) -> Surface:
    """Fit one response over the factors of a space.

    Parameters
    ----------
    frame : Frame
        Factors that are set first, so that those held give way before them.
    space : Space
    planned : sequence of (str, str)
        Interactions that the batches were laid out for.

    Raises
    ------
    ModelError
        If no factor can be examined, or none of those that are set.
    """
    coded = replace(frame, data=space.coded(frame.data))
    coded, chosen = judged(coded)
    fit, coded = fit_factors(coded, chosen)
    names = tuple(factor.name for factor in _set(coded, space))
    if not names:
        raise ModelError("\n".join(["No factor that is set can be examined.", *coded.cautions]))
    bends = [f.name for f in _set(coded, space) if _can_bend(f, frame.data[f.name])]
    coded = replace(coded, data=coded.data.assign(**{_bent(n): coded.data[n] ** 2 for n in bends}))
    wanted = [pair for pair in planned if set(pair) <= set(names)]
    terms = [quoted(_bent(name)) for name in bends] + [_crossed(pair) for pair in wanted]
    others = [_crossed(pair) for pair in combinations(names, 2) if not _among(pair, wanted)]
    looked = _extended(coded, chosen, [*terms, *others]) if others else None
    if looked is not None:
        terms += _supported(looked, others)
    # Where they are too many together, interactions are given up before bends.
    fits = (_extended(coded, chosen, some) for some in (terms, terms[: len(bends)]))
    fit = next((larger for larger in fits if larger), fit)
    # `frame` keeps bench units; the reasons why factors were left out come from the fit.
    cautions = [*coded.cautions, *_straight(fit, _set(coded, space), bends, frame.response)]
    kept = replace(frame, cautions=tuple(cautions))
    low, high = _limits(frame)
    estimates = _estimates(frame, fit, names)
    return Surface(frame.response, kept, names, fit, estimates, low, high, space)


def _straight(
    fit: LinearFit, factors: Sequence[Factor], bends: Sequence[str], response: Response
) -> list[str]:
    """Say of which factors three levels or more were tried, but the bend cannot be told."""
    return [
        f"{factor.label}: too few rows of {response.label} to tell a bend; a straight line is "
        "assumed."
        for factor in factors
        if factor.name in bends and _bent(factor.name) not in fit.fixed.terms
    ]


def _set(frame: Frame, space: Space) -> list[Factor]:
    """Factors of the space that the frame can examine."""
    examined = {factor.name for factor in frame.factors}
    return [factor for factor in space.factors if factor.name in examined]


def _can_bend(factor: Factor, values: pd.Series) -> bool:
    return factor.kind == "numeric" and values.nunique() > 2


def _bent(name: str) -> str:
    return f"{name} squared"


def _crossed(pair: Sequence[str]) -> str:
    return ":".join(quoted(name) for name in pair)


def _among(pair: tuple[str, str], pairs: Sequence[tuple[str, str]]) -> bool:
    return any(set(pair) == set(other) for other in pairs)


def _extended(frame: Frame, chosen: Layout, terms: Sequence[str]) -> LinearFit | None:
    """Fit with further terms, without those that these rows cannot tell; None if none is left."""
    terms = list(terms)
    columns = 1 + len(frame.factors) + len(chosen.blocks)
    while terms and len(frame.data) - columns - len(terms) >= LEAST_DF:
        asked = " + ".join([formula(frame, chosen), *terms])
        try:
            fit = fit_mixed(asked, frame.data, chosen.groups, bounded=False)
        except InestimableTermError as error:
            alike = [term for term in terms if term.replace("`", "") == error.term.replace("`", "")]
            if not alike:
                return None
            terms.remove(alike[0])
            continue
        except ModelError:
            return None
        enough = fit.n - fit.fixed.X.shape[1] >= LEAST_DF
        return fit if enough and _all_judged(fit) else None
    return None


def _all_judged(fit: LinearFit) -> bool:
    unit = np.eye(fit.fixed.X.shape[1])
    tests = [fit.test(unit[part]) for part in fit.fixed.terms.values()]
    return all(F >= 0 and df > 0 for F, _, df in tests)


def _supported(fit: LinearFit, terms: Sequence[str]) -> list[str]:
    """Interactions of a fit that are beyond chance, corrected for how many there are."""
    from scipy.stats import f as f_distribution

    plain = {term.replace("`", ""): term for term in terms}
    present = [term for term in fit.fixed.terms if term.replace("`", "") in plain]
    if not present:
        return []
    unit = np.eye(fit.fixed.X.shape[1])
    tests = [fit.test(unit[fit.fixed.terms[term]]) for term in present]
    p = holm(np.array([f_distribution.sf(F, q, df) for F, q, df in tests]))
    return [plain[t.replace("`", "")] for t, one in zip(present, p, strict=True) if one < LEVEL]


def _limits(frame: Frame) -> tuple[float, float]:
    """Where desirability is 0 and 1: the range of reeds, or of the scale."""
    response = frame.response
    if response.kind == "binary":
        return 0.0, 1.0
    values = frame.data[response.name]
    if response.kind == "ordinal":
        words = any(isinstance(level, str) for level in response.levels)
        levels = range(1, len(response.levels) + 1) if words else response.levels
        return float(min(levels)), float(max(levels))
    if "reed_id" in frame.data:
        values = values.groupby(frame.data["reed_id"]).mean()
    if response.direction == "target":
        target = response.target or 0.0
        away = float((values - target).abs().max())
        return target - away, target + away
    return float(values.min()), float(values.max())


def _kept(fit: LinearFit, names: Sequence[str]) -> list[int]:
    """Columns of the mean and of terms made of factors that are set, mean and mains first."""
    made = {*names, *map(_bent, names)}
    terms = [t for t, of in fit.fixed.variables.items() if t != "1" and set(of) <= made]
    mains = [name for name in names if name in terms]
    order = ["1", *mains, *(term for term in terms if term not in mains)]
    slices = [fit.fixed.terms[term] for term in order]
    return [column for part in slices for column in range(part.start, part.stop)]


def _folding(fit: LinearFit, names: Sequence[str]) -> np.ndarray:
    """From all coefficients to those kept: numbers that are held go into the mean."""
    kept = _kept(fit, names)
    folding = np.eye(fit.fixed.X.shape[1])[kept]
    for term, part in fit.fixed.terms.items():
        if term != "1" and part.start not in kept and term not in fit.fixed.levels:
            folding[0, part] = fit.fixed.X[:, part].mean(axis=0)
    return folding


def _coded_rows(
    fit: LinearFit, space: Space, levels: pd.DataFrame, names: Sequence[str]
) -> np.ndarray:
    grid = space.coded(levels[[*names]])
    for name in names:
        if pd.api.types.is_numeric_dtype(grid[name]):
            grid[_bent(name)] = grid[name] ** 2
    needed = {name for of in fit.fixed.variables.values() for name in of} - {*grid}
    first = fit.fixed.data.iloc[0]
    return fit.fixed.rows(grid.assign(**{name: first[name] for name in needed}))


def _estimates(frame: Frame, fit: LinearFit, names: Sequence[str]) -> Estimates:
    folding = _folding(fit, names)
    covariance = folding @ fit.covariance() @ folding.T
    df = np.maximum([fit.test(row[None])[2] for row in folding], 1.0)
    if frame.response.kind == "binary":
        # Few tubes often agree by chance: the covariance is moderated as in keeping.py.
        chance = np.full(fit.n, float(fit.fixed.y.mean()))
        independent = independent_covariance(folding @ np.linalg.pinv(fit.fixed.X), chance)
        own = np.sqrt(df / (df + PRIOR_DF))
        rest = np.sqrt(PRIOR_DF / (df + PRIOR_DF))
        covariance = np.outer(own, own) * covariance + np.outer(rest, rest) * independent
    columns = [fit.fixed.column_names[i] for i in _kept(fit, names)]
    return Estimates(tuple(columns), folding @ fit.coefficients, covariance, df)
