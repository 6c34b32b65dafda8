"""Tests of fixed effects that know how little the variances are known.

Two methods, each for a batch of responses that share one design: Kenward & Roger
(1997) in the form of Halekoh & Hojsgaard (2014), where the covariance of the
coefficients is enlarged for the estimated variances and the F statistic is scaled
and given denominator degrees of freedom that match its moments; and Satterthwaite's,
as in Fai & Cornelius (1996).

Either can rest on the bounded fit (as R's packages do) or on the free one. With
few groups that differ little, the bounded fit sets the group variance to zero in
half of all batches and cannot go below, so that the error of a group-level factor
is overstated and its test far too timid. The free test keeps the bounded fit's
weights for the estimate but takes its variance from the unbiased components. In a
balanced layout this is the classical whole-plot F test, exact at every share of
variance; wherever the fit lies inside it is the Kenward-Roger test itself.
"""

from dataclasses import dataclass

import numpy as np

from reedlab.model.moments import Moments
from reedlab.model.reml import Fits

METHODS = ("kenward-roger", "satterthwaite")
#: The free variance of an estimate is not taken below this share of the bounded one:
#: in a very unbalanced layout the unbiased components can add up to less than nothing.
FLOOR = 0.02


@dataclass(frozen=True)
class Basis:
    """What a test rests on: covariance of coefficients and of variance components.

    `covariance` (B, p, p) enters the statistic, `W` (B, K, K) the degrees of freedom.
    """

    moments: Moments
    covariance: np.ndarray
    W: np.ndarray
    method: str

    def test(self, L: np.ndarray) -> "FTests":
        """F test of L b = 0; L of shape (q, p) with full row rank."""
        return _kenward_roger(self, L) if self.method == METHODS[0] else _satterthwaite(self, L)


@dataclass(frozen=True)
class FTests:
    """F tests of one hypothesis for B responses."""

    statistic: np.ndarray  # (B,)
    num_df: int
    den_df: np.ndarray  # (B,)


def basis(fits: Fits, method: str, *, bounded: bool) -> Basis:
    """Choose what tests rest on; see the module's text for `bounded`."""
    moments = fits.moments
    inside = fits.theta > 0
    covariance = moments.phi if bounded else _free_covariance(fits)
    if method == METHODS[0]:
        W = _inverse(moments.expected)
        # Only a component off the boundary moves the weights, and so enlarges the covariance.
        moving = W if bounded else _inverse_within(moments.expected, inside)
        return Basis(moments, covariance + _enlargement(moments, moving), W, method)
    # At the boundary nothing is known of a component's spread from the observed information.
    W = _inverse_within(moments.observed, inside) if bounded else _inverse(moments.expected)
    return Basis(moments, covariance, W, method)


def _enlargement(moments: Moments, W: np.ndarray) -> np.ndarray:
    """2 phi {sum_kl W_kl (Q_kl - P_k phi P_l)} phi, Kenward & Roger (1997), eq. 3-4."""
    phi, P = moments.phi, moments.P
    WP = np.einsum("bkl,blpq->bkpq", W, P)
    middle = np.einsum("bkl,bklpq->bpq", W, moments.Q) - np.einsum(
        "bkpq,bkqr->bpr", P, phi[:, None] @ WP
    )
    return 2 * phi @ middle @ phi


def _free_covariance(fits: Fits) -> np.ndarray:
    """Covariance of the bounded estimate if the unbiased components were the true ones."""
    moments = fits.moments
    middle = -np.einsum("bk,bkpq->bpq", fits.unbiased, moments.P)
    outside = np.any(fits.theta <= 0, axis=1)
    root = np.linalg.cholesky(moments.phi)
    relative = np.swapaxes(root, 1, 2) @ middle @ root
    values, vectors = np.linalg.eigh(relative)
    values = np.maximum(values, FLOOR)
    free = root @ (vectors * values[:, None, :]) @ np.swapaxes(vectors, 1, 2)
    free = free @ np.swapaxes(root, 1, 2)
    return np.where(outside[:, None, None], free, moments.phi)


def _inverse(information: np.ndarray) -> np.ndarray:
    size = np.sqrt(np.einsum("bkk->bk", information))
    shape = size[:, :, None] * size[:, None, :]
    return np.linalg.inv(information / shape) / shape


