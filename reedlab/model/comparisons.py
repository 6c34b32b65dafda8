"""From estimates with standard errors and degrees of freedom to t tables."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from reedlab.errors import CallError

LEVEL = 0.95
#: Root of twice the drop of a log likelihood at the ends of a profile interval.
EDGE = float(np.sqrt(stats.chi2.ppf(LEVEL, 1)))


def t_table(
    kind: str,
    names: Sequence[str],
    estimate: np.ndarray,
    std_error: np.ndarray,
    df: np.ndarray,
) -> pd.DataFrame:
    """Table of estimates with two-sided t tests and 95 % intervals; `kind` heads the names."""
    half = stats.t.ppf((1 + LEVEL) / 2, df) * std_error
    t = estimate / std_error
    return pd.DataFrame(
        {
            kind: list(names),
            "estimate": estimate,
            "std_error": std_error,
            "df": df,
            "statistic": t,
            "p_value": 2 * stats.t.sf(np.abs(t), df),
            "conf_low": estimate - half,
            "conf_high": estimate + half,
        }
    )


def pairs_table(
    names: Sequence[str],
    estimate: np.ndarray,
    std_error: np.ndarray,
    df: np.ndarray,
    *,
    means: int,
    adjust: str,
) -> pd.DataFrame:
    """Pairwise differences of so many means, corrected for their number.

    References
    ----------
    Tukey (1953) and Kramer (1956), by the studentized range; Holm (1979).
    """
    table = t_table("contrast", names, estimate, std_error, df)
    if adjust == "none":
        return table
    if adjust == "tukey":
        # With two means the studentized range is the t test; scipy's integral is less exact.
        if means == 2:
            return table
        t = np.abs(table["statistic"].to_numpy())
        table["p_value"] = stats.studentized_range.sf(t * np.sqrt(2), means, df)
        half = stats.studentized_range.ppf(LEVEL, means, df) / np.sqrt(2) * std_error
    elif adjust == "holm":
        table["p_value"] = holm(table["p_value"].to_numpy())
        half = stats.t.isf((1 - LEVEL) / 2 / len(table), df) * std_error
    else:
        raise CallError(f"There is no correction '{adjust}'; choose tukey, holm or none.")
    return table.assign(conf_low=estimate - half, conf_high=estimate + half)


def holm(p_values: np.ndarray) -> np.ndarray:
    """Correct p values for their number by Holm's method.

    Its own lines, because statsmodels' function collects garbage at every call, which
    costs 0.1 s in a session with pictures; it is the check in the tests.

    References
    ----------
    Holm (1979), Scandinavian Journal of Statistics 6, 65-70.

    Examples
    --------
    >>> holm(np.array([0.01, 0.04, 0.03])).round(3).tolist()
    [0.03, 0.06, 0.06]
    """
    order = np.argsort(p_values)
    steps = np.arange(len(p_values), 0, -1)
    corrected = np.minimum(np.maximum.accumulate(p_values[order] * steps), 1)
    return corrected[np.argsort(order)]
