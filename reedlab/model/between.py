"""The variance between studies that each bring an estimate with its standard error.

Everything here takes the standard errors as known; reedlab.model.across knows that they
rest on few units. Variances are in the square of the estimates' unit.
"""

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.stats import chi2

#: Steps of Newton's method at most; from below it converges without overshooting.
_STEPS = 200
#: Points over which the restricted likelihood is searched before it is refined.
_GRID = 200


def weighted(y: np.ndarray, variances: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weighted mean, its variance, and the weighted sum of squares about it.

    Parameters
    ----------
    y, variances : ndarray, shape (..., k)
        Estimates and the variance of each; the weights are its inverse.

    Returns
    -------
    mean, variance, squares : ndarray, shape (...)

    Examples
    --------
    >>> [float(x) for x in weighted(np.array([1.0, 3.0]), np.array([1.0, 1.0]))]
    [2.0, 0.5, 2.0]
    """
    weights = 1 / variances
    variance = 1 / weights.sum(axis=-1)
    mean = (weights * y).sum(axis=-1) * variance
    squares = (weights * (y - mean[..., None]) ** 2).sum(axis=-1)
    return mean, variance, squares


def between_variance(y: np.ndarray, variances: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Solve for the variance between studies at which the weighted squares are as given.

    With the true variances these squares follow chi-square on k - 1 degrees of freedom.
    So k - 1 for the target gives the estimate of Paule and Mandel, its quantiles the
    limits of the Q-profile, and draws of it the confidence distribution.

    Parameters
    ----------
    y, variances : ndarray, shape (..., k)
    target : ndarray, shape (...)

    Returns
    -------
    ndarray, shape (...)
        Zero where the squares are smaller than the target already.

    References
    ----------
    Paule & Mandel (1982), Journal of Research of the NBS 87, 377-385; Viechtbauer (2007),
    Statistics in Medicine 26, 37-52. The squares fall and are convex in the variance, so
    Newton's method from zero approaches the root from below.

    Examples
    --------
    >>> y = np.array([1.0, 3.0, 8.0])
    >>> float(between_variance(y, np.ones(3), np.array(2.0)).round(6))
    12.0
    """
    found = np.zeros(np.shape(target))
    for _ in range(_STEPS):
        total = variances + found[..., None]
        mean, _, squares = weighted(y, total)
        slope = (((y - mean[..., None]) / total) ** 2).sum(axis=-1)
        # Equal estimates leave nothing to solve, and no slope.
        step = np.divide(squares - target, slope, out=np.zeros_like(found), where=slope > 0)
        step = np.maximum(step, 0)
        found = found + step
        if (step <= 1e-10 * found).all():
            break
    return found


def restricted(y: np.ndarray, variances: np.ndarray) -> float:
    """Estimate the variance between studies by restricted maximum likelihood.

    Parameters
    ----------
    y, variances : ndarray, shape (k,)

    Examples
    --------
    >>> round(restricted(np.array([1.0, 3.0, 8.0]), np.ones(3)), 4)
    12.0
    """

    def loss(between: float) -> float:
        total = variances + between
        _, variance, squares = weighted(y, total)
        return float(np.log(total).sum() - np.log(variance) + squares) / 2

    # All of the spread of the estimates, and a little more than that.
    most = 4 * float(np.var(y, ddof=1)) + float(variances.max())
    grid = np.concatenate([[0.0], np.geomspace(1e-8, 1, _GRID) * most])
    best = int(np.argmin([loss(value) for value in grid]))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, _GRID)]
    refined = minimize_scalar(loss, bounds=(low, high), method="bounded", options={"xatol": 0.0})
    return float(refined.x) if refined.fun < loss(0.0) else 0.0


def q_profile(y: np.ndarray, variances: np.ndarray) -> tuple[float, float]:
    """95 % interval of the variance between studies, standard errors taken as known.

    References
    ----------
    Viechtbauer (2007), Statistics in Medicine 26, 37-52; his example and van Houwelingen
    et al. (2002) are reproduced in tests/model/test_across.py.

    Examples
    --------
    >>> [round(limit, 1) for limit in q_profile(np.array([1.0, 3.0, 8.0]), np.ones(3))]
    [2.5, 512.5]
    """
    quantiles = chi2.ppf([0.975, 0.025], len(y) - 1)
    low, high = between_variance(np.stack([y, y]), np.stack([variances] * 2), quantiles)
    return float(low), float(high)