def _inverse_within(information: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Invert within the components off the boundary; the others get zero."""
    both = inside[:, :, None] & inside[:, None, :]
    padded = np.where(both, information, np.eye(inside.shape[1]))
    return np.where(both, np.linalg.inv(padded), 0)


def _kenward_roger(at: Basis, L: np.ndarray) -> FTests:
    moments, W, q = at.moments, at.W, len(L)
    plain = L @ moments.phi @ L.T
    theta = L.T @ np.linalg.solve(plain, np.broadcast_to(L, (len(plain), *L.shape)))
    M = (theta @ moments.phi)[:, None] @ (moments.P @ moments.phi[:, None])
    traces = np.einsum("bkpp->bk", M)
    A1 = np.einsum("bkl,bk,bl->b", W, traces, traces)
    A2 = np.einsum("bkpq,bkqp->b", M, np.einsum("bkl,blpq->bkpq", W, M))
    scale, den_df = matched_moments(A1, A2, q)
    estimate = moments.beta @ L.T
    wald = np.linalg.solve(L @ at.covariance @ L.T, estimate[..., None])[..., 0]
    return FTests(scale * np.einsum("bq,bq->b", estimate, wald) / q, q, den_df)


def matched_moments(A1: np.ndarray, A2: np.ndarray, q: int) -> tuple[np.ndarray, np.ndarray]:
    """Scale and denominator df of the F distribution, Halekoh & Hojsgaard (2014), section 3."""
    B = (A1 + 6 * A2) / (2 * q)
    # With no uncertainty in the variances A2 is 0 and any g does; 0/0 must not spread.
    g = np.divide((q + 1) * A1 - (q + 4) * A2, (q + 2) * A2, out=np.zeros_like(A2), where=A2 > 0)
    c = 3 * q + 2 * (1 - g)
    V0, V1, V2 = 1 + g / c * B, 1 - (q - g) / c * B, 1 - (q + 2 - g) / c * B
    mean = 1 - A2 / q
    vanishing = (abs(mean) < 1e-10) & (abs(V1) < 1e-10)
    ratio = np.where(vanishing, 1.0, mean / np.where(vanishing, 1.0, V1))
    with np.errstate(divide="ignore"):
        rho = ratio**2 * V0 / V2 / q
        den_df = 4 + (q + 2) / (q * rho - 1)
    # At 2 degrees of freedom the F distribution has no mean to match; the scale is left at 1.
    near_two = (abs(den_df - 2) < 1e-2) | ~np.isfinite(den_df)
    scale = np.where(near_two, 1.0, den_df * mean / np.where(near_two, 1.0, den_df - 2))
    return scale, den_df


def _satterthwaite(at: Basis, L: np.ndarray) -> FTests:
    moments, q = at.moments, len(L)
    values, vectors = np.linalg.eigh(L @ moments.phi @ L.T)
    contrasts = np.einsum("bqi,qp->bip", vectors, L)
    right = np.einsum("bpq,biq->bip", moments.phi, contrasts)
    gradient = -np.einsum("bip,bkpq,biq->bik", right, moments.P, right, optimize=True)
    nu = 2 * values**2 / np.einsum("bik,bkl,bil->bi", gradient, at.W, gradient)
    estimate = moments.beta @ L.T
    wald = np.linalg.solve(L @ at.covariance @ L.T, estimate[..., None])[..., 0]
    F = np.einsum("bq,bq->b", estimate, wald) / q
    return FTests(F, q, pooled_df(nu))


def pooled_df(nu: np.ndarray) -> np.ndarray:
    """Denominator df of an F test from those of its independent contrasts, (B, q) to (B,).

    The F distribution whose mean is the mean of the contrasts' t^2, Fai & Cornelius (1996).
    """
    q = nu.shape[1]
    if q == 1:
        return nu[:, 0]
    equal = np.all(abs(np.diff(nu, axis=1)) < 1e-8, axis=1)
    above = np.all(nu > 2, axis=1)
    E = np.sum(nu / np.where(nu > 2, nu - 2, np.nan), axis=1)
    return np.where(equal, nu[:, 0], np.where(above, 2 * E / (E - q), 2.0))
