"""Ordered ratings: the proportional-odds model, as log odds of a higher level.

The logit of "level j or below" is threshold j minus the effects, so a positive
coefficient means higher ratings. Categories are coded sum-to-zero. The order of
the levels is never guessed from text.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import norm

from reedlab.errors import CallError, ModelError, listed
from reedlab.model.design import FixedPart, fixed_part
from reedlab.model.likelihood import OrderedRows, Peak, climb

#: More values than this are a measurement, not a rating.
MOST_LEVELS = 20


@dataclass(frozen=True)
class LinkFit:
    """A cumulative-link (logit) model of an ordered response.

    Attributes
    ----------
    part : FixedPart
        The coded formula: rows used, rows left out. Its ``y`` is the level's place, from 0.
    levels : tuple
        The levels in use, lowest first.
    cautions : tuple of str
        Levels declared but not in use, among others.
    thresholds_at, estimates : ndarray
        Thresholds, and coefficients of the columns of ``part.X`` but the constant.
    covariance : ndarray
        Of thresholds and coefficients together: inverse observed information.
    loglik : float
    """

    part: FixedPart
    levels: tuple
    cautions: tuple[str, ...]
    thresholds_at: np.ndarray
    estimates: np.ndarray
    covariance: np.ndarray
    loglik: float

    @property
    def coefficients(self) -> pd.DataFrame:
        """Log odds of a higher level.

        Returns
        -------
        DataFrame
            term, estimate, std_error, statistic (z), p_value, conf_low, conf_high (95 %).
        """
        cuts = len(self.thresholds_at)
        names = [name for name in self.part.column_names if name != "1"]
        errors = np.sqrt(np.diag(self.covariance)[cuts:])
        return pd.DataFrame({"term": names, **_wald(self.estimates, errors)})

    @property
    def thresholds(self) -> pd.DataFrame:
        """Where one level ends and the next begins, at the mean of the levels of all factors.

        Returns
        -------
        DataFrame
            term (``lower|upper``), estimate (logit), std_error.
        """
        pairs = zip(self.levels[:-1], self.levels[1:], strict=True)
        errors = np.sqrt(np.diag(self.covariance)[: len(self.thresholds_at)])
        names = [f"{lower}|{upper}" for lower, upper in pairs]
        return pd.DataFrame({"term": names, "estimate": self.thresholds_at, "std_error": errors})

    def difference(self, variable: str, low: Any, high: Any) -> pd.DataFrame:
        """Log odds ratio of a higher level if a variable went from `low` to `high`.

        Averaged over the rows used, which matters only where the variable interacts.

        Parameters
        ----------
        variable : str
        low, high : number or level

        Returns
        -------
        DataFrame
            One row: contrast (``"high - low"``), estimate, std_error, statistic (z), p_value,
            conf_low, conf_high (95 %).

        Raises
        ------
        CallError
            If the model has no such variable, or the variable no such level.

        Examples
        --------
        >>> table = pd.DataFrame({"x": [0, 0, 0, 0, 1, 1, 1, 1], "grade": [1, 2, 2, 3, 2, 3, 3, 3]})
        >>> fit_ordinal("grade ~ x", table).difference("x", 0, 1).round(3)[["contrast", "estimate"]]
          contrast  estimate
        0    1 - 0     2.353
        """
        used = {name for names in self.part.variables.values() for name in names}
        if variable not in used:
            raise CallError(
                f"The model has no variable '{variable}'; it has {', '.join(sorted(used))}."
            )
        above, below = (
            self.part.rows(self.part.data.assign(**{variable: value})) for value in (high, low)
        )
        change = np.delete((above - below).mean(axis=0), self.part.terms["1"].start)
        cuts = len(self.thresholds_at)
        error = np.sqrt(change @ self.covariance[cuts:, cuts:] @ change)
        found = _wald(np.array([change @ self.estimates]), np.array([error]))
        return pd.DataFrame({"contrast": [f"{high} - {low}"], **found})


def fit_ordinal(formula: str, data: pd.DataFrame, levels: Sequence | None = None) -> LinkFit:
    """Fit a proportional-odds model.

    Parameters
    ----------
    formula : str
        ``"rating ~ terms"``; with or without ``0 +`` it is the same model, because the
        thresholds take the constant's place.
    data : DataFrame
        Rows with a missing value are left out and listed in ``.part.left_out``.
    levels : sequence, optional
        The levels, lowest first. Not needed for an ordered category, for numbers and for
        True/False; text without it is refused.

    Returns
    -------
    LinkFit

    Raises
    ------
    CallError
        For an order that is not known or a value that is not among the levels.
    ModelError
        For a term that cannot be estimated, or an effect without a finite estimate.

    Notes
    -----
    Computed by the same likelihood as the model with a group (its spread held at zero),
    so that the two can be compared; equal to statsmodels' OrderedModel and R's ordinal
    package on the examples in tests/model/test_link.py.

    References
    ----------
    McCullagh (1980), Journal of the Royal Statistical Society B 42, 109-142.

    Examples
    --------
    >>> words = "bad ok ok good good good ok good bad ok good ok".split()
    >>> table = pd.DataFrame({"x": [0] * 4 + [1] * 4 + [0, 0, 1, 1], "rating": words})
    >>> fit = fit_ordinal("rating ~ x", table, levels=["bad", "ok", "good"])
    >>> fit.coefficients[["term", "estimate"]].round(3).to_dict("records")
    [{'term': 'x', 'estimate': 2.581}]
    """
    part, used, cautions = ordered_part(formula, data, levels)
    rows, back = standard_rows(part, np.zeros(len(part.y), dtype=int))
    peak = climb(rows, sd=0.0)
    require_finite(part, used, peak)
    thresholds, slopes, covariance = back(peak)
    return LinkFit(part, used, cautions, thresholds, slopes, covariance, peak.loglik)


def ordered_part(
    formula: str, data: pd.DataFrame, levels: Sequence | None, also_needed: tuple[str, ...] = ()
) -> tuple[FixedPart, tuple, tuple[str, ...]]:
    """Code a formula with an ordered response: its part, the levels in use, cautions."""
    left, _, right = formula.partition("~")
    right = re.sub(r"^\s*(?:0|-\s*1)\s*(?:\+|$)|(?:\+\s*0|-\s*1)\s*$", "", right).strip() or "1"
    name = left.strip().strip("`")
    if name in data.columns:
        order = _order(name, data[name], levels)
        places = {level: float(place) for place, level in enumerate(order)}
        data = data.assign(
            **{name: [np.nan if pd.isna(value) else places[value] for value in data[name]]}
        )
    part = fixed_part(f"{left}~ {right}", data, also_needed)
    if name not in part.data.columns:
        raise CallError(f"The response '{name}' must be a column of the data, not a calculation.")
    present, codes = np.unique(part.y.astype(int), return_inverse=True)
    idle = [str(level) for place, level in enumerate(order) if place not in present]
    cautions = part.cautions
    if idle:
        cautions += (f"'{name}': no row has {', '.join(idle)}; left out of the levels.",)
    return replace(part, y=codes.astype(float)), tuple(order[p] for p in present), cautions


def standard_rows(part: FixedPart, group: np.ndarray) -> tuple[OrderedRows, Any]:
    """Sort rows by group and scale columns to unit variance.

    The second value takes a peak back to thresholds, coefficients and covariance of the
    columns as coded.
    """
    X = np.delete(part.X, part.terms["1"].start, axis=1)
    mean = X.mean(axis=0)
    basis, triangle = np.linalg.qr(X - mean)
    root = np.sqrt(len(X))
    order = np.argsort(group, kind="stable")
    starts = np.unique(group[order], return_index=True)[1]
    codes = part.y[order].astype(int)
    rows = OrderedRows(codes, basis[order] * root, starts, codes.max() + 1)
    unscale = np.linalg.inv(triangle) * root

    def back(peak: Peak) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        slopes = unscale @ peak.slopes
        cuts = len(peak.thresholds)
        turn = np.eye(cuts + len(slopes))
        turn[cuts:, cuts:] = unscale
        turn[:cuts, cuts:] = mean @ unscale
        return peak.thresholds + mean @ slopes, slopes, turn @ peak.covariance @ turn.T

    return rows, back


def require_finite(part: FixedPart, levels: tuple, peak: Peak) -> None:
    """Refuse an estimate without end, naming the level whose rows all lie at one end."""
    if not peak.flat:
        return
    why = "; ".join(
        f"all {count} rows with {name}={value} have {part.response}={level}"
        for name, value, level, count in one_sided(part, part.y, levels)
    )
    raise ModelError(
        f"An effect on '{part.response}' has no finite estimate: "
        f"{why or 'the terms part high levels from low ones without overlap'}. Leave the term "
        "out, or ask of two levels by fit_firth, which stays finite."
    )


def one_sided(part: FixedPart, codes: np.ndarray, levels: tuple) -> list[tuple[str, str, Any, int]]:
    """Categories whose rows all lie at one end: variable, its value, the level, the rows."""
    ends = []
    for name, values in part.levels.items():
        for value in values:
            seen = codes[(part.data[name] == value).to_numpy(dtype=bool)]
            ends += [
                (name, value, levels[place], len(seen))
                for place in (0, len(levels) - 1)
                if (seen == place).all()
            ]
    return ends


def _order(name: str, column: pd.Series, levels: Sequence | None) -> list:
    present = list(pd.unique(column.dropna()))
    if levels is not None:
        order = list(levels)
        if len(set(order)) < len(order):
            raise CallError(f"The levels of '{name}' name one twice: {listed(order)}.")
        strange = [value for value in present if value not in order]
        if strange:
            raise CallError(
                f"'{name}' holds {listed(strange)}, which the levels {listed(order)} do not."
            )
        return order
    if isinstance(column.dtype, pd.CategoricalDtype) and column.dtype.ordered:
        return list(column.cat.categories)
    if not all(isinstance(value, bool | np.bool_ | int | float | np.number) for value in present):
        raise CallError(
            f"The order of '{name}' is not known: it holds text ({listed(present[:4])}). Say it "
            f"with levels=[lowest, ..., highest], or make '{name}' an ordered category."
        )
    if len(present) > MOST_LEVELS:
        raise CallError(
            f"'{name}' takes {len(present)} different values: that is a measurement, not a rating."
        )
    return sorted(present)


def _wald(estimates: np.ndarray, errors: np.ndarray) -> dict[str, np.ndarray]:
    statistic = estimates / errors
    reach = norm.ppf(0.975) * errors
    return {
        "estimate": estimates,
        "std_error": errors,
        "statistic": statistic,
        "p_value": 2 * norm.sf(np.abs(statistic)),
        "conf_low": estimates - reach,
        "conf_high": estimates + reach,
    }
