"""Hypotheses about whole terms: which combinations of coefficients are zero.

Type III tests a term given all others; with sum-to-zero coding those are simply
its own coefficients. Type II tests a term given all others that do not contain
it (a main effect is not corrected for its own interactions); the combinations
come from the cross-products of the coded columns, as for ordinary least squares.
"""

import numpy as np

from reedlab.errors import CallError
from reedlab.model.design import FixedPart


def hypothesis(fixed: FixedPart, term: str, kind: int) -> np.ndarray:
    """Combinations L, shape (q, p), whose being zero means "this term does nothing"."""
    if kind not in (2, 3):
        raise CallError(f"There is no test of type {kind!r} here; choose 3 or 2.")
    own = _columns(fixed, [term])
    if kind == 3:
        return np.eye(fixed.X.shape[1])[own]
    around = [t for t in fixed.terms if t != term and _contains(fixed, t, term)]
    containing = _columns(fixed, around)
    rest = [i for i in range(fixed.X.shape[1]) if i not in own and i not in containing]
    # Regress the term and those containing it on the rest; what the term then explains by
    # itself, before the containing ones enter, is tested.
    order = rest + own + containing
    _, upper = np.linalg.qr(fixed.X[:, order])
    L = np.zeros((len(own), fixed.X.shape[1]))
    L[:, order] = upper[len(rest) : len(rest) + len(own)]
    return L


def _columns(fixed: FixedPart, terms: list[str]) -> list[int]:
    every = np.arange(fixed.X.shape[1])
    return [int(i) for term in terms for i in every[fixed.terms[term]]]


def _contains(fixed: FixedPart, larger: str, term: str) -> bool:
    if larger == "1":
        return False
    inner, outer = set(fixed.variables[term]), set(fixed.variables[larger])
    return inner < outer
