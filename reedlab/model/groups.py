"""Grouping factors: from names to codes, and which of them the data can tell apart."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reedlab.errors import CallError, ModelError, unknown_name
from reedlab.model.batched import Absorbed
from reedlab.model.strata import Strata

#: A group whose effects, after the fixed terms, carry less than this share of what they
#: carried before, is a repeat of the fixed terms.
ABSORBED = 1e-6


def group_columns(groups: Sequence[str], data: pd.DataFrame) -> dict[str, tuple[str, ...]]:
    """Columns of every group: one, or those joined by ":"."""
    if isinstance(groups, str):
        raise CallError(f'groups is a list of names: write ["{groups}"].')
    if groups is None or not all(isinstance(name, str) for name in groups):
        raise CallError("groups is a list of names; write [] if there are none.")
    columns = {}
    for name in groups:
        parts = (name,) if name in data.columns else tuple(p.strip() for p in name.split(":"))
        for part in parts:
            if part not in data.columns:
                raise unknown_name("column", part, map(str, data.columns))
        columns[name] = parts
    return columns


def group_codes(table: pd.DataFrame, names: tuple[str, ...]) -> np.ndarray:
    """Number the combinations of some columns from 0."""
    return table.groupby([table[name] for name in names], observed=True).ngroup().to_numpy()


def require_useful(codes: dict[str, np.ndarray]) -> None:
    """Name a group of one level, of one row a level, or that repeats another."""
    seen: dict[bytes, str] = {}
    for name, code in codes.items():
        levels = code.max() + 1
        if levels == 1:
            raise ModelError(f"The group '{name}' has one level only: its variance is unknown.")
        if levels == len(code):
            raise ModelError(
                f"Every row is a '{name}' of its own: variation between them cannot be told "
                "from the residual. Leave the group out; the residual then holds both."
            )
        pattern = pd.factorize(code)[0].tobytes()
        if pattern in seen:
            raise ModelError(
                f"The groups '{seen[pattern]}' and '{name}' split the rows alike: "
                "their variances cannot be told apart. Leave one out."
            )
        seen[pattern] = name


def require_identified(kernel: Strata | Absorbed, names: list[str]) -> None:
    """Name a group that the fixed terms use up, or groups whose variances are one."""
    theta = np.ones((1, kernel.components)) / kernel.components
    rows = kernel.project(np.zeros((kernel.rows, 1)))
    information = kernel.moments(theta, rows).trace2[0]
    size = np.sqrt(np.maximum(np.diag(information), 0))
    for name, carried in zip(names, size[1:], strict=True):
        if carried < ABSORBED * size[0]:
            raise ModelError(
                f"The fixed terms take a different value for every level of '{name}', so nothing "
                f"is left to judge them by at that level. Drop such a term, or the group '{name}'."
            )
    correlation = information / np.outer(size, size)
    values, vectors = np.linalg.eigh(correlation)
    if values[0] < 1e-8:
        alike = [
            name
            for name, weight in zip(["residual", *names], vectors[:, 0], strict=True)
            if abs(weight) > 0.1
        ]
        raise ModelError(f"The variances of {', '.join(alike)} cannot be told apart in these data.")
