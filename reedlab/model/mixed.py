"""Fit a variance-component model and ask it questions.

`fit_mixed` takes a formula for the fixed effects and the names of the grouping
factors, each a random intercept. The result tests whole terms, contrasts,
marginal means and their pairs with small-sample degrees of freedom. Units are
those of the response.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from reedlab.errors import CallError, ModelError
from reedlab.model.batched import Absorbed
from reedlab.model.design import fixed_part
from reedlab.model.groups import group_codes, group_columns, require_identified, require_useful
from reedlab.model.inference import METHODS, Basis, basis
from reedlab.model.kernel import build_kernel
from reedlab.model.large import fit_large
from reedlab.model.questions import LinearFit
from reedlab.model.reml import Fits, fit_best
from reedlab.model.strata import Strata
from reedlab.model.threads import one_thread

#: With more random effects than this the matrices of a fit are left to another library.
LARGE = 800


@dataclass(frozen=True)
class MixedFit(LinearFit):
    """A fitted variance-component model; made by :func:`fit_mixed`.

    Attributes
    ----------
    formula, fixed, groups
        As in :class:`reedlab.model.questions.LinearFit`.
    bounded : bool
        Whether tests rest on variances held at zero or above.
    """

    bounded: bool
    kernel: Strata | Absorbed
    fits: Fits
    R: np.ndarray  # X = (orthonormal columns) R
    scale: float

    @property
    def variances(self) -> dict[str, float]:
        """Variance of each group and of the residual; below zero only if unbounded."""
        theta = (self.fits.theta if self.bounded else self.fits.unbiased)[0] * self.scale**2
        named = zip([*self.groups], theta[1:], strict=True)
        return {**{name: float(v) for name, v in named}, "residual": float(theta[0])}

    @property
    def singular(self) -> bool:
        """Whether a group's variance is estimated as zero."""
        return bool(np.any(self.fits.theta == 0))

    @property
    def loglik(self) -> float:
        """Restricted log likelihood at the bounded fit, for the coding of the terms."""
        free = self.n - len(self.R)
        jacobian = np.log(np.abs(np.diag(self.R))).sum()
        constant = free * (np.log(self.scale) + np.log(2 * np.pi) / 2)
        return float(self.fits.moments.loglik[0] - constant - jacobian)

    @property
    def coefficients(self) -> np.ndarray:
        """Estimates of the coded columns, shape (p,)."""
        return np.linalg.solve(self.R, self.fits.moments.beta[0]) * self.scale

    @cached_property
    def fitted(self) -> pd.Series:
        """Fixed effects and predicted group effects of each row used."""
        y = self.fixed.y / self.scale
        gap = y - self.fixed.X @ self.coefficients / self.scale
        theta = self.fits.theta[0]
        # V^-1 r times the residual variance is the best predictor of the residual.
        residual = theta[0] * self.kernel.solve(theta, gap)
        return pd.Series((y - residual) * self.scale, index=self.fixed.data.index, name="fitted")

    def covariance(self, method: str = METHODS[0]) -> np.ndarray:
        """Covariance matrix of `coefficients`, shape (p, p)."""
        turned = np.linalg.inv(self.R)
        return turned @ self._basis(method).covariance[0] @ turned.T * self.scale**2

    def test(self, L: np.ndarray, method: str = METHODS[0]) -> tuple[float, int, float]:
        """F statistic, numerator and denominator degrees of freedom of L b = 0."""
        found = self._basis(method).test(np.linalg.solve(self.R.T, L.T).T)
        return float(found.statistic[0]), found.num_df, float(found.den_df[0])

    def _basis(self, method: str) -> Basis:
        if method not in METHODS:
            raise CallError(f"There is no method '{method}'; choose {' or '.join(METHODS)}.")
        # A table or a picture asks dozens of times; what the answers rest on is made once.
        if method not in self._bases:
            self._bases[method] = basis(self.fits, method, bounded=self.bounded)
        return self._bases[method]

    @cached_property
    def _bases(self) -> dict[str, Basis]:
        return {}


