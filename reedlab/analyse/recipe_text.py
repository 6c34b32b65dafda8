"""The sentence and the cautions of a recipe."""

from collections.abc import Mapping, Sequence

import pandas as pd

from reedlab.analyse.recipe_space import Space, level_text
from reedlab.analyse.recipe_surface import Surface
from reedlab.answer import counted, number_text
from reedlab.schema import Factor


def recipe_sentence(
    table: pd.DataFrame, factors: Sequence[Factor], surfaces: Sequence[Surface]
) -> str:
    """Say what to set, how sure that is, what is open, and what is expected."""
    known = {factor.name: factor for factor in factors}
    rows = table[table["part"] == "set"].to_dict("records")
    labels = {surface.response.name: response_label(surface) for surface in surfaces}
    goal = joined([*labels.values()])
    told = [row for row in rows if not row["open"]]
    untold = joined([known[row["term"]].label for row in rows if row["open"]])
    changed = [row for row in rows if row["open"] and not row["usual"]]
    if told:
        said = [f"For {goal}: {'; '.join(_told(row, known[row['term']]) for row in told)}."]
        if untold:
            said.append(f"Not known to matter: {untold}.")
    else:
        said = [f"No setting of {untold} is known to matter for {goal}."]
    if changed:
        moved = joined([_set(row, known[row["term"]]) for row in changed])
        said.append(f"The usual levels were never made together; the nearest were: {moved}.")
    elif untold:
        said.append("With these go on as usual." if told else "Go on as usual.")
    if not told:
        said.append("To find out, make the next batch (next_batch).")
    expected = table[table["part"] == "expected"].to_dict("records")
    listed = "; ".join(f"{labels[row['term']]} {_interval(row)}" for row in expected)
    counts = counted(table["n_reeds"].max(), "reed")
    return " ".join([*said, f"Expected then: {listed} ({expected[0]['evidence']}, {counts})."])


def response_label(surface: Surface) -> str:
    """Words for a response; a yes or no is the share of reeds."""
    label = surface.response.label
    return f"the share of reeds {label}" if surface.response.kind == "binary" else label


def joined(words: Sequence[str]) -> str:
    """Write words one after the other, "and" before the last.

    Examples
    --------
    >>> joined(["gouge"]), joined(["gouge", "shape", "wires"])
    ('gouge', 'gouge, shape and wires')
    """
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def recipe_cautions(
    space: Space, surfaces: Sequence[Surface], fixed: Sequence[str]
) -> tuple[str, ...]:
    """What to know of how the responses were weighed and of what was assumed."""
    cautions = [_limits_text(surface) for surface in surfaces]
    held = {
        factor.label
        for surface in surfaces
        for factor in surface.frame.factors
        if factor.name in surface.fit.fixed.terms and factor.name not in surface.names
    }
    if held:
        cautions.append(f"Held at their average, not set: {', '.join(sorted(held))}.")
    for factor in space.factors:
        if factor.kind == "numeric" and _straight(factor, surfaces):
            low, high = space.ranges[factor.name]
            cautions.append(
                f"{factor.label}: two levels were tried ({level_text(factor, low)} and "
                f"{level_text(factor, high)}); between them a straight line is assumed."
            )
    if fixed:
        labels = joined([f.label for f in space.factors if f.name in fixed])
        cautions.append(f"Too many factors to try all together; left as usual: {labels}.")
    return tuple(cautions)


def _straight(factor: Factor, surfaces: Sequence[Surface]) -> bool:
    of = [surface.frame.data[factor.name] for surface in surfaces if factor.name in surface.names]
    return all(values.nunique() == 2 for values in of)


def _limits_text(surface: Surface) -> str:
    low, high = (number_text(v) for v in (surface.low, surface.high))
    unit = f" {surface.response.unit}" if surface.response.unit else ""
    label, direction = surface.response.label, surface.response.direction
    if surface.response.kind == "binary":
        return f"Desirability of {response_label(surface)}: its chance itself."
    if direction == "target":
        goal = number_text(surface.response.target or 0.0)
        return (
            f"Desirability of {label}: 1 at {goal}{unit}, 0 from {low} or {high}{unit} on, as far "
            "off as the farthest reed."
        )
    best, worst = (high, low) if direction == "higher" else (low, high)
    return f"Desirability of {label}: 0 at {worst}{unit}, 1 at {best}{unit}, the range of reeds."


def _told(row: dict, factor: Factor) -> str:
    if row["settled"] and factor.kind != "numeric":
        return f"{_set(row, factor)} (settled; {row['evidence']})"
    if _all_may_be_best(row):
        return f"{_set(row, factor)} (all that was tried may be best; {row['evidence']})"
    if factor.kind != "numeric":
        return f"{_set(row, factor)} ({row['may_be_best']} may be best; {row['evidence']})"
    best = f"{number_text(row['conf_low'])} to {level_text(factor, row['conf_high'])} may be best"
    tried = f"of {number_text(row['tried_low'])} to {number_text(row['tried_high'])} tried"
    return f"{_set(row, factor)} ({best}, {tried}; {row['evidence']})"


def _all_may_be_best(row: Mapping) -> bool:
    """Say whether nothing of what was tried of a factor is excluded, by its row of the table."""
    if pd.isna(row["estimate"]):
        return bool(row["may_be_best"] == row["tried"])
    return bool((row["conf_low"], row["conf_high"]) == (row["tried_low"], row["tried_high"]))


def _set(row: dict, factor: Factor) -> str:
    return f"{factor.label} {level_text(factor, _level(row))}"


def _level(row: dict) -> object:
    return row["estimate"] if pd.isna(row["level"]) else row["level"]


def _interval(row: dict) -> str:
    unit = f" {row['unit']}" if row["unit"] else ""
    low, high = number_text(row["conf_low"]), number_text(row["conf_high"])
    return f"{number_text(row['estimate'])}{unit} (95 % {low} to {high})"
