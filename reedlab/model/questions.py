"""What can be asked of a fitted model of a number, whatever engine fitted it.

Tests of whole terms, contrasts, estimated marginal means and their pairs. An engine
supplies the coefficients, their covariance, and tests with degrees of freedom.
"""

from abc import ABC, abstractmethod
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd

from reedlab.errors import CallError, ModelError, unknown_name
from reedlab.model.comparisons import pairs_table, t_table
from reedlab.model.contrasts import hypothesis
from reedlab.model.design import FixedPart
from reedlab.model.inference import METHODS


@dataclass(frozen=True)
class LinearFit(ABC):
    """A fitted model of a number.

    Attributes
    ----------
    formula : str
    fixed : FixedPart
        Coded columns, terms and the rows used.
    groups : dict of str to ndarray
        Integer codes of each grouping factor.
    """

    formula: str
    fixed: FixedPart
    groups: dict[str, np.ndarray]

    @property
    @abstractmethod
    def variances(self) -> dict[str, float]:
        """Variance of each group and of the residual."""

    @property
    @abstractmethod
    def loglik(self) -> float:
        """Restricted log likelihood, for the coding of the terms."""

    @property
    @abstractmethod
    def coefficients(self) -> np.ndarray:
        """Estimates of the coded columns, shape (p,)."""

    @abstractmethod
    def covariance(self, method: str = METHODS[0]) -> np.ndarray:
        """Covariance matrix of `coefficients`, shape (p, p)."""

    @abstractmethod
    def test(self, L: np.ndarray, method: str = METHODS[0]) -> tuple[float, int, float]:
        """F statistic, numerator and denominator degrees of freedom of L b = 0."""

    @property
    @abstractmethod
    def fitted(self) -> pd.Series:
        """Fixed effects and predicted group effects of each row used."""

    @property
    def left_out(self) -> pd.DataFrame:
        """Rows not used: ``row`` (index label) and ``fault``."""
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
    def singular(self) -> bool:
        """Whether a group's variance is estimated as zero or below."""
        return any(variance <= 0 for variance in self.variances.values())

    def anova(self, kind: int = 3, method: str = METHODS[0]) -> pd.DataFrame:
        """F test of every term.

        Parameters
        ----------
        kind : {3, 2}
            III: each term given all others; II: given those that do not contain it.
            A factor that interacts with a number is tested where that number is zero:
            centre it first, ``center(wall)*shape``.
        method : {"kenward-roger", "satterthwaite"}
            Where the denominator degrees of freedom come from. Satterthwaite's, for a term
            with several columns, shift in the third digit with the order of levels (they do
            in R too); Kenward and Roger's do not.

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
            F, num_df, df = self.test(L, method)
            if not (F >= 0 and df > 0):
                raise ModelError(
                    f"The term {term} cannot be tested: there are too few groups for it to be "
                    f"judged by (Kenward and Roger's degrees of freedom come out as {df:.2g}). Ask "
                    "for fewer terms."
                )
            rows.append((term, num_df, df, F, float(f_distribution.sf(F, num_df, df))))
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
        if L.shape[1] != self.fixed.X.shape[1]:
            raise CallError(
                f"A contrast of this model has {self.fixed.X.shape[1]} columns; "
                f"this one has {L.shape[1]}."
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

    def _estimates(self, L: np.ndarray, method: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Estimates, standard errors and degrees of freedom of the rows of L."""
        variance = np.einsum("mp,pq,mq->m", L, self.covariance(method), L)
        df = np.array([self.test(row[None], method)[2] for row in L])
        return L @ self.coefficients, np.sqrt(variance), df
