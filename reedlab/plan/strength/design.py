"""The model that `analyse.drivers` would fit to a batch: columns, groups and blocks.

Lots, tubes, reeds and sessions in which rows repeat are random terms, judged as
reedlab.analyse.strata says; lots and sessions fewer than `FEW` are blocks. A
factor that nothing is left to judge is left out, the last named first.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property, reduce

import numpy as np
import pandas as pd

from reedlab.errors import CallError, listed
from reedlab.model.batched import Absorbed
from reedlab.model.kernel import build_kernel
from reedlab.model.strata import Strata
from reedlab.plan.layout import spare_units
from reedlab.plan.strength.rows import KEYS, ORDER, Rows
from reedlab.plan.terms import from_end_to_end, level_codes
from reedlab.schema import FEW, Factor

#: Shares of information nearer to 0 or 1 than this are 0 or 1.
SAME = 1e-8


@dataclass(frozen=True)
class Term:
    """A term of the model.

    Attributes
    ----------
    name, stratum : str
    columns : ndarray, shape (n, q)
    unit : ndarray, shape (q,)
        Coefficients of an effect of 1.
    """

    name: str
    stratum: str
    columns: np.ndarray
    unit: np.ndarray


@dataclass(frozen=True)
class Design:
    """What is fitted.

    Attributes
    ----------
    blocks : ndarray, shape (n, b)
        The mean, and what is taken out with it.
    terms : tuple of Term
    unjudged : dict
        Terms left out, and why.
    codes : tuple of ndarray
        The random terms.
    sources : tuple of dict
        Weight of each source of variation in the residual, then in each random term.
    """

    blocks: np.ndarray
    terms: tuple[Term, ...]
    unjudged: Mapping[str, str]
    codes: tuple[np.ndarray, ...]
    sources: tuple[Mapping[str, float], ...]

    @cached_property
    def matrix(self) -> np.ndarray:
        """All columns, shape (n, p)."""
        return np.hstack([self.blocks, *(term.columns for term in self.terms)])

    @cached_property
    def factored(self) -> tuple[np.ndarray, np.ndarray]:
        """Orthonormal columns, and the matrix in them."""
        return np.linalg.qr(self.matrix)

    @cached_property
    def kernel(self) -> Strata | Absorbed:
        """The arithmetic of the model."""
        return build_kernel(self.factored[0], self.codes)

    @property
    def groups(self) -> list[str]:
        """Words for the random terms."""
        return [" and ".join(part) for part in self.sources[1:]]

    def place(self, term: Term) -> list[int]:
        """Columns of the matrix that are the term's."""
        start = self.blocks.shape[1]
        for other in self.terms:
            if other is term:
                break
            start += other.columns.shape[1]
        return list(range(start, start + term.columns.shape[1]))

    def hypothesis(self, term: Term) -> np.ndarray:
        """L of the term's test, for the orthonormal columns; shape (q, p)."""
        R = self.factored[1]
        return np.linalg.solve(R.T, np.eye(len(R))[:, self.place(term)]).T

    def shift(self, term: Term) -> np.ndarray:
        """What an effect of 1 adds to the coefficients of the orthonormal columns, shape (p,)."""
        return self.factored[1][:, self.place(term)] @ term.unit

    @cached_property
    def _orthogonal(self) -> bool:
        """Whether all columns fall into error strata without remainder."""
        return isinstance(self.kernel, Strata) and all(
            np.allclose(share @ share, share, atol=SAME) for share in self.kernel.XX
        )

    def stratum_of(self, term: Term) -> int | None:
        """The error stratum that alone knows the term, if the columns allow it."""
        if not self._orthogonal or not isinstance(self.kernel, Strata):
            return None
        L = self.hypothesis(term)
        inside = (np.allclose(L @ share, L, atol=SAME) for share in self.kernel.XX)
        return next((number for number, whole in enumerate(inside) if whole), None)

    def theta(self, variance: Mapping[str, float]) -> np.ndarray:
        """Variances of the residual and of the random terms."""
        return np.array(
            [sum(variance.get(k, 0.0) * w for k, w in part.items()) for part in self.sources]
        )


