"""The fixed part of a model: from a formula and a table to coded columns.

Formulas are Wilkinson-Rogers notation, read by formulaic. Categories are always
coded sum-to-zero (each column sums to zero over the levels), so that a type III
test of a main effect means "averaged over the other factors" whatever level
happens to come first. Rows with a missing value are left out and named; a
category that no row uses is dropped and named; a term that the data cannot
estimate is an error that names it.
"""

from dataclasses import dataclass
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from formulaic import Formula, ModelSpec, SimpleFormula
from formulaic.errors import FormulaicError
from formulaic.parser.types import Factor, Term
from formulaic.transforms import C
from formulaic.transforms.contrasts import SumContrasts

from reedlab.errors import CallError, InestimableTermError, ModelError, unknown_name

#: A pivot of the coded columns below this share of the largest counts as none.
RANK_TOLERANCE = 1e-9


@dataclass(frozen=True)
class FixedPart:
    """Coded columns of a formula's right side, with the response.

    Attributes
    ----------
    response : str
        The left side of the formula as typed.
    y : ndarray, shape (n,)
    X : ndarray, shape (n, p)
        Full column rank.
    terms : dict of str to slice
        Columns of each term; the intercept is ``"1"``.
    variables : dict of str to tuple of str
        Columns of the data that each term is made of.
    data : DataFrame
        The rows used, categories trimmed to those in use.
    left_out : DataFrame
        Columns ``row`` (index label in the data given) and ``fault``.
    cautions : tuple of str
    """

    response: str
    y: np.ndarray
    X: np.ndarray
    terms: dict[str, slice]
    variables: dict[str, tuple[str, ...]]
    data: pd.DataFrame
    left_out: pd.DataFrame
    cautions: tuple[str, ...]
    spec: ModelSpec

    @cached_property
    def levels(self) -> dict[str, tuple]:
        """Levels of every categorical variable, in their order."""
        return {
            name: tuple(state["categories"])
            for expression, (_, state) in self.spec.encoder_state.items()
            if "categories" in state
            for name in self._columns_in(expression)
        }

    def rows(self, grid: pd.DataFrame) -> np.ndarray:
        """Code new rows, shape (len(grid), p); an unknown level is an error."""
        for name, levels in self.levels.items():
            strange = set(grid[name]) - set(levels)
            if strange:
                raise CallError(
                    f"'{name}' has no level {_listed(strange)}; it has {_listed(levels)}."
                )
        return _coded(self.spec, grid)

    def grid_for(self, names: tuple[str, ...]) -> pd.DataFrame:
        """Make the reference grid: every combination of levels, numbers at their mean.

        Sorted so that the levels of `names` vary slowest.
        """
        others = [name for name in self.levels if name not in names]
        axes = [*names, *others]
        grid = pd.DataFrame(product(*(self.levels[name] for name in axes)), columns=axes)
        used = {name for variables in self.variables.values() for name in variables}
        for name in used - set(axes):
            grid[name] = self.data[name].mean()
        return grid if len(grid) else pd.DataFrame(grid, index=[0])

    def _columns_in(self, expression: str) -> tuple[str, ...]:
        for variables in self.spec.factors:
            if variables.expr == expression:
                break
        names = self.spec.factor_variables[variables]
        return tuple(str(name) for name in names if str(name) in self.data.columns)


