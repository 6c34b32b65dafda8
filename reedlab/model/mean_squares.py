"""Mean squares of repeated readings in balanced layouts, and what components follow from them.

Units read by raters: one way (one rater or one unit, groups may be unequal), nested (each
rater has units of its own) or crossed. The frame has the columns unit, rater (both
numbered from 0) and value; squares are in the square of the value's unit.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.errors import ModelError

UNIT, RATER, INTERACTION, REPEAT, REST = "unit", "rater", "unit by rater", "repeat", "rest"


@dataclass(frozen=True)
class Squares:
    """Mean squares, and how components follow from them: components = solve @ mean squares.

    `against` names the line that each line's F is judged against; its own is none.
    """

    lines: tuple[str, ...]
    df: np.ndarray
    sum_sq: np.ndarray
    against: tuple[int, ...]
    sources: tuple[str, ...]
    solve: np.ndarray

    @property
    def mean_sq(self) -> np.ndarray:
        """Sums of squares over their degrees of freedom."""
        return self.sum_sq / self.df


def layout_squares(table: pd.DataFrame, layout: str, pooled: bool) -> Squares | None:
    """Compute the mean squares of a layout; None where it is not balanced.

    Raises
    ------
    ModelError
        If nothing is read twice, or a rater and its one unit are the same thing.
    """
    if layout in ("units", "raters"):
        return _one_way(table, UNIT if layout == "units" else RATER)
    counts = table.groupby([RATER, UNIT]).size()
    if not counts.gt(1).any() and layout == "nested":
        raise ModelError(
            "No unit is read twice by its rater, so the repeat cannot be told from the unit: "
            "read some units again."
        )
    if counts.nunique() > 1:
        return None
    repeats = int(counts.iloc[0])
    if layout == "nested":
        units = counts.groupby(RATER).size()
        return None if units.nunique() > 1 else _nested(table, repeats)
    if len(counts) < table[UNIT].nunique() * table[RATER].nunique():
        return None
    return _crossed(table, repeats, pooled)


def _one_way(table: pd.DataFrame, group: str) -> Squares:
    n = table.groupby(group).size().to_numpy()
    k, total = len(n), n.sum()
    if total == k or k == 1:
        raise ModelError(
            "Nothing is read twice: read some units again, so that the repeat can be told."
            if total == k
            else "There is one unit and one rater: take several of one or the other."
        )
    values = table["value"] - table["value"].mean()
    means = values.groupby(table[group]).mean().to_numpy()
    within = values - values.groupby(table[group]).transform("mean")
    divisor = (total - (n * n).sum() / total) / (k - 1)
    return Squares(
        lines=(group, REPEAT),
        df=np.array([k - 1, total - k]),
        sum_sq=np.array([(n * means**2).sum(), (within**2).sum()]),
        against=(1, 1),
        sources=(group, REPEAT),
        solve=np.array([[1 / divisor, -1 / divisor], [0, 1]]),
    )


def _nested(table: pd.DataFrame, repeats: int) -> Squares:
    values = table["value"] - table["value"].mean()
    of_rater = values.groupby(table[RATER]).transform("mean")
    of_unit = values.groupby(table[UNIT]).transform("mean")
    raters, units = table[RATER].nunique(), table[UNIT].nunique()
    per_rater = units // raters
    if per_rater == 1:
        raise ModelError("Every rater has one unit only: the two cannot be told apart.")
    return Squares(
        lines=(RATER, UNIT, REPEAT),
        df=np.array([raters - 1, units - raters, units * (repeats - 1)]),
        sum_sq=np.array(
            [
                (of_rater**2).sum(),
                ((of_unit - of_rater) ** 2).sum(),
                ((values - of_unit) ** 2).sum(),
            ]
        ),
        against=(1, 2, 2),
        sources=(UNIT, RATER, REPEAT),
        solve=np.array(
            [
                [0, 1 / repeats, -1 / repeats],
                [1 / (per_rater * repeats), -1 / (per_rater * repeats), 0],
                [0, 0, 1],
            ]
        ),
    )


def _crossed(table: pd.DataFrame, repeats: int, pooled: bool) -> Squares:
    u, o = table[UNIT].nunique(), table[RATER].nunique()
    ordered = table.sort_values([UNIT, RATER], kind="stable")["value"].to_numpy()
    values = ordered.reshape(u, o, repeats) - ordered.mean()
    of_unit, of_rater, cell = values.mean((1, 2)), values.mean((0, 2)), values.mean(2)
    both = cell - of_unit[:, None] - of_rater
    sums = [
        o * repeats * (of_unit**2).sum(),
        u * repeats * (of_rater**2).sum(),
        repeats * (both**2).sum(),
        ((values - cell[:, :, None]) ** 2).sum(),
    ]
    df = [u - 1, o - 1, (u - 1) * (o - 1), u * o * (repeats - 1)]
    by_unit, by_rater = 1 / (o * repeats), 1 / (u * repeats)
    if pooled or repeats == 1:
        last = REST if repeats == 1 else REPEAT
        return Squares(
            lines=(UNIT, RATER, last),
            df=np.array([*df[:2], df[2] + df[3]]),
            sum_sq=np.array([*sums[:2], sums[2] + sums[3]]),
            against=(2, 2, 2),
            sources=(UNIT, RATER, last),
            solve=np.array([[by_unit, 0, -by_unit], [0, by_rater, -by_rater], [0, 0, 1]]),
        )
    return Squares(
        lines=(UNIT, RATER, INTERACTION, REPEAT),
        df=np.array(df),
        sum_sq=np.array(sums),
        against=(2, 2, 3, 3),
        sources=(UNIT, RATER, INTERACTION, REPEAT),
        solve=np.array(
            [
                [by_unit, 0, -by_unit, 0],
                [0, by_rater, -by_rater, 0],
                [0, 0, 1 / repeats, -1 / repeats],
                [0, 0, 0, 1],
            ]
        ),
    )
