"""The arithmetic of a variance-component model, in its smallest form.

The model is y = X b + sum over groups of Z_k u_k + e, with
V = theta_0 I + sum_k theta_k Z_k Z_k'. Everything that restricted maximum
likelihood and the Kenward-Roger method need of it is a handful of traces and
cross-products (:class:`Moments`). They are computed in an orthonormal basis of
the columns of all Z, so that the work follows the number of random effects and
not the number of rows.

Where the Z_k Z_k' can be diagonalised together (one grouping factor, and every
balanced layout) the basis falls into strata, the error strata of the classical
analysis of variance (Nelder 1965), and thousands of responses that share one
design are handled at once. Otherwise matrices of the size of the basis are used,
one response at a time.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.linalg import cho_factor, cho_solve, eigh

from reedlab.model.threads import one_thread

#: Eigenvalues below this share of the largest count as zero.
ZERO = 1e-10

#: Responses reduced to what the likelihood needs; each array has the responses first.
Projected = tuple[np.ndarray, ...]


@dataclass(frozen=True)
class Moments:
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


@one_thread
def build_kernel(X: np.ndarray, codes: Sequence[np.ndarray]) -> "Strata | Dense":
    """Prepare a design: X with orthonormal columns, one integer code array a group."""
    basis = _Basis.of(codes, len(X))
    together = _diagonal_together(basis.matrices)
    if together is None:
        return Dense.of(X, basis)
    rotation, diagonals = together
    return Strata.of(X, basis, rotation, diagonals)


@dataclass(frozen=True)
class _Basis:
    """Orthonormal basis Z @ weights of the columns of all Z; G_k in it."""

    Z: sparse.csr_array
    weights: np.ndarray  # (q, r)
    matrices: np.ndarray  # (K, r, r); the first is the identity

    @classmethod
    def of(cls, codes: Sequence[np.ndarray], n: int) -> "_Basis":
        if not codes:
            return cls(sparse.csr_array((n, 0)), np.zeros((0, 0)), np.zeros((1, 0, 0)))
        parts = [
            sparse.csr_array((np.ones(n), (np.arange(n), code)), shape=(n, code.max() + 1))
            for code in codes
        ]
        Z = sparse.hstack(parts, format="csr")
        values, vectors = eigh((Z.T @ Z).toarray())
        kept = values > ZERO * values[-1]
        weights = vectors[:, kept] / np.sqrt(values[kept])
        matrices = [np.eye(weights.shape[1])]
        for part in parts:
            across = weights.T @ (Z.T @ part).toarray()
            matrices.append(across @ across.T)
        return cls(Z, weights, np.array(matrices))

    def split(self, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Coordinates in the basis, and what is left outside it."""
        inside = self.weights.T @ (self.Z.T @ columns)
        return inside, columns - self.join(inside)

    def join(self, inside: np.ndarray) -> np.ndarray:
        """Rows from coordinates in the basis."""
        return self.Z @ (self.weights @ inside)


