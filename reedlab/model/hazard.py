"""Cox's proportional hazards model for few events and few clusters.

An effect is a log hazard ratio: how many times as fast rows end. With fewer than ten
events a coefficient, or where ordinary estimates would be infinite, Firth's penalty
keeps them finite (Heinze & Schemper 2001). Independent rows are judged by likelihood
ratio, never by Wald's test. Rows that share a cluster (reeds of a tube) are judged twice, as
independent rows and by the spread between clusters, and the less sure of the two stands:
the likelihood ratio over the inflation of the variance (Rotnitzky & Jewell 1990), taken
where the effect is nought, against F on the clusters' degrees of freedom. The usual
robust variance, taken where the effect is estimated, calls too much of chance an effect
with few clusters; tests/model/test_calibration_hazard.py shows both.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.stats import chi2
from scipy.stats import f as f_distribution

from reedlab.errors import CallError, ModelError, unknown_name
from reedlab.model.design import FixedPart, fixed_part
from reedlab.model.hazard_separation import monotone_columns
from reedlab.model.partial_likelihood import PartialLikelihood
from reedlab.model.survival import checked

#: Fewer events for each coefficient call for Firth's penalty (Peduzzi et al. 1995, who found
#: ordinary estimates of Cox's model unreliable below).
EVENTS_PER_COEFFICIENT = 10
#: So many standard deviations of a column from the estimate, an interval has no limit.
_FAR = 100.0


@dataclass(frozen=True)
class HazardTest:
    """A test of one term: F on num_df and den_df, or (den_df missing) chi-squared on num_df."""

    statistic: float
    num_df: int
    den_df: float
    p_value: float


@dataclass(frozen=True)
class CoxFit:
    """A fitted hazard model; made by :func:`fit_cox`.

    Attributes
    ----------
    fixed : FixedPart
        The coded formula and the rows used; its response is the time.
    event : ndarray of bool, shape (n,)
    weight : float
        Of Firth's penalty: ½, or 0 without it.
    infinite : tuple of str
        Columns whose ordinary estimate is infinite, for events and the rest are parted.
    """

    fixed: FixedPart
    event: np.ndarray
    weight: float
    infinite: tuple[str, ...]

    @cached_property
    def likelihood(self) -> PartialLikelihood:
        """The partial likelihood of the rows used."""
        return PartialLikelihood(self.fixed.y, self.event)

    @cached_property
    def _columns(self) -> np.ndarray:
        """Columns without the constant, with a mean of zero and a standard deviation of one."""
        X = self.fixed.X[:, 1:]
        return (X - X.mean(axis=0)) / self._scale

    @cached_property
    def _scale(self) -> np.ndarray:
        return self.fixed.X[:, 1:].std(axis=0)

    @cached_property
    def _best(self) -> tuple[np.ndarray, float]:
        p = self._columns.shape[1]
        beta, point = self.likelihood.maximise(
            self._columns, np.zeros(p), np.ones(p, dtype=bool), self.weight
        )
        return beta, point.value

    @property
    def coefficients(self) -> np.ndarray:
        """Log hazard ratios of the columns of ``fixed.X`` after the constant, shape (p,)."""
        return self._best[0] / self._scale

    def test(self, term: str, groups: np.ndarray | None = None) -> HazardTest:
        """Test a term, the others estimated again without it.

        Parameters
        ----------
        term : str
        groups : ndarray of int, shape (n,), optional
            The cluster of each row; left out, rows are independent.

        Raises
        ------
        ModelError
            If the clusters are too few.
        """
        if term not in self.fixed.terms or term == "1":
            raise unknown_name("term", term, [name for name in self.fixed.terms if name != "1"])
        tested = np.zeros(self._columns.shape[1], dtype=bool)
        part = self.fixed.terms[term]
        tested[part.start - 1 : part.stop - 1] = True
        q = int(tested.sum())
        ratio = self._drop(self._columns, np.zeros(len(tested)), ~tested, self._best[1])
        as_rows = HazardTest(ratio, q, np.nan, float(chi2.sf(ratio, q)))
        if groups is None:
            return as_rows
        inflation, spare = self._inflation(self._columns, tested, groups)
        statistic = ratio / (q * max(inflation, 1e-12))
        by_groups = HazardTest(statistic, q, spare, float(f_distribution.sf(statistic, q, spare)))
        return max(as_rows, by_groups, key=lambda test: test.p_value)

    def contrast(
        self, along: np.ndarray, groups: np.ndarray | None = None
    ) -> tuple[float, float, float]:
        """Return a log hazard ratio with its 95 % interval, others estimated again at every value.

        Parameters
        ----------
        along : ndarray, shape (p,)
            Coefficients of the columns of ``fixed.X`` after the constant.
        groups : ndarray of int, shape (n,), optional
            The cluster of each row; left out, rows are independent.

        Returns
        -------
        estimate, conf_low, conf_high : float
            A limit is infinite where the data set none.

        Notes
        -----
        The interval holds all values that the test of that value does not reject at 5 %
        (profile likelihood); with clusters, as wide as the test of nought asks for.
        """
        X, best = self._turned(along / self._scale)
        first = np.arange(X.shape[1]) == 0
        drop = float(chi2.ppf(0.95, 1))
        if groups is not None:
            inflation, spare = self._inflation(X, first, groups)
            drop = max(drop, inflation * float(f_distribution.ppf(0.95, 1, spare)))

        # The penalty depends on how the columns are written, so the top is that of these.
        top = self.likelihood.at(X, best, self.weight).value

        def beyond(value: float) -> float:
            return self._drop(X, np.r_[value, best[1:]], ~first, top) - drop

        size = 1 / float(X[:, 0].std())
        estimate = float(best[0])
        return estimate, _crossing(beyond, estimate, -size), _crossing(beyond, estimate, size)

    def proportionality(self) -> pd.DataFrame:
        """Test whether each column's effect stays the same over time.

        Returns
        -------
        DataFrame
            term (the column), correlation of its scaled Schoenfeld residuals with the rank of
            the event times, statistic (chi-squared, 1 df), p_value.

        References
        ----------
        Grambsch & Therneau (1994), Biometrika 81, 515-526; the score test itself, with the
        information of each event and not their average. Rows are taken as independent.
        """
        beta = self._best[0]
        residuals = self.likelihood.schoenfeld(self._columns, beta)
        each = self.likelihood.information_by_event(self._columns, beta)
        clock = pd.Series(self.likelihood.times).rank().to_numpy()
        clock = clock - clock.mean()
        inverse = np.linalg.pinv(each.sum(axis=0))
        mixed = np.tensordot(clock, each, 1)
        spread = np.diag(np.tensordot(clock**2, each, 1) - mixed @ inverse @ mixed)
        along = clock @ residuals - mixed @ inverse @ residuals.sum(axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            statistic = np.where(spread > 1e-12, along**2 / spread, 0.0)
            scaled = len(clock) * residuals @ inverse
            size = np.sqrt(((scaled - scaled.mean(axis=0)) ** 2).sum(axis=0) * (clock @ clock))
            correlation = clock @ scaled / size
        return pd.DataFrame(
            {
                "term": self.fixed.column_names[1:],
                "correlation": correlation,
                "statistic": statistic,
                "p_value": chi2.sf(statistic, 1),
            }
        )

    def _turned(self, along: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Columns of the same model whose first coefficient is the contrast; the best there."""
        rest = np.linalg.svd(along[None])[2][1:].T
        basis = np.column_stack([along / (along @ along), rest])
        return self._columns @ basis, np.linalg.solve(basis, self._best[0])

    def _drop(self, X: np.ndarray, beta: np.ndarray, free: np.ndarray, top: float) -> float:
        """Twice the drop of the log-likelihood where the others are held; chi-squared by chance."""
        _, point = self.likelihood.maximise(X, beta, free, self.weight)
        return max(0.0, 2 * (top - point.value))

    def _inflation(
        self, X: np.ndarray, tested: np.ndarray, groups: np.ndarray
    ) -> tuple[float, int]:
        """How many times the variance of independent rows the clusters show, and their df.

        Each cluster adds its part to the slope of the likelihood where the tested
        coefficients are nought, less what the others take up. The spread of these parts is
        set against the information, which is what it would be if rows were independent.
        """
        beta, point = self.likelihood.maximise(X, np.zeros(X.shape[1]), ~tested)
        taken = point.information[np.ix_(tested, ~tested)] @ np.linalg.pinv(
            point.information[np.ix_(~tested, ~tested)]
        )
        rows = self.likelihood.contributions(X, beta)
        rows = rows[:, tested] - rows[:, ~tested] @ taken.T
        known = (
            point.information[np.ix_(tested, tested)]
            - taken @ point.information[np.ix_(~tested, tested)]
        )
        codes = np.unique(groups, return_inverse=True)[1]
        parts = np.zeros((codes.max() + 1, rows.shape[1]))
        np.add.at(parts, codes, rows)
        spare = len(parts) - _lost(X[:, tested], codes)
        if spare < 1:
            raise ModelError(f"{len(parts)} groups are too few to judge an effect by.")
        apart = parts - parts.mean(axis=0)
        spread = apart.T @ apart * len(parts) / spare
        return float(np.trace(np.linalg.pinv(known) @ spread)) / int(tested.sum()), spare


