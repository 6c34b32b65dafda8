"""Logistic regression for few rows and rare events: Firth's penalised likelihood.

Jeffreys' prior as a penalty keeps every estimate finite, even where a level has
only events or none. Tests are penalised likelihood ratios and intervals profile
the penalised likelihood; Wald tests are never shown, for with separation they say
p = .99 of the clearest effect. Coefficients are log odds ratios (sum-to-zero
coding); differences are in probability, 0 to 1.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.special import expit
from scipy.stats import chi2

from reedlab.errors import CallError, ModelError
from reedlab.model.design import FixedPart, fixed_part
from reedlab.model.separation import empty_cells

#: How far below its maximum the log-likelihood lies at the ends of a 95 % interval.
DROP = float(chi2.ppf(0.95, 1)) / 2

#: A function of the coefficients: its value and gradient.
Quantity = Callable[[np.ndarray], tuple[float, np.ndarray]]


@dataclass(frozen=True)
class FirthFit:
    """A penalised logistic regression.

    Attributes
    ----------
    part : FixedPart
        The coded formula: rows used (``part.data``), rows left out, cautions.
    estimates : ndarray, shape (p,)
        Coefficients of the columns of ``part.X``, log odds.
    loglik : float
        Penalised log-likelihood at its maximum, half the log determinant of the Fisher
        information of ``part.X`` included.
    separated : tuple of str
        Which levels or cuts have only events or none, in plain sentences.
    """

    part: FixedPart
    estimates: np.ndarray
    loglik: float
    separated: tuple[str, ...]

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """Log odds ratios, one row a column of the coded formula.

        Returns
        -------
        DataFrame
            term, estimate, std_error (inverse Fisher information; for reference only),
            p_value (penalised likelihood ratio, 1 df), conf_low and conf_high (95 %,
            profile penalised likelihood). The term of a category's column is
            ``factor[level]``: that level against the mean of the levels.

        References
        ----------
        Heinze & Schemper (2002), Statistics in Medicine 21, 2409-2419: their endometrial
        cancer and urinary tract examples are reproduced in the tests.
        """
        names = self.part.column_names
        limits = [self._limits(_one(column, len(names))) for column in range(len(names))]
        return pd.DataFrame(
            {
                "term": names,
                "estimate": self.estimates,
                "std_error": np.linalg.norm(self._axes, axis=1),
                "p_value": [self._test(slice(c, c + 1))[1] for c in range(len(names))],
                "conf_low": [low for low, _ in limits],
                "conf_high": [high for _, high in limits],
            }
        )

    def anova(self) -> pd.DataFrame:
        """Test each term by penalised likelihood ratio.

        The term's columns are held at zero and the others estimated again; the penalty
        stays that of the whole model. Sum-to-zero coding makes this a type III test: a
        main effect is averaged over the levels of the factors it interacts with.

        Returns
        -------
        DataFrame
            term, num_df, statistic (chi-squared on num_df), p_value.
        """
        terms = [term for term in self.part.terms if term != "1"]
        tests = [self._test(self.part.terms[term]) for term in terms]
        return pd.DataFrame(
            {
                "term": terms,
                "num_df": [_width(self.part.terms[term]) for term in terms],
                "statistic": [statistic for statistic, _ in tests],
                "p_value": [p for _, p in tests],
            }
        )

    def difference(self, variable: str, low: Any, high: Any) -> pd.DataFrame:
        """Average difference in probability if a variable went from `low` to `high`.

        Every row used keeps its own values of the other variables; its predicted
        probability with `variable` at `high` minus that at `low` is averaged over the rows.

        Parameters
        ----------
        variable : str
            A column of the data that the formula uses.
        low, high : number or level
            In the unit of the column.

        Returns
        -------
        DataFrame
            One row: contrast (``"high - low"``), estimate (probability, -1 to 1), conf_low
            and conf_high (95 %).

        Raises
        ------
        CallError
            If the model has no such variable, or the variable no such level.

        Notes
        -----
        The interval profiles the penalised likelihood over the average difference itself:
        its ends are the smallest and largest average difference among all coefficients
        whose penalised log-likelihood lies within 1.92 of the maximum, so the other
        coefficients are estimated again at every value. In a model without interactions
        of the variable it leaves out zero exactly when the coefficient's test has p < .05.
        The rows are taken as given: the interval is about rows like these. Firth's penalty
        draws predicted probabilities towards one half, differences a little towards zero.
        Coverage measured with 24 rows at 25 % events is in tests/model/test_firth.py.

        Examples
        --------
        >>> table = pd.DataFrame({"soft": [0] * 6 + [1] * 6, "kept": [1] + [0] * 5 + [1] * 6})
        >>> fit_firth("kept ~ soft", table).difference("soft", 0, 1).round(3)
          contrast  estimate  conf_low  conf_high
        0    1 - 0     0.714     0.255      0.949
        """
        used = {name for names in self.part.variables.values() for name in names}
        if variable not in used:
            raise CallError(
                f"The model has no variable '{variable}'; it has {', '.join(sorted(used))}."
            )
        above = self.part.rows(self.part.data.assign(**{variable: high}))
        below = self.part.rows(self.part.data.assign(**{variable: low}))

        def average(estimates: np.ndarray) -> tuple[float, np.ndarray]:
            p_above, p_below = expit(above @ estimates), expit(below @ estimates)
            slope = (p_above * (1 - p_above)) @ above - (p_below * (1 - p_below)) @ below
            return float(np.mean(p_above - p_below)), slope / len(above)

        conf_low, conf_high = self._limits(average)
        return pd.DataFrame(
            {
                "contrast": [f"{high} - {low}"],
                "estimate": [average(self.estimates)[0]],
                "conf_low": [conf_low],
                "conf_high": [conf_high],
            }
        )

    def predict(self, data: pd.DataFrame) -> np.ndarray:
        """Predict the probability of an event for new rows, shape (len(data),)."""
        return expit(self.part.rows(data) @ self.estimates)

    @cached_property
    def _axes(self) -> np.ndarray:
        """Steps of one standard error in independent directions, shape (p, p).

        ``_axes @ _axes.T`` is the inverse Fisher information. By QR: a gauge reading
        that varies in its fourth digit would not survive squaring.
        """
        p = expit(self.part.X @ self.estimates)
        triangle = np.linalg.qr(self.part.X * np.sqrt(p * (1 - p))[:, None], mode="r")
        return np.linalg.inv(triangle)

    def _test(self, place: slice) -> tuple[float, float]:
        """Penalised likelihood ratio and p of the columns in `place` being zero."""
        X = self.part.X
        free = np.delete(X, np.r_[place], axis=1)
        eta = X @ self.estimates
        held = free @ _climb(free, X, self.part.y, eta) if free.shape[1] else np.zeros(len(X))
        statistic = max(0.0, 2 * (self.loglik - _penalised(X, self.part.y, held)[0]))
        return statistic, float(chi2.sf(statistic, _width(place)))

    def _limits(self, quantity: Quantity) -> tuple[float, float]:
        """Smallest and largest value of a quantity where the likelihood is high enough.

        Searched in coordinates in which the region is nearly a ball; an end counts only
        if it lies on the region's edge with both gradients in line.
        """
        slope = self._axes.T @ quantity(self.estimates)[1]
        ahead = slope / np.linalg.norm(slope)
        return self._end(quantity, -ahead, sign=-1), self._end(quantity, ahead, sign=1)

    def _end(self, quantity: Quantity, ahead: np.ndarray, sign: int) -> float:
        X, y, axes = self.part.X, self.part.y, self._axes

        def goal(step: np.ndarray) -> tuple[float, np.ndarray]:
            value, slope = quantity(self.estimates + axes @ step)
            return -sign * value, -sign * (axes.T @ slope)

        def room(step: np.ndarray) -> tuple[float, np.ndarray]:
            loglik, score, _ = _penalised(X, y, X @ (self.estimates + axes @ step))
            return loglik - self.loglik + DROP, axes.T @ (X.T @ score)

        inside = {"type": "ineq", "fun": lambda u: room(u)[0], "jac": lambda u: room(u)[1]}
        for length in (1.9, 0.6, 3.0, 0.1):
            found = minimize(
                goal,
                length * ahead,
                jac=True,
                method="SLSQP",
                constraints=[inside],
                options={"maxiter": 300, "ftol": 1e-10},
            )
            (value, uphill), (left, inward) = goal(found.x), room(found.x)
            in_line = uphill @ inward / np.linalg.norm(uphill) / np.linalg.norm(inward)
            if abs(left) < 1e-5 and in_line > 1 - 1e-4:
                return -sign * value
        raise ModelError(
            "The end of a 95 % interval could not be found: the rows say too little about "
            "this quantity. Ask for fewer terms."
        )


def fit_firth(formula: str, data: pd.DataFrame) -> FirthFit:
    """Fit Firth's penalised logistic regression.

    Parameters
    ----------
    formula : str
        ``"response ~ terms"``. The response is True/False or 1/0, one row a trial.
    data : DataFrame
        Rows with a missing value are left out and listed in ``.part.left_out``.

    Returns
    -------
    FirthFit

    Raises
    ------
    CallError
        For a formula that cannot be read or a column that is not there.
    ModelError
        For a response that is not True/False or 1/0 or never varies, and for a term that
        cannot be estimated.

    Notes
    -----
    The maximum is found by the library firthmodels on orthonormal columns, so that neither
    units nor collinearity touch its stopping rule, and carried on from there to the last
    digits. Tests and limits are computed here: the library tests one coefficient at a time
    only, and its limits fail on up to one in a hundred tables of 24 rows.

    References
    ----------
    Firth (1993), Biometrika 80, 27-38. Validated against R's brglm2 and the published
    values of Heinze & Schemper (2002); see tests/model/test_firth.py.

    Examples
    --------
    >>> table = pd.DataFrame({"soft": [0] * 6 + [1] * 6, "kept": [1] + [0] * 5 + [1] * 6})
    >>> fit = fit_firth("kept ~ soft", table)
    >>> fit.coefficients[["term", "estimate", "p_value", "conf_low", "conf_high"]].round(3)
       term  estimate  p_value  conf_low  conf_high
    0     1    -1.299    0.119    -3.576      0.311
    1  soft     3.864    0.004     1.077      8.966
    >>> fit.separated[0]
    'soft=1: 6 of 6 rows have kept=1.'
    """
    from firthmodels import FirthLogisticRegression  # brings scikit-learn along

    part = fixed_part(formula, zero_one_response(formula, data))
    if not np.isin(part.y, (0.0, 1.0)).all():
        raise ModelError(_not_two_valued(part.response, part.y))
    basis = np.linalg.qr(part.X)[0]
    scale = np.sqrt(len(part.y))
    fitted = FirthLogisticRegression(
        backend="numpy", fit_intercept=False, max_iter=500, gtol=1e-6, xtol=1e-6
    ).fit(basis * scale, part.y)
    estimates = _climb(part.X, part.X, part.y, basis @ fitted.coef_ * scale)
    loglik = _penalised(part.X, part.y, part.X @ estimates)[0]
    return FirthFit(part, estimates, loglik, empty_cells(part))


def zero_one_response(formula: str, data: pd.DataFrame) -> pd.DataFrame:
    """Return the data with a True/False response as 1/0; refuse any other coding.

    Raises
    ------
    ModelError
        If the response column holds anything but True/False, 1/0 or a missing value.

    Examples
    --------
    >>> zero_one_response("kept ~ 1", pd.DataFrame({"kept": [True, False]})).kept.tolist()
    [1.0, 0.0]
    """
    name = formula.partition("~")[0].strip().strip("`")
    if name not in data.columns:
        return data  # an expression, or a slip that fixed_part reports
    present = data[name].dropna()
    if not all(isinstance(v, bool | np.bool_) or v in (0, 1) for v in present):
        raise ModelError(_not_two_valued(name, present.unique()))
    numbers = [np.nan if pd.isna(value) else float(value) for value in data[name]]
    return data.assign(**{name: numbers})


def _not_two_valued(name: str, values: Any) -> str:
    shown = ", ".join(str(value) for value in list(pd.unique(pd.Series(list(values))))[:4])
    return f"The response '{name}' must be True/False or 1/0; it holds {shown}."


def _penalised(
    X: np.ndarray, y: np.ndarray, eta: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray]:
    """Penalised log-likelihood, its slope in eta (each shape (n,)) and curvature weights.

    By QR of the weighted columns, which stays sound where their squares would not.
    """
    p = expit(eta)
    weight = p * (1 - p)
    basis, triangle = np.linalg.qr(X * np.sqrt(weight)[:, None])
    leverage = (basis * basis).sum(axis=1)
    with np.errstate(divide="ignore"):
        half_log_det = np.log(np.abs(np.diag(triangle))).sum()
    loglik = float(y @ eta - np.logaddexp(0, eta).sum() + half_log_det)
    return loglik, y - p + leverage * (0.5 - p), weight * (1 + leverage)


def _climb(free: np.ndarray, X: np.ndarray, y: np.ndarray, eta: np.ndarray) -> np.ndarray:
    """Maximise over coefficients of the columns `free`, with the penalty of all of X.

    Newton steps with halving in orthonormal columns, from what of `eta` these can say.
    """
    basis, triangle = np.linalg.qr(free)
    starts = (basis.T @ eta, np.zeros(free.shape[1]))
    here = max(starts, key=lambda start: _penalised(X, y, basis @ start)[0])
    loglik, score, weight = _penalised(X, y, basis @ here)
    for _ in range(500):
        slope = basis.T @ score
        step = np.linalg.solve((basis.T * weight) @ basis, slope)
        if slope @ step < 1e-13:
            return np.linalg.solve(triangle, here)
        for halving in range(40):
            ahead = here + step * 0.5**halving
            at_ahead = _penalised(X, y, basis @ ahead)
            if at_ahead[0] >= loglik - 1e-12:
                break
        else:  # no step gains anything that a double can hold
            return np.linalg.solve(triangle, here)
        here, (loglik, score, weight) = ahead, at_ahead
    raise ModelError("The penalised fit did not settle. Ask for fewer terms.")


def _one(column: int, width: int) -> Quantity:
    direction = np.eye(width)[column]
    return lambda estimates: (float(estimates[column]), direction)


def _width(place: slice) -> int:
    return int(place.stop - place.start)