def _diagonal_together(matrices: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """Find the basis in which all matrices are diagonal, if there is one."""
    # An arbitrary mixture has equal eigenvalues only where all matrices agree.
    mixture = np.tensordot(np.sqrt(np.arange(2.0, 2 + len(matrices))), matrices, axes=1)
    _, rotation = np.linalg.eigh(mixture)
    turned = rotation.T @ matrices @ rotation
    diagonals = np.einsum("kii->ki", turned)
    off = turned - np.eye(len(rotation)) * diagonals[:, None, :]
    largest = np.abs(turned).max(axis=(1, 2), initial=0) if rotation.size else 0
    if np.any(np.abs(off).max(axis=(1, 2), initial=0) > 1e-9 * largest):
        return None
    return rotation, diagonals


@dataclass(frozen=True)
class Strata:
    """A design whose error falls into G strata; theta @ d is the variance of each."""

    d: np.ndarray  # (K, G)
    m: np.ndarray  # (G,), dimensions of each stratum
    XX: np.ndarray  # (G, p, p)
    Xs: np.ndarray  # (r, p), X in the rotated basis
    stratum: np.ndarray  # (r,), stratum of each basis direction, from 1; 0 is outside
    basis: _Basis
    rotation: np.ndarray
    Xout: np.ndarray  # (n, p), X outside the basis

    @classmethod
    def of(
        cls, X: np.ndarray, basis: _Basis, rotation: np.ndarray, diagonals: np.ndarray
    ) -> "Strata":
        """Gather the directions of a basis in which every G_k is diagonal into strata."""
        inside, outside = basis.split(X)
        Xs = rotation.T @ inside
        # The space outside the basis is a stratum of its own, number 0, with the residual only.
        alone = np.zeros((len(diagonals), 1))
        alone[0] = 1
        keys = np.where(np.abs(diagonals) > ZERO * np.abs(diagonals).max(initial=1), diagonals, 0)
        _, first, number = np.unique(keys.round(8), axis=1, return_index=True, return_inverse=True)
        number = number.ravel() + 1
        d = np.hstack([alone, keys[:, first]])
        strata = range(1, d.shape[1])
        m = np.array([len(X) - len(rotation), *(np.sum(number == g) for g in strata)])
        XX = np.array([outside.T @ outside, *(Xs[number == g].T @ Xs[number == g] for g in strata)])
        return cls(d, m, XX, Xs, number, basis, rotation, outside)

    @property
    def components(self) -> int:
        """Number of variances, the residual's included."""
        return len(self.d)

    def solve(self, theta: np.ndarray, r: np.ndarray) -> np.ndarray:
        """V^-1 r for one theta (K,) and one vector (n,)."""
        inside, outside = self.basis.split(r[:, None])
        weighted = (self.rotation.T @ inside) / (theta @ self.d)[self.stratum, None]
        return (self.basis.join(self.rotation @ weighted) + outside / (theta @ self.outside))[:, 0]

    @property
    def outside(self) -> np.ndarray:
        """What each variance gives to the directions outside the basis, shape (K,)."""
        return self.d[:, 0]

    @property
    def spare(self) -> int:
        """Dimensions outside both the basis and the columns of X: pure residual."""
        return int(self.m[0]) - _rank(self.XX[0])

    def tied(self, k: int, ratio: float) -> "Strata":
        """Tie variance k to `ratio` times the sum of the others; K - 1 remain."""
        return replace(self, d=np.delete(self.d, k, axis=0) + ratio * self.d[k])

    def project(self, Y: np.ndarray) -> Projected:
        """Reduce responses, shape (n, B), to X'y (B, G, p) and y'y (B, G) by stratum."""
        inside, outside = self.basis.split(Y)
        Ys = self.rotation.T @ inside
        strata = range(1, len(self.m))
        Xy = [self.Xout.T @ outside]
        yy = [np.sum(outside**2, axis=0)]
        for g in strata:
            here = self.stratum == g
            Xy.append(self.Xs[here].T @ Ys[here])
            yy.append(np.sum(Ys[here] ** 2, axis=0))
        return np.array(Xy).transpose(2, 0, 1), np.array(yy).T

    def loglik(self, theta: np.ndarray, data: Projected) -> np.ndarray:
        """Restricted log likelihood without its constant, shape (B,)."""
        Xy, yy = data
        w = 1 / (theta @ self.d)
        A = np.einsum("bg,gpq->bpq", w, self.XX)
        h = np.einsum("bg,bgp->bp", w, Xy)
        beta = np.linalg.solve(A, h[..., None])[..., 0]
        quad = np.einsum("bg,bg->b", w, yy) - np.einsum("bp,bp->b", beta, h)
        return -(-np.log(w) @ self.m + np.linalg.slogdet(A)[1] + quad) / 2

    def moments(self, theta: np.ndarray, data: Projected) -> Moments:
        """All moments at theta, shape (B, K)."""
        Xy, yy = data
        B, p, K = len(theta), self.XX.shape[-1], len(self.d)
        w = 1 / (theta @ self.d)
        # Per stratum weights d_k w^2 and d_k d_l w^3; cross-products flattened for fast products.
        w2 = w[:, None, :] ** 2 * self.d
        w3 = w[:, None, None, :] ** 3 * (self.d[:, None] * self.d[None])
        flat = self.XX.reshape(len(self.m), -1)
        A = (w @ flat).reshape(B, p, p)
        P = -(w2 @ flat).reshape(B, K, p, p)
        Q = (w3 @ flat).reshape(B, K, K, p, p)
        phi = np.linalg.inv(A)
        h = np.einsum("bg,bgp->bp", w, Xy)
        beta = np.einsum("bpq,bq->bp", phi, h)
        left = Xy - np.einsum("gpq,bq->bgp", self.XX, beta)
        rr = yy - np.einsum("bp,bgp->bg", beta, Xy + left)
        u = w2 @ left
        loglik = -(-np.log(w) @ self.m + np.linalg.slogdet(A)[1] + np.einsum("bg,bg->b", w, rr)) / 2
        quad = np.einsum("bkg,bg->bk", w2, rr)
        quad2 = np.einsum("bklg,bg->bkl", w3, rr) - u @ phi @ u.transpose(0, 2, 1)
        T1 = w[:, None, :] * self.d @ self.m
        T2 = np.einsum("bg,kg,lg,g->bkl", w**2, self.d, self.d, self.m)
        return _moments(loglik, beta, phi, P, Q, T1, T2, quad, quad2)


@dataclass(frozen=True)
class Dense:
    """Any other design: matrices as large as the basis, one response at a time."""

    B: np.ndarray  # (K, r, r)
    outside: np.ndarray  # (K,), what each variance gives to the directions outside the basis
    Xs: np.ndarray  # (r, p)
    XX: np.ndarray  # (p, p), outside the basis
    Xout: np.ndarray
    basis: _Basis

    @classmethod
    def of(cls, X: np.ndarray, basis: _Basis) -> "Dense":
        """Keep the G_k as they are in the basis."""
        inside, outside = basis.split(X)
        alone = np.zeros(len(basis.matrices))
        alone[0] = 1
        return cls(basis.matrices, alone, inside, outside.T @ outside, outside, basis)

    @property
    def components(self) -> int:
        """Number of variances, the residual's included."""
        return len(self.B)

    def solve(self, theta: np.ndarray, r: np.ndarray) -> np.ndarray:
        """V^-1 r for one theta (K,) and one vector (n,)."""
        inside, outside = self.basis.split(r[:, None])
        weighted = np.linalg.solve(np.tensordot(theta, self.B, axes=1), inside)
        return (self.basis.join(weighted) + outside / (theta @ self.outside))[:, 0]

    @property
    def spare(self) -> int:
        """Dimensions outside both the basis and the columns of X: pure residual."""
        return len(self.Xout) - len(self.Xs) - _rank(self.XX)

    def tied(self, k: int, ratio: float) -> "Dense":
        """Tie variance k to `ratio` times the sum of the others; K - 1 remain."""
        return replace(
            self,
            B=np.delete(self.B, k, axis=0) + ratio * self.B[k],
            outside=np.delete(self.outside, k) + ratio * self.outside[k],
        )

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
        return _moments(*(np.array(column) for column in zip(*rows, strict=True)))

    def _height(self, theta: np.ndarray, ys: np.ndarray, Xy: np.ndarray, yy: float) -> float:
        try:
            return self._fitted(theta, ys, Xy, yy)[0]
        except np.linalg.LinAlgError:  # V is singular to working precision
            return -np.inf

    def _fitted(self, theta: np.ndarray, ys: np.ndarray, Xy: np.ndarray, yy: float) -> tuple:
        t = theta @ self.outside
        S = cho_factor(np.tensordot(theta, self.B, axes=1), lower=True)
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
        inverse = cho_solve(S, np.eye(len(ys)))
        f = Fy - FX @ beta  # V^-1 r inside the basis
        products = self.B @ inverse
        BF, Bf = self.B @ FX, self.B @ f
        # What the variances do outside the basis, where V is t times the identity.
        t, o = theta @ self.outside, self.outside
        oo = np.outer(o, o)
        beyond = len(self.Xout) - len(ys)
        Xr = Xy - self.XX @ beta
        rr = yy - beta @ (Xy + Xr)
        P = -(FX.T @ BF) - np.multiply.outer(o / t**2, self.XX)
        Q = np.einsum("krp,rs,lsq->klpq", BF, inverse, BF, optimize=True)
        Q += np.multiply.outer(oo / t**3, self.XX)
        u = Bf @ FX + np.outer(o / t**2, Xr)
        T1 = np.trace(products, axis1=1, axis2=2) + o * beyond / t
        T2 = np.einsum("kij,lji->kl", products, products, optimize=True) + oo * beyond / t**2
        quad = Bf @ f + o * rr / t**2
        quad2 = Bf @ inverse @ Bf.T + oo * rr / t**3 - u @ phi @ u.T
        return loglik, beta, phi, P, Q, T1, T2, quad, quad2


def _rank(cross: np.ndarray) -> int:
    """Rank of columns that are part of orthonormal ones, from their cross-products."""
    return int(np.sum(np.linalg.eigvalsh(cross) > ZERO))


def _moments(
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
    phiP = phi[:, None] @ P
    trace = T1 + np.einsum("bkpp->bk", phiP)
    trace2 = T2 - 2 * np.einsum("bpq,bklqp->bkl", phi, Q) + np.einsum("bkpq,blqp->bkl", phiP, phiP)
    return Moments(loglik, beta, phi, P, Q, trace, trace2, quad, quad2)
