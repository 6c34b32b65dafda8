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
design are handled at once. Otherwise the group of most levels is absorbed, and the
matrices are as wide as the other groups and X together.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reedlab.model.basis import Basis, commute, diagonal_together
from reedlab.model.batched import Absorbed
from reedlab.model.moments import Moments, Projected, Slopes
from reedlab.model.strata import Strata
from reedlab.model.threads import one_thread


@dataclass(frozen=True)
class Tied:
    """A kernel whose K variances are sums of fewer: theta = phi @ A."""

    whole: Strata | Absorbed
    A: np.ndarray  # (L, K)

    @property
    def components(self) -> int:
        """Number of variances that remain."""
        return len(self.A)

    @property
    def outside(self) -> np.ndarray:
        """What each variance gives to the directions outside the basis, shape (L,)."""
        return self.A @ self.whole.outside

    @property
    def spare(self) -> int:
        """Dimensions outside both the basis and the columns of X: pure residual."""
        return self.whole.spare

    @property
    def rows(self) -> int:
        """Number of rows."""
        return self.whole.rows

    def project(self, Y: np.ndarray) -> Projected:
        """Reduce responses, shape (n, B), as the whole kernel does."""
        return self.whole.project(Y)

    def loglik(self, phi: np.ndarray, data: Projected) -> np.ndarray:
        """Restricted log likelihood without its constant, shape (B,)."""
        return self.whole.loglik(phi @ self.A, data)

    def slopes(self, phi: np.ndarray, data: Projected) -> Slopes:
        """Score and information at phi, shape (B, L)."""
        return self.whole.slopes(phi @ self.A, data).tied(self.A)

    def moments(self, phi: np.ndarray, data: Projected) -> Moments:
        """All moments at phi, shape (B, L)."""
        return self.whole.moments(phi @ self.A, data).tied(self.A)


Kernel = Strata | Absorbed | Tied


@one_thread
def build_kernel(X: np.ndarray, codes: Sequence[np.ndarray]) -> Strata | Absorbed:
    """Prepare a design: X with orthonormal columns, one integer code array a group."""
    if not commute(codes):
        return Absorbed.of(X, codes)
    basis = Basis.of(codes, len(X))
    together = diagonal_together(basis.matrices)
    if together is None:
        return Absorbed.of(X, codes)
    return Strata.of(X, basis, *together)
