"""Do raters who use a scale each in their own way put the same things in the same order?

Only ranks within a rater count. Kendall's W is 0 where the ranks have nothing in common
and 1 where they are the same; a ridit is the share of a reference that lies below a
value, half of those level with it included: 0 to 1, and 0.5 on average.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import friedmanchisquare

from reedlab.errors import ModelError

#: Fewest things whose order can be compared.
FEWEST = 3
DRAWS = 4999


@dataclass(frozen=True)
class Concordance:
    """Kendall's coefficient of concordance; made by :func:`kendall_w`.

    Attributes
    ----------
    estimate : float
        W, 0 to 1; without any concordance about one over the number of raters.
    correlation : float
        Mean Spearman correlation of the raters in pairs: 1 the same order, 0 without any
        concordance, however many raters; missing if a rater gives one value only.
    statistic : float
        Friedman's chi-square, raters x (things - 1) x W.
    p_value : float
        Of no concordance: the share of random orders with a W as large.
    n_things, n_raters : int
    """

    estimate: float
    correlation: float
    statistic: float
    p_value: float
    n_things: int
    n_raters: int


def kendall_w(table: pd.DataFrame, seed: int = 0) -> Concordance:
    """Tell how far raters put things in the same order.

    Parameters
    ----------
    table : DataFrame
        One row a thing, one column a rater, no gaps.
    seed : int
        For the random orders: 4999 draws, each rater's ranks shuffled.

    Returns
    -------
    Concordance

    Raises
    ------
    ModelError
        For fewer than three things or two raters, or raters who each give one value only.

    Notes
    -----
    W = chi-square / (raters x (things - 1)), ties by mean ranks with Friedman's correction.
    Without ties the mean correlation is (raters x W - 1) / (raters - 1). The chi-square
    distribution is poor for few things, so p is of random orders.

    References
    ----------
    Kendall & Babington Smith (1939), Annals of Mathematical Statistics 10, 275-287;
    Friedman (1937), Journal of the American Statistical Association 32, 675-701.

    Examples
    --------
    >>> found = kendall_w(pd.DataFrame({"P": [1, 2, 3, 4], "Q": [10, 30, 20, 40]}))
    >>> round(found.estimate, 3), round(found.statistic, 3)
    (0.9, 5.4)
    """
    things, raters = table.shape
    if things < FEWEST or raters < 2:
        raise ModelError(
            f"An order is compared over {FEWEST} things and 2 raters at least; here are "
            f"{things} and {raters}."
        )
    if (table.nunique() < 2).all():
        raise ModelError("Every rater gives one value only, so there is no order to compare.")
    values = table.to_numpy(dtype=float)
    statistic = float(friedmanchisquare(*values).statistic)
    ranks = table.rank().to_numpy()
    rng = np.random.default_rng(seed)
    drawn = sum(rng.permuted(np.tile(column, (DRAWS, 1)), axis=1) for column in ranks.T)
    # The ties of a rater stay when its ranks are shuffled, so W grows with these squares.
    seen, by_chance = (np.square(total).sum(axis=-1) for total in (ranks.sum(axis=1), drawn))
    as_large = int((by_chance >= seen * (1 - 1e-12)).sum())
    p_value = (as_large + 1) / (DRAWS + 1)
    W = statistic / (raters * (things - 1))
    correlation = np.nan
    if (table.nunique() > 1).all():
        correlation = float(np.corrcoef(ranks.T)[np.triu_indices(raters, 1)].mean())
    return Concordance(W, correlation, statistic, p_value, things, raters)


def ridits(values: pd.Series, reference: pd.Series | None = None) -> pd.Series:
    """Ridit of each value: the share of the reference below it, half of its equals included.

    Parameters
    ----------
    values : Series
    reference : Series, optional
        The values themselves if left out.

    References
    ----------
    Bross (1958), Biometrics 14, 18-38.

    Examples
    --------
    >>> ridits(pd.Series([1, 2, 2, 5])).tolist()
    [0.125, 0.5, 0.5, 0.875]
    """
    known = np.sort((values if reference is None else reference).to_numpy(dtype=float))
    asked = values.to_numpy(dtype=float)
    below = np.searchsorted(known, asked, side="left")
    up_to = np.searchsorted(known, asked, side="right")
    return pd.Series((below + up_to) / (2 * len(known)), index=values.index)
