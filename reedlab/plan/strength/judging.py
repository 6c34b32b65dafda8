"""The test of a term, and how often it would find an effect, at the 5 % level.

Reckoned at the true variances (:class:`Reckoned`): the Kenward-Roger test's degrees of
freedom with a noncentral F distribution, exact where the layout is balanced. Or counted
over simulated batches (:class:`Counted`, from :mod:`reedlab.plan.strength.counted`).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from reedlab.model.groups import require_identified
from reedlab.model.inference import METHODS, basis
from reedlab.model.reml import Fits
from reedlab.plan.strength.design import Design
from reedlab.plan.strength.rows import AIM, LEVEL

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

    def grown(self, times: float) -> "Reckoned":
        """Roughly the test in a layout so many times as large."""
        return replace(self, den_df=self.den_df * times, pull=self.pull * times)


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
        exact = den_df > FEWEST_DF and design.stratum_of(term) is not None
        found[term.name] = Reckoned(len(L), den_df, scale, float(pull), exact)
    return found


def fewest(power_of: Callable[[int], float], least: int, most: int, near: int = 0) -> float:
    """Find the smallest count with the power aimed at; missing if it is above `most`.

    `near` is a guess of it, from which steps are doubled up or down.
    """
    near = min(max(near, least), most)
    step = 1
    if power_of(near) < AIM:
        low, high = near, min(near + step, most)
        while power_of(high) < AIM:
            if high >= most:
                return float("nan")
            step *= 2
            low, high = high, min(high + step, most)
    else:
        low, high = max(near - step, least - 1), near
        while low >= least and power_of(low) >= AIM:
            step *= 2
            low, high = max(low - step, least - 1), low
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
