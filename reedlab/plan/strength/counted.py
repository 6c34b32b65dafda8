"""Simulated batches, each tested as `analyse.drivers` tests it; many at once.

Variances and degrees of freedom do not depend on the effects, so one batch of responses
without effects serves every term and every size of effect: only the coefficients are
moved. Where columns fall into error strata without remainder and there are two strata at
most, restricted likelihood is no more than their mean squares, and these are taken.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from reedlab.model.basis import rank
from reedlab.model.inference import FLOOR, METHODS, basis
from reedlab.model.reml import fit_reml
from reedlab.model.strata import Strata
from reedlab.model.threads import one_thread
from reedlab.plan.strength.design import Design, Term
from reedlab.plan.strength.judging import Counted
from reedlab.plan.strength.rows import LEVEL

#: So many responses at once stay in the processor's own memory.
CHUNK = 5000
#: With more, the likelihood weighs several strata.
MOST_STRATA = 2


@one_thread
def count(
    design: Design, variance: Mapping[str, float], simulations: int, seed: int
) -> dict[str, Counted]:
    """Simulate batches without effects and test every term in each."""
    rng = np.random.default_rng(seed)
    theta = design.theta(variance)
    scale = float(np.sqrt(theta.sum()))
    sizes = [min(CHUNK, simulations - start) for start in range(0, simulations, CHUNK)]
    parts = [answers(design, _noise(design, theta / scale**2, size, rng), scale) for size in sizes]
    return {
        term.name: Counted(*np.concatenate([part[term.name] for part in parts], axis=1))
        for term in design.terms
    }


def answers(design: Design, Y: np.ndarray, scale: float) -> dict[str, np.ndarray]:
    """The four arrays of :class:`Counted`, for every term; Y (n, B) in units of `scale`."""
    kernel, found = design.kernel, {}
    if isinstance(kernel, Strata) and len(kernel.m) <= MOST_STRATA:
        found = _by_mean_squares(design, kernel, Y, scale)
    others = [term for term in design.terms if term.name not in found]
    return found | (_by_likelihood(design, others, Y, scale) if others else {})


def _noise(design: Design, theta: np.ndarray, size: int, rng: np.random.Generator) -> np.ndarray:
    Y = np.sqrt(theta[0]) * rng.normal(size=(len(design.matrix), size))
    for code, variance in zip(design.codes, theta[1:], strict=True):
        Y += (np.sqrt(variance) * rng.normal(size=(code.max() + 1, size)))[code]
    return Y


def _by_mean_squares(
    design: Design, kernel: Strata, Y: np.ndarray, scale: float
) -> dict[str, np.ndarray]:
    """Tests of the terms that lie in one stratum each: the classical F test."""
    Xy, yy = kernel.project(Y)
    df = kernel.m - [rank(share) for share in kernel.XX]
    squares = yy - np.sum(Xy**2, axis=2)
    mean_squares = squares / np.maximum(df, 1)
    # The floor of reedlab.model.inference, which few error degrees of freedom feel.
    least = FLOOR * squares.sum(axis=1) / df.sum()
    found = {}
    for term in design.terms:
        stratum = design.stratum_of(term)
        if stratum is None:
            continue
        L = design.hypothesis(term)
        root = np.linalg.solve(np.linalg.cholesky(L @ L.T), L)
        own, shift = Xy.sum(axis=1) @ root.T, root @ design.shift(term) / scale
        error = len(L) * np.maximum(mean_squares[:, stratum], least)
        bar = np.full(len(error), _bar(len(L), np.array(float(df[stratum]))))
        parts = (np.sum(own**2, axis=1), own @ shift, np.full(len(error), shift @ shift))
        found[term.name] = np.array([*(part / error for part in parts), bar])
    return found


def _by_likelihood(
    design: Design, terms: Sequence[Term], Y: np.ndarray, scale: float
) -> dict[str, np.ndarray]:
    """Kenward-Roger tests on fits by restricted likelihood."""
    Q = design.factored[0]
    start = Q.T @ Y
    fits = fit_reml(design.kernel, Y - Q @ start)
    null = fits.moments.beta + start.T
    rests_on = basis(fits, METHODS[0], bounded=False)
    found = {}
    for term in terms:
        L, shift = design.hypothesis(term), design.shift(term) / scale
        moved = [
            replace(rests_on, moments=replace(fits.moments, beta=null + step * shift)).test(L)
            for step in (-1, 0, 1)
        ]
        less, a, more = (test.statistic for test in moved)
        df = moved[0].den_df
        told = fits.converged & np.isfinite(a) & (a >= 0) & (df > 0)
        bar = np.where(told, _bar(len(L), np.where(told, df, 1.0)), np.inf)
        found[term.name] = np.array([a, (more - less) / 4, (more + less) / 2 - a, bar])
    return found


def _bar(num_df: int, den_df: np.ndarray) -> np.ndarray:
    """The F that is just significant."""
    from scipy.special import fdtri

    return fdtri(num_df, den_df, 1 - LEVEL)
