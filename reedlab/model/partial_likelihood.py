"""Cox's partial likelihood, with ties by Efron's method, and what each row adds to its slope.

Every event has its risk set: the rows that were still going on. Of d events at one
time, Efron (1977) counts the tied rows less and less, as if they had come one after
the other. statsmodels' PHReg has the same likelihood, but no fit with a coefficient
held, and its score residuals leave the ties out, so that they do not add up to the
score; both are needed to judge an effect by tubes. The tests hold it equal to PHReg
and, with Firth's penalty, to firthmodels.
"""

from dataclasses import dataclass

import numpy as np

from reedlab.errors import ModelError

_MOST_STEPS = 200
#: No coefficient moves further in one step; columns have a standard deviation of one.
_LONGEST_STEP = 2.0
_FLAT = 1e-9


@dataclass(frozen=True)
class Point:
    """The likelihood at one value of the coefficients.

    Attributes
    ----------
    value : float
        Log partial likelihood, with `weight` times the log determinant of the information.
    score : ndarray, shape (p,)
        Its slope.
    information : ndarray, shape (p, p)
        Of the likelihood without the penalty.
    """

    value: float
    score: np.ndarray
    information: np.ndarray


class PartialLikelihood:
    """The partial likelihood of given times and events.

    Parameters
    ----------
    time : ndarray, shape (n,)
    event : ndarray of bool, shape (n,)
    """

    def __init__(self, time: np.ndarray, event: np.ndarray) -> None:
        places, inside, own = [], [], []
        for moment in np.unique(time[event]):
            tied = event & (time == moment)
            d = int(tied.sum())
            for before in range(d):
                places.append(moment)
                inside.append((time >= moment) - tied * before / d)
                own.append(tied / d)
        #: time of each event, shape (m,)
        self.times = np.array(places)
        with np.errstate(divide="ignore"):
            #: log of how much each row counts in each risk set, shape (m, n)
            self.log_inside = np.log(np.array(inside))
        #: share of each row in each event, shape (m, n)
        self.own = np.array(own)

    def chances(self, eta: np.ndarray) -> np.ndarray:
        """Return for each event the chance that it was this row's, shape (m, n)."""
        logged = self.log_inside + eta
        logged -= logged.max(axis=1, keepdims=True)
        weights = np.exp(logged)
        return weights / weights.sum(axis=1, keepdims=True)

    def at(self, X: np.ndarray, beta: np.ndarray, weight: float = 0.0) -> Point:
        """Return value, slope and information; `weight` is that of Firth's penalty (0 or ½)."""
        eta = X @ beta
        logged = self.log_inside + eta
        top = logged.max(axis=1)
        chances = np.exp(logged - top[:, None])
        total = chances.sum(axis=1)
        chances /= total[:, None]
        middle = chances @ X
        value = float((self.own @ eta).sum() - (top + np.log(total)).sum())
        score = self.own.sum(axis=0) @ X - middle.sum(axis=0)
        if not weight:
            information = (X.T * chances.sum(axis=0)) @ X - middle.T @ middle
            return Point(value, score, information)
        # With the penalty, and so few events, sums are taken about the middle: more exact.
        apart = X[None] - middle[:, None]
        weighted = chances[..., None] * apart
        information = np.einsum("sia,sib->ab", weighted, apart)
        value += weight * float(np.linalg.slogdet(information)[1])
        third = np.einsum("sia,sib,sic->abc", weighted, apart, apart)
        score = score + weight * np.einsum("ab,abc->c", np.linalg.pinv(information), third)
        return Point(value, score, information)

    def contributions(self, X: np.ndarray, beta: np.ndarray) -> np.ndarray:
        """Return what each row adds to the score, shape (n, p).

        Its own event, set against what was expected of it in all risk sets it was in:
        the score residuals of Lin & Wei (1989), with Efron's ties.
        """
        chances = self.chances(X @ beta)
        surplus = self.own - chances
        return surplus.sum(axis=0)[:, None] * X - surplus.T @ (chances @ X)

    def information_by_event(self, X: np.ndarray, beta: np.ndarray) -> np.ndarray:
        """Return what each event adds to the information, shape (m, p, p)."""
        chances = self.chances(X @ beta)
        apart = X[None] - (chances @ X)[:, None]
        return np.einsum("si,sia,sib->sab", chances, apart, apart)

    def schoenfeld(self, X: np.ndarray, beta: np.ndarray) -> np.ndarray:
        """Return the events' own values less those expected of them, shape (m, p)."""
        return (self.own - self.chances(X @ beta)) @ X

    def maximise(
        self, X: np.ndarray, start: np.ndarray, free: np.ndarray, weight: float = 0.0
    ) -> tuple[np.ndarray, Point]:
        """Find the coefficients with the largest likelihood; those that are not free stay.

        Parameters
        ----------
        X : ndarray, shape (n, p)
            Columns with a mean of zero and a standard deviation near one.
        start : ndarray, shape (p,)
        free : ndarray of bool, shape (p,)
        weight : float
            Of Firth's penalty.

        Raises
        ------
        ModelError
            If no maximum is found.
        """
        beta = start.astype(float)
        point = self.at(X, beta, weight)
        for _ in range(_MOST_STEPS if free.any() else 0):
            slope = point.score[free]
            step = np.zeros_like(beta)
            step[free] = np.linalg.pinv(point.information[np.ix_(free, free)]) @ slope
            step /= max(1.0, np.abs(step).max() / _LONGEST_STEP)
            nearer = self.at(X, beta + step, weight)
            while nearer.value < point.value - 1e-12 and np.abs(step).max() > 1e-12:
                step /= 2
                nearer = self.at(X, beta + step, weight)
            gain = nearer.value - point.value
            beta, point = beta + step, nearer
            # Without a finite maximum the likelihood only creeps: it is flat soon enough.
            if np.abs(point.score[free]).max() < _FLAT or gain < 1e-13:
                return beta, point
        if not free.any():
            return beta, point
        raise ModelError("The hazard model did not settle; ask for fewer factors.")
