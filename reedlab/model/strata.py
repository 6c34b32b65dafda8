"""The kernel of designs whose error falls into strata; many responses at once."""

from dataclasses import dataclass

import numpy as np

from reedlab.model.basis import ZERO, Basis, rank
from reedlab.model.moments import Moments, Projected, Slopes, assembled


@dataclass(frozen=True)
class Strata:
    """A design whose error falls into G strata; theta @ d is the variance of each."""

    d: np.ndarray  # (K, G)
    m: np.ndarray  # (G,), dimensions of each stratum
    XX: np.ndarray  # (G, p, p)
    Xs: np.ndarray  # (r, p), X in the rotated basis
    stratum: np.ndarray  # (r,), stratum of each basis direction, from 1; 0 is outside
    basis: Basis
    rotation: np.ndarray
    Xout: np.ndarray  # (n, p), X outside the basis

    @classmethod
    def of(
        cls, X: np.ndarray, basis: Basis, rotation: np.ndarray, diagonals: np.ndarray
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

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.Xout)

    @property
    def effects(self) -> int:
        """Dimensions of the random effects."""
        return len(self.Xs)

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
        return int(self.m[0]) - rank(self.XX[0])

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

    def drawn(self, theta: np.ndarray, count: int, rng: np.random.Generator) -> Projected:
        """Draw normal responses of mean 0 and variances theta (K,), as :meth:`project` gives them.

        A response enters the likelihood by its parts along X in each stratum, which are normal,
        and by the sum of squares of the rest, which is chi-square; nothing else is drawn.
        """
        Xy, yy = [], []
        for XX, m, variance in zip(self.XX, self.m, theta @ self.d, strict=True):
            values, vectors = np.linalg.eigh(XX)
            kept = values > ZERO
            along = rng.standard_normal((int(kept.sum()), count))
            rest = int(m) - len(along)
            squares = rng.chisquare(rest, count) if rest else np.zeros(count)
            squares += np.sum(along**2, axis=0)
            Xy.append(vectors[:, kept] * np.sqrt(variance * values[kept]) @ along)
            yy.append(variance * squares)
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

    def slopes(self, theta: np.ndarray, data: Projected) -> Slopes:
        """Score and information at theta, shape (B, K)."""
        Xy, yy = data
        (B, K), p = theta.shape, self.XX.shape[-1]
        w = 1 / (theta @ self.d)
        flat = self.XX.reshape(len(self.m), -1)
        A = (w @ flat).reshape(B, p, p)
        phi = np.linalg.inv(A)
        beta = (phi @ (w[:, None] @ Xy).transpose(0, 2, 1))[:, :, 0]
        left = Xy - (beta @ self.XX.reshape(-1, p).T).reshape(Xy.shape)
        rr = yy - ((Xy + left) @ beta[:, :, None])[:, :, 0]
        loglik = (np.log(w) @ self.m - np.linalg.slogdet(A)[1] - np.sum(w * rr, axis=1)) / 2
        # What a stratum's part of X'V^-1 X has of the whole, and the dimensions left to it.
        part = phi.reshape(B, p * p) @ flat.T
        w2 = w[:, None] ** 2 * self.d
        phiG = phi[:, None] @ (w2 @ flat).reshape(B, K, p, p)
        products = np.einsum("bkpq,blqp->bkl", phiG, phiG, optimize=True)
        once, twice = w * self.m - w**2 * part, w**2 * self.m - 2 * w**3 * part
        trace2 = np.swapaxes(twice[:, :, None] * self.d.T, 1, 2) @ self.d.T + products
        u = w2 @ left
        squares = np.swapaxes((w**3 * rr)[:, :, None] * self.d.T, 1, 2) @ self.d.T
        quad2 = squares - u @ phi @ u.transpose(0, 2, 1)
        return Slopes(loglik, once @ self.d.T, trace2, (w**2 * rr) @ self.d.T, quad2)

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
        return assembled(loglik, beta, phi, P, Q, T1, T2, quad, quad2)
