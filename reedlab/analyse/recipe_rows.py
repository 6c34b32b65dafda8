"""The table of a recipe: what to set, and what is expected of it.

A factor is open while nothing says beyond chance that it matters; such a one is left as
usual, for a recipe must not chase noise. It is narrowed if part of what was tried is
excluded from the best, and settled if it matters and one level is left, or a stretch no
wider than one step of it.
"""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from reedlab.analyse.evidence import LEVEL, grade
from reedlab.analyse.recipe_search import Search
from reedlab.analyse.recipe_space import Space
from reedlab.analyse.recipe_surface import Surface
from reedlab.schema import Factor
from reedlab.study import Study

#: From the weakest grade to the strongest.
GRADES = ("exploratory", "observed", "randomised")
#: A number is narrowed if at least this share of the range tried is excluded; less is not told.
TOLD_SHARE = 0.1
#: Without a step of its own, a number is settled within this share of the range tried.
SETTLED_SHARE = 0.25
COLUMNS = (
    *("part", "term", "level", "may_be_best", "estimate", "conf_low", "conf_high", "unit"),
    *("tried_low", "tried_high", "tried", "p_value", "p_adjusted", "open", "settled", "usual"),
    *("evidence", "n_tubes", "n_reeds"),
)


def best_ranges(space: Space, found: Search) -> dict[str, tuple[float, float] | list[str]]:
    """What of each factor may be best: (low, high) of a number, the levels of a category.

    The ends of a number lie half way to the next candidate that is excluded.
    """
    ranges: dict[str, tuple[float, float] | list[str]] = {}
    for place, factor in enumerate(space.factors):
        values = found.grid.axes[factor.name]
        left = np.unique(found.grid.places[found.may_be_best, place])
        if factor.name in found.fixed:
            ranges[factor.name] = space.ranges.get(factor.name) or space.levels[factor.name]
        elif factor.kind == "numeric":
            below, above = max(left[0] - 1, 0), min(left[-1] + 1, len(values) - 1)
            ends = values[below] + values[left[0]], values[left[-1]] + values[above]
            ranges[factor.name] = ends[0] / 2, ends[1] / 2
        else:
            ranges[factor.name] = [str(values[i]) for i in left]
    return ranges


def is_narrowed(space: Space, factor: Factor, best: tuple[float, float] | list[str]) -> bool:
    """Say whether part of what was tried of a factor is excluded."""
    if isinstance(best, list):
        return len(best) < len(space.levels[factor.name])
    low, high = space.ranges[factor.name]
    return (high - low) - (best[1] - best[0]) >= TOLD_SHARE * (high - low)


def is_settled(space: Space, factor: Factor, best: tuple[float, float] | list[str]) -> bool:
    """Say whether what may be best of a factor is one level, or no wider than a step."""
    if isinstance(best, list):
        return len(best) == 1
    low, high = space.ranges[factor.name]
    step = factor.step or SETTLED_SHARE * (high - low)
    return is_narrowed(space, factor, best) and best[1] - best[0] <= step


def recipe_table(
    study: Study,
    space: Space,
    surfaces: Sequence[Surface],
    ranges: Mapping[str, tuple[float, float] | list[str]],
    tests: pd.DataFrame,
    recipe: pd.Series,
) -> pd.DataFrame:
    """One row a factor that is set, then one a response expected of the recipe."""
    rows = set_rows(study, space, surfaces, ranges, tests, recipe)
    expected = expected_rows(surfaces, pd.DataFrame([recipe]))
    told = [row["evidence"] for row in rows if not row["open"]]
    weakest = min(told or [row["evidence"] for row in rows], key=GRADES.index)
    table = pd.concat([pd.DataFrame(rows), expected.assign(evidence=weakest)], ignore_index=True)
    return table.reindex(columns=[*COLUMNS])


def set_rows(
    study: Study,
    space: Space,
    surfaces: Sequence[Surface],
    ranges: Mapping[str, tuple[float, float] | list[str]],
    tests: pd.DataFrame,
    recipe: pd.Series,
) -> list[dict]:
    """One row a factor, as plain values."""
    rows = []
    for factor in space.factors:
        best, test = ranges[factor.name], tests.loc[factor.name]
        unsure = bool(test["p_adjusted"] >= LEVEL)
        of = [surface.frame for surface in surfaces if factor.name in surface.names]
        grades = [grade(study, frame, factor) for frame in of]
        row = {
            "part": "set",
            "term": factor.name,
            "unit": factor.unit,
            **test,
            "open": unsure,
            "usual": recipe[factor.name] == space.usual[factor.name],
            "settled": not unsure and is_settled(space, factor, best),
            "evidence": min(grades, key=GRADES.index),
            "n_tubes": max(frame.units("tube") for frame in of),
            "n_reeds": max(frame.units("reed") for frame in of),
        }
        if isinstance(best, list):
            tried = ", ".join(space.levels[factor.name])
            row |= {"level": str(recipe[factor.name]), "tried": tried}
            row |= {"may_be_best": ", ".join(best)}
        else:
            low, high = space.ranges[factor.name]
            row |= {"estimate": float(recipe[factor.name]), "tried_low": low, "tried_high": high}
            row |= {"conf_low": best[0], "conf_high": best[1]}
        rows.append(row)
    return rows


def expected_rows(surfaces: Sequence[Surface], recipe: pd.DataFrame) -> pd.DataFrame:
    """One row a response: the mean of reeds of a recipe with its 95 % interval."""
    return pd.concat(
        [
            surface.expected(recipe).assign(
                part="expected",
                unit=surface.unit,
                n_tubes=surface.frame.units("tube"),
                n_reeds=surface.frame.units("reed"),
            )
            for surface in surfaces
        ],
        ignore_index=True,
    )[["part", "term", "estimate", "conf_low", "conf_high", "unit", "n_tubes", "n_reeds"]]
