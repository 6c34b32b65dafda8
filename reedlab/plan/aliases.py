"""What is mixed up with what in a table of recipes or reeds, and how far.

A number is coded -1 at its lowest to +1 at its highest, a category of two levels -1 for
the first and +1 for the second, one of more levels sum-to-zero. Every term is taken about
its mean. Two terms are mixed up by their (canonical) correlation: 1 or -1 wholly, so that
no number of reeds of this table can tell them apart; 0 not at all.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reedlab.answer import Answer, number_text
from reedlab.errors import CallError, listed
from reedlab.plan.coded import code_column, require_factors
from reedlab.plan.terms import Term, term_words
from reedlab.schema import Factor

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Correlations below this are rounding.
TOLERANCE = 1e-8
#: The term that stands for what all rows share.
MEAN = "overall mean"
#: A sentence names so many mixtures; the table has all.
MOST_NAMED = 6
#: Of more terms than this a picture has a row for the main effects only.
MOST_ROWS = 30
#: More terms than this are not compared pair by pair.
MOST_TERMS = 3000


@dataclass(frozen=True)
class Aliases(Answer):
    """Which terms are mixed up; made by :func:`aliases`.

    Attributes
    ----------
    table : DataFrame
        One row a pair, each pair once, the lower term first: ``term`` and ``mixed_with``
        (names joined by ``:``; a name twice is the bend of a number), ``correlation``
        (with its sign between terms of one column; the largest canonical correlation
        otherwise, 0 to 1) and ``share``, the share of the term's variation that the other
        takes up, 0 to 1.
    words : dict of str to str
        Words for each term of the table.
    terms, mains : tuple of str
        All terms that were compared, and the main effects among them.
    """

    words: dict[str, str] | None = None
    terms: tuple[str, ...] = ()
    mains: tuple[str, ...] = ()

    def _say(self) -> str:
        rows = self.table.to_dict("records")
        words = self.words or {}
        wholly: dict[str, list[str]] = {}
        partly = []
        for row in rows:
            term, other = words[row["term"]], words[row["mixed_with"]]
            if abs(row["correlation"]) < 1 - TOLERANCE:
                partly.append(row)
            elif not any({term, other} <= set(said) for said in wholly.values()):
                wholly.setdefault(term, []).append(other)
        said = [f"{term} is mixed up with {_and(others)}" for term, others in wholly.items()]
        parts = said[:MOST_NAMED]
        if len(said) > MOST_NAMED:
            more = len(said) - MOST_NAMED
            parts.append(f"so {'is' if more == 1 else 'are'} {more} more, see the table")
        if partly:
            worst = max(partly, key=lambda row: abs(row["correlation"]))
            pairs = "1 pair is" if len(partly) == 1 else f"{len(partly)} pairs are"
            parts.append(
                f"{pairs} mixed up in part, the worst {words[worst['term']]} with "
                f"{words[worst['mixed_with']]} (correlation "
                f"{number_text(worst['correlation'], 2)})"
            )
        if not parts:
            return f"Of {len(self.terms)} terms none is mixed up with another."
        return "; ".join(parts) + "."

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the terms against each other; of very many, the main effects against all."""
        from reedlab.plan.pictures import draw_aliases

        rows = self.terms if len(self.terms) <= MOST_ROWS else self.mains
        return draw_aliases(self.table, rows, self.words or {}, ax)


