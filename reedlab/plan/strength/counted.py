"""Simulated batches, each tested as `analyse.drivers` tests it; many at once.

Variances and degrees of freedom do not depend on the effects, so one batch of responses
without effects serves every term and every size of effect: only the coefficients are
moved. Where the error falls into strata, what the tests look at of a response is drawn
without its rows; where there are two strata, a single ratio is fitted.
"""

from collections.abc import Mapping
from dataclasses import replace
from functools import partial

import numpy as np

from reedlab.model.inference import METHODS, basis
from reedlab.model.moments import Projected
from reedlab.model.one_ratio import OneRatio, RatioFits
from reedlab.model.reml import fit_projected
from reedlab.model.strata import Strata
from reedlab.model.threads import one_thread
from reedlab.pieces import cut, in_pieces
from reedlab.plan.strength.design import Design
from reedlab.plan.strength.judging import Counted
from reedlab.plan.strength.rows import LEVEL

#: Batches simulated together: in strata so many stay in the processor's own memory; where
#: groups cross unevenly a batch takes a hundred times as long, and fewer are worth a process.
PIECE, PIECE_UNEVEN = 5000, 250
#: The bar at up to so many degrees of freedom is reckoned, above it is read from a polynomial
#: in their inverse, which is right to 12 digits.
READ_FROM, DEGREE = 2.0, 24


def count(
    design: Design, variance: Mapping[str, float], simulations: int, seed: int
) -> dict[str, Counted]:
    """Simulate batches without effects and test every term in each."""
    theta = design.theta(variance)
    most = PIECE if isinstance(design.kernel, Strata) else PIECE_UNEVEN
    work = partial(_simulated, design, theta / theta.sum(), float(np.sqrt(theta.sum())))
    parts = in_pieces(work, cut(simulations, most), seed)
    return {
        term.name: Counted(*np.concatenate([part[term.name] for part in parts], axis=1))
        for term in design.terms
    }


@one_thread
def _simulated(
    design: Design, theta: np.ndarray, scale: float, size: int, seed: np.random.SeedSequence
) -> dict[str, np.ndarray]:
    rng, kernel = np.random.default_rng(seed), design.kernel
    if isinstance(kernel, Strata):
        return answers(design, kernel.drawn(theta, size, rng), scale)
    return answers(design, kernel.project(_noise(design, theta, size, rng)), scale)


def answers(design: Design, data: Projected, scale: float) -> dict[str, np.ndarray]:
    """The four arrays of :class:`Counted`, for every term.

    `data` are responses in units of `scale`, as the design's kernel projects them.
    """
    ratio = OneRatio.of(design.kernel)
    if ratio is None:
        return _by_likelihood(design, data, scale)
    return _by_one_ratio(design, ratio.fit(data), scale)


def _noise(design: Design, theta: np.ndarray, size: int, rng: np.random.Generator) -> np.ndarray:
    Y = np.sqrt(theta[0]) * rng.normal(size=(len(design.matrix), size))
    for code, variance in zip(design.codes, theta[1:], strict=True):
        Y += (np.sqrt(variance) * rng.normal(size=(code.max() + 1, size)))[code]
    return Y


def _by_likelihood(design: Design, data: Projected, scale: float) -> dict[str, np.ndarray]:
    """Kenward-Roger tests on fits by restricted likelihood."""
    fits = fit_projected(design.kernel, data)
    rests_on = basis(fits, METHODS[0], bounded=False)
    found = {}
    for term in design.terms:
        L, shift = design.hypothesis(term), design.shift(term) / scale
        beta = fits.moments.beta
        moved = [
            replace(rests_on, moments=replace(fits.moments, beta=beta + step * shift)).test(L)
            for step in (-1, 0, 1)
        ]
        less, a, more = (test.statistic for test in moved)
        bar = _bar_where(fits.converged, a, len(L), moved[0].den_df)
        found[term.name] = np.array([a, (more - less) / 4, (more + less) / 2 - a, bar])
    return found


def _by_one_ratio(design: Design, fits: RatioFits, scale: float) -> dict[str, np.ndarray]:
    """The same where a single ratio was fitted."""
    found = {}
    for term in design.terms:
        test = fits.test(design.hypothesis(term), design.shift(term) / scale)
        bar = _bar_where(np.isfinite(test.b), test.a, test.num_df, test.den_df)
        found[term.name] = np.array([test.a, test.b, test.c, bar])
    return found


def _bar_where(sound: np.ndarray, a: np.ndarray, num_df: int, den_df: np.ndarray) -> np.ndarray:
    """The bar of each test; above everything where there is no test."""
    told = sound & np.isfinite(a) & (a >= 0) & (den_df > 0)
    return np.where(told, _bar(num_df, np.where(told, den_df, 1.0)), np.inf)


def _bar(num_df: int, den_df: np.ndarray) -> np.ndarray:
    """The F that is just significant, shape (B,)."""
    from scipy.special import fdtri

    def bar_at(inverse: np.ndarray) -> np.ndarray:
        return fdtri(num_df, 1 / inverse, 1 - LEVEL)

    inverse = 1 / den_df
    read = den_df >= READ_FROM
    if read.sum() <= DEGREE:
        return bar_at(inverse)
    ends = inverse[read].min(), inverse[read].max() * (1 + 1e-9)  # no single point
    curve = np.polynomial.Chebyshev.interpolate(bar_at, DEGREE, ends)
    found = curve(inverse)
    found[~read] = bar_at(inverse[~read])
    return found
