"""Half the width of an interval for a difference of shares, judged by whole plots.

Yes and no vary the more the nearer a share is to one half, and an effect inside plots may
differ from plot to plot; a constant shift knows neither. The variance here is what the
scores of the plots vary by around the fit, averaged with that of independent rows as in
:mod:`reedlab.model.moderated`. All is in shares, 0 to 1.
"""

import numpy as np

from reedlab.model.comparisons import LEVEL
from reedlab.model.moderated import moderated
from reedlab.model.scores import Terms


def half_width(terms: Terms, term: str, column: int = 0) -> float:
    """Half of a 95 % interval of one column's effect on the share of ones.

    Parameters
    ----------
    terms : Terms
        Its response is 1 and 0, NaN where there is none.
    term : str
    column : int

    Returns
    -------
    float
        Infinite where no plot is left to judge by.

    Examples
    --------
    >>> plot, x = np.repeat(np.arange(6), 2), np.tile([[0.0], [1.0]], (6, 1))
    >>> y = np.array([0.0, 1, 0, 1, 1, 1, 0, 0, 0, 1, 0, 1])
    >>> terms = Terms(y, {"x": x}, {"x": x}, plot, np.ones((12, 1)), np.empty((12, 0)))
    >>> round(half_width(terms, "x"), 3)
    0.554
    """
    from scipy.stats import t as t_distribution

    weights = terms.score(term, column).weights[:, 0]
    length = float(weights @ terms.column(term, column))
    code = np.unique(terms.plot, return_inverse=True)[1]
    plots = int(code.max()) + 1
    spent = terms.blocks.shape[1]
    if terms.whole[term]:
        spent += sum(X.shape[1] for name, X in terms.planned.items() if terms.whole[name])
    df = plots - spent
    if df < 1:
        return float("inf")
    used = np.isfinite(terms.y)
    left = np.where(used, terms.y - terms.fitted, 0.0)
    scores = np.bincount(code, weights * left)
    between = np.sum(scores**2) * plots / df / length**2
    # Half a yes and half a no more in either half of the rows: no chance is 0 or 1.
    half = used.sum() / 2
    chance = np.clip((terms.fitted * half + 0.5) / (half + 1), 0.5 / (half + 1), None)
    chance = np.minimum(chance, 1 - 0.5 / (half + 1))
    alone = np.sum(used * weights**2 * chance * (1 - chance)) / length**2
    variance = moderated(np.array(df), np.array(between), np.array(alone))
    return float(t_distribution.ppf((1 + LEVEL) / 2, df) * np.sqrt(variance))
