"""Screening: many factors in few recipes, to find the few that matter.

Plackett-Burman designs take two levels and mix every main effect up in part with many
interactions. Definitive screening takes three levels of numbers, keeps main effects clear
of all interactions of two and of all bends, and needs about twice as many recipes.
"""

from collections.abc import Sequence

import numpy as np

from reedlab.errors import CallError, listed
from reedlab.plan.classical.defining import resolution_of
from reedlab.plan.classical.recipes import Recipes, checked, recipe_table, stratum_cautions
from reedlab.schema import Factor

#: First recipes of Plackett & Burman (1946), Biometrika 33, 305-325; the others follow by
#: shifting, and the last has all factors low. pydoe's 24 recipes are its 12 doubled, in
#: which some main effects are wholly mixed up with an interaction of two; these are not.
FIRST_RECIPE = {
    8: "+++-+--",
    12: "++-+++---+-",
    16: "++++-+-++--+---",
    20: "++--++++-+-+----++-",
    24: "+++++-+-++--++--+-+----",
}
#: Definitive screening: factors of the catalogue.
FEWEST, MOST = 3, 12


def plackett_burman(factors: Sequence[Factor], runs: int | None = None) -> Recipes:
    """Lay out a Plackett-Burman design: main effects of up to 23 two-level factors.

    Parameters
    ----------
    factors : sequence of Factor
        Two levels each.
    runs : int, optional
        8, 12, 16, 20 or 24 recipes, more than there are factors; the fewest if left out.

    Returns
    -------
    Recipes

    Raises
    ------
    CallError
        All faults at once.

    Notes
    -----
    Main effects are clear of each other. With 12, 20 and 24 recipes each is mixed up in
    part with the interactions of all pairs of other factors (correlation 1/3 in 12), and
    any two factors, in 12 recipes, have all four combinations three times. Those of 8 and
    16 are regular fractions.

    References
    ----------
    Plackett & Burman (1946), Biometrika 33, 305-325.

    Examples
    --------
    >>> seven = [Factor(f"step {i}", (-1, 1)) for i in range(1, 8)]
    >>> plackett_burman(seven, runs=12).resolution
    'III'
    """
    factors = checked(factors, two="a Plackett-Burman design")
    count = len(factors)
    fitting = [size for size in FIRST_RECIPE if size > count]
    if not fitting:
        raise CallError(
            f"{count} factors are more than 24 recipes hold (23): use fractional_factorial, which "
            "takes 31 in 32."
        )
    if runs is not None and runs not in fitting:
        raise CallError(
            f"A Plackett-Burman design for {count} factors has {listed(fitting)} recipes, not "
            f"{runs!r}."
        )
    first = [1.0 if sign == "+" else -1.0 for sign in FIRST_RECIPE[runs or fitting[0]]]
    shifted = np.array([np.roll(first, shift) for shift in range(len(first))])
    coded = np.vstack([shifted, -np.ones(len(first))])[:, :count]
    table, _ = recipe_table(factors, coded)
    reached = resolution_of(table, factors)
    mixed = "wholly or not at all" if len(table) in (8, 16) else "in part"
    return Recipes(
        question=f"Which of {listed(f.label for f in factors)} matter?",
        table=table,
        cautions=(
            "A main effect seen here may be interactions of others in disguise: take it for a "
            "lead, and settle it in a further batch.",
            *stratum_cautions(factors),
        ),
        factors=factors,
        shows="no main effect is mixed up with another"
        if reached is None or reached != "III"
        else "no main effect is mixed up with another, but they are mixed up with interactions of "
        f"two factors, {mixed}",
        resolution=reached,
    )


def definitive_screening(factors: Sequence[Factor]) -> Recipes:
    """Lay out a definitive screening design: main effects clear of interactions and bends.

    Parameters
    ----------
    factors : sequence of Factor
        3 to 12 numbers; the lowest level, the highest and their middle are used.

    Returns
    -------
    Recipes
        2 m + 1 recipes for an even number m of factors, 2 m + 3 for an odd one: pairs
        that mirror each other, and the middle of all last.

    Raises
    ------
    CallError
        All faults at once, a factor in words among them.

    Notes
    -----
    A conference matrix C (zero diagonal, C'C = (m - 1) I) above -C and a row of zeros; for
    odd m a column of the next even design is left out. Because every recipe has its
    mirror, main effects are orthogonal to all terms of second order. Interactions and bends
    are mixed up with each other in part, and there are too few recipes for all of them: it
    finds the few that matter if they are few. Each factor is at its middle three times
    only, so a bend is seen less sharply than a main effect.

    References
    ----------
    Jones & Nachtsheim (2011), Journal of Quality Technology 43, 1-15; Xiao, Lin & Bai
    (2012), Journal of Quality Technology 44, 2-8.

    Examples
    --------
    >>> six = [Factor(name, (0, 10)) for name in "abcdef"]
    >>> len(definitive_screening(six).table)
    13
    """
    from pydoe import definitive_screening_design

    factors = checked(factors, numeric=True)
    count = len(factors)
    if not FEWEST <= count <= MOST:
        way = "use central_composite" if count < FEWEST else "leave the least likely out"
        raise CallError(
            f"Definitive screening is for {FEWEST} to {MOST} factors, not {count}: {way}."
        )
    # pydoe puts the middle first; all its sizes used here pass the tests of this file.
    coded = np.roll(definitive_screening_design(count), -1, axis=0)
    half = len(coded) // 2
    mirrored = np.vstack([coded[:-1].reshape(2, half, count).swapaxes(0, 1).reshape(-1, count)])
    table, _ = recipe_table(factors, np.vstack([mirrored, coded[-1:]]))
    return Recipes(
        question=f"Which of {listed(f.label for f in factors)} matter, and which bend?",
        table=table,
        cautions=(
            "Interactions and bends are mixed up with each other in part, and there are fewer "
            "recipes than such terms: what they say holds if few of them matter.",
            *stratum_cautions(factors),
        ),
        factors=factors,
        shows="no main effect is mixed up with another, with an interaction of two factors or "
        "with a bend; interactions and bends are mixed up with each other in part",
    )