@one_thread
def fit_mixed(
    formula: str, data: pd.DataFrame, groups: Sequence[str], *, bounded: bool = True
) -> LinearFit:
    """Fit fixed effects and variance components by restricted maximum likelihood.

    Parameters
    ----------
    formula : str
        Wilkinson-Rogers notation, ``"y ~ a*b"``. Categories are coded sum-to-zero.
    data : DataFrame
        One row an observation; rows with a missing value are left out and named.
    groups : sequence of str
        Grouping factors, each a random intercept: a column, or ``"a:b"`` for the
        combinations of two (or more) columns.
    bounded : bool
        Hold variances at zero or above in the tests too. With False the tests take
        unbiased components, which may be negative; where all variances come out
        above zero the two agree.

    Returns
    -------
    LinearFit
        A :class:`MixedFit`; with more than 800 random effects a
        :class:`reedlab.model.large.LargeFit`, which always tests by Satterthwaite's
        method with variances at zero or above.

    Raises
    ------
    CallError
        For a formula that cannot be read, or columns that are not there.
    ModelError
        For a term or a variance that these data cannot estimate.

    Notes
    -----
    Validated against R's lme4, lmerTest, pbkrtest and emmeans on eight data sets
    (see tests/model). Type III tests do not depend on the order of levels.

    References
    ----------
    Patterson & Thompson (1971), Biometrika 58, 545-554 (REML); Kenward & Roger
    (1997), Biometrics 53, 983-997.

    Examples
    --------
    >>> table = pd.DataFrame({
    ...     "crow": [3.0, 5, 4, 8, 6, 7, 2, 1, 3, 5, 4, 6],
    ...     "shape": list("aaabbbaaabbb"),
    ...     "tube": list("111222333444"),
    ... })
    >>> fit = fit_mixed("crow ~ shape", table, ["tube"])
    >>> fit.anova().round(3)
        term  num_df  den_df  statistic  p_value
    0  shape       1     2.0        4.5    0.168
    """
    columns = group_columns(groups, data)
    fixed = fixed_part(formula, data, tuple(dict.fromkeys(sum(columns.values(), ()))))
    codes = {name: group_codes(fixed.data, names) for name, names in columns.items()}
    require_useful(codes)
    if sum(int(code.max()) + 1 for code in codes.values()) > LARGE:
        return fit_large(formula, fixed, codes)
    Q, R = np.linalg.qr(fixed.X)
    start, residual = _least_squares(Q, fixed.y)
    scale = float(residual.std())
    if scale <= 1e-12 * fixed.y.std() + 8 * np.finfo(float).eps * np.abs(fixed.y).max():
        raise ModelError(f"The fixed terms give {fixed.response} exactly: no variation is left.")
    kernel = build_kernel(Q, list(codes.values()))
    require_identified(kernel, list(codes))
    fits = fit_best(kernel, residual[:, None] / scale)
    if not fits.converged[0]:
        listed = " and ".join(f"'{name}'" for name in codes)
        raise ModelError(
            f"The residual variance comes out as zero: {listed} with the fixed terms "
            "account for every row, and rows of the same kind do not differ at all."
        )
    # The kernel saw residuals of least squares; give the coefficients their part back.
    moments = replace(fits.moments, beta=fits.moments.beta + start / scale)
    return MixedFit(
        formula, fixed, codes, bounded, kernel, replace(fits, moments=moments), R, scale
    )


def _least_squares(Q: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients on the orthonormal columns, and residuals, of ordinary least squares.

    The level of y is set aside meanwhile, so that a large one costs no digits.
    """
    ones = np.ones(len(y))
    mean_part = Q.T @ ones
    mean_part[np.abs(mean_part) < 1e-12 * np.sqrt(len(y))] = 0
    has_mean = np.allclose(Q @ mean_part, ones, rtol=0, atol=1e-9)
    level = np.sort(y)[len(y) // 2] if has_mean else 0.0
    near = y - level
    start = Q.T @ near
    residual = near - Q @ start
    return start + level * mean_part, residual - Q @ (Q.T @ residual)
