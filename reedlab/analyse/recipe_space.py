"""What can be set, over which range, and how far what was made reaches.

A recipe is a level for every factor that is set. Candidates are a grid: every level of
a category, points evenly over the range of a number. Outside the range of a factor, and
outside the combinations that were made (see reedlab.model.reach), nothing is predicted.
Levels are in bench units.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import product

import numpy as np
import pandas as pd

from reedlab.analyse.frame import Frame, level_name, ordered_levels
from reedlab.answer import number_text
from reedlab.errors import CallError, unknown_name
from reedlab.model.reach import Reach
from reedlab.schema import Factor
from reedlab.schema.factors import is_number

#: So many candidates are compared at most.
MOST = 600
#: Points over the range of a number: as many as fit into MOST, within these bounds.
FEWEST_POINTS, MOST_POINTS = 3, 25


@dataclass(frozen=True)
class Space:
    """The factors that are set and what was tried of them; made by :func:`space_over`.

    Attributes
    ----------
    factors : tuple of Factor
    made : tuple of DataFrame
        For each response the recipes of the things used, one row each.
    ranges : dict of str to (float, float)
        Lowest and highest value of every number that was tried for all responses.
    levels : dict of str to list of str
        Levels of every category that were tried for all responses.
    told : mapping of str to level
        How reeds are usually made, as far as the maker said.
    """

    factors: tuple[Factor, ...]
    made: tuple[pd.DataFrame, ...]
    ranges: dict[str, tuple[float, float]]
    levels: dict[str, list[str]]
    told: Mapping[str, str | float] = field(default_factory=dict)

    @cached_property
    def usual(self) -> dict[str, str | float]:
        """As told; else what was made most: the median of a number, the most frequent level."""
        found: dict[str, str | float] = {}
        for factor in self.factors:
            if factor.name in self.told:
                found[factor.name] = self.told[factor.name]
                continue
            values = next(table[factor.name] for table in self.made if factor.name in table)
            if factor.kind == "numeric":
                low, high = self.ranges[factor.name]
                found[factor.name] = float(np.clip(values.median(), low, high))
            else:
                counts = values.value_counts()
                found[factor.name] = max(self.levels[factor.name], key=lambda level: counts[level])
        return found

    def coded(self, levels: pd.DataFrame) -> pd.DataFrame:
        """Code the numbers that are set from -1 to 1; the rest stays."""
        coded = levels.copy()
        for name, (low, high) in self.ranges.items():
            if name in coded:
                coded[name] = (coded[name].astype(float) - (low + high) / 2) / ((high - low) / 2)
        return coded

    @cached_property
    def reaches(self) -> tuple[Reach, ...]:
        """How far the things used reach, for each response."""
        return tuple(Reach(self._columns(table)) for table in self.made)

    def holds(self, levels: pd.DataFrame) -> np.ndarray:
        """Say of recipes whether they lie within what was made, for every response."""
        held = np.ones(len(levels), dtype=bool)
        for table, reach in zip(self.made, self.reaches, strict=True):
            held &= reach.holds(self._columns(levels[[*table]]))
        return held

    def _columns(self, levels: pd.DataFrame) -> np.ndarray:
        """Coded main effects, without the mean."""
        coded = self.coded(levels)
        columns = [np.zeros((len(levels), 0))]
        for factor in self.factors:
            if factor.name not in coded:
                continue
            if factor.kind == "numeric":
                columns.append(coded[[factor.name]].to_numpy(dtype=float))
            else:
                every = sorted({v for table in self.made for v in table.get(factor.name, ())})
                indicated = [coded[factor.name] == level for level in every[1:]]
                columns.append(np.array(indicated, dtype=float).T)
        return np.hstack(columns)

    def checked(self, asked: Mapping[str, object], otherwise: Mapping | pd.Series) -> pd.DataFrame:
        """Make one recipe out of levels asked for, the rest as `otherwise`.

        Raises
        ------
        CallError
            For a factor or level that was not tried, or a combination beyond what was made;
            the message names the nearest that is allowed.
        """
        known = {factor.name: factor for factor in self.factors}
        recipe = dict(otherwise)
        for name, level in asked.items():
            if name not in known:
                raise unknown_name("factor that is set here", name, known)
            recipe[name] = self.level(known[name], level)
        row = pd.DataFrame([recipe])[[*known]]
        if not self.holds(row)[0]:
            raise CallError(
                f"{self.words(row.iloc[0])} lies outside the combinations that were made, so "
                "nothing can be said of it. The nearest recipe that was made: "
                f"{self.words(self._nearest(row))}."
            )
        return row

    def words(self, recipe: Mapping | pd.Series) -> str:
        """Write a recipe: each factor with its level and unit."""
        return ", ".join(
            f"{factor.label} {level_text(factor, recipe[factor.name])}" for factor in self.factors
        )

    def level(self, factor: Factor, level: object) -> str | float:
        """Return a level as it is kept here; one that was never tried is a CallError."""
        if factor.kind != "numeric":
            name = level_name(level) if is_number(level) or isinstance(level, str | bool) else level
            if name not in self.levels[factor.name]:
                tried = self.levels[factor.name]
                raise unknown_name(f"level of {factor.label} that was tried", level, tried)
            return str(name)
        low, high = self.ranges[factor.name]
        if not is_number(level) or not np.isfinite(level):
            raise CallError(f"{factor.label} is a number; {level!r} is none.")
        if not low <= level <= high:
            nearest = low if level < low else high
            raise CallError(
                f"{factor.label} {level_text(factor, float(level))} was never tried: it was "
                f"{level_text(factor, low)} to {level_text(factor, high)}. The nearest that can "
                f"be predicted is {level_text(factor, nearest)}."
            )
        return float(level)

    def _nearest(self, row: pd.DataFrame) -> pd.Series:
        """The recipe that was made nearest to this one, in coded distance."""
        made = next(table for table in self.made if {*row} <= {*table})
        inside = made[self.holds(made)]
        made = inside if len(inside) else made
        gap = self._columns(made[[*row]]) - self._columns(row)
        return made.iloc[int(np.argmin(np.sum(gap**2, axis=1)))]


@dataclass(frozen=True)
class Grid:
    """Candidate recipes.

    Attributes
    ----------
    axes : dict of str to list
        The levels of each factor, in order.
    table : DataFrame
        One candidate a row, in bench units.
    places : ndarray of int, shape (candidates, factors)
        Place of each on the axes.
    inside : ndarray of bool, shape (candidates,)
        Whether it lies within what was made.
    """

    axes: dict[str, list]
    table: pd.DataFrame
    places: np.ndarray
    inside: np.ndarray

    def nearest(self, recipe: Mapping[str, str | float]) -> np.ndarray:
        """Places on the axes that are nearest to a recipe, shape (factors,)."""
        found = []
        for name, axis in self.axes.items():
            level = recipe[name]
            if isinstance(level, str):
                found.append(axis.index(level))
            else:
                found.append(int(np.argmin(np.abs(np.array(axis) - level))))
        return np.array(found)


def space_over(factors: Sequence[Factor], frames: Sequence[Frame]) -> tuple[Space, list[str]]:
    """Collect what was tried; a factor without two levels that all responses share is left out.

    Returns
    -------
    space : Space
    cautions : list of str
    """
    made = tuple(made_of(frame, [factor.name for factor in factors]) for frame in frames)
    kept, cautions = [], []
    ranges: dict[str, tuple[float, float]] = {}
    levels: dict[str, list[str]] = {}
    for factor in factors:
        columns = [table[factor.name] for table in made if factor.name in table]
        if factor.kind == "numeric":
            low = max(float(column.min()) for column in columns)
            high = min(float(column.max()) for column in columns)
            if low < high:
                ranges[factor.name] = low, high
        else:
            shared = set.intersection(*(set(column) for column in columns))
            if len(shared) > 1:
                levels[factor.name] = ordered_levels(factor, sorted(shared))
        if factor.name in ranges or factor.name in levels:
            kept.append(factor)
        else:
            cautions.append(
                f"{factor.label}: the reeds of the different responses share no two levels of it; "
                "not set."
            )
    return Space(tuple(kept), made, ranges, levels), cautions


def make_grid(space: Space, order: Sequence[str]) -> tuple[Grid, tuple[str, ...]]:
    """Lay out the candidates; factors last in `order` stay as usual if they are too many.

    Returns
    -------
    grid : Grid
    fixed : tuple of str
        Factors that were left as usual.
    """
    varied = list(order)
    while _size(space, varied, FEWEST_POINTS) > MOST and len(varied) > 1:
        varied.pop()
    points = MOST_POINTS
    while _size(space, varied, points) > MOST and points > FEWEST_POINTS:
        points -= 1
    axes: dict[str, list] = {}
    for factor in space.factors:
        name = factor.name
        if name not in varied:
            axes[name] = [space.usual[name]]
        elif factor.kind == "numeric":
            axes[name] = even_values(*space.ranges[name], points)
        else:
            axes[name] = space.levels[name]
    table = pd.DataFrame(list(product(*axes.values())), columns=[*axes])
    places = np.array(list(product(*(range(len(axis)) for axis in axes.values()))), dtype=int)
    fixed = tuple(name for name in axes if name not in varied)
    return Grid(axes, table, places, space.holds(table)), fixed


def _size(space: Space, names: Sequence[str], points: int) -> int:
    return int(
        np.prod([points if name in space.ranges else len(space.levels[name]) for name in names])
    )


def even_values(low: float, high: float, most: int) -> list[float]:
    """Both ends and the round numbers between, `most` at the most.

    Examples
    --------
    >>> even_values(1.18, 1.4, 7)
    [1.18, 1.2, 1.25, 1.3, 1.35, 1.4]
    """
    power = 10.0 ** np.floor(np.log10((high - low) / most))
    for step in (power * digit for digit in (1, 2, 5, 10, 20)):
        first, last = int(np.floor(low / step)) + 1, int(np.ceil(high / step)) - 1
        if last - first + 3 <= most:
            break
    # Division by the reciprocal of a power of ten gives the number as it is typed.
    inner = [float(f"{place * step:.12g}") for place in range(first, last + 1)]
    return [low, *(v for v in inner if low < v < high), high]


def level_text(factor: Factor, level: object) -> str:
    """Write a level with its unit.

    Examples
    --------
    >>> level_text(Factor("gouge", kind="numeric", unit="mm"), 1.2833), level_text(Factor("a"), "b")
    ('1.28 mm', 'b')
    """
    if factor.kind != "numeric":
        return str(level)
    return f"{number_text(float(str(level)))} {factor.unit}".rstrip()


def made_of(frame: Frame, names: Sequence[str]) -> pd.DataFrame:
    """The recipes of the things used: one row a reed, or a row if no reed is named."""
    present = [name for name in names if name in frame.data]
    data = frame.data
    if "reed_id" in data:
        data = data.drop_duplicates(["reed_id", *present])
    return data[present].reset_index(drop=True)
