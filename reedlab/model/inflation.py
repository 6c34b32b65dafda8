"""How much the other terms widen the interval of a term: variance inflation."""

from collections.abc import Sequence

import numpy as np

from reedlab.model.questions import LinearFit


def variance_inflation(fit: LinearFit, terms: Sequence[str]) -> np.ndarray:
    """Generalised variance inflation of each term, per degree of freedom.

    Parameters
    ----------
    fit : LinearFit
    terms : sequence of str

    Returns
    -------
    ndarray, shape (len(terms),)
        1 for a term unrelated to all others; 1 / (1 - R2) for a single column, R2 that of
        the column on all others.

    References
    ----------
    Fox & Monette (1992), Journal of the American Statistical Association 87, 178-183:
    det(R_own) det(R_rest) / det(R) of the columns' correlations, to the power 1 / df.

    Examples
    --------
    >>> import pandas as pd
    >>> from reedlab.model import fit_mixed
    >>> table = pd.DataFrame({"y": [1.0, 2, 4, 3, 5], "a": [1, 2, 3, 4, 6], "b": [1, 0, 1, 0, 1]})
    >>> variance_inflation(fit_mixed("y ~ a + b", table, []), ["a", "b"]).round(3)
    array([1.009, 1.009])
    """
    intercept = fit.fixed.terms.get("1", slice(0, 0))
    kept = np.delete(np.arange(fit.fixed.X.shape[1]), np.r_[intercept])
    correlation = np.atleast_2d(np.corrcoef(fit.fixed.X[:, kept], rowvar=False))
    found = []
    for term in terms:
        own = np.isin(kept, np.arange(fit.fixed.X.shape[1])[fit.fixed.terms[term]])
        generalised = (
            np.linalg.det(correlation[np.ix_(own, own)])
            * np.linalg.det(correlation[np.ix_(~own, ~own)])
            / np.linalg.det(correlation)
        )
        found.append(generalised ** (1 / own.sum()))
    return np.array(found)
