"""What a batch is asked to estimate: terms, and the columns that code them.

A numeric factor runs from -1 at its lowest level to +1 at its highest, a category of two
levels from the first to the second; one of more levels is coded sum-to-zero. A term is a
tuple of factor names: ``("gouge",)`` a main effect, ``("gouge", "shape")`` an interaction,
``("gouge", "gouge")`` a bend. A factor with levels is set by the maker; one without is
given by the cane (a tube's diameter, say).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, pairwise
from typing import Literal

import numpy as np
import pandas as pd

from reedlab.errors import CallError, listed, unknown_name
from reedlab.schema import Factor

Term = tuple[str, ...]
#: No interactions, all of two factors, or the pairs that are named.
Interactions = Literal["none", "two-way"] | Sequence[tuple[str, str]]


@dataclass(frozen=True)
class Model:
    """Factors and terms of a batch, with the code of every level.

    Attributes
    ----------
    factors : tuple of Factor
        Those that vary from reed to reed or from tube to tube; not those of sessions.
    terms : tuple of tuple of str
    """

    factors: tuple[Factor, ...]
    terms: tuple[Term, ...]

    @cached_property
    def settable(self) -> tuple[Factor, ...]:
        """The factors with levels, in order."""
        return tuple(factor for factor in self.factors if factor.levels)

    @cached_property
    def given(self) -> tuple[Factor, ...]:
        """The factors without levels: read from the cane."""
        return tuple(factor for factor in self.factors if not factor.levels)

    @cached_property
    def codes(self) -> dict[str, np.ndarray]:
        """The coded columns of each level of each factor that is set, shape (levels, k)."""
        return {factor.name: level_codes(factor) for factor in self.settable}

    @cached_property
    def widths(self) -> tuple[int, ...]:
        """Number of columns of each term."""
        width = {f.name: self.codes[f.name].shape[1] if f.levels else 1 for f in self.factors}
        return tuple(int(np.prod([width[name] for name in term])) for term in self.terms)

    @cached_property
    def slices(self) -> tuple[slice, ...]:
        """Columns of each term."""
        ends = np.cumsum((0, *self.widths))
        return tuple(slice(int(a), int(b)) for a, b in pairwise(ends))

    def columns(self, levels: np.ndarray, given: np.ndarray) -> np.ndarray:
        """Code rows, without the mean.

        Parameters
        ----------
        levels : ndarray of int, shape (..., n, factors set)
            Place of each level among its factor's levels.
        given : ndarray, shape (n, factors given)
            Their values, coded already.

        Returns
        -------
        ndarray, shape (..., n, p)
        """
        coded = {
            factor.name: self.codes[factor.name][levels[..., place]]
            for place, factor in enumerate(self.settable)
        }
        for place, factor in enumerate(self.given):
            shape = (*levels.shape[:-1], 1)
            coded[factor.name] = np.broadcast_to(given[:, place, None], shape)
        parts = []
        for term in self.terms:
            columns = coded[term[0]]
            for name in term[1:]:
                columns = columns[..., :, None] * coded[name][..., None, :]
                columns = columns.reshape(*columns.shape[:-2], -1)
            parts.append(columns)
        return np.concatenate(parts, axis=-1)

    def levels_of(self, table: pd.DataFrame) -> np.ndarray:
        """Turn a table of levels into places among them, shape (n, factors set)."""
        columns = []
        for factor in self.settable:
            place = {level: i for i, level in enumerate(factor.levels)}
            strange = sorted({str(v) for v in table[factor.name] if v not in place})
            if strange:
                raise CallError(
                    f"'{factor.name}' has no level {listed(strange)}; it has "
                    f"{listed(factor.levels)}."
                )
            columns.append([place[level] for level in table[factor.name]])
        return np.array(columns, dtype=int).reshape(len(columns), len(table)).T

    def table_of(self, levels: np.ndarray) -> pd.DataFrame:
        """Turn places among levels, shape (n, factors set), into a table of them."""
        return pd.DataFrame(
            {
                factor.name: [factor.levels[place] for place in levels[:, column]]
                for column, factor in enumerate(self.settable)
            }
        )

    def label(self, term: Term) -> str:
        """Words for a term."""
        return term_words(term, self.factors)

    def stratum(self, term: Term) -> str:
        """The smallest thing to which one of the term's levels is given."""
        strata = {factor.name: factor.stratum for factor in self.factors}
        order = ("lot", "tube", "reed")
        return max((strata[name] for name in term), key=order.index)


