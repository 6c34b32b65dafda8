"""From estimates with standard errors and degrees of freedom to t tables."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from reedlab.errors import CallError

LEVEL = 0.95


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
        from statsmodels.stats.multitest import multipletests

        table["p_value"] = multipletests(table["p_value"], method="holm")[1]
        half = stats.t.isf((1 - LEVEL) / 2 / len(table), df) * std_error
    else:
        raise CallError(f"There is no correction '{adjust}'; choose tukey, holm or none.")
    return table.assign(conf_low=estimate - half, conf_high=estimate + half)
