"""How often a change of the keep rate would be found.

Whether a reed is kept is decided by a hidden normal quantity of variance 1, of which
lots and tubes have the shares that their variances say; a level moves the threshold.
So the kept reeds of a tube go together. Every simulated batch is tested as
reedlab.analyse.keeping does: Firth's penalised likelihood for a factor that varies
within tubes, the moderated mixed model for one that lies between them.
"""

from collections.abc import Mapping
from dataclasses import replace
from functools import partial

import numpy as np
from scipy.special import expit

from reedlab.model.firth_many import FirthMany
from reedlab.model.inference import METHODS, basis
from reedlab.model.moderated import independent_covariance, lies_between, moderated_statistic
from reedlab.model.reml import fit_reml
from reedlab.model.threads import one_thread
from reedlab.pieces import cut, in_pieces
from reedlab.plan.strength.design import Design, Term, design_of
from reedlab.plan.strength.rows import KEYS, LEVEL, Rows

#: Batches simulated together; with fewer the same counts of kept reeds are fitted more than once.
PIECE = 2500
#: A response whose residuals are smaller than this is given exactly by the terms.
NOTHING = 1e-9


@one_thread
def share_found(
    rows: Rows,
    term: str,
    rates: tuple[float, float],
    variance: Mapping[str, float],
    simulations: int,
    seed: int,
) -> float:
    """Share of simulated batches in which the two keep rates are told apart, 0 to 1."""
    design = design_of(rows)
    asked = next((one for one in design.terms if one.name == term), None)
    if asked is None:
        return 0.0
    work = partial(_simulated, rows, design, asked, rates, variance)
    return float(np.mean(np.concatenate(in_pieces(work, cut(simulations, PIECE), seed))))


@one_thread
def _simulated(
    rows: Rows,
    design: Design,
    term: Term,
    rates: tuple[float, float],
    variance: Mapping[str, float],
    size: int,
    seed: np.random.SeedSequence,
) -> np.ndarray:
    """Whether the keep rates are told apart in each of so many batches."""
    rng = np.random.default_rng(seed)
    return _found(rows, design, term, _kept(rows, term, rates, variance, size, rng))


def _kept(
    rows: Rows,
    term: Term,
    rates: tuple[float, float],
    variance: Mapping[str, float],
    size: int,
    rng: np.random.Generator,
) -> np.ndarray:
    """Kept (1) or not (0), shape (reeds, size); the first rate belongs to the lowest level."""
    from scipy.special import ndtri

    own = variance.get("reed", 0.0) + variance.get("test", 0.0)
    parts = {key: variance.get(key.removesuffix("_id"), 0.0) for key in KEYS[:2]}
    whole = own + sum(parts.values())
    hidden = np.sqrt(own / whole) * rng.normal(size=(len(rows.data), size))
    for key, part in parts.items():
        values, code = np.unique(rows.data[key], return_inverse=True)
        hidden += (np.sqrt(part / whole) * rng.normal(size=(len(values), size)))[code]
    low, high = ndtri(rates[0]), ndtri(rates[1])
    # A term's columns give its levels places from -1/2 to 1/2.
    threshold = low + (term.columns @ term.unit + 0.5) * (high - low)
    return (hidden < threshold[:, None]).astype(float)


def _found(rows: Rows, design: Design, term: Term, Y: np.ndarray) -> np.ndarray:
    """Whether the term's test is significant in each batch; one without an answer is not."""
    Q = design.factored[0]
    start = Q.T @ Y
    residual = Y - Q @ start
    spread = residual.std(axis=0)
    some = spread > NOTHING
    Y, start, spread = Y[:, some], start[:, some], spread[some]
    if not some.any():
        return some
    fits = fit_reml(design.kernel, residual[:, some] / spread)
    beta = fits.moments.beta + (start / spread).T
    rests_on = basis(
        replace(fits, moments=replace(fits.moments, beta=beta)), METHODS[0], bounded=False
    )
    L = design.hypothesis(term)
    test = rests_on.test(L)
    told = fits.converged & (test.statistic >= 0) & (test.den_df > 0)
    cells, cell = np.unique(design.matrix, axis=0, return_inverse=True)
    cell = cell.ravel()
    events = np.array([Y[cell == i].sum(axis=0) for i in range(len(cells))]).T
    # Batches with the same counts have the same penalised fit.
    tables, same = np.unique(events, axis=0, return_inverse=True)
    same = same.ravel()
    penalised = FirthMany(cells, np.bincount(cell))
    if any(lies_between(_levels(rows, term), code) for code in design.codes):
        chance = expit(penalised.fit(tables) @ cells.T)[same][:, cell]
        independent = independent_covariance(L @ Q.T, chance)
        own = L @ rests_on.covariance @ L.T * spread[:, None, None] ** 2
        b = beta @ L.T * spread[:, None]
        F = moderated_statistic(test.statistic, test.den_df, b, own, independent)
        p_value = _f_above(F, len(L), np.where(told, test.den_df, 1.0))
    else:
        p_value = _chi2_above(penalised.ratios(tables, design.place(term)), len(L))[same]
    found = some.copy()
    found[some] = told & (p_value < LEVEL)
    return found


def _levels(rows: Rows, term: Term) -> np.ndarray:
    """A number as it is, or one column a level of a category."""
    factor = next(one for one in rows.factors if one.name == term.name)
    if factor.kind == "numeric":
        return term.columns
    code = np.unique(rows.data[term.name].astype(str), return_inverse=True)[1]
    return np.eye(code.max() + 1)[code]


def _f_above(F: np.ndarray, num_df: int, den_df: np.ndarray) -> np.ndarray:
    from scipy.special import fdtrc

    return fdtrc(num_df, den_df, np.maximum(F, 0))


def _chi2_above(statistic: np.ndarray, df: int) -> np.ndarray:
    from scipy.special import chdtrc

    return chdtrc(df, statistic)
