"""The chance of yes from a few columns, none of which may count against its direction.

Logistic regression with slopes that are zero or more, drawn towards zero by a ridge
penalty on columns scaled to unit variance. Responses may be any share from 0 to 1, so that
a chance learnt elsewhere can stand for a yes or no that is not known.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit

from reedlab.errors import ModelError

#: Strength of the penalty: that of a normal prior with a spread of 1 in the log odds for
#: one standard deviation of a column.
RIDGE = 1.0


@dataclass(frozen=True)
class MonotoneLogit:
    """A fitted model; made by :func:`fit_monotone_logit`.

    Attributes
    ----------
    intercept : float
        Log odds where every column is 0.
    slopes : ndarray, shape (columns,)
        Change of the log odds for a step of 1 in each column; 0 or more.
    deviance : float
        -2 log likelihood of the rows used, without the penalty.
    """

    intercept: float
    slopes: np.ndarray
    deviance: float

    def chance(self, X: np.ndarray) -> np.ndarray:
        """Return the chance of yes for each row."""
        return np.asarray(expit(self.intercept + X @ self.slopes))


def fit_monotone_logit(X: np.ndarray, y: np.ndarray, ridge: float = RIDGE) -> MonotoneLogit:
    """Fit the chance of yes.

    Parameters
    ----------
    X : ndarray, shape (n, columns)
        Columns turned so that more is never worse; they may be none.
    y : ndarray, shape (n,)
        0, 1 or a share between.
    ridge : float
        Half of this times the sum of squared slopes (of columns scaled to unit variance) is
        taken from the log likelihood.

    Returns
    -------
    MonotoneLogit

    Raises
    ------
    ModelError
        Without rows, or if all of `y` is 0 or all is 1.

    References
    ----------
    le Cessie & van Houwelingen (1992), Applied Statistics 41, 191-201. Fitted by scipy's
    L-BFGS-B, whose bounds hold the slopes at zero or above.

    Examples
    --------
    >>> X = np.array([[0.0, 5.0], [1.0, 3.0], [2.0, 4.0], [3.0, 1.0]])
    >>> fit = fit_monotone_logit(X, np.array([0.0, 0.0, 1.0, 1.0]))
    >>> fit.slopes.round(2)
    array([1.08, 0.  ])
    """
    if len(y) == 0 or not 0 < y.mean() < 1:
        raise ModelError("A chance cannot be learnt where all ended alike.")
    middle = X.mean(axis=0)
    scale = X.std(axis=0)
    scale[scale == 0] = 1.0
    Z = (X - middle) / scale

    def penalised(b: np.ndarray) -> tuple[float, np.ndarray]:
        eta = b[0] + Z @ b[1:]
        gap = expit(eta) - y
        value = np.logaddexp(0, eta).sum() - y @ eta + ridge * (b[1:] @ b[1:]) / 2
        return value, np.concatenate([[gap.sum()], Z.T @ gap + ridge * b[1:]])

    start = np.zeros(X.shape[1] + 1)
    start[0] = np.log(y.mean() / (1 - y.mean()))
    bounds = [(None, None), *[(0, None)] * X.shape[1]]
    found = minimize(penalised, start, jac=True, method="L-BFGS-B", bounds=bounds)
    slopes = found.x[1:] / scale
    deviance = 2 * (found.fun - ridge * (found.x[1:] @ found.x[1:]) / 2)
    return MonotoneLogit(float(found.x[0] - middle @ slopes), slopes, float(deviance))
