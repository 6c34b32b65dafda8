"""Likelihood, its slopes and all moments of a design with one group absorbed.

With W the inverse of what the residual and the absorbed group make of V, and H the joint
inverse of the other groups' effects and of X, the projection is P = W - W N H N'W, and all
traces are products of matrices as wide as N.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg.lapack import dpotrf, dpotri

from reedlab.model.moments import Moments, Slopes, assembled

if TYPE_CHECKING:
    from reedlab.model.batched import Absorbed


class At:
    """A design at variances theta (B, K), with what likelihood and moments share.

    The strata's variances (the residual's and the absorbed group's) are written a and c, the
    other groups' i and j. The first k columns of N are the groups', the rest are X.
    """

    def __init__(
        self, design: "Absorbed", theta: np.ndarray, f: np.ndarray, yy: np.ndarray
    ) -> None:
        self.design, self.theta, self.f = design, theta, f
        k = self.k = design.columns
        self.w = 1 / (theta[:, :1] + theta[:, design.at, None] * design.d)
        S = self.S = self._summed(self.w)
        root = design.roots(theta)
        inner = np.eye(k) + root[:, :, None] * S[:, :k, :k] * root[:, None]
        inverse, logdet = _inverted(inner)
        self.M = root[:, :, None] * inverse * root[:, None]
        self.MX = self.M @ S[:, :k, k:]
        A = S[:, k:, k:] - S[:, k:, :k] @ self.MX
        self.phi = np.linalg.inv(A)
        s = (self.w[:, None] @ f)[:, 0]
        alone = _times(self.M, s[:, :k])  # the groups' effects if X had none
        self.beta = _times(self.phi, s[:, k:] - _times(S[:, k:, :k], alone))
        both = np.concatenate([alone - _times(self.MX, self.beta), self.beta], axis=1)
        self.quad = np.sum(self.w * yy, axis=1) - np.sum(both * s, axis=1)  # y'P y
        logdet = logdet - np.log(self.w) @ design.m
        self.loglik = -(logdet + np.linalg.slogdet(A)[1] + self.quad) / 2
        # What is left of y beside X b and the predicted effects of the other groups.
        F = design.F
        self.left = f - (both @ F.reshape(-1, F.shape[2]).T).reshape(f.shape)
        self.squares = yy - _times(f + self.left, both)
        self.e = (self.w[:, None] @ self.left)[:, 0]  # N'P y

    def slopes(self) -> Slopes:
        """Score and information; of the residual they follow from the rest.

        For the G_k times their variances add up to V, and P V P is P.
        """
        design, k, S, e = self.design, self.k, self.S, self.e
        H = self._joint_inverse()
        R = np.eye(S.shape[1]) - S @ H
        C = R[:, :k] @ S[:, :, :k]  # Z'P Z
        w2 = self.w**2 * design.d
        w3 = w2 * self.w * design.d
        S2, S3 = self._summed(w2), self._summed(w3)
        HS2, RS2 = H @ S2, R[:, :k] @ S2
        t = (w2[:, None] @ self.left)[:, 0]
        b = _times(R, t)  # N'P G_c P y
        K, c = design.components, design.at
        trace, quad = np.empty((len(S), K)), np.empty((len(S), K))
        trace2, quad2 = np.empty((len(S), K, K)), np.empty((len(S), K, K))
        trace[:, c] = (w2 / self.w) @ design.m - np.sum(H * S2, axis=(1, 2))
        trace2[:, c, c] = (w3 / self.w) @ design.m + np.sum(
            HS2 * _turned(HS2) - 2 * H * S3, axis=(1, 2)
        )
        quad[:, c] = np.sum(w2 * self.squares, axis=1)
        quad2[:, c, c] = np.sum(w3 * self.squares, axis=1) - np.sum(t * _times(H, t), axis=1)
        crossed, squared = np.sum(RS2 * R[:, :k], axis=2), C**2
        for i, part in design.groups.items():
            trace[:, i] = np.einsum("bkk->b", C[:, part, part])
            quad[:, i] = np.sum(e[:, part] ** 2, axis=1)
            trace2[:, c, i] = trace2[:, i, c] = crossed[:, part].sum(axis=1)
            quad2[:, c, i] = quad2[:, i, c] = np.sum(b[:, part] * e[:, part], axis=1)
            reached = _times(C[:, :, part], e[:, part]) * e[:, :k]
            for j, other in design.groups.items():
                trace2[:, i, j] = squared[:, part, other].sum(axis=(1, 2))
                quad2[:, i, j] = reached[:, other].sum(axis=1)
        free = design.rows - (S.shape[1] - k)
        self._complete(trace, trace2, np.full(len(S), float(free)))
        self._complete(quad, quad2, self.quad)
        return Slopes(self.loglik, trace, trace2, quad, quad2)

    def _joint_inverse(self) -> np.ndarray:
        """H: the inverse of what the groups' effects and X have to do with one another."""
        k = self.k
        H = np.empty_like(self.S)
        H[:, k:, k:] = self.phi
        H[:, :k, k:] = -self.MX @ self.phi
        H[:, k:, :k] = _turned(H[:, :k, k:])
        H[:, :k, :k] = self.M - H[:, :k, k:] @ _turned(self.MX)
        return H

    def _complete(self, one: np.ndarray, two: np.ndarray, whole: np.ndarray) -> None:
        """Fill in the residual's place from what the others' times their variances lack."""
        own, others = self.theta[:, 0], self.theta[:, 1:]
        one[:, 0] = (whole - np.sum(others * one[:, 1:], axis=1)) / own
        two[:, 0, 1:] = (one[:, 1:] - _times(two[:, 1:, 1:], others)) / own[:, None]
        two[:, 1:, 0] = two[:, 0, 1:]
        two[:, 0, 0] = (one[:, 0] - np.sum(others * two[:, 0, 1:], axis=1)) / own

    def moments(self) -> Moments:
        """All traces and cross-products."""
        k = self.k
        self.SM = self.S[:, :, :k] @ self.M
        self.C = self.S - self.SM @ self.S[:, :k]  # N'V^-1 N
        found = _Traces.empty(len(self.C), self.design.components, self.C.shape[1] - self.k)
        self._fill_strata(found)
        self._fill_groups(found)
        quad2 = found.quad2 - found.u @ self.phi @ _turned(found.u)
        traces = (found.P, found.Q, found.T1, found.T2, found.quad, quad2)
        return assembled(self.loglik, self.beta, self.phi, *traces)

    def _fill_strata(self, found: "_Traces") -> None:
        """What the residual's variance and the absorbed group's have to do with all."""
        design, k, C, M = self.design, self.k, self.C, self.M
        own = [0, design.at]
        g = np.stack([np.ones_like(design.d), design.d])
        w2 = self.w[:, None] ** 2 * g
        w3 = self.w[:, None, None] ** 3 * (g[:, None] * g[None])
        S2, S3 = self._summed(w2), self._summed(w3)
        R = np.broadcast_to(np.eye(C.shape[1]), C.shape).copy()
        R[:, :, :k] -= self.SM  # N'V^-1 is R N' times the strata's own inverse
        RS, MS = R[:, None] @ S2, M[:, None] @ S2[:, :, :k, :k]
        RX, H = R[:, k:], RS[:, :, k:]
        XN = H @ _turned(R)[:, None]  # X'V^-1 G_a V^-1 N
        t = w2 @ self.left
        b = t @ _turned(R)  # N'V^-1 G_a V^-1 r
        found.T1[:, own] = w2 / self.w[:, None] @ design.m - np.einsum("bakk->ba", MS)
        found.quad[:, own] = np.einsum("bac,bc->ba", w2, self.squares)
        found.P[:, own] = -XN[..., k:]
        found.u[:, own] = b[:, :, k:]
        rows = np.einsum("baij,bij->bai", RS, R)
        for a, x in enumerate(own):
            for c, y in enumerate(own):
                found.T2[:, x, y] = w3[:, a, c] / self.w @ design.m + (
                    np.einsum("bkl,blk->b", MS[:, a], MS[:, c])
                    - 2 * np.einsum("bkl,bkl->b", M, S3[:, a, c, :k, :k])
                )
                found.quad2[:, x, y] = np.einsum("bc,bc->b", w3[:, a, c], self.squares) - np.einsum(
                    "bk,bk->b", t[:, a, :k], _times(M, t[:, c, :k])
                )
                middle = H[:, a, :, :k] @ M @ _turned(H[:, c, :, :k])
                found.Q[:, x, y] = RX @ S3[:, a, c] @ _turned(RX) - middle
            for j, part in design.groups.items():
                found.T2[:, x, j] = found.T2[:, j, x] = rows[:, a, part].sum(axis=1)
                crossed = np.sum(b[:, a, part] * self.e[:, part], axis=1)
                found.quad2[:, x, j] = found.quad2[:, j, x] = crossed
                found.Q[:, x, j] = XN[:, a, :, part] @ C[:, part, k:]
                found.Q[:, j, x] = _turned(found.Q[:, x, j])

    def _fill_groups(self, found: "_Traces") -> None:
        """What the other groups' variances have to do with one another."""
        C, e, groups = self.C, self.e, self.design.groups
        for i, part in groups.items():
            X = C[:, self.k :, part]
            found.T1[:, i] = np.einsum("bkk->b", C[:, part, part])
            found.quad[:, i] = np.sum(e[:, part] ** 2, axis=1)
            found.P[:, i] = -X @ _turned(X)
            found.u[:, i] = _times(X, e[:, part])
            for j, other in groups.items():
                across = C[:, part, other]
                found.T2[:, i, j] = np.einsum("bkl,bkl->b", across, across)
                found.quad2[:, i, j] = np.sum(e[:, part] * _times(across, e[:, other]), axis=1)
                found.Q[:, i, j] = X @ across @ C[:, other, self.k :]

    def _summed(self, weights: np.ndarray) -> np.ndarray:
        """Weighted sums over strata of the cross-products of N: (..., C) to (..., q, q)."""
        F = self.design.F
        return (weights @ F.reshape(len(F), -1)).reshape(*weights.shape[:-1], *F.shape[1:])


