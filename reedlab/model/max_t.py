"""Several tests of one reference set: step-down maxT (Westfall & Young 1993).

Each statistic is set beside the largest of those that are not yet passed, in the same
arrangements, so that what goes together is paid for once. Statistics of different width
and scale are brought to one: over their mean in the reference set, by the cube root of
Wilson & Hilferty (1931).
"""

import numpy as np

from reedlab.model.tails import tail


def step_down(
    among: np.ndarray, seen: np.ndarray, columns: np.ndarray, *, complete: bool
) -> np.ndarray:
    """P values corrected for the number of tests.

    Parameters
    ----------
    among : ndarray, shape (m, K)
        Statistics, like chi-squared ones, of every arrangement.
    seen : ndarray, shape (K,)
    columns : ndarray of int, shape (K,)
        How many columns each tests.
    complete : bool
        Whether the arrangements are all that there are.

    Returns
    -------
    ndarray, shape (K,)

    Examples
    --------
    >>> among = np.array([[9.0, 1.0], [1.0, 4.0], [0.0, 2.0], [4.0, 0.0]])
    >>> step_down(among, among[0], np.array([1, 1]), complete=True)
    array([0.25, 0.75])
    """
    usual = among.mean(axis=0) / columns
    usual = np.where(usual > 0, usual, 1.0)
    spread, own = _normal(among / usual, columns), _normal(seen / usual, columns)
    order = np.argsort(-own)
    largest = np.maximum.accumulate(spread[:, order[::-1]], axis=1)[:, ::-1]
    p = [
        tail(largest[:, place], float(own[which]), complete=complete).p_value
        for place, which in enumerate(order)
    ]
    corrected = np.empty(len(seen))
    corrected[order] = np.maximum.accumulate(p)
    return corrected


def _normal(statistic: np.ndarray, columns: np.ndarray) -> np.ndarray:
    rest = 2 / (9 * columns)
    return (np.cbrt(statistic / columns) - (1 - rest)) / np.sqrt(rest)
