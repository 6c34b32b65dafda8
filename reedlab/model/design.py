"""The fixed part of a model: from a formula and a table to coded columns.

Formulas are Wilkinson-Rogers notation, read by formulaic. Categories are always
coded sum-to-zero (each column sums to zero over the levels), so that a type III
test of a main effect means "averaged over the other factors" whatever level
happens to come first. Rows with a missing value are left out and named; a
category that no row uses is dropped and named; a term that the data cannot
estimate is an error that names it.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from formulaic import ModelSpec, SimpleFormula
from formulaic.errors import FormulaicError
from formulaic.transforms import C
from formulaic.transforms.contrasts import SumContrasts

from reedlab.errors import CallError, InestimableTermError, ModelError, listed, unknown_name
from reedlab.model.formula import Reading, quoted, read, translated

__all__ = ["FixedPart", "fixed_part", "quoted"]

#: A pivot of the coded columns below this share of the largest counts as none.
RANK_TOLERANCE = 1e-9
#: So many empty cells are named in a message.
MOST_CELLS = 3


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
    names: dict[str, str]  # the internal name of each column, by which `spec` calls it
    coded: dict[str, str]  # the column of each expression of `spec` that is a category

    @cached_property
    def levels(self) -> dict[str, tuple]:
        """Levels of every categorical variable, in their order."""
        return {
            self.coded[expression]: tuple(state["categories"])
            for expression, (_, state) in self.spec.encoder_state.items()
            if expression in self.coded
        }

    @cached_property
    def column_names(self) -> tuple[str, ...]:
        """Names of the coded columns: ``factor[level]``, ``a[x]:b[y]``, ``1``."""
        shown = {internal: name for name, internal in self.names.items()}
        found = []
        for name in self.spec.column_names:
            bare = re.sub(r"(?:_sum_to_zero|C)\((\w+)\)\[(?:S\.)?", r"\1[", name)
            typed = re.sub(r"_column\d+_", lambda one: shown[one[0]], bare)
            found.append("1" if name == "Intercept" else typed)
        return tuple(found)

    def rows(self, grid: pd.DataFrame) -> np.ndarray:
        """Code new rows, shape (len(grid), p); an unknown level is an error."""
        needed = dict.fromkeys(name for names in self.variables.values() for name in names)
        for name in needed:
            if name not in grid.columns:
                raise unknown_name("column", name, map(str, grid.columns))
            if grid[name].isna().any():
                where = listed(grid.index[grid[name].isna()][:3])
                raise CallError(f"'{name}' is missing in row {where} of the new rows.")
        for name, levels in self.levels.items():
            strange = set(grid[name]) - set(levels)
            if strange:
                raise CallError(
                    f"'{name}' has no level {listed(strange)}; it has {listed(levels)}."
                )
        return _columns(self.spec, grid[[*needed]].rename(columns=self.names))

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
    reading = read(formula, [str(name) for name in data.columns])
    for name in also_needed:
        if name not in data.columns:
            raise unknown_name("column", name, map(str, data.columns))
    names = list(dict.fromkeys([*reading.columns, *also_needed]))
    for name in names:
        if isinstance(data[name], pd.DataFrame):
            raise CallError(f"The column '{name}' stands more than once in the data.")
    table, left_out = _complete_rows(data[names])
    if table.empty:
        raise ModelError(f"No row of the data has all of: {listed(names)}.")
    table, cautions = _trimmed_categories(table)
    internal = {name: f"_column{i}_" for i, name in enumerate(reading.columns)}
    y = _response(reading, table, internal)
    factors = {name for names in reading.variables.values() for name in names}
    categorical = {name for name in factors if _is_categorical(table[name])}
    for name in sorted(categorical):
        if table[name].nunique() < 2:
            raise ModelError(
                f"'{name}' has one level only ({table[name].iloc[0]!r}) in the {len(table)} rows "
                "used: there is nothing to compare."
            )
    formulae, coded = translated(reading.right, internal, categorical)
    matrix = _evaluated(
        formulae, table[[*reading.columns]].rename(columns=internal), formula, internal
    )
    spec = matrix.model_spec
    terms = dict(zip(reading.variables, spec.term_slices.values(), strict=True))
    X = matrix.to_numpy(dtype=float)
    _require_numbers(X, terms, spec, coded)
    _require_estimable(X, terms, reading.variables, table, categorical)
    return FixedPart(
        reading.response,
        y,
        X,
        terms,
        reading.variables,
        table,
        left_out,
        cautions,
        spec,
        internal,
        coded,
    )


def _complete_rows(data: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    missing = data.isna()
    incomplete = missing.any(axis=1)
    faults = [f"{listed(data.columns[row])} missing" for row in missing[incomplete].to_numpy()]
    left_out = pd.DataFrame({"row": data.index[incomplete], "fault": faults})
    return data[~incomplete].infer_objects(), left_out


def _trimmed_categories(table: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    cautions = []
    for name in table.columns:
        if isinstance(table[name].dtype, pd.CategoricalDtype):
            used = table[name].cat.remove_unused_categories()
            unused = [c for c in table[name].cat.categories if c not in used.cat.categories]
            if unused:
                cautions.append(f"'{name}': no row has {listed(unused)}; left out of the levels.")
            table[name] = used
    return table, tuple(cautions)


def _response(reading: Reading, table: pd.DataFrame, internal: dict[str, str]) -> np.ndarray:
    no_number = ModelError(f"The response '{reading.response}' is not a number in every row.")
    for name in reading.response_columns:
        if not pd.api.types.is_numeric_dtype(table[name]):
            raise no_number
    columns = table[[*reading.response_columns]]
    bare = [f.expr for term in reading.left for f in term.factors] == [*columns]
    if bare and not pd.api.types.is_bool_dtype(columns.iloc[:, 0]):
        y = columns.to_numpy(dtype=float)  # as it stands, without the ways of a formula
    else:
        left, _ = translated(reading.left, internal)
        columns = columns.rename(columns=internal)
        y = _evaluated(left, columns, reading.response, internal).to_numpy(dtype=float)
    if y.shape[1] != 1 or not np.isfinite(y).all():
        raise no_number
    if np.ptp(y) <= 1e-14 * np.abs(y).max():
        raise ModelError(
            f"The response '{reading.response}' is the same ({y[0, 0]:g}) in all {len(y)} rows: "
            "nothing varies, so there is nothing to explain."
        )
    return y[:, 0]


def _is_categorical(column: pd.Series) -> bool:
    return not pd.api.types.is_numeric_dtype(column) or pd.api.types.is_bool_dtype(column)


def _sum_to_zero(data: Any) -> Any:
    return C(data, SumContrasts)


#: What formulas may call besides formulaic's own transforms; C() takes our coding.
_CONTEXT: dict[str, Callable] = {"_sum_to_zero": _sum_to_zero, "C": _sum_to_zero}


def _evaluated(
    terms: SimpleFormula, table: pd.DataFrame, formula: str, internal: dict[str, str]
) -> Any:
    try:
        # What is not a finite number afterwards is reported with its term.
        with np.errstate(all="ignore"):
            return terms.get_model_matrix(table, context=_CONTEXT, na_action="ignore")
    except (FormulaicError, ValueError, TypeError) as error:
        reason = str(error)
        for name, inside in internal.items():
            reason = reason.replace(inside, name)
        raise CallError(
            f"The formula '{formula}' cannot be used on these data: {reason}"
        ) from error


def _columns(spec: ModelSpec, table: pd.DataFrame) -> np.ndarray:
    return spec.get_model_matrix(table, context=_CONTEXT, na_action="raise").to_numpy(dtype=float)


def _require_numbers(
    X: np.ndarray, terms: dict[str, slice], spec: ModelSpec, coded: dict[str, str]
) -> None:
    for term, part in terms.items():
        if not np.isfinite(X[:, part]).all():
            rows = np.count_nonzero(~np.isfinite(X[:, part]).all(axis=1))
            raise ModelError(f"The term {term} is not a finite number in {rows} of {len(X)} rows.")
    for term, parts in zip(terms, spec.term_factors.values(), strict=True):
        for factor in parts:
            kind, _ = spec.encoder_state.get(factor.expr, (None, None))
            if kind is not None and kind.value == "categorical" and factor.expr not in coded:
                raise CallError(
                    f"The term {term} makes a category inside the formula. Give it a column of "
                    "its own."
                )


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
    spared = [
        other
        for other in order
        if other != term and not set(variables[term]) < set(variables[other])
    ]
    offer = f" The model without it: ~ {' + '.join(spared) or '1'}."
    if len(names) > 1:
        counts = table.groupby([table[name] for name in names], observed=True).size()
        every = list(product(*(sorted(table[name].unique(), key=str) for name in names)))
        empty = [cell for cell in every if cell not in counts.index]
        if empty:
            cells = "; ".join(
                ", ".join(f"{name}={level}" for name, level in zip(names, cell, strict=True))
                for cell in empty[:MOST_CELLS]
            )
            if len(empty) > MOST_CELLS:
                cells += f" and {len(empty) - MOST_CELLS} more"
            which = f"the cell {cells} has" if len(empty) == 1 else f"the cells {cells} have"
            return f"The interaction {term} cannot be estimated: {which} 0 rows.{offer}"
    return (
        f"The term {term} cannot be estimated: its values follow from those of the terms before "
        f"it ({', '.join(before) or 'the mean'}), so their effects cannot be told apart.{offer}"
    )
