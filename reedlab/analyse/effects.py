"""Effects of factors on a number: one mixed model, in bench units.

All factors are examined together, each given the others. A number's effect is told
for one step of it, a category's against its first level. Tests and intervals are
Kenward and Roger's with the unbiased variances (see reedlab.model.inference), so
that a factor is judged by the variation of the thing to which its level was given.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reedlab.analyse.frame import Frame, ordered_levels
from reedlab.analyse.strata import Layout, none_left
from reedlab.errors import InestimableTermError, ModelError
from reedlab.model import LinearFit, fit_mixed
from reedlab.model.design import fixed_part, quoted
from reedlab.model.separation import empty_cells
from reedlab.schema import Factor


def fit_factors(frame: Frame, chosen: Layout) -> tuple[LinearFit, Frame]:
    """Fit all factors of a frame; a factor that cannot be told from others is left out.

    Raises
    ------
    ModelError
        If no factor remains, or the variances cannot be estimated.
    """
    while frame.factors:
        try:
            fit = fit_mixed(formula(frame, chosen), frame.data, chosen.groups, bounded=False)
        except InestimableTermError as error:
            alike = next(factor for factor in frame.factors if factor.name == error.term)
            frame = frame.without(alike, f"{alike.label}: {error} Not examined.")
        except ModelError as error:
            raise _with_empty_cells(error, frame, chosen) from None
        else:
            alone = [factor for factor in frame.factors if not _is_judged(fit, factor)]
            if not alone:
                return fit, frame
            why = f"{alone[-1].label}: too few {alone[-1].stratum}s to judge it; not examined."
            frame = frame.without(alone[-1], why)
    raise none_left(frame)


def _is_judged(fit: LinearFit, factor: Factor) -> bool:
    """Say whether degrees of freedom are left for a factor's test and for its contrasts."""
    part = fit.fixed.terms[factor.name]
    rows = [np.eye(fit.fixed.X.shape[1])[part], *(row[None] for row in contrasts(fit, factor)[1])]
    tests = [fit.test(L) for L in rows]
    return all(F >= 0 and df > 0 for F, _, df in tests)


def _with_empty_cells(error: ModelError, frame: Frame, chosen: Layout) -> ModelError:
    """Add to an error about a yes or no which levels have only the one or the other."""
    if frame.response.kind != "binary" or frame.data[frame.response.name].nunique() < 2:
        return error
    cells = empty_cells(fixed_part(formula(frame, chosen), frame.data))
    return ModelError(" ".join([str(error), *cells]))


def formula(frame: Frame, chosen: Layout) -> str:
    """Write the model: blocks first, so that what a block explains is not laid to a factor."""
    names = [*chosen.blocks, *(factor.name for factor in frame.factors)]
    return f"{quoted(frame.response.name)} ~ {' + '.join(map(quoted, names)) or '1'}"


def step_of(factor: Factor, values: pd.Series) -> float:
    """Choose the change of a number that its effect is told for.

    The factor's own step; else the distance of its two levels, or one standard
    deviation to one digit.
    """
    if factor.step is not None:
        return factor.step
    levels = np.unique(values)
    if len(levels) == 2:
        return float(levels[1] - levels[0])
    return float(f"{values.std():.1g}")


def contrasts(
    fit: LinearFit, factor: Factor, like: LinearFit | None = None
) -> tuple[list[str], np.ndarray]:
    """Names of a factor's contrasts and their coefficients, shape (m, p).

    With the fit of more rows as `like`, a number's step is the one chosen there.
    """
    if factor.kind == "numeric":
        step = step_of(factor, (like or fit).fixed.data[factor.name])
        L = np.zeros((1, fit.fixed.X.shape[1]))
        L[0, fit.fixed.terms[factor.name]] = step
        return [f"{step:+g} {factor.unit}".rstrip()], L
    order = ordered_levels(factor, fit.fixed.levels[factor.name])
    # Factors stand alone here, so any row of a level shows how the level is coded.
    part, values = fit.fixed.terms[factor.name], fit.fixed.data[factor.name]
    coded = np.array([fit.fixed.X[np.argmax(values == level), part] for level in order])
    L = np.zeros((len(order) - 1, fit.fixed.X.shape[1]))
    L[:, part] = coded[1:] - coded[0]
    return [f"{level} - {order[0]}" for level in order[1:]], L


def effects_table(fit: LinearFit, factors: Sequence[Factor]) -> pd.DataFrame:
    """One row a contrast: estimate, interval, the term's F test, share of variance."""
    from scipy.stats import f as f_distribution

    covariance = fit.covariance()
    shares = _shares(fit, covariance)
    rows = []
    for factor in factors:
        part = fit.fixed.terms[factor.name]
        F, num_df, den_df = fit.test(np.eye(fit.fixed.X.shape[1])[part])
        names, L = contrasts(fit, factor)
        # statistic and p_value are the whole term's: with two levels or a number the same test.
        found = fit.contrast(L).assign(
            term=factor.name,
            contrast=names,
            num_df=num_df,
            den_df=den_df,
            statistic=F,
            p_value=float(f_distribution.sf(F, num_df, den_df)),
            share=shares[factor.name],
        )
        rows.append(found)
    return pd.concat(rows, ignore_index=True)


def _shares(fit: LinearFit, covariance: np.ndarray) -> dict[str, float]:
    """Share of each term's contribution in the variance of the rows, 0 to 1.

    Where terms go together and their contributions cancel, the total counts each of them
    whole, so that no share exceeds it.
    """
    apart = {term: _explained(fit, part, covariance) for term, part in fit.fixed.terms.items()}
    together = _explained(fit, slice(0, fit.fixed.X.shape[1]), covariance)
    components = sum(max(0.0, variance) for variance in fit.variances.values())
    total = max(together, sum(apart.values())) + components
    return {term: explained / total for term, explained in apart.items()}


def _explained(fit: LinearFit, part: slice, covariance: np.ndarray) -> float:
    """Variance of a part of the fixed effects over the rows, less what chance alone gives."""
    columns = fit.fixed.X[:, part] - fit.fixed.X[:, part].mean(axis=0)
    cross = columns.T @ columns / len(columns)
    b = fit.coefficients[part]
    return max(0.0, float(b @ cross @ b - np.sum(cross * covariance[part, part])))
