"""Surfaces: recipes that show bends and a best place between the levels.

All factors are numbers. Their lowest and highest levels are the limits of the bench: no
recipe goes beyond them, so a design with points outside its corners is drawn in until those
points stand at the limits.
"""

from collections.abc import Sequence
from itertools import product

import numpy as np

from reedlab.errors import CallError, listed
from reedlab.plan.classical.aberration import best_columns, signs
from reedlab.plan.classical.recipes import Recipes, checked, ends, recipe_table, stratum_cautions
from reedlab.schema import Factor

#: Most factors of a central composite design: 64 corners, 16 axial recipes.
MOST_COMPOSITE = 8
#: Resolution that the corners must have, so that interactions of two are told apart.
CORNERS = 5
#: Which factors move together in Box & Behnken (1960), Technometrics 2, 455-475. pydoe lets
#: all pairs move, whatever their number: right for 3 to 5, 60 and 84 recipes instead of 48
#: and 56 for 6 and 7.
TRIPLES = {
    6: ((0, 1, 3), (1, 2, 4), (2, 3, 5), (0, 3, 4), (1, 4, 5), (0, 2, 5)),
    7: ((3, 4, 5), (0, 5, 6), (1, 4, 6), (0, 1, 3), (2, 3, 6), (0, 2, 4), (1, 2, 5)),
}
#: Recipes at the middle of all factors: as published for Box-Behnken designs.
CENTRES = {3: 3, 4: 3, 5: 6, 6: 6, 7: 6}
SHOWS = "every main effect, interaction of two factors and bend can be estimated"


def central_composite(
    factors: Sequence[Factor], *, rotatable: bool = False, centres: int = 4
) -> Recipes:
    """Lay out a central composite design: corners, axial recipes, and the middle.

    Parameters
    ----------
    factors : sequence of Factor
        2 to 8 numbers; their lowest and highest levels are never exceeded.
    rotatable : bool
        False: axial recipes in the faces of the corners' box, three levels a factor. True:
        five levels, the axial recipes at the limits and the corners drawn in, so that the
        precision depends on the distance from the middle only.
    centres : int
        Recipes at the middle of all factors; they show the variation between reeds of
        equal recipe.

    Returns
    -------
    Recipes
        Corners in standard order, then two axial recipes a factor, then the middle.
        `axial_distance` is 1, or the fourth root of the number of corners.

    Raises
    ------
    CallError
        All faults at once, a factor in words among them.

    Notes
    -----
    From five factors on the corners are a fraction of resolution V or more. Levels are
    computed, not rounded: set what the gauge can show, and record what was set.

    References
    ----------
    Box & Wilson (1951), Journal of the Royal Statistical Society B 13, 1-45; Box & Hunter
    (1957), Annals of Mathematical Statistics 28, 195-241 (rotatability).

    Examples
    --------
    >>> two = [Factor("gouge", (1.20, 1.40)), Factor("bevel", (2, 4))]
    >>> design = central_composite(two, rotatable=True, centres=1)
    >>> design.table["bevel"].round(3).tolist()
    [2.293, 2.293, 3.707, 3.707, 3.0, 3.0, 2.0, 4.0, 3.0]
    """
    factors = checked(factors, _centre_faults(centres), numeric=True)
    count = len(factors)
    if not 2 <= count <= MOST_COMPOSITE:
        raise CallError(
            f"A central composite design is for 2 to {MOST_COMPOSITE} factors, not {count}"
            + (": find the few that matter first, by a screening." if count > 2 else ".")
        )
    corners = _corners(count)
    distance = len(corners) ** 0.25 if rotatable else 1.0
    axial = np.vstack([sign * row for row in np.eye(count) for sign in (-1, 1)])
    coded = np.vstack([corners / distance, axial, np.zeros((centres, count))])
    return _surface(
        factors,
        coded,
        f"{SHOWS} ({len(corners)} corners, {2 * count} axial recipes, {centres} at the middle)",
        distance,
    )


def box_behnken(factors: Sequence[Factor], *, centres: int | None = None) -> Recipes:
    """Lay out a Box-Behnken design: three levels, and never all factors at a limit at once.

    Parameters
    ----------
    factors : sequence of Factor
        3 to 7 numbers; the lowest level, the highest and their middle are used.
    centres : int, optional
        Recipes at the middle of all factors; as published if left out (3 for three and
        four factors, else 6).

    Returns
    -------
    Recipes
        12, 24, 40, 48 or 56 recipes, then those at the middle.

    Raises
    ------
    CallError
        All faults at once, a factor in words among them.

    References
    ----------
    Box & Behnken (1960), Technometrics 2, 455-475.

    Examples
    --------
    >>> three = [Factor(name, (0, 10)) for name in ("gouge", "bevel", "tip")]
    >>> len(box_behnken(three).table)
    15
    """
    factors = checked(factors, [] if centres is None else _centre_faults(centres), numeric=True)
    count = len(factors)
    if count not in CENTRES:
        raise CallError(
            f"A Box-Behnken design is for {min(CENTRES)} to {max(CENTRES)} factors, not {count}: "
            "use central_composite."
        )
    middle = centres or CENTRES[count]
    coded = np.vstack([_edges(count), np.zeros((middle, count))])
    moving = 3 if count in TRIPLES else 2
    return _surface(
        factors,
        coded,
        f"{SHOWS}, and no recipe has more than {moving} factors at a limit ({middle} at the "
        "middle)",
        None,
    )


def _centre_faults(centres: int) -> list[str]:
    if isinstance(centres, int) and not isinstance(centres, bool) and centres >= 1:
        return []
    return [f"centres is {centres!r}; at least 1 recipe must stand at the middle."]


def _corners(count: int) -> np.ndarray:
    """The smallest fraction of resolution V, or all corners. pydoe has all corners only."""
    size = next(
        size
        for size in range(2, count + 1)
        if count < 2**size and best_columns(count, size)[1] >= CORNERS
    )
    return signs(best_columns(count, size)[0], size)


def _edges(count: int) -> np.ndarray:
    from pydoe import bbdesign

    if count not in TRIPLES:
        return bbdesign(count, center=0)
    rows = []
    for triple in TRIPLES[count]:
        for corner in product((-1.0, 1.0), repeat=len(triple)):
            row = np.zeros(count)
            row[list(triple)] = corner[::-1]
            rows.append(row)
    return np.array(rows)


def _surface(
    factors: Sequence[Factor], coded: np.ndarray, shows: str, distance: float | None
) -> Recipes:
    table, _ = recipe_table(factors, coded)
    return Recipes(
        question=f"How does a response bend over {listed(f.label for f in factors)}?",
        table=table,
        cautions=(*_middle_cautions(factors), *stratum_cautions(factors)),
        factors=tuple(factors),
        shows=shows,
        axial_distance=distance,
    )


def _middle_cautions(factors: Sequence[Factor]) -> tuple[str, ...]:
    """Say where a middle level that was named is not the middle that is used."""
    cautions = []
    for factor in factors:
        low, high = ends(factor)
        middle = float(f"{(low + high) / 2:.10g}")
        between = [level for level in factor.levels if level not in (low, high)]
        if between and between != [middle]:
            cautions.append(
                f"{factor.label}: the ends {low} and {high} and their middle {middle:g} are used; "
                f"{listed(between)} is not."
            )
    return tuple(cautions)