def design_of(rows: Rows) -> Design:
    """Lay out the model for rows; leave out what cannot be judged."""
    codes, sources, blocks = _errors(rows)
    coded = {factor.name: _coded(factor, rows.data[factor.name]) for factor in rows.factors}
    terms = tuple(_term(names, rows.stratum(names), coded) for names in rows.terms)
    return _judged(Design(blocks, terms, {}, tuple(codes), tuple(sources)), rows)


def _errors(rows: Rows) -> tuple[list[np.ndarray], list[dict[str, float]], np.ndarray]:
    """Random terms, the sources of each error, and the columns of the blocks."""
    data, n = rows.data, len(rows.data)
    by_test = "session_id" in data
    residual = {"test": 1.0 if by_test else 1.0 / rows.sessions}
    groups: dict[str, tuple[np.ndarray, dict[str, float]]] = {}
    for key in (key for key in KEYS if key in data):
        source, code = key.removesuffix("_id"), pd.factorize(data[key])[0]
        twin = next((g for g, (other, _) in groups.items() if np.array_equal(code, other)), None)
        if code.max() + 1 == n:
            residual[source] = 1.0
        elif twin:
            groups[twin][1][source] = 1.0
        elif code.max() > 0:
            groups[key] = (code, {source: 1.0})
    asked = {f"{factor.stratum}_id" for factor in rows.factors}
    blocks = [np.ones((n, 1))]
    for key in ("lot_id", "session_id"):
        if key in groups and key not in asked and groups[key][0].max() + 1 < FEW:
            blocks.append(np.eye(groups[key][0].max() + 1)[groups.pop(key)[0]][:, 1:])
    codes = [code for code, _ in groups.values()]
    return codes, [residual, *(part for _, part in groups.values())], np.hstack(blocks)


def _coded(factor: Factor, values: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Columns of a factor, and their coefficients for a difference of 1 between its ends.

    The levels between the first and the last of a category lie in the middle.
    """
    levels = factor.levels or tuple(np.unique(values))
    if len(levels) < 2:
        return np.zeros((len(values), 1)), np.zeros(1)
    if factor.kind == "numeric":
        coded = from_end_to_end(values.to_numpy(dtype=float), np.array(levels, dtype=float))
        return coded[:, None], np.array([0.5])
    place = {level: i for i, level in enumerate(levels)}
    strange = sorted({str(value) for value in values if value not in place})
    if strange:
        raise CallError(
            f"'{factor.name}' has no level {listed(strange)}; it has {listed(levels)}: give the "
            "batch as it was planned."
        )
    codes = level_codes(replace(factor, levels=levels))
    wanted = np.array([-0.5, *np.zeros(len(levels) - 2), 0.5])
    return codes[[place[value] for value in values]], np.linalg.lstsq(codes, wanted)[0]


def _term(
    names: tuple[str, ...],
    stratum: str,
    coded: Mapping[str, tuple[np.ndarray, np.ndarray]],
) -> Term:
    columns = reduce(
        lambda a, b: (a[:, :, None] * b[:, None, :]).reshape(len(a), -1),
        [coded[name][0] for name in names],
    )
    # A bend is told by how far the middle lies off the straight line between the ends.
    bend = len(set(names)) < len(names)
    unit = np.ones(1) if bend else reduce(np.kron, [coded[name][1] for name in names])
    return Term(":".join(names), stratum, columns, unit)


def _judged(design: Design, rows: Rows) -> Design:
    """Leave out terms that cannot be told from others, or that no units are left to judge."""
    kept: list[Term] = []
    unjudged: dict[str, str] = {}
    for term in design.terms:
        wider = np.hstack([design.blocks, *(one.columns for one in kept), term.columns])
        if np.linalg.matrix_rank(wider) < wider.shape[1]:
            unjudged[term.name] = "it cannot be told from the other terms and blocks"
        else:
            kept.append(term)
    for stratum in ORDER:
        while here := [term for term in kept if term.stratum == stratum]:
            if spare_units(replace(design, terms=tuple(kept)).matrix, _unit(rows, stratum)) >= 1:
                break
            kept.remove(here[-1])
            unjudged[here[-1].name] = f"too few {stratum}s are left to judge it"
    return replace(design, terms=tuple(kept), unjudged=unjudged)


def _unit(rows: Rows, stratum: str) -> np.ndarray:
    """The unit of the stratum that each row is in; a row is a test."""
    if stratum == "test":
        return np.arange(len(rows.data))
    return pd.factorize(rows.data[f"{stratum}_id"])[0]
