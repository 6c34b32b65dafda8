"""Fit a variance-component model and ask it questions.

`fit_mixed` takes a formula for the fixed effects and the names of the grouping
factors, each a random intercept. The result tests whole terms, contrasts,
marginal means and their pairs with small-sample degrees of freedom. Units are
those of the response.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product

import numpy as np
import pandas as pd

from reedlab.errors import CallError, ModelError, unknown_name
from reedlab.model.comparisons import pairs_table, t_table
from reedlab.model.contrasts import hypothesis
from reedlab.model.design import FixedPart, fixed_part
from reedlab.model.inference import METHODS, Basis, basis
from reedlab.model.kernel import Dense, Strata, build_kernel
from reedlab.model.reml import Fits, fit_best
from reedlab.model.threads import one_thread

#: A group whose effects, after the fixed terms, carry less than this share of what they
#: carried before, is a repeat of the fixed terms.
ABSORBED = 1e-6


@dataclass(frozen=True)
class MixedFit:
    """A fitted variance-component model; made by :func:`fit_mixed`.

    Attributes
    ----------
    formula : str
    fixed : FixedPart
        Coded columns, terms and the rows used.
    groups : dict of str to ndarray
        Integer codes of each grouping factor.
    bounded : bool
        Whether tests rest on variances held at zero or above.
    left_out : DataFrame
        Rows not used: ``row`` (index label) and ``fault``.
    cautions : tuple of str
    """

    formula: str
    fixed: FixedPart
    groups: dict[str, np.ndarray]
    bounded: bool
    kernel: Strata | Dense
    fits: Fits
    R: np.ndarray  # X = (orthonormal columns) R
    scale: float

    @property
    def left_out(self) -> pd.DataFrame:
        """Rows not used, with the reason."""
        return self.fixed.left_out

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to know before reading the tests."""
        return self.fixed.cautions

    @property
    def n(self) -> int:
        """Number of rows used."""
        return len(self.fixed.y)

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

    def anova(self, kind: int = 3, method: str = METHODS[0]) -> pd.DataFrame:
        """F test of every term.

        Parameters
        ----------
        kind : {3, 2}
            III: each term given all others; II: given those that do not contain it.
            A factor that interacts with a number is tested where that number is zero:
            centre it first, ``center(wall)*shape``.
        method : {"kenward-roger", "satterthwaite"}
            Where the denominator degrees of freedom come from.

        Returns
        -------
        DataFrame
            ``term, num_df, den_df, statistic, p_value``; the statistic is F.
        """
        from scipy.stats import f as f_distribution

        rows = []
        for term in self.fixed.terms:
            if term == "1":
                continue
            L = hypothesis(self.fixed, term, kind)
            found = self._basis(method).test(self._orthonormal(L))
            F, df = float(found.statistic[0]), float(found.den_df[0])
            if not (F >= 0 and df > 0):
                raise ModelError(
                    f"The term {term} cannot be tested: there are too few groups for it to be "
                    f"judged by (Kenward and Roger's degrees of freedom come out as {df:.2g}). Ask "
                    "for fewer terms."
                )
            rows.append((term, found.num_df, df, F, float(f_distribution.sf(F, found.num_df, df))))
        return pd.DataFrame(rows, columns=["term", "num_df", "den_df", "statistic", "p_value"])

    def contrast(self, L: np.ndarray, method: str = METHODS[0]) -> pd.DataFrame:
        """Estimate linear combinations of the coefficients.

        Parameters
        ----------
        L : array_like, shape (m, p) or (p,)
            One combination a row, over the coded columns (`fixed.terms` says which).
        method : {"kenward-roger", "satterthwaite"}

        Returns
        -------
        DataFrame
            ``contrast, estimate, std_error, df, statistic, p_value, conf_low,
            conf_high``, one row each; the statistic is t.
        """
        L = np.atleast_2d(np.asarray(L, dtype=float))
        if L.shape[1] != len(self.R):
            raise CallError(
                f"A contrast of this model has {len(self.R)} columns; this one has {L.shape[1]}."
            )
        if not np.isfinite(L).all() or not L.any(axis=1).all():
            raise CallError("A contrast needs numbers that are not all zero in every row.")
        estimate, std_error, df = self._estimates(L, method)
        names = [str(i) for i in range(len(L))]
        return t_table("contrast", names, estimate, std_error, df)

    def means(self, factor: str, method: str = METHODS[0]) -> pd.DataFrame:
        """Estimated marginal means, equal weights over the other factors.

        Parameters
        ----------
        factor : str
            A categorical variable, or several joined by ``":"``. Numeric variables
            are held at their mean.
        method : {"kenward-roger", "satterthwaite"}

        Returns
        -------
        DataFrame
            ``level, estimate, std_error, df, conf_low, conf_high``.

        References
        ----------
        Searle, Speed & Milliken (1980), The American Statistician 34, 216-221.
        """
        levels, L = self.mean_rows(factor)
        table = t_table("level", levels, *self._estimates(L, method))
        return table.drop(columns=["statistic", "p_value"])

    def pairs(self, factor: str, adjust: str = "tukey", method: str = METHODS[0]) -> pd.DataFrame:
        """All pairwise differences of the marginal means.

        Parameters
        ----------
        factor : str
        adjust : {"tukey", "holm", "none"}
            How p values and intervals allow for the number of pairs; Holm's method
            has no intervals of its own, so Bonferroni's are given with it.
        method : {"kenward-roger", "satterthwaite"}

        Returns
        -------
        DataFrame
            ``contrast, estimate, std_error, df, statistic, p_value, conf_low, conf_high``.
        """
        levels, L = self.mean_rows(factor)
        first, second = np.triu_indices(len(levels), 1)
        names = [f"{levels[i]} - {levels[j]}" for i, j in zip(first, second, strict=True)]
        found = self._estimates(L[first] - L[second], method)
        return pairs_table(names, *found, means=len(levels), adjust=adjust)

    @cached_property
    def fitted(self) -> pd.Series:
        """Fixed effects and predicted group effects of each row used."""
        y = self.fixed.y / self.scale
        gap = y - self.fixed.X @ self.coefficients / self.scale
        theta = self.fits.theta[0]
        # V^-1 r times the residual variance is the best predictor of the residual.
        residual = theta[0] * self.kernel.solve(theta, gap)
        return pd.Series((y - residual) * self.scale, index=self.fixed.data.index, name="fitted")

    @property
    def residuals(self) -> pd.Series:
        """Observed minus fitted."""
        observed = pd.Series(self.fixed.y, index=self.fixed.data.index)
        return (observed - self.fitted).rename("residual")

    def predict(self, data: pd.DataFrame) -> pd.Series:
        """Predict the mean response of new rows, whatever group they may be of."""
        rows = self.fixed.rows(data)
        return pd.Series(rows @ self.coefficients, index=data.index, name="predicted")

    def mean_rows(self, factor: str) -> tuple[list[str], np.ndarray]:
        """Levels of a factor and the contrast matrix of their marginal means."""
        names = (factor,) if factor in self.fixed.levels else tuple(factor.split(":"))
        names = tuple(dict.fromkeys(names))
        for name in names:
            if name not in self.fixed.levels:
                raise unknown_name("categorical factor", name, self.fixed.levels)
        grid = self.fixed.grid_for(names)
        cells = list(product(*(self.fixed.levels[name] for name in names)))
        # The cells of `names` vary slowest in the grid, so that each is one run of its rows.
        rows = self.fixed.rows(grid).reshape(len(cells), -1, self.fixed.X.shape[1])
        return [", ".join(map(str, cell)) for cell in cells], rows.mean(axis=1)

    def covariance(self, method: str = METHODS[0]) -> np.ndarray:
        """Covariance matrix of `coefficients`, shape (p, p)."""
        turned = np.linalg.inv(self.R)
        return turned @ self._basis(method).covariance[0] @ turned.T * self.scale**2

    def _basis(self, method: str) -> Basis:
        if method not in METHODS:
            raise CallError(f"There is no method '{method}'; choose {' or '.join(METHODS)}.")
        return basis(self.fits, method, bounded=self.bounded)

    def _orthonormal(self, L: np.ndarray) -> np.ndarray:
        return np.linalg.solve(self.R.T, L.T).T

    def _estimates(self, L: np.ndarray, method: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        at = self._basis(method)
        turned = self._orthonormal(L)
        estimate = L @ self.coefficients
        variance = np.einsum("mp,pq,mq->m", turned, at.covariance[0], turned)
        df = np.array([at.test(row[None]).den_df[0] for row in turned])
        return estimate, np.sqrt(variance) * self.scale, df


@one_thread
def fit_mixed(
    formula: str, data: pd.DataFrame, groups: Sequence[str], *, bounded: bool = True
) -> MixedFit:
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
    MixedFit

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
    columns = _group_columns(groups, data)
    fixed = fixed_part(formula, data, tuple(dict.fromkeys(sum(columns.values(), ()))))
    codes = {name: _codes(fixed.data, names) for name, names in columns.items()}
    _require_useful(codes)
    Q, R = np.linalg.qr(fixed.X)
    start, residual = _least_squares(Q, fixed.y)
    scale = float(residual.std())
    if scale <= 1e-12 * fixed.y.std() + 8 * np.finfo(float).eps * np.abs(fixed.y).max():
        raise ModelError(f"The fixed terms give {fixed.response} exactly: no variation is left.")
    kernel = build_kernel(Q, list(codes.values()))
    _require_identified(kernel, list(codes))
    fits = fit_best(kernel, residual[:, None] / scale)
    if not fits.converged[0]:
        raise ModelError(
            f"The residual variance comes out as zero: {_listed(codes)} with the fixed terms "
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


def _group_columns(groups: Sequence[str], data: pd.DataFrame) -> dict[str, tuple[str, ...]]:
    if isinstance(groups, str):
        raise CallError(f'groups is a list of names: write ["{groups}"].')
    if groups is None or not all(isinstance(name, str) for name in groups):
        raise CallError("groups is a list of names; write [] if there are none.")
    columns = {}
    for name in groups:
        parts = (name,) if name in data.columns else tuple(p.strip() for p in name.split(":"))
        for part in parts:
            if part not in data.columns:
                raise unknown_name("column", part, map(str, data.columns))
        columns[name] = parts
    return columns


def _listed(names: Iterable[str]) -> str:
    return " and ".join(f"'{name}'" for name in names)


def _codes(table: pd.DataFrame, names: tuple[str, ...]) -> np.ndarray:
    return table.groupby([table[name] for name in names], observed=True).ngroup().to_numpy()


def _require_useful(codes: dict[str, np.ndarray]) -> None:
    seen: dict[bytes, str] = {}
    for name, code in codes.items():
        levels = code.max() + 1
        if levels == 1:
            raise ModelError(f"The group '{name}' has one level only: its variance is unknown.")
        if levels == len(code):
            raise ModelError(
                f"Every row is a '{name}' of its own: variation between them cannot be told "
                "from the residual. Leave the group out; the residual then holds both."
            )
        pattern = pd.factorize(code)[0].tobytes()
        if pattern in seen:
            raise ModelError(
                f"The groups '{seen[pattern]}' and '{name}' split the rows alike: "
                "their variances cannot be told apart. Leave one out."
            )
        seen[pattern] = name


def _require_identified(kernel: Strata | Dense, names: list[str]) -> None:
    """Name a group that the fixed terms use up, or groups whose variances are one."""
    theta = np.ones((1, kernel.components)) / kernel.components
    rows = kernel.project(np.zeros((_rows(kernel), 1)))
    information = kernel.moments(theta, rows).trace2[0]
    size = np.sqrt(np.maximum(np.diag(information), 0))
    for name, carried in zip(names, size[1:], strict=True):
        if carried < ABSORBED * size[0]:
            raise ModelError(
                f"The fixed terms take a different value for every level of '{name}', so nothing "
                f"is left to judge them by at that level. Drop such a term, or the group '{name}'."
            )
    correlation = information / np.outer(size, size)
    values, vectors = np.linalg.eigh(correlation)
    if values[0] < 1e-8:
        alike = [
            name
            for name, weight in zip(["residual", *names], vectors[:, 0], strict=True)
            if abs(weight) > 0.1
        ]
        raise ModelError(f"The variances of {', '.join(alike)} cannot be told apart in these data.")


def _rows(kernel: Strata | Dense) -> int:
    return len(kernel.Xout)