def fixed_part(formula: str, data: pd.DataFrame, also_needed: tuple[str, ...] = ()) -> FixedPart:
    """Code a formula.

    Parameters
    ----------
    formula : str
        ``"response ~ terms"``; a header that is not a plain word stands in backticks.
    data : DataFrame
        One row an observation. Text, categorical and boolean columns are categories.
    also_needed : tuple of str
        Further columns that must not be missing (grouping factors).

    Raises
    ------
    CallError
        For a formula that cannot be read or a column that is not there.
    ModelError
        For a response that is not a number or is constant, for a category with one
        level, or for a term that cannot be estimated.

    Examples
    --------
    >>> table = pd.DataFrame({"y": [1.0, 2, 3, 5], "shape": list("abab")})
    >>> fixed_part("y ~ shape", table).terms
    {'1': slice(0, 1, None), 'shape': slice(1, 2, None)}
    """
    parsed = _parsed(formula)
    wanted = {str(name) for name in parsed.required_variables}
    for name in sorted(wanted | set(also_needed)):
        if name not in data.columns:
            raise unknown_name("column", name, map(str, data.columns))
    names = sorted(wanted) + [name for name in also_needed if name not in wanted]
    table, left_out = _complete_rows(data[names])
    if table.empty:
        raise ModelError(f"No row of the data has all of: {_listed(names)}.")
    table, cautions = _trimmed_categories(table)
    y = _response(parsed, table)
    categorical = {name for name in wanted if _is_categorical(table[name])}
    for name in sorted(categorical):
        if table[name].nunique() < 2:
            raise ModelError(
                f"'{name}' has one level only ({table[name].iloc[0]!r}) in the {len(table)} rows "
                "used: there is nothing to compare."
            )
    coded = SimpleFormula([_sum_coded(term, categorical) for term in parsed.rhs])
    matrix = _matrix(coded, table, formula)
    spec = matrix.model_spec
    slices = list(spec.term_slices.values())
    terms = {_plain(term): part for term, part in zip(parsed.rhs, slices, strict=True)}
    variables = {
        _plain(term): tuple(str(v) for v in found if str(v) in table.columns)
        for term, found in zip(parsed.rhs, spec.term_variables.values(), strict=True)
    }
    X = matrix.to_numpy(dtype=float)
    _require_estimable(X, terms, variables, table, categorical)
    return FixedPart(
        _plain_side(parsed.lhs), y, X, terms, variables, table, left_out, cautions, spec
    )


def quoted(name: str) -> str:
    """Write a column name so that a formula takes it as one name, whatever is in it.

    Examples
    --------
    >>> quoted("Wall thickness (mm)"), quoted("shape")
    ('`Wall thickness (mm)`', 'shape')
    """
    return name if name.isidentifier() else f"`{name}`"


def _parsed(formula: str) -> Any:
    try:
        parsed = Formula(formula)
    except FormulaicError as error:
        first_line = str(error).splitlines()[0]
        raise CallError(
            f"The formula '{formula}' cannot be read: {first_line} A header that is not a plain "
            "word stands in backticks, e.g. `Wall (mm)`."
        ) from error
    if not hasattr(parsed, "lhs"):
        raise CallError(f"The formula '{formula}' has no response: write 'response ~ terms'.")
    if len(parsed.lhs) != 1:
        raise CallError(f"The formula '{formula}' has more than one response.")
    return parsed