def aliases(table: pd.DataFrame, factors: Sequence[Factor], highest: int = 2) -> Aliases:
    """Find which main effects and interactions are mixed up with which, and how far.

    Parameters
    ----------
    table : DataFrame
        Recipes or reeds, one a row; a column for each factor.
    factors : sequence of Factor
        With levels or, for what the cane gives, without.
    highest : int
        Interactions of up to so many factors are looked at. From 2 on, so is the bend
        (the square) of each number that is set to three levels or more.

    Returns
    -------
    Aliases

    Raises
    ------
    CallError
        If a column is missing, a number is no number, or there are too many terms.

    Notes
    -----
    For terms of one column each the correlation is the plain one, which in a regular
    fraction or a Plackett-Burman design is also the element of the alias matrix
    (X1'X1)^-1 X1'X2. With more columns, canonical correlations are the singular values
    of Q1'Q2 (Q: orthonormal bases); `share` is the sum of their squares over the rank of
    the term. Two terms are looked at at a time: that none is mixed up with any single
    other does not say that all can be estimated together. A term that is the same in all
    rows is mixed up with the overall mean. Rows with a missing value are left out and
    counted among the cautions.

    References
    ----------
    Box & Wilson (1951), Journal of the Royal Statistical Society B 13, 1-45 (the alias
    matrix). Hotelling (1936), Biometrika 28, 321-377 (canonical correlation).

    Examples
    --------
    >>> from reedlab.schema import Factor
    >>> half = pd.DataFrame({"gouge": [1.25, 1.35, 1.25, 1.35], "bevel": [2, 2, 3, 3],
    ...                      "shape": ["wide", "narrow", "narrow", "wide"]})
    >>> names = [Factor("gouge", (1.25, 1.35)), Factor("bevel", (2, 3)),
    ...          Factor("shape", ("narrow", "wide"))]
    >>> print(aliases(half, names).sentence)
    gouge is mixed up with bevel × shape; bevel is mixed up with gouge × shape; shape is
    mixed up with gouge × bevel.
    """
    factors = tuple(factors)
    _check(table, factors, highest)
    names = [factor.name for factor in factors]
    whole = table.dropna(subset=names)
    if whole.empty:
        raise CallError("There is no row in which every factor has a level.")
    cautions = []
    if len(whole) < len(table):
        cautions.append(
            f"{len(table) - len(whole)} of {len(table)} rows lack a level and are left out."
        )
    coded = {factor.name: code_column(factor, whole[factor.name]) for factor in factors}
    still = [factor for factor in factors if not np.ptp(coded[factor.name], axis=0).any()]
    cautions += [
        f"{factor.label} has one level only in these rows, so they show nothing of it."
        for factor in still
    ]
    moving = [factor for factor in factors if factor not in still]
    terms = _terms(moving, coded, highest)
    bases = {term: _basis(term, coded) for term in terms}
    words = {":".join(term): term_words(term, factors) for term in terms}
    if len(words) < len(terms):
        raise CallError("Two terms read alike, for a factor has ':' in its name: rename it.")
    nothing = [words[":".join(term)] for term, (basis, at) in bases.items() if _void(basis, at)]
    if nothing:
        cautions.append(f"Zero in all rows, so they show nothing of it: {listed(nothing)}.")
    if moving:
        cautions += _together(moving, bases)
    return Aliases(
        question="What is mixed up with what?",
        table=_pairs(bases),
        cautions=tuple(cautions),
        words=words | {MEAN: "the mean"},
        terms=tuple(":".join(term) for term in terms),
        mains=tuple(factor.name for factor in moving),
    )


def _check(table: pd.DataFrame, factors: Sequence[Factor], highest: int) -> None:
    require_factors(table, factors)
    if not isinstance(highest, int) or isinstance(highest, bool) or highest < 1:
        raise CallError(f"highest is {highest!r}; it is a number of factors, 1 or more.")
    faults = []
    for factor in factors:
        if factor.kind == "numeric":
            typed = table[factor.name].dropna()
            odd = typed[pd.to_numeric(typed, errors="coerce").isna()]
            if len(odd):
                faults.append(
                    f"{factor.label} is a number, but row {odd.index[0]} of the table holds "
                    f"'{odd.iloc[0]}'."
                )
    if faults:
        raise CallError(" ".join(faults))


