"""The kernel of any design: matrices as large as the basis, one response at a time."""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.linalg.lapack import dpotri

from reedlab.model.basis import Basis, rank
from reedlab.model.moments import Moments, Projected, assembled


@dataclass(frozen=True)
class Dense:
    """Any other design: matrices as large as the basis, one response at a time."""

    Xs: np.ndarray  # (r, p)
    XX: np.ndarray  # (p, p), outside the basis
    Xout: np.ndarray
    basis: Basis

    @classmethod
    def of(cls, X: np.ndarray, basis: Basis) -> "Dense":
        """Keep the G_k as they are in the basis."""
        inside, outside = basis.split(X)
        return cls(inside, outside.T @ outside, outside, basis)

    @property
    def components(self) -> int:
        """Number of variances, the residual's included."""
        return len(self.basis.matrices)

    def solve(self, theta: np.ndarray, r: np.ndarray) -> np.ndarray:
        """V^-1 r for one theta (K,) and one vector (n,)."""
        inside, outside = self.basis.split(r[:, None])
        weighted = np.linalg.solve(np.tensordot(theta, self.basis.matrices, axes=1), inside)
        return (self.basis.join(weighted) + outside / theta[0])[:, 0]

    @property
    def outside(self) -> np.ndarray:
        """What each variance gives to the directions outside the basis, shape (K,)."""
        return np.eye(self.components)[0]

    @property
    def spare(self) -> int:
        """Dimensions outside both the basis and the columns of X: pure residual."""
        return len(self.Xout) - len(self.Xs) - rank(self.XX)

    def project(self, Y: np.ndarray) -> Projected:
        """Reduce responses (n, B) to basis coordinates and cross-products outside it."""
        inside, outside = self.basis.split(Y)
        return inside.T, (self.Xout.T @ outside).T, np.sum(outside**2, axis=0)

    def loglik(self, theta: np.ndarray, data: Projected) -> np.ndarray:
        """Restricted log likelihood without its constant, shape (B,)."""
        return np.array([self._height(t, *row) for t, *row in zip(theta, *data, strict=True)])

    def moments(self, theta: np.ndarray, data: Projected) -> Moments:
        """All moments at theta, shape (B, K)."""
        rows = [self._one(t, *row) for t, *row in zip(theta, *data, strict=True)]
        return assembled(*(np.array(column) for column in zip(*rows, strict=True)))

    def _height(self, theta: np.ndarray, ys: np.ndarray, Xy: np.ndarray, yy: float) -> float:
        try:
            return self._fitted(theta, ys, Xy, yy)[0]
        except np.linalg.LinAlgError:  # V is singular to working precision
            return -np.inf

    def _fitted(self, theta: np.ndarray, ys: np.ndarray, Xy: np.ndarray, yy: float) -> tuple:
        t = theta[0]
        S = cho_factor(np.tensordot(theta, self.basis.matrices, axes=1), lower=True)
        FX, Fy = cho_solve(S, self.Xs), cho_solve(S, ys)
        A = self.XX / t + self.Xs.T @ FX
        h = Xy / t + self.Xs.T @ Fy
        phi = np.linalg.inv(A)
        beta = phi @ h
        beyond = len(self.Xout) - len(ys)
        logdet = 2 * np.log(np.diag(S[0])).sum() + beyond * np.log(t)
        quad = yy / t + ys @ Fy - beta @ h
        return -(logdet + np.linalg.slogdet(A)[1] + quad) / 2, beta, phi, S, FX, Fy

    def _one(self, theta: np.ndarray, ys: np.ndarray, Xy: np.ndarray, yy: float) -> tuple:
        loglik, beta, phi, S, FX, Fy = self._fitted(theta, ys, Xy, yy)
        inverse = _inverse(S[0])
        f = Fy - FX @ beta  # V^-1 r inside the basis
        # With G_k = L_k L_k' everything follows from L'S^-1 L; the residual's L is the identity.
        L = self.basis.factors
        SL = [inverse, *(inverse @ factor for factor in L)]
        LX, Lf = [FX, *(factor.T @ FX for factor in L)], [f, *(factor.T @ f for factor in L)]
        K = len(theta)
        T1 = np.array([np.trace(inverse), *(np.sum(a * b) for a, b in zip(L, SL[1:], strict=True))])
        T2, quad2 = np.empty((K, K)), np.empty((K, K))
        Q = np.empty((K, K, *phi.shape))
        for i, j in zip(*np.triu_indices(K), strict=True):
            across = SL[j] if i == 0 else L[i - 1].T @ SL[j]
            T2[i, j] = T2[j, i] = np.sum(across**2)
            quad2[i, j] = quad2[j, i] = Lf[i] @ across @ Lf[j]
            Q[i, j] = LX[i].T @ across @ LX[j]
            Q[j, i] = Q[i, j].T
        P = np.array([-(a.T @ a) for a in LX])
        quad = np.array([a @ a for a in Lf])
        u = np.array([a.T @ b for a, b in zip(LX, Lf, strict=True)])
        # Outside the basis V is t times the identity, and only the residual reaches there.
        t = theta[0]
        beyond = len(self.Xout) - len(ys)
        Xr = Xy - self.XX @ beta
        rr = yy - beta @ (Xy + Xr)
        T1[0] += beyond / t
        T2[0, 0] += beyond / t**2
        P[0] -= self.XX / t**2
        Q[0, 0] += self.XX / t**3
        u[0] += Xr / t**2
        quad[0] += rr / t**2
        quad2[0, 0] += rr / t**3
        return loglik, beta, phi, P, Q, T1, T2, quad, quad2 - u @ phi @ u.T


def _inverse(triangle: np.ndarray) -> np.ndarray:
    """Inverse of a matrix from its lower Cholesky triangle; a third of a solve's work."""
    lower, _ = dpotri(triangle, lower=1)
    lower = np.tril(lower)
    return lower + np.tril(lower, -1).T