def term_words(term: Term, factors: Sequence[Factor]) -> str:
    """Write a term with the labels of its factors.

    Examples
    --------
    >>> term_words(("wire_tension", "gouge"), [Factor("gouge"), Factor("wire_tension")])
    'wire tension × gouge'
    """
    labels = {factor.name: factor.label for factor in factors}
    if len(term) == 2 and term[0] == term[1]:
        return f"bend of {labels[term[0]]}"
    return " × ".join(labels[name] for name in term)


def from_end_to_end(values: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Code numbers from -1 at the lowest known one to +1 at the highest.

    Examples
    --------
    >>> from_end_to_end(np.array([24.0, 25.0]), np.array([24.0, 26.0])).tolist()
    [-1.0, 0.0]
    """
    low, high = (known.min(), known.max()) if len(known) else (0.0, 0.0)
    return (values - (low + high) / 2) / ((high - low) / 2 or 1.0)


def level_codes(factor: Factor) -> np.ndarray:
    """Code the levels of a factor, shape (levels, k).

    Examples
    --------
    >>> level_codes(Factor("gouge", levels=(1.25, 1.30, 1.35))).ravel().round(6).tolist()
    [-1.0, 0.0, 1.0]
    >>> level_codes(Factor("shape", levels=("narrow", "wide"))).ravel().tolist()
    [-1.0, 1.0]
    """
    if factor.kind == "numeric":
        values = np.array(factor.levels, dtype=float)
        return from_end_to_end(values, values)[:, None]
    count = len(factor.levels)
    codes = np.vstack([np.eye(count - 1), -np.ones(count - 1)])
    # Of two levels the second is the high one, as of numbers.
    return -codes if count == 2 else codes


def terms_for(
    factors: Sequence[Factor], interactions: Interactions, curved: Sequence[str]
) -> tuple[Term, ...]:
    """List the terms: main effects, interactions, bends.

    Raises
    ------
    CallError
        For an unknown word or name, a factor with itself, or a bend that cannot be had.

    Examples
    --------
    >>> two = [Factor("gouge", (1.25, 1.3)), Factor("shape", ("narrow", "wide"))]
    >>> terms_for(two, "two-way", ())
    (('gouge',), ('shape',), ('gouge', 'shape'))
    """
    names = [factor.name for factor in factors]
    mains: list[Term] = [(name,) for name in names]
    if isinstance(interactions, str):
        if interactions not in ("none", "two-way"):
            raise CallError(
                f'interactions is \'{interactions}\'; say "none", "two-way", or list pairs of '
                "factors."
            )
        pairs: list[Term] = [*combinations(names, 2)] if interactions == "two-way" else []
    else:
        pairs = [_pair(pair, names) for pair in interactions]
    bends = [_bend(name, factors) for name in dict.fromkeys(curved)]
    return tuple(dict.fromkeys([*mains, *pairs, *bends]))


def _pair(pair: tuple[str, str], names: Sequence[str]) -> Term:
    if isinstance(pair, str) or len(pair) != 2 or pair[0] == pair[1]:
        raise CallError(f"An interaction is a pair of two different factors, not {pair!r}.")
    for name in pair:
        if name not in names:
            raise unknown_name("factor", name, names)
    return tuple(sorted(pair, key=names.index))


def _bend(name: str, factors: Sequence[Factor]) -> Term:
    for factor in factors:
        if factor.name == name:
            if factor.kind != "numeric" or (factor.levels and len(factor.levels) < 3):
                raise CallError(
                    f"'{name}' cannot be asked for a bend: that takes a number with three levels "
                    "or more."
                )
            return (name, name)
    raise unknown_name("factor", name, [factor.name for factor in factors])
