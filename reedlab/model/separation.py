"""Where an event never or always happens: the empty cells of a two-valued response.

With few rows and rare events a level often has only events or none; ordinary
logistic regression then has no finite answer and prints nonsense. This file says
in plain sentences which level, cut or combination it is, so that the reader looks
at the table before the coefficient.
"""

from itertools import product

import numpy as np
import pandas as pd

from reedlab.model.design import FixedPart

#: A number that takes no more values than this is looked at value by value,
SET_VALUES = 5
#: if each value stands in at least so many rows (one or two rows agree by chance).
ROWS_PER_VALUE = 3


def empty_cells(part: FixedPart) -> tuple[str, ...]:
    """Name every level, cell or cut of the model's variables with only events or none.

    Parameters
    ----------
    part : FixedPart
        With a response of 0 and 1.

    Returns
    -------
    tuple of str
        First one sentence for each empty cell, in the order of the terms; then, if
        ordinary logistic regression has no finite estimate, one that names the terms
        whose estimate is infinite (found by linear programming, Konis 2007, through
        firthmodels). Empty where nothing is amiss.

    Notes
    -----
    Categories are looked at level by level, interactions of categories cell by cell,
    numbers of up to 5 values value by value, other numbers by the cut that parts
    events from the rest. An empty middle value of a number has a finite slope, so a
    sentence of the first kind does not imply one of the second.

    References
    ----------
    Konis (2007), Linear programming algorithms for detecting separated data in binary
    logistic regression models, DPhil thesis, Oxford.

    Examples
    --------
    >>> from reedlab.model.design import fixed_part
    >>> table = pd.DataFrame({"kept": [1.0, 0, 0, 1, 1, 1], "cane": list("aaabbb")})
    >>> empty_cells(fixed_part("kept ~ cane", table))[0]
    'cane=b: 3 of 3 rows have kept=1.'
    """
    seen: list[str] = []
    for term, variables in part.variables.items():
        in_order = tuple(sorted(variables, key=term.find))
        seen += [text for text in _of_term(part, in_order) if text not in seen]
    infinite = _infinite_terms(part)
    if infinite:
        seen.append(
            f"Ordinary logistic regression has no finite estimate here for: {', '.join(infinite)}."
        )
    return tuple(seen)


def _of_term(part: FixedPart, variables: tuple[str, ...]) -> list[str]:
    if not variables:
        return []
    numbers = [name for name in variables if name not in part.levels]
    if not numbers:
        return _by_cell(part, variables, {name: part.levels[name] for name in variables})
    if len(variables) > 1:
        return []
    values = part.data[variables[0]].value_counts()
    if len(values) == 2 or (len(values) <= SET_VALUES and values.min() >= ROWS_PER_VALUE):
        return _by_cell(part, variables, {variables[0]: tuple(sorted(values.index))})
    return _by_cut(part, variables[0])


def _by_cell(part: FixedPart, variables: tuple[str, ...], levels: dict[str, tuple]) -> list[str]:
    sentences = []
    for cell in product(*(levels[name] for name in variables)):
        rows = np.logical_and.reduce(
            [
                (part.data[name] == value).to_numpy(dtype=bool)
                for name, value in zip(variables, cell, strict=True)
            ]
        )
        events, n = int(part.y[rows].sum()), int(rows.sum())
        if n and events in (0, n):
            where = ", ".join(
                f"{name}={_short(value)}" for name, value in zip(variables, cell, strict=True)
            )
            sentences.append(f"{where}: {events} of {n} rows have {part.response}=1.")
    return sentences


def _by_cut(part: FixedPart, name: str) -> list[str]:
    """Say so if one cut of a number leaves all events on one side (ties at the cut allowed)."""
    x = part.data[name].to_numpy(dtype=float)
    events, others = x[part.y == 1], x[part.y == 0]
    if others.max() <= events.min():
        cut, side, held = events.min(), "at or above", events
    elif events.max() <= others.min():
        cut, side, held = events.max(), "at or below", events
    else:
        return []
    return [
        f"{name}: all {len(held)} rows with {part.response}=1 lie {side} {cut:g} and all "
        f"{len(others)} others at or on the far side of it."
    ]


def _infinite_terms(part: FixedPart) -> list[str]:
    from firthmodels import detect_separation  # brings scikit-learn along

    # The library judges a direction by its size, so the columns get one common scale.
    columns = part.X / np.linalg.norm(part.X, axis=0)
    found = detect_separation(columns, part.y, fit_intercept=False)
    return [
        term
        for term, place in part.terms.items()
        if term != "1" and not found.is_finite[place].all()
    ]


def _short(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) and not pd.isna(value) else str(value)
