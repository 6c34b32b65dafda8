"""Fitting how one response depends on what the maker sets.

The house's mixed model with main effects, a bend for every number of three levels or
more, and the interactions that a batch was laid out for or that are beyond chance
(corrected for how many were looked at). Other recorded factors stay in the model and are
held: numbers at their mean, categories and blocks averaged, but the stage of the tests at
its last: a recipe aims at finished reeds.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd

from reedlab.analyse.effects import fit_factors, formula
from reedlab.analyse.evidence import LEVEL
from reedlab.analyse.frame import Frame
from reedlab.analyse.recipe_space import Space
from reedlab.analyse.recipe_surface import Finished, Surface, bent, folded, kept_columns
from reedlab.analyse.strata import Layout, judged
from reedlab.errors import InestimableTermError, ModelError
from reedlab.model import LinearFit, fit_mixed
from reedlab.model.best_set import Estimates
from reedlab.model.comparisons import holm
from reedlab.model.design import quoted
from reedlab.model.moderated import PRIOR_DF, independent_covariance
from reedlab.schema import Factor, Response

#: Error degrees of freedom that bends and interactions must leave (rule of thumb, common
#: practice, no source).
LEAST_DF = 5
#: Terms that tell one stage of the tests from another.
TOLD_BY = ("stage", "session_id")


def fit_surface(
    frame: Frame,
    space: Space,
    planned: Sequence[tuple[str, str]],
    first: Sequence[tuple[str, str]] = (),
    stages: Sequence[str] = (),
) -> Surface:
    """Fit one response over the factors of a space.

    Parameters
    ----------
    frame : Frame
        Factors that are set first, so that those held give way before them.
    space : Space
    planned : sequence of (str, str)
        Interactions that the batches were laid out for.
    first : sequence of (str, str)
        Those of the first batch: no earlier one can have shown them.
    stages : sequence of str
        The stages of the tests, the last one last.

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
    coded = replace(coded, data=coded.data.assign(**{bent(n): coded.data[n] ** 2 for n in bends}))
    wanted = [pair for pair in planned if set(pair) <= set(names)]
    terms = [quoted(bent(name)) for name in bends] + [_crossed(pair) for pair in wanted]
    others = [_crossed(pair) for pair in combinations(names, 2) if not _among(pair, wanted)]
    looked = _extended(coded, chosen, [*terms, *others]) if others else None
    terms += _supported(looked, others) if looked is not None else []
    # Where they are too many together, interactions are given up before bends.
    fits = (_extended(coded, chosen, some) for some in (terms, terms[: len(bends)]))
    fit = next((larger for larger in fits if larger), fit)
    # `frame` keeps bench units; the reasons why factors were left out come from the fit.
    cautions = [*coded.cautions, *_straight(fit, _set(coded, space), bends, frame.response)]
    kept = replace(frame, cautions=tuple(cautions))
    finished = _finished(frame, fit, stages)
    reeds = _reeds(frame, fit, finished)
    return Surface(
        frame.response,
        kept,
        names,
        fit,
        _estimates(frame, fit, names, finished),
        *_limits(frame.response, reeds),
        _spread(frame.response, fit),
        space,
        reeds,
        finished,
        _before(fit, first),
    )


def _straight(
    fit: LinearFit, factors: Sequence[Factor], bends: Sequence[str], response: Response
) -> list[str]:
    """Say of which factors three levels or more were tried, but the bend cannot be told."""
    return [
        f"{factor.label}: too few rows of {response.label} to tell a bend; a straight line is "
        "assumed."
        for factor in factors
        if factor.name in bends and bent(factor.name) not in fit.fixed.terms
    ]


def _set(frame: Frame, space: Space) -> list[Factor]:
    """Factors of the space that the frame can examine."""
    examined = {factor.name for factor in frame.factors}
    return [factor for factor in space.factors if factor.name in examined]


def _can_bend(factor: Factor, values: pd.Series) -> bool:
    return factor.kind == "numeric" and values.nunique() > 2


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


def _finished(frame: Frame, fit: LinearFit, stages: Sequence[str]) -> Finished:
    played = frame.data["stage"] if "stage" in frame.data else pd.Series(dtype=object)
    here = [stage for stage in stages if (played == stage).any()]
    if len(here) < 2:
        return Finished()
    last = (played.loc[fit.fixed.data.index] == here[-1]).to_numpy()
    parts = {term: part for term, part in fit.fixed.terms.items() if term in TOLD_BY}
    return Finished(
        here[-1], {t: fit.fixed.X[last, part].mean(axis=0) for t, part in parts.items()}
    )


def _reeds(frame: Frame, fit: LinearFit, finished: Finished) -> pd.Series:
    """Mean of each reed's tests, each brought to the last stage; rows if no reed is named."""
    values = frame.data[frame.response.name].astype(float).loc[fit.fixed.data.index]
    for term, coded in finished.coded.items():
        part = fit.fixed.terms[term]
        values = values + (coded - fit.fixed.X[:, part]) @ fit.coefficients[part]
    if "reed_id" in frame.data:
        return values.groupby(frame.data["reed_id"]).mean()
    return values


def _before(fit: LinearFit, first: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    variables = fit.fixed.variables.items()
    return tuple(t for t, of in variables if len(of) < 2 or _among((of[0], of[1]), first))


def _limits(response: Response, values: pd.Series) -> tuple[float, float]:
    """Where desirability is 0 and 1: the range of reeds, or of the scale."""
    if response.kind == "binary":
        return 0.0, 1.0
    if response.kind == "ordinal":
        words = any(isinstance(level, str) for level in response.levels)
        levels = range(1, len(response.levels) + 1) if words else response.levels
        return float(min(levels)), float(max(levels))
    if response.direction == "target":
        target = response.target or 0.0
        away = float((values - target).abs().max())
        return target - away, target + away
    return float(values.min()), float(values.max())


def _spread(response: Response, fit: LinearFit) -> float:
    """Standard deviation of new reeds of new tubes; without repeats the tests' own is in it."""
    if response.kind == "binary":
        return 0.0
    variances = fit.variances
    lasting = [variances[key] for key in ("lot_id", "tube_id", "reed_id") if key in variances]
    if "reed_id" not in variances:
        lasting.append(variances["residual"])
    return float(np.sqrt(max(sum(lasting), 0.0)))


def _estimates(frame: Frame, fit: LinearFit, names: Sequence[str], finished: Finished) -> Estimates:
    folding = folded(fit, names, finished)
    covariance = folding @ fit.covariance() @ folding.T
    df = np.maximum([fit.test(row[None])[2] for row in folding], 1.0)
    if frame.response.kind == "binary":
        # Few tubes often agree by chance: the covariance is moderated as in keeping.py.
        chance = np.full(fit.n, float(fit.fixed.y.mean()))
        independent = independent_covariance(folding @ np.linalg.pinv(fit.fixed.X), chance)
        own = np.sqrt(df / (df + PRIOR_DF))
        rest = np.sqrt(PRIOR_DF / (df + PRIOR_DF))
        covariance = np.outer(own, own) * covariance + np.outer(rest, rest) * independent
    columns = [fit.fixed.column_names[i] for i in kept_columns(fit, names)]
    return Estimates(tuple(columns), folding @ fit.coefficients, covariance, df)
