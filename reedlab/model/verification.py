"""A test whose verdict decides who is followed up: its hit rates, put right.

If mostly those that a test lets pass are followed to the end, the shares found among the
followed are not those of all. Begg and Greenes weigh what is found among the followed by
how often the test gives each verdict. Shares from 0 to 1; counts are of independent things.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit, logit
from scipy.stats import norm

from reedlab.errors import CallError, ModelError


@dataclass(frozen=True)
class Verification:
    """Hit rates as found among the followed and put right; made by :func:`begg_greenes`.

    Attributes
    ----------
    table : DataFrame
        One row a share and method: ``term`` (sensitivity, specificity, prevalence),
        ``method`` (naive, Begg & Greenes), ``estimate``, ``std_error`` (delta method),
        ``conf_low``, ``conf_high`` (95 %, by the logit; missing at 0 and 1), ``n_units``.
    """

    table: pd.DataFrame

    def share(self, term: str, method: str = "Begg & Greenes") -> float:
        """Return one estimate of the table."""
        rows = self.table[(self.table["term"] == term) & (self.table["method"] == method)]
        if rows.empty:
            raise CallError(f"There is no share '{term}' by the method '{method}'.")
        return float(rows["estimate"].iloc[0])


def begg_greenes(
    positive: tuple[float, float, float], negative: tuple[float, float, float]
) -> Verification:
    """Correct sensitivity and specificity for things that were not followed up.

    Parameters
    ----------
    positive, negative : tuple of three counts
        Of the things with that verdict: followed up and found to have the condition,
        followed up and found not to have it, not followed up.

    Returns
    -------
    Verification

    Raises
    ------
    CallError
        For counts that cannot be.
    ModelError
        If nothing with one of the verdicts was followed up.

    Notes
    -----
    P(verdict | condition) = P(condition | verdict) P(verdict) / P(condition), the first
    factor from the followed, the second from all. It holds only if being followed up
    depends on the verdict and on nothing else that tells of the condition.

    References
    ----------
    Begg & Greenes (1983), Biometrics 39, 207-215. Standard errors by the delta method on
    the logit, where the three shares that are estimated are independent.

    Examples
    --------
    >>> found = begg_greenes((231, 32, 166), (27, 54, 140))
    >>> round(found.share("sensitivity"), 4), round(found.share("sensitivity", "naive"), 4)
    (0.8365, 0.8953)
    """
    cells = np.array([positive, negative], dtype=float)
    if cells.shape != (2, 3) or not np.isfinite(cells).all() or (cells < 0).any():
        raise CallError("Each verdict has three counts of 0 or more: with, without, not followed.")
    followed, everything = cells[:, :2].sum(axis=1), cells.sum(axis=1)
    for verdict, n in zip(("positive", "negative"), followed, strict=True):
        if n == 0:
            raise ModelError(f"Nothing with a {verdict} verdict was followed up.")
    share = cells[:, 0] / followed  # of the condition, by verdict
    n = everything.sum()
    verdict = everything / n
    rows = [
        _binomial("sensitivity", cells[0, 0], cells[:, 0].sum()),
        _binomial("specificity", cells[1, 1], cells[:, 1].sum()),
        _binomial("prevalence", cells[:, 0].sum(), followed.sum()),
        _corrected("sensitivity", share, verdict, followed, n),
        _corrected("specificity", 1 - share[::-1], verdict[::-1], followed[::-1], n),
        _overall(share, verdict, followed, n),
    ]
    return Verification(pd.DataFrame(rows))


def _binomial(term: str, k: float, n: float) -> dict[str, object]:
    share = k / n if n else np.nan
    error = np.sqrt(share * (1 - share) / n) if n else np.nan
    return _row(term, "naive", share, error, n)


def _corrected(
    term: str, share: np.ndarray, verdict: np.ndarray, followed: np.ndarray, n: float
) -> dict[str, object]:
    """Share of the first verdict among those with the condition; its logit is a sum."""
    weights = share * verdict
    total = weights.sum()
    estimate = weights[0] / total if total else np.nan
    # Var of log odds = var log odds of the verdict + var of the log of either share.
    of_verdict = 1 / (n * verdict[0] * verdict[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        of_shares = ((1 - share) / (followed * share)).sum()
        error = estimate * (1 - estimate) * np.sqrt(of_verdict + of_shares)
    return _row(term, "Begg & Greenes", estimate, error, n)


def _overall(
    share: np.ndarray, verdict: np.ndarray, followed: np.ndarray, n: float
) -> dict[str, object]:
    within = (verdict**2 * share * (1 - share) / followed).sum()
    between = (share[0] - share[1]) ** 2 * verdict[0] * verdict[1] / n
    error = np.sqrt(within + between)
    return _row("prevalence", "Begg & Greenes", float(share @ verdict), error, n)


def _row(term: str, method: str, share: float, error: float, n: float) -> dict[str, object]:
    low = high = np.nan
    if 0 < share < 1 and np.isfinite(error):
        reach = norm.ppf(0.975) * error / (share * (1 - share))
        low, high = expit(logit(share) + np.array([-reach, reach]))
    return {
        "term": term,
        "method": method,
        "estimate": share,
        "std_error": error,
        "conf_low": low,
        "conf_high": high,
        "n_units": int(n),
    }
