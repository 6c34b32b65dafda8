"""What REML and the Kenward-Roger method need of a model: a handful of traces."""

from dataclasses import dataclass, replace

import numpy as np

#: Responses reduced to what the likelihood needs; each array has the responses first.
Projected = tuple[np.ndarray, ...]


class _Curved:
    """What follows from traces and quadratic forms."""

    trace: np.ndarray
    trace2: np.ndarray
    quad: np.ndarray
    quad2: np.ndarray

    @property
    def score(self) -> np.ndarray:
        """First derivatives of the restricted log likelihood, shape (B, K)."""
        return (self.quad - self.trace) / 2

    @property
    def expected(self) -> np.ndarray:
        """Expected information, shape (B, K, K)."""
        return self.trace2 / 2

    @property
    def observed(self) -> np.ndarray:
        """Observed information, shape (B, K, K)."""
        return self.quad2 - self.trace2 / 2


@dataclass(frozen=True)
class Slopes(_Curved):
    """What climbing the likelihood needs; the same names as in :class:`Moments`."""

    loglik: np.ndarray
    trace: np.ndarray
    trace2: np.ndarray
    quad: np.ndarray
    quad2: np.ndarray

    def of(self, rows: np.ndarray) -> "Slopes":
        """Those of some responses."""
        return Slopes(*(part[rows] for part in self._parts))

    def replaced(self, rows: np.ndarray, others: "Slopes") -> "Slopes":
        """These with others in the place of some responses."""
        if len(rows) == len(self.loglik):
            return others
        parts = [part.copy() for part in self._parts]
        for part, other in zip(parts, others._parts, strict=True):
            part[rows] = other
        return Slopes(*parts)

    def tied(self, A: np.ndarray) -> "Slopes":
        """Slopes by other variances, shape (L,), of which these are the sums phi @ A (L, K)."""
        return Slopes(
            self.loglik,
            self.trace @ A.T,
            A @ self.trace2 @ A.T,
            self.quad @ A.T,
            A @ self.quad2 @ A.T,
        )

    @property
    def _parts(self) -> tuple[np.ndarray, ...]:
        return self.loglik, self.trace, self.trace2, self.quad, self.quad2


@dataclass(frozen=True)
class Moments(_Curved):
    """Traces and cross-products at one theta; B responses, K components, p columns.

    The names follow Kenward & Roger (1997): P_k = -X'V^-1 G_k V^-1 X and
    Q_kl = X'V^-1 G_k V^-1 G_l V^-1 X with G_k = dV/dtheta_k; `phi` is
    (X'V^-1 X)^-1. The last two are y'P G_k P y and y'P G_k P G_l P y.
    """

    loglik: np.ndarray  # (B,), without the constant
    beta: np.ndarray  # (B, p)
    phi: np.ndarray  # (B, p, p)
    P: np.ndarray  # (B, K, p, p)
    Q: np.ndarray  # (B, K, K, p, p)
    trace: np.ndarray  # (B, K), tr(P G_k), P the projection
    trace2: np.ndarray  # (B, K, K), tr(P G_k P G_l)
    quad: np.ndarray  # (B, K)
    quad2: np.ndarray  # (B, K, K)

    def tied(self, A: np.ndarray) -> "Moments":
        """Moments of other variances, shape (L,), of which these are the sums phi @ A (L, K)."""
        return replace(
            self,
            P=np.einsum("lk,bkpq->blpq", A, self.P),
            Q=np.einsum("ik,jl,bklpq->bijpq", A, A, self.Q, optimize=True),
            trace=self.trace @ A.T,
            trace2=A @ self.trace2 @ A.T,
            quad=self.quad @ A.T,
            quad2=A @ self.quad2 @ A.T,
        )


def assembled(
    loglik: np.ndarray,
    beta: np.ndarray,
    phi: np.ndarray,
    P: np.ndarray,
    Q: np.ndarray,
    T1: np.ndarray,
    T2: np.ndarray,
    quad: np.ndarray,
    quad2: np.ndarray,
) -> Moments:
    """Make moments from traces of V^-1 G_k (T1), of their products (T2), and the rest."""
    phiP = phi[:, None] @ P
    trace = T1 + np.einsum("bkpp->bk", phiP)
    trace2 = T2 - 2 * np.einsum("bpq,bklqp->bkl", phi, Q) + np.einsum("bkpq,blqp->bkl", phiP, phiP)
    return Moments(loglik, beta, phi, P, Q, trace, trace2, quad, quad2)