@dataclass(frozen=True)
class _Traces:
    """What is put together to moments; as there, and u = X'V^-1 G V^-1 r."""

    T1: np.ndarray
    T2: np.ndarray
    quad: np.ndarray
    quad2: np.ndarray
    P: np.ndarray
    Q: np.ndarray
    u: np.ndarray

    @classmethod
    def empty(cls, B: int, K: int, p: int) -> "_Traces":
        shapes = [(K,), (K, K), (K,), (K, K), (K, p, p), (K, K, p, p), (K, p)]
        return cls(*(np.empty((B, *shape)) for shape in shapes))


def _inverted(matrices: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Inverses of positive definite matrices and logarithms of their determinants.

    Of a single one by its Cholesky root, in half the time.
    """
    if len(matrices) == 1 and matrices.size:
        root, failed = dpotrf(matrices[0])
        if not failed:
            upper = np.triu(dpotri(root)[0])
            inverse = upper + np.triu(upper, 1).T
            return inverse[None], 2 * np.log(np.diagonal(root)).sum(keepdims=True)
    return np.linalg.inv(matrices), np.linalg.slogdet(matrices)[1]


def _times(matrices: np.ndarray, vectors: np.ndarray) -> np.ndarray:
    return (matrices @ vectors[..., None])[..., 0]


def _turned(matrices: np.ndarray) -> np.ndarray:
    return np.swapaxes(matrices, -1, -2)
