"""Where Cox's model has no finite estimate: events parted from the rest by a column.

If every row that ended had, of all that were still going on, the largest (or smallest)
value of some combination of the columns, the likelihood rises for ever along it
(Bryson & Johnson 1981 call it monotone). A linear programme finds it.
"""

import numpy as np
from scipy.optimize import linprog

#: A coefficient of the programme's answer above this is not nought; they reach 1.
_TELLS = 1e-6


def monotone_columns(time: np.ndarray, event: np.ndarray, X: np.ndarray) -> np.ndarray:
    """Tell which columns take part in a combination that parts events from the rest.

    Parameters
    ----------
    time : ndarray, shape (n,)
    event : ndarray of bool, shape (n,)
    X : ndarray, shape (n, p)

    Returns
    -------
    ndarray of bool, shape (p,)

    Examples
    --------
    >>> time, event = np.array([1.0, 2, 3, 4, 4]), np.array([True, True, True, False, False])
    >>> X = np.array([[2.0, 0], [2, 1], [2, 0], [1, 1], [1, 0]])
    >>> monotone_columns(time, event, X).tolist()
    [True, False]
    """
    ahead = []
    for moment in np.unique(time[event]):
        tied = X[event & (time == moment)]
        others = np.unique(X[time >= moment], axis=0)
        ahead.append((tied[:, None] - others[None]).reshape(-1, X.shape[1]))
    differences = np.unique(np.vstack(ahead), axis=0)
    differences = differences / np.maximum(np.abs(differences).max(axis=0), 1e-300)
    found = linprog(
        -differences.sum(axis=0), A_ub=-differences, b_ub=np.zeros(len(differences)), bounds=(-1, 1)
    )
    if not found.success or -found.fun < _TELLS:
        return np.zeros(X.shape[1], dtype=bool)
    return np.abs(found.x) > _TELLS
