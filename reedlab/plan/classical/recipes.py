"""Classical recipes: the table that every design of the catalogue returns, and its words.

A recipe is one combination of levels; which reed of which tube gets it, and in what
order, is not decided here. Numbers run from -1 at the lowest level to +1 at the highest;
a category of two levels from the first named to the second. What is mixed up with what
is always read from the finished table, never from the way in which it was made.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reedlab.answer import Answer, counted
from reedlab.errors import CallError
from reedlab.plan.aliases import MOST_NAMED, Aliases, aliases
from reedlab.plan.request import level_faults
from reedlab.schema import Factor

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Most recipes of one design: more than any maker will cut.
MOST_RECIPES = 4096
#: Significant digits of a computed level, so that halves of sums read as they should.
DIGITS = 10


@dataclass(frozen=True)
class Recipes(Answer):
    """A classical design in standard order; made by the functions of this catalogue.

    Attributes
    ----------
    table : DataFrame
        ``recipe`` (1 to n, in standard order), ``block`` if the design is in blocks, and
        a column for each factor with its levels. A factor that is itself called `recipe`
        or `block` keeps its name; the column of the design is then ``plan_recipe`` or
        ``plan_block``.
    factors : tuple of Factor
    resolution : str or None
        Roman number of a fraction's resolution; None if all combinations are there, or if
        the design has more than two levels.
    generators : tuple of str
        How the last factors of a fraction follow from the first, in words.
    block_column : str or None
        The column of the blocks.
    mixed_with_blocks : tuple of str
        Terms that cannot be told from the blocks, in words.
    axial_distance : float or None
        Central composite designs: how far the axial recipes lie from the centre, in units
        of the corners' distance along one factor.
    """

    factors: tuple[Factor, ...] = ()
    shows: str = ""
    resolution: str | None = None
    generators: tuple[str, ...] = ()
    block_column: str | None = None
    mixed_with_blocks: tuple[str, ...] = ()
    axial_distance: float | None = None

    @cached_property
    def aliases(self) -> Aliases:
        """What is mixed up with what, up to interactions of two factors."""
        return aliases(self.table, self.factors)

    def _say(self) -> str:
        parts = [f"{len(self.table)} recipes for {counted(len(self.factors), 'factor')}"]
        if self.resolution:
            parts.append(f"resolution {self.resolution}")
        if self.block_column:
            blocks = self.table[self.block_column].nunique()
            parts.append(f"in {blocks} blocks of {len(self.table) // blocks}")
        said = f"{', '.join(parts)}: {self.shows}."
        lost = self.mixed_with_blocks
        if lost:
            rest = f" and {len(lost) - MOST_NAMED} others" if len(lost) > MOST_NAMED else ""
            said += f" Mixed up with the blocks: {', '.join(lost[:MOST_NAMED])}{rest}."
        return said

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """Draw the recipes: a row for each, a column for each factor, a mark for its level."""
        from reedlab.plan.pictures import draw_recipes

        return draw_recipes(self.table, self.factors, self.block_column, ax)


def checked(
    factors: Sequence[Factor], faults: Sequence[str] = (), *, numeric: bool = False, two: str = ""
) -> tuple[Factor, ...]:
    """Look at the factors of a design; raise all faults at once.

    Parameters
    ----------
    factors : sequence of Factor
    faults : sequence of str
        What the caller has found already.
    numeric : bool
        Whether every factor must be a number.
    two : str
        What the design is called, if every factor must have just two levels.

    Raises
    ------
    CallError
    """
    factors = tuple(factors)
    found = [*faults, *level_faults(factors, cane=False)]
    for factor in factors:
        levels = ", ".join(map(str, factor.levels))
        if numeric and factor.kind != "numeric" and factor.levels:
            found.append(
                f"{factor.label} has levels in words ({levels}), and a middle level is needed: "
                "use full_factorial, or make the design once for each of its levels."
            )
        if two and len(factor.levels) > 2:
            found.append(
                f"{factor.label} has {len(factor.levels)} levels ({levels}), and {two} takes two: "
                "name its two ends, or use full_factorial."
            )
    if found:
        raise CallError(" ".join(found))
    return factors


def recipe_table(
    factors: Sequence[Factor], coded: np.ndarray, block: np.ndarray | None = None
) -> tuple[pd.DataFrame, str | None]:
    """Write coded recipes with the levels of the maker.

    Parameters
    ----------
    factors : sequence of Factor
    coded : ndarray, shape (n, factors)
        -1 to +1.
    block : ndarray of int, shape (n,), optional

    Returns
    -------
    DataFrame, and the name of the block column
    """
    columns = [factor_levels(f, coded[:, place]) for place, f in enumerate(factors)]
    return levels_table(factors, columns, block)


def levels_table(
    factors: Sequence[Factor], columns: Sequence[Sequence[Any]], block: np.ndarray | None = None
) -> tuple[pd.DataFrame, str | None]:
    """Put columns of levels beside the number of the recipe, with no two alike in name."""
    names = [factor.name for factor in factors]
    recipe, where = (f"plan_{name}" if name in names else name for name in ("recipe", "block"))
    table: dict[str, Sequence[Any] | np.ndarray] = {recipe: range(1, len(columns[0]) + 1)}
    if block is not None:
        table[where] = block
    table |= dict(zip(names, columns, strict=True))
    return pd.DataFrame(table), where if block is not None else None


def factor_levels(factor: Factor, coded: np.ndarray) -> list[Any]:
    """Turn -1 to +1 into the levels of one factor; the ends stay as they were typed."""
    low, high = ends(factor)
    if factor.kind != "numeric":
        return [high if code > 0 else low for code in coded]
    middle, half = (low + high) / 2, (high - low) / 2
    between = [float(f"{middle + half * code:.{DIGITS}g}") for code in coded]
    at = {-1.0: low, 1.0: high}
    return [at.get(float(code), value) for code, value in zip(coded, between, strict=True)]


def ends(factor: Factor) -> tuple[Any, Any]:
    """The two ends of a factor: lowest and highest number, or first and last word."""
    if factor.kind == "numeric":
        return min(factor.levels), max(factor.levels)
    return factor.levels[0], factor.levels[-1]


def stratum_cautions(factors: Sequence[Factor], *, blocked: bool = False) -> tuple[str, ...]:
    """Say which factors cannot be dealt out reed by reed."""
    cautions = []
    for factor in factors:
        if factor.stratum == "reed":
            continue
        text = (
            f"The level of {factor.label} is given to a whole {factor.stratum}: recipes that "
            f"differ in it need different {factor.stratum}s, and it is judged by "
            f"{factor.stratum}s, not by reeds; design_batch deals it out so."
        )
        if blocked and factor.stratum == "tube":
            text += " It changes within blocks, so a block cannot be one tube."
        cautions.append(text)
    return tuple(cautions)
