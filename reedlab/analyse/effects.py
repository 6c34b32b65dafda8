"""Effects of factors on a number: one mixed model, in bench units.

All factors are examined together, each given the others. A number's effect is told
for one step of it, a category's against its first level. Tests and intervals are
Kenward and Roger's with the unbiased variances (see reedlab.model.inference), so
that a factor is judged by the variation of the thing to which its level was given.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reedlab.analyse.frame import Frame
from reedlab.analyse.strata import Layout, none_left
from reedlab.errors import InestimableTermError
from reedlab.model import LinearFit, fit_mixed
from reedlab.model.design import quoted
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
        else:
            return fit, frame
    raise none_left(frame)


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


def contrasts(fit: LinearFit, factor: Factor) -> tuple[list[str], np.ndarray]:
    """Names of a factor's contrasts and their coefficients, shape (m, p)."""
    if factor.kind == "numeric":
        step = step_of(factor, fit.fixed.data[factor.name])
        L = np.zeros((1, fit.fixed.X.shape[1]))
        L[0, fit.fixed.terms[factor.name]] = step
        return [f"{step:+g} {factor.unit}".rstrip()], L
    levels, rows = fit.mean_rows(factor.name)
    order = [str(level) for level in factor.levels if str(level) in levels]
    order += [level for level in levels if level not in order]
    place = [levels.index(level) for level in order]
    names = [f"{level} - {order[0]}" for level in order[1:]]
    return names, rows[place[1:]] - rows[place[0]]


def effects_table(fit: LinearFit, factors: Sequence[Factor]) -> pd.DataFrame:
    """One row a contrast: estimate, interval, the term's F test, share of variance."""
    tests = fit.anova().set_index("term")
    total = _total_variance(fit)
    rows = []
    for factor in factors:
        names, L = contrasts(fit, factor)
        found = fit.contrast(L).assign(term=factor.name, contrast=names)
        test = tests.loc[factor.name]
        # statistic and p_value are the whole term's: with two levels or a number the same test.
        for column in ("num_df", "den_df", "statistic", "p_value"):
            found[column] = test[column]
        found["share"] = _explained(fit, fit.fixed.terms[factor.name]) / total
        rows.append(found)
    return pd.concat(rows, ignore_index=True)


def _explained(fit: LinearFit, part: slice) -> float:
    """Variance of a part of the fixed effects over the rows, less what chance alone gives."""
    columns = fit.fixed.X[:, part] - fit.fixed.X[:, part].mean(axis=0)
    cross = columns.T @ columns / len(columns)
    b = fit.coefficients[part]
    return max(0.0, float(b @ cross @ b - np.sum(cross * fit.covariance()[part, part])))


def _total_variance(fit: LinearFit) -> float:
    everything = _explained(fit, slice(0, fit.fixed.X.shape[1]))
    return everything + sum(max(0.0, variance) for variance in fit.variances.values())
