"""Scores of a cumulative-link model: what a row departs from its fitted chances.

Chances of shape (n, t) are those of a level at least so high, for every level but the
lowest. All is on the logit scale.
"""

import numpy as np
from scipy.linalg import eigh


def departures(codes: np.ndarray, chance: np.ndarray) -> np.ndarray:
    """Chance of a lower level less that of a higher one; `chance` (n, t) is of cut or above."""
    edges, rows = _edges(chance), np.arange(len(codes))
    return (1 - edges[rows, codes]) - edges[rows, codes + 1]


def information_of(chance: np.ndarray) -> float:
    """Variance of a departure, averaged over the rows."""
    edges = _edges(chance)
    each = -np.diff(edges, axis=1)
    return float((each * (1 - edges[:, :-1] - edges[:, 1:]) ** 2).sum(axis=1).mean())


def turning(X: np.ndarray, information: float, covariance: np.ndarray) -> np.ndarray:
    """Matrix A with A C A' the covariance of the link model, C that of the number.

    Both with rows taken as independent. It is the root of covariance times C inverse, the
    same whatever the coding of the columns.
    """
    centred = X - X.mean(axis=0)
    C = np.linalg.inv(centred.T @ centred * information)
    values, vectors = eigh(covariance, C)
    return C @ (vectors * np.sqrt(values)) @ vectors.T


def _edges(chance: np.ndarray) -> np.ndarray:
    ends = np.ones((len(chance), 1))
    return np.hstack([ends, chance, 0 * ends])
