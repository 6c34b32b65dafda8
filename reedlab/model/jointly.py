"""Does a factor move any of several responses?  One test over all of them.

The chosen coefficients of all models are stacked; their covariance is that of
`best_set.joint_draws`: with one design and one ratio of the variances it is exact. The
statistic is the Lawley-Hotelling trace, whose distribution is approximated by McKeon's F
(1974, Biometrika 61, 381-383); for one response that is the usual F test. Degrees of
freedom are the fewest that one of the coefficients has.
"""

from collections.abc import Sequence

import numpy as np

from reedlab.model.best_set import Estimates, root_of


def joint_p_value(
    models: Sequence[Estimates], chosen: Sequence[np.ndarray], correlation: np.ndarray
) -> float:
    """Return the p value of "none of the chosen coefficients differs from zero".

    Parameters
    ----------
    models : sequence of Estimates
    chosen : sequence of ndarray of int
        Places of the coefficients in each model; may be empty.
    correlation : ndarray, shape (models, models)
        Of what no model explains.

    Returns
    -------
    float
        1 where nothing is chosen, or where the degrees of freedom are too few to tell.

    Examples
    --------
    >>> known = Estimates(("1", "a"), np.array([0.0, 2.0]), np.eye(2), np.array([10.0, 10.0]))
    >>> round(joint_p_value([known], [np.array([1])], np.eye(1)), 4)  # t of 2 on 10
    0.0734
    """
    used = [place for place, columns in enumerate(chosen) if len(columns)]
    if not used:
        return 1.0
    stacked = np.concatenate([models[r].coefficients[chosen[r]] for r in used])
    covariance = np.block(
        [[_between(models, chosen, correlation, r, s) for s in used] for r in used]
    )
    df = min(float(models[r].df[chosen[r]].min()) for r in used)
    squared = float(stacked @ np.linalg.solve(covariance, stacked))
    return trace_p_value(squared, len(used), len(stacked) / len(used), df)


def trace_p_value(squared: float, responses: int, columns: float, df: float) -> float:
    """Return the p value of a Lawley-Hotelling trace times its degrees of freedom.

    Parameters
    ----------
    squared : float
        Of one response the F statistic times `columns`; of one column Hotelling's T squared.
    responses : int
    columns : float
        Coefficients tested of each response, on average.
    df : float
        Error degrees of freedom.

    Returns
    -------
    float

    Notes
    -----
    McKeon's approximation; exact for one response or one column.

    Examples
    --------
    >>> round(trace_p_value(9.0, 2, 1, 12.0), 4)  # Hotelling: F = 9 * 11 / 24 on 2 and 11
    0.0461
    """
    from scipy.stats import f

    both, n = responses * columns, (df - responses - 1) / 2
    if responses == 1:
        return float(f.sf(squared / columns, columns, df))
    if n <= 1:
        return 1.0
    b = (responses + 2 * n) * (columns + 2 * n) / (2 * (2 * n + 1) * (n - 1))
    den_df = 4 + (both + 2) / (b - 1)
    scale = (2 + (both + 2) / (b - 1)) / (2 * n)
    return float(f.sf(squared / df / scale * den_df / both, both, den_df))


def _between(
    models: Sequence[Estimates],
    chosen: Sequence[np.ndarray],
    correlation: np.ndarray,
    r: int,
    s: int,
) -> np.ndarray:
    """Covariance of the chosen coefficients of two models."""
    one, other = models[r], models[s]
    if r == s:
        return one.covariance[np.ix_(chosen[r], chosen[r])]
    shared = np.array([[a == b for b in other.names] for a in one.names], dtype=float)
    whole = root_of(one.covariance) @ shared @ root_of(other.covariance).T
    return np.asarray(correlation[r, s] * whole[np.ix_(chosen[r], chosen[s])])