def fit_cox(formula: str, data: pd.DataFrame, event: str, penalised: bool | None = None) -> CoxFit:
    """Fit Cox's model, ties by Efron's method.

    Parameters
    ----------
    formula : str
        ``"time ~ terms"``, in Wilkinson-Rogers notation.
    data : DataFrame
        One row a thing that was followed.
    event : str
        The column that is true where the end was seen and false where it was not.
    penalised : bool, optional
        Whether Firth's penalty is used; left out, with fewer than ten events a coefficient
        and where an ordinary estimate is infinite.

    Returns
    -------
    CoxFit

    Raises
    ------
    CallError
        For names that are not there, and an event that is not true or false.
    ModelError
        If no end was seen, or a term cannot be told from the others.

    Examples
    --------
    >>> table = pd.DataFrame({"hours": [5., 8, 12, 14, 20] + [30.] * 7, "soft": [1] * 7 + [0] * 5})
    >>> fit = fit_cox("hours ~ soft", table.assign(ended=[True] * 5 + [False] * 7), "ended")
    >>> fit.infinite
    ('soft',)
    >>> round(fit.test("soft").p_value, 3)
    0.022
    """
    if event not in data:
        raise unknown_name("column", event, map(str, data.columns))
    fixed = fixed_part(formula, data, (event,))
    _, ended = checked(fixed.y, fixed.data[event].to_numpy())
    if not ended.any():
        raise ModelError("No end was seen, so nothing can be told of how fast ends come.")
    if fixed.X.shape[1] < 2:
        raise CallError("The formula names no term whose effect could be told.")
    names = fixed.column_names[1:]
    parted = monotone_columns(fixed.y, ended, fixed.X[:, 1:])
    infinite = tuple(name for name, is_so in zip(names, parted, strict=True) if is_so)
    few = ended.sum() < EVENTS_PER_COEFFICIENT * len(names)
    needed = bool(few or infinite) if penalised is None else penalised
    return CoxFit(fixed, ended, 0.5 if needed else 0.0, infinite)


def _lost(columns: np.ndarray, codes: np.ndarray) -> int:
    """Degrees of freedom lost: one for the mean, others where levels are the clusters' own."""
    order = np.argsort(codes, kind="stable")
    first = order[np.searchsorted(codes[order], codes)]
    within = np.abs(columns - columns[first]).max()
    own = within <= 1e-9 * np.abs(columns).max()
    return 1 + int(own) * columns.shape[1]


def _crossing(beyond: Callable[[float], float], start: float, step: float) -> float:
    """Walk from the estimate until the function is above nought, and find where it crosses."""
    inner, outer = start, start + step
    while beyond(outer) < 0:
        if abs(outer - start) > _FAR * abs(step):
            return float(np.sign(step)) * np.inf
        inner, outer = outer, start + 1.5 * (outer - start)
    return float(brentq(beyond, inner, outer, xtol=1e-6 * abs(step)))
