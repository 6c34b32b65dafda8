"""Firth's penalised logistic regression of many responses that share one design.

The same maxima and penalised likelihood ratios as :mod:`reedlab.model.firth` finds for
one response, by Newton's method on all responses together. Rows alike in all columns
are one cell: what enters is how many of a cell's trials were a yes. Coefficients are in
log odds; they are finite whatever the response.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

#: What is still to be gained in the log likelihood when a climb stops.
ENOUGH = 1e-13
#: A log likelihood is not told more exactly than this.
DIGITS = 1e-12
MAX_STEPS = 200


@dataclass(frozen=True)
class FirthMany:
    """A design of c cells to which responses are fitted.

    Parameters
    ----------
    X : ndarray, shape (c, p)
        Coded columns of full rank, one row a cell.
    trials : ndarray, shape (c,)
        Rows of each cell.

    Examples
    --------
    Six soft reeds and six hard ones; none and six of them are kept, then two and four.

    >>> design = FirthMany(np.array([[1.0, 0], [1, 1]]), np.array([6, 6]))
    >>> kept = np.array([[0, 6], [2, 4]])
    >>> design.fit(kept).round(3)
    array([[-2.565,  5.13 ],
           [-0.588,  1.176]])
    >>> design.ratios(kept, [1]).round(3)
    array([12.203,  1.159])
    """

    X: np.ndarray
    trials: np.ndarray

    def fit(self, events: np.ndarray) -> np.ndarray:
        """Coefficients of each response, shape (B, p); `events` (B, c) are the yes of each cell."""
        return self._climb(self.X, events)[0]

    def ratios(self, events: np.ndarray, columns: list[int]) -> np.ndarray:
        """Penalised likelihood ratio of some columns being zero, shape (B,)."""
        held = np.delete(self.X, columns, axis=1)
        high, low = self._climb(self.X, events)[1], self._climb(held, events)[1]
        return np.maximum(0.0, 2 * (high - low))

    def _climb(self, free: np.ndarray, events: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Maximise over coefficients of the columns `free`, with the penalty of all of X."""
        basis, triangle = np.linalg.qr(free)
        here = np.zeros((len(events), free.shape[1]))
        value, slope, weight = self._penalised(here @ basis.T, events)
        running = np.arange(len(events))
        for _ in range(MAX_STEPS):
            score = slope[running] @ basis
            curved = np.einsum("cp,bc,cq->bpq", basis, weight[running], basis, optimize=True)
            step = np.linalg.solve(curved, score[..., None])[..., 0]
            going = np.einsum("bp,bp->b", score, step) > ENOUGH
            running, step = running[going], step[going]
            if not len(running):
                break
            waiting = np.arange(len(running))
            for _ in range(40):
                rows = running[waiting]
                ahead = here[rows] + step[waiting]
                found = self._penalised(ahead @ basis.T, events[rows])
                better = found[0] >= value[rows] - DIGITS
                done = rows[better]
                here[done] = ahead[better]
                value[done], slope[done], weight[done] = (part[better] for part in found)
                waiting = waiting[~better]
                if not len(waiting):
                    break
                step[waiting] /= 2
            else:  # no step gains anything that a double can hold
                running = np.delete(running, waiting)
        return np.linalg.solve(triangle, here.T).T, value

    def _penalised(
        self, eta: np.ndarray, events: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Penalised log likelihood (B,), its slope in eta and curvature weights (B, c)."""
        basis = np.linalg.qr(self.X)[0]
        p = expit(eta)
        one = p * (1 - p)
        information = np.einsum("cp,bc,cq->bpq", basis, self.trials * one, basis, optimize=True)
        inverse = np.linalg.inv(information)
        # Leverage of one row of each cell.
        leverage = one * np.einsum("cp,bpq,cq->bc", basis, inverse, basis, optimize=True)
        loglik = np.sum(events * eta - self.trials * np.logaddexp(0, eta), axis=1)
        half_log_det = np.linalg.slogdet(information)[1] / 2
        slope = events - self.trials * p + self.trials * leverage * (0.5 - p)
        return loglik + half_log_det, slope, self.trials * one * (1 + leverage)