def _terms(factors: Sequence[Factor], coded: dict[str, np.ndarray], highest: int) -> list[Term]:
    names = [factor.name for factor in factors]
    terms: list[Term] = []
    for size in range(1, min(highest, len(names)) + 1):
        terms += combinations(names, size)
        if len(terms) > MOST_TERMS:
            raise CallError(
                f"{len(names)} factors have more than {MOST_TERMS} terms of up to {highest} "
                f"factors: ask for highest={size - 1}, or for fewer factors."
            )
    bent = [
        factor.name
        for factor in factors
        if factor.kind == "numeric" and factor.levels and len(np.unique(coded[factor.name])) > 2
    ]
    return terms + [(name, name) for name in bent if highest > 1]


def _basis(term: Term, coded: dict[str, np.ndarray]) -> tuple[np.ndarray, float]:
    """Orthonormal columns of a term about its mean, and its value if it never changes."""
    columns = reduce(_product, (coded[name] for name in term))
    centred = columns - columns.mean(axis=0)
    size = np.linalg.norm(columns)
    if columns.shape[1] == 1:
        length = np.linalg.norm(centred)
        kept = centred / length if length > TOLERANCE * size else centred[:, :0]
    else:
        u, d, _ = np.linalg.svd(centred, full_matrices=False)
        kept = u[:, d > TOLERANCE * size]
    return kept, float(np.sign(columns[0, 0]))


def _void(basis: np.ndarray, at: float) -> bool:
    return not basis.shape[1] and at == 0


def _product(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    return (left[:, :, None] * right[:, None, :]).reshape(len(left), -1)


def _pairs(bases: dict[Term, tuple[np.ndarray, float]]) -> pd.DataFrame:
    rows = []
    fixed = [term for term, (basis, _) in bases.items() if not basis.shape[1]]
    moving = [term for term in bases if term not in set(fixed)]
    if moving:
        Q = np.hstack([bases[term][0] for term in moving])
        starts = np.cumsum([0, *(bases[term][0].shape[1] for term in moving)])
        G = Q.T @ Q
        squares = np.add.reduceat(np.add.reduceat(G**2, starts[:-1], 0), starts[:-1], 1)
        for i, j in np.argwhere(np.triu(squares > TOLERANCE**2, 1)):
            block = G[starts[i] : starts[i + 1], starts[j] : starts[j + 1]]
            single = block.size == 1
            value = block[0, 0] if single else np.linalg.norm(block, 2)
            share = squares[i, j] / len(block)
            rows.append((moving[i], moving[j], value, share))
    order = {term: place for place, term in enumerate(bases)}
    rows += [(term, (MEAN,), bases[term][1], 1.0) for term in fixed if not _void(*bases[term])]
    rows.sort(key=lambda row: (order[row[0]], -round(row[3], 8), order.get(row[1], -1)))
    return pd.DataFrame(
        {
            "term": pd.Series([":".join(row[0]) for row in rows], dtype=str),
            "mixed_with": pd.Series([":".join(row[1]) for row in rows], dtype=str),
            "correlation": np.clip(np.array([row[2] for row in rows], dtype=float), -1, 1),
            "share": np.clip(np.array([row[3] for row in rows], dtype=float), 0, 1),
        }
    )


def _together(factors: Sequence[Factor], bases: dict[Term, tuple[np.ndarray, float]]) -> list[str]:
    """Say if the main effects cannot be told apart all at once, though pairs of them may."""
    mains = np.hstack([bases[factor.name,][0] for factor in factors])
    rank = int(np.linalg.matrix_rank(mains, tol=TOLERANCE**0.5))
    if rank == mains.shape[1]:
        return []
    return [
        f"The main effects take {mains.shape[1]} figures and these rows give {rank}: they cannot "
        "all be told apart."
    ]


def _and(words: Sequence[str]) -> str:
    if len(words) > MOST_NAMED:
        return f"{', '.join(words[: MOST_NAMED - 1])} and {len(words) - MOST_NAMED + 1} others"
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
