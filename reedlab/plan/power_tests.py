"""How often the Kenward-Roger test of a term would find an effect, at the 5 % level.

Reckoned at the true variances (:class:`Reckoned`): the test's degrees of freedom with a
noncentral F distribution, exact where the layout is balanced. Or counted over simulated
batches (:class:`Counted`), each tested as `analyse.drivers` tests it. What REML finds
of the variances does not depend on the effects, so one batch of fits without effects
serves every term and every size of effect: only the coefficients are moved.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from reedlab.model.groups import require_identified
from reedlab.model.inference import METHODS, basis
from reedlab.model.reml import Fits, fit_reml
from reedlab.model.strata import Strata
from reedlab.model.threads import one_thread
from reedlab.plan.power_design import Design
from reedlab.plan.power_rows import AIM, LEVEL

#: So many responses at once stay in the processor's own memory.
CHUNK = 5000
#: Shares of information nearer to 0 or 1 than this are 0 or 1.
SAME = 1e-8
#: With fewer error degrees of freedom the floor of reedlab.model.inference is felt: the test of
#: 3 tubes x 3 reeds finds 3 instead of 5 in 100 null batches, so it is counted, not reckoned.
FEWEST_DF = 1.5


@dataclass(frozen=True)
class Reckoned:
    """A term's test at the true variances.

    Attributes
    ----------
    num_df : int
    den_df, scale : float
        F times scale is compared with the F distribution of these degrees of freedom.
    pull : float
        Noncentrality of an effect of 1.
    exact : bool
        Whether the term is tested within one error stratum of a balanced layout, where this
        is the classical F test.
    """

    num_df: int
    den_df: float
    scale: float
    pull: float
    exact: bool

    def power(self, effect: float) -> float:
        """Chance of finding an effect, 0 to 1."""
        from scipy.special import fdtri, ncfdtr

        bar = fdtri(self.num_df, self.den_df, 1 - LEVEL) / self.scale
        return 1 - float(ncfdtr(self.num_df, self.den_df, self.pull * effect**2, bar))


@dataclass(frozen=True)
class Counted:
    """A term's tests in simulated batches: F is a + 2 b effect + c effect^2 in each.

    Attributes
    ----------
    a, b, c, bar : ndarray, shape (simulations,)
        `bar` is the F that is just significant; nothing exceeds a missing one.
    """

    a: np.ndarray
    b: np.ndarray
    c: np.ndarray
    bar: np.ndarray

    def power(self, effect: float) -> float:
        """Share of the batches in which an effect is found, 0 to 1."""
        return float(np.mean(self.a + effect * (2 * self.b + effect * self.c) > self.bar))


def reckon(design: Design, variance: Mapping[str, float]) -> dict[str, Reckoned]:
    """Reckon the test of every term at the true variances.

    Raises
    ------
    ModelError
        If the terms leave nothing to tell a variance from.
    """
    if not design.terms:
        return {}
    theta = design.theta(variance)[None]
    kernel = design.kernel
    require_identified(kernel, design.groups)
    moments = kernel.moments(theta, kernel.project(np.zeros((len(design.matrix), 1))))
    rests_on = basis(Fits(theta, theta, moments, np.array([True])), METHODS[0], bounded=False)
    found = {}
    for term in design.terms:
        L, shift = design.hypothesis(term), design.shift(term)
        # The test's own F for coefficients that are just the effect: scale times noncentrality.
        there = replace(rests_on, moments=replace(moments, beta=shift[None]))
        test = there.test(L)
        pull = (L @ shift) @ np.linalg.solve(L @ moments.phi[0] @ L.T, L @ shift)
        scale = float(test.statistic[0]) * len(L) / pull
        den_df = float(test.den_df[0])
        exact = den_df > FEWEST_DF and _within_one_stratum(design, L)
        found[term.name] = Reckoned(len(L), den_df, scale, float(pull), exact)
    return found


def _within_one_stratum(design: Design, L: np.ndarray) -> bool:
    """Say whether columns fall into strata without remainder, and those of L into one."""
    if not isinstance(design.kernel, Strata):
        return False
    whole = all(np.allclose(share @ share, share, atol=SAME) for share in design.kernel.XX)
    return whole and any(np.allclose(L @ share, L, atol=SAME) for share in design.kernel.XX)


@one_thread
def count(
    design: Design, variance: Mapping[str, float], simulations: int, seed: int
) -> dict[str, Counted]:
    """Simulate batches without effects and test every term in each."""
    rng = np.random.default_rng(seed)
    theta = design.theta(variance)
    scale = float(np.sqrt(theta.sum()))
    sizes = [min(CHUNK, simulations - start) for start in range(0, simulations, CHUNK)]
    parts = [_tested(design, _noise(design, theta / scale**2, size, rng), scale) for size in sizes]
    return {
        term.name: Counted(*np.concatenate([part[term.name] for part in parts], axis=1))
        for term in design.terms
    }


def _noise(design: Design, theta: np.ndarray, size: int, rng: np.random.Generator) -> np.ndarray:
    Y = np.sqrt(theta[0]) * rng.normal(size=(len(design.matrix), size))
    for code, variance in zip(design.codes, theta[1:], strict=True):
        Y += (np.sqrt(variance) * rng.normal(size=(code.max() + 1, size)))[code]
    return Y


def _tested(design: Design, Y: np.ndarray, scale: float) -> dict[str, np.ndarray]:
    """The four arrays of :class:`Counted`, for every term."""
    from scipy.special import fdtri

    Q = design.factored[0]
    start = Q.T @ Y
    fits = fit_reml(design.kernel, Y - Q @ start)
    null = fits.moments.beta + start.T
    rests_on = basis(fits, METHODS[0], bounded=False)
    found = {}
    for term in design.terms:
        L, shift = design.hypothesis(term), design.shift(term) / scale
        moved = [
            replace(rests_on, moments=replace(fits.moments, beta=null + step * shift)).test(L)
            for step in (-1, 0, 1)
        ]
        less, a, more = (test.statistic for test in moved)
        df = moved[0].den_df
        told = fits.converged & np.isfinite(a) & (a >= 0) & (df > 0)
        bar = fdtri(len(L), np.where(told, df, 1.0), 1 - LEVEL)
        bar = np.where(told, bar, np.inf)
        found[term.name] = np.array([a, (more - less) / 4, (more + less) / 2 - a, bar])
    return found


def fewest(power_of: Callable[[int], float], least: int, most: int) -> float:
    """Find the smallest count with the power aimed at; missing if it is above `most`."""
    # Large batches take long to reckon, so counts are doubled from below.
    low, high = least - 1, least
    while power_of(high) < AIM:
        if high >= most:
            return float("nan")
        low, high = high, min(2 * high, most)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if power_of(middle) >= AIM else (middle, high)
    return float(high)


def smallest(test: Reckoned | Counted, guess: float) -> float:
    """Find the smallest effect with the power aimed at; missing if there is none."""
    high = guess
    for _ in range(60):
        if test.power(high) >= AIM:
            break
        high *= 2
    else:
        return float("nan")
    low = 0.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if test.power(middle) >= AIM else (middle, high)
    return high
