"""An orthonormal basis of the columns of all Z, and whether it falls into strata."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy import sparse
from scipy.linalg import eigh

#: Eigenvalues below this share of the largest count as zero.
ZERO = 1e-10


@dataclass(frozen=True)
class Basis:
    """Orthonormal basis Z @ weights of the columns of all Z; G_k in it."""

    Z: sparse.csr_array
    weights: np.ndarray  # (q, r)
    matrices: np.ndarray  # (K, r, r); the first is the identity
    factors: tuple[np.ndarray, ...]  # G_k = factor @ factor.T for all but the first; (r, q_k)

    @classmethod
    def of(cls, codes: Sequence[np.ndarray], n: int) -> "Basis":
        """Take one integer code array a group, for n rows."""
        if not codes:
            return cls(sparse.csr_array((n, 0)), np.zeros((0, 0)), np.zeros((1, 0, 0)), ())
        parts = [
            sparse.csr_array((np.ones(n), (np.arange(n), code)), shape=(n, code.max() + 1))
            for code in codes
        ]
        Z = sparse.hstack(parts, format="csr")
        values, vectors = eigh((Z.T @ Z).toarray())
        kept = values > ZERO * values[-1]
        weights = vectors[:, kept] / np.sqrt(values[kept])
        factors = tuple(weights.T @ (Z.T @ part).toarray() for part in parts)
        matrices = [np.eye(weights.shape[1]), *(factor @ factor.T for factor in factors)]
        return cls(Z, weights, np.array(matrices), factors)

    def split(self, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Coordinates in the basis, and what is left outside it."""
        inside = self.weights.T @ (self.Z.T @ columns)
        return inside, columns - self.join(inside)

    def join(self, inside: np.ndarray) -> np.ndarray:
        """Rows from coordinates in the basis."""
        return self.Z @ (self.weights @ inside)


def commute(codes: Sequence[np.ndarray]) -> bool:
    """Say whether all Z_k Z_k' commute, without which none of their bases is the same.

    Tried on one vector drawn at random, which two products treat alike only if they are alike.
    """
    drawn = np.random.default_rng(1).standard_normal(len(codes[0]) if codes else 0)
    once = [_summed(code, drawn) for code in codes]
    for i, j in combinations(range(len(codes)), 2):
        one, other = _summed(codes[i], once[j]), _summed(codes[j], once[i])
        if np.abs(one - other).max() > 1e-9 * np.abs(one).max():
            return False
    return True


def _summed(code: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Z Z' values: to every row the sum over the rows of its level."""
    return np.bincount(code, values)[code]


def diagonal_together(matrices: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
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


def rank(cross: np.ndarray) -> int:
    """Rank of columns that are part of orthonormal ones, from their cross-products."""
    return int(np.sum(np.linalg.eigvalsh(cross) > ZERO))
