"""Fits with thousands of random effects, through the library mixedlm.

A pooled record of 100,000 tests of 10,000 reeds has matrices too large for the
kernel here. mixedlm (sparse penalised least squares, after Bates et al. 2015) gives
the same estimates; tests are by Satterthwaite's method on its numerical derivatives,
with variances at zero or above: with so many groups the choice hardly matters.
Nested groups, and sessions that belong to one maker each, take about a second; so do a few
hundred sessions in which reeds of all makers meet, but a thousand of those take far longer.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from reedlab.errors import ModelError
from reedlab.model.design import FixedPart
from reedlab.model.inference import METHODS, pooled_df
from reedlab.model.questions import LinearFit


@dataclass(frozen=True)
class LargeFit(LinearFit):
    """A fit by mixedlm; asked like any other."""

    result: Any

    @property
    def variances(self) -> dict[str, float]:
        """Variance of each group and of the residual."""
        sigma2 = float(self.result.sigma) ** 2
        named = zip(self.groups, np.atleast_1d(self.result.theta), strict=True)
        return {**{name: float(t) ** 2 * sigma2 for name, t in named}, "residual": sigma2}

    @property
    def loglik(self) -> float:
        """Restricted log likelihood, for the coding of the terms."""
        return float(self.result.logLik().value)

    @property
    def coefficients(self) -> np.ndarray:
        """Estimates of the coded columns, shape (p,)."""
        return np.array(list(self.result.fixef().values()))

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to know before reading the tests."""
        return (
            *self.fixed.cautions,
            "So many random effects: tests are by Satterthwaite's method.",
        )

    def covariance(self, method: str = METHODS[0]) -> np.ndarray:
        """Covariance matrix of `coefficients`, shape (p, p); the same for every method."""
        return np.asarray(self.result.vcov())

    def test(self, L: np.ndarray, method: str = METHODS[0]) -> tuple[float, int, float]:
        """F statistic and degrees of freedom of L b = 0, Satterthwaite's whatever the method."""
        values, vectors = np.linalg.eigh(L @ self.covariance() @ L.T)
        contrasts = vectors.T @ L
        slopes, covariance = self._slopes
        relative = np.einsum("ip,kpq,iq->ik", contrasts, slopes, contrasts) / values[:, None]
        spread = np.einsum("ik,kl,il->i", relative, covariance, relative)
        nu = 2 / (spread + 2 / (self.n - len(self.coefficients)))
        F = np.mean((contrasts @ self.coefficients) ** 2 / values)
        return float(F), len(L), float(pooled_df(nu[None])[0])

    @cached_property
    def _slopes(self) -> tuple[np.ndarray, np.ndarray]:
        """Slopes of the covariance by the relative standard deviations, and their covariance.

        The library's public function gives degrees of freedom for single coefficients
        only; those of a contrast are not to be had from them, so its inner part is used.
        """
        from mixedlm.inference.ddf import _vcov_derivatives

        slopes, covariance = _vcov_derivatives(self.result)
        return np.array(slopes), np.asarray(covariance)

    @cached_property
    def fitted(self) -> pd.Series:
        """Fixed effects and predicted group effects of each row used."""
        values = np.asarray(self.result.fitted())
        return pd.Series(values, index=self.fixed.data.index, name="fitted")


def fit_large(formula: str, fixed: FixedPart, groups: dict[str, np.ndarray]) -> LargeFit:
    """Fit by mixedlm; the coded columns and the groups get plain names on the way."""
    import mixedlm

    columns = [f"x{i}" for i in range(fixed.X.shape[1])]
    table = pd.DataFrame(fixed.X, columns=columns).assign(y=fixed.y)
    for i, code in enumerate(groups.values()):
        table[f"g{i}"] = code.astype(str)
    random = " + ".join(f"(1 | g{i})" for i in range(len(groups)))
    # A variance at zero is an answer as in smaller fits, which do not warn of it either.
    control = mixedlm.lmerControl(check_singular=False)
    result = mixedlm.lmer(f"y ~ 0 + {' + '.join(columns)} + {random}", table, control=control)
    if not result.converged:
        raise ModelError("The variances of so many random effects could not be estimated.")
    return LargeFit(formula, fixed, groups, result)