def _complete_rows(data: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    missing = data.isna()
    incomplete = missing.any(axis=1)
    faults = [f"{_listed(data.columns[row])} missing" for row in missing[incomplete].to_numpy()]
    left_out = pd.DataFrame({"row": data.index[incomplete], "fault": faults})
    return data[~incomplete].copy(), left_out


def _trimmed_categories(table: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    cautions = []
    for name in table.columns:
        if isinstance(table[name].dtype, pd.CategoricalDtype):
            used = table[name].cat.remove_unused_categories()
            unused = [c for c in table[name].cat.categories if c not in used.cat.categories]
            if unused:
                cautions.append(f"'{name}': no row has {_listed(unused)}; left out of the levels.")
            table[name] = used
    return table, tuple(cautions)


def _response(parsed: Any, table: pd.DataFrame) -> np.ndarray:
    name = _plain_side(parsed.lhs)
    try:
        with np.errstate(invalid="ignore", divide="ignore"):
            left = parsed.lhs.get_model_matrix(table, na_action="ignore")
        y = left.to_numpy(dtype=float)
    except (FormulaicError, ValueError, TypeError) as error:
        raise ModelError(f"The response '{name}' is not a number in every row.") from error
    if y.shape[1] != 1 or not np.isfinite(y).all():
        raise ModelError(f"The response '{name}' is not a number in every row.")
    if np.ptp(y) <= 1e-14 * np.abs(y).max():
        raise ModelError(
            f"The response '{name}' is the same ({y[0, 0]:g}) in all {len(y)} rows: "
            "nothing varies, so there is nothing to explain."
        )
    return y[:, 0]


def _is_categorical(column: pd.Series) -> bool:
    return not pd.api.types.is_numeric_dtype(column) or pd.api.types.is_bool_dtype(column)


def _sum_coded(term: Term, categorical: set[str]) -> Term:
    return Term(
        [
            Factor(f"_sum_to_zero(`{factor.expr}`)", eval_method="python", kind="categorical")
            if factor.eval_method.value == "lookup" and factor.expr in categorical
            else factor
            for factor in term.factors
        ]
    )


def _sum_to_zero(data: Any, contrasts: Any = None, *, levels: Any = None) -> Any:
    return C(data, contrasts or SumContrasts, levels=levels)


#: What formulas may call besides formulaic's own transforms; C() takes our coding.
_CONTEXT = {"_sum_to_zero": _sum_to_zero, "C": _sum_to_zero}


def _matrix(coded: SimpleFormula, table: pd.DataFrame, formula: str) -> Any:
    try:
        return coded.get_model_matrix(table, context=_CONTEXT, na_action="raise")
    except FormulaicError as error:
        raise CallError(f"The formula '{formula}' cannot be used on these data: {error}") from error


def _coded(spec: ModelSpec, grid: pd.DataFrame) -> np.ndarray:
    return spec.get_model_matrix(grid, context=_CONTEXT, na_action="raise").to_numpy(dtype=float)


def _require_estimable(
    X: np.ndarray,
    terms: dict[str, slice],
    variables: dict[str, tuple[str, ...]],
    table: pd.DataFrame,
    categorical: set[str],
) -> None:
    """Raise for the first term that adds fewer independent columns than it has."""
    scale = np.linalg.norm(X, axis=0)
    basis = np.empty((len(X), 0))
    for term, part in terms.items():
        columns = X[:, part] / np.where(scale[part] > 0, scale[part], 1)
        fresh = columns - basis @ (basis.T @ columns)
        left, values, _ = np.linalg.svd(fresh - basis @ (basis.T @ fresh), full_matrices=False)
        kept = values > RANK_TOLERANCE * max(1.0, values.max(initial=0))
        if kept.sum() < columns.shape[1]:
            why = _why_inestimable(term, variables, terms, table, categorical)
            raise InestimableTermError(why, term)
        basis = np.hstack([basis, left[:, kept]])
    if X.shape[1] >= len(X):
        raise ModelError(
            f"The model has {X.shape[1]} coefficients and only {len(X)} rows: nothing is left "
            "to judge them by. Ask for fewer terms."
        )


def _why_inestimable(
    term: str,
    variables: dict[str, tuple[str, ...]],
    terms: dict[str, slice],
    table: pd.DataFrame,
    categorical: set[str],
) -> str:
    names = [name for name in variables[term] if name in categorical]
    order = [other for other in terms if other != "1"]
    before = order[: order.index(term)]
    spared = [other for other in order if not set(variables[term]) <= set(variables[other])]
    offer = f" The model without it: ~ {' + '.join(spared) or '1'}."
    if len(names) > 1:
        counts = table.groupby(names, observed=True).size()
        every = list(product(*(sorted(table[name].unique(), key=str) for name in names)))
        empty = [cell for cell in every if cell not in counts.index]
        if empty:
            cells = "; ".join(
                ", ".join(f"{name}={level}" for name, level in zip(names, cell, strict=True))
                for cell in empty
            )
            return (
                f"The interaction {term} cannot be estimated: the cell {cells} has 0 rows.{offer}"
            )
    return (
        f"The term {term} cannot be estimated: its values follow from those of the terms before "
        f"it ({', '.join(before) or 'the mean'}), so their effects cannot be told apart.{offer}"
    )


def _plain(term: Any) -> str:
    """Write a formulaic term with the headers as typed."""
    return str(term).replace("`", "")


def _plain_side(side: Any) -> str:
    return ":".join(_plain(term) for term in side)


def _listed(names: Any) -> str:
    return ", ".join(str(name) for name in names)
