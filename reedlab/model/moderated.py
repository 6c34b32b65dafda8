"""The mixed model's test of a yes or no, steadied by what independent rows would vary.

A response of 1 and 0 on few groups is so coarse that groups often agree by chance. So
the variance of a contrast between groups is moderated (Smyth 2004): averaged with the
variance that the contrast would have if rows were independent, which has the weight of
:data:`PRIOR_DF` degrees of freedom beside those of the groups. All functions take one
response or, in leading dimensions, many. Variances are in the square of a share, 0 to 1.
"""

import numpy as np

#: Weight of the variance of independent rows beside that of groups, in degrees of freedom.
PRIOR_DF = 1.0
#: A factor with less than this share of its variation inside the groups is treated as theirs.
WITHIN = 0.5


def lies_between(columns: np.ndarray, group: np.ndarray) -> bool:
    """Say whether columns (n, m) vary mostly from group to group (codes of shape (n,)).

    Examples
    --------
    >>> column = np.array([[0.0], [0], [1], [1]])
    >>> lies_between(column, np.array([0, 0, 1, 1])), lies_between(column, np.array([0, 1, 0, 1]))
    (True, False)
    """
    columns = columns - columns.mean(axis=0)
    whole = np.sum(columns**2)
    sums = np.zeros((group.max() + 1, columns.shape[1]))
    np.add.at(sums, group, columns)
    between = np.sum(sums**2 / np.bincount(group)[:, None])
    return bool(whole - between < WITHIN * whole)


def independent_covariance(weights: np.ndarray, chance: np.ndarray) -> np.ndarray:
    """Covariance of weighted sums of independent yes or no, shape (..., q, q).

    `weights` (q, n) are those of the rows, `chance` (..., n) their chances of a yes.
    """
    return (weights * (chance * (1 - chance))[..., None, :]) @ weights.T


def moderated(df: np.ndarray, own: np.ndarray, independent: np.ndarray) -> np.ndarray:
    """Average variances with those of independent rows; `df` are those of the own ones."""
    return (df * own + PRIOR_DF * independent) / (df + PRIOR_DF)


def moderated_statistic(
    F: np.ndarray, den_df: np.ndarray, b: np.ndarray, own: np.ndarray, independent: np.ndarray
) -> np.ndarray:
    """F statistic of contrasts `b` (..., q) in the proportion of the two quadratic forms.

    So its scale stays. `own` and `independent` are covariances of shape (..., q, q).
    """
    steadied = moderated(np.asarray(den_df)[..., None, None], own, independent)
    plain, shrunk = _quadratic(b, own), _quadratic(b, steadied)
    return F * np.divide(shrunk, plain, out=np.ones_like(plain), where=plain > 0)


def _quadratic(b: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    return np.einsum("...q,...q->...", b, np.linalg.solve(covariance, b[..., None])[..., 0])
