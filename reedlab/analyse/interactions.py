"""Interactions that a maker asks for: does the effect of one factor depend on another?

Written ``"shape:gouge_centre_mm"``. Both factors are coded around their mean over the rows
(a number in its steps, two levels as 0 and 1), so that the product's effect is by how much
a step of the one changes the effect of a step of the other, and the factors' own effects
stay those at the middle of the other. The product is examined like any numeric factor.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from reedlab.analyse.effects import step_of
from reedlab.analyse.frame import Frame, gather, level_name, ordered_levels
from reedlab.errors import CallError
from reedlab.schema import STRATA, Factor
from reedlab.study import Study

#: Between the names of an interaction's factors.
MARK = ":"


def gather_asked(study: Study, response: str, asked: Sequence[str] | None) -> Frame:
    """Join response and factors as :func:`gather` does, and the interactions asked for.

    Parameters
    ----------
    study : Study
    response : str
    asked : sequence of str, optional
        Factors, and interactions of two of them, which bring their factors along.

    Raises
    ------
    CallError
        For an interaction that is no pair, or of a session's factor.
    """
    if asked is None or isinstance(asked, str):
        return gather(study, response, asked)
    known = {factor.name for factor in study.settings.factors}
    pairs = [name for name in dict.fromkeys(asked) if MARK in name and name not in known]
    mains = [part for name in asked for part in (_pair(name) if name in pairs else [name])]
    frame = gather(study, response, [*dict.fromkeys(mains)])
    for name in pairs:
        frame = _crossed(frame, name)
    return frame


def product(
    frame: Frame, factor: Factor, levels: pd.DataFrame | Mapping[str, pd.Series]
) -> np.ndarray:
    """Column of an interaction for rows with these levels of its factors, shape (n,)."""
    by_name = {f.name: f for f in frame.factors}
    codes = [_code(frame, by_name[name], levels[name]) for name in parts_of(factor.name, by_name)]
    return codes[0] * codes[1]


def parts_of(name: str, known: Mapping[str, object]) -> tuple[str, ...]:
    """The factors of an interaction; the one factor of a name without any."""
    parts = tuple(name.split(MARK))
    return parts if len(parts) == 2 and set(parts) <= set(known) else (name,)


def told(table: pd.DataFrame) -> pd.DataFrame:
    """Write the contrast of an interaction as those of its factors."""
    rows = table.drop_duplicates("term")
    first = dict(zip(rows["term"], rows["contrast"], strict=True))
    contrasts = []
    for term, contrast in zip(table["term"], table["contrast"], strict=True):
        parts = parts_of(term, first)
        contrasts.append(
            contrast if len(parts) == 1 else " × ".join(f"({first[part]})" for part in parts)
        )
    return table.assign(contrast=contrasts)


def _pair(name: str) -> list[str]:
    parts = [part.strip() for part in name.split(MARK)]
    if len(parts) != 2 or parts[0] == parts[1] or not all(parts):
        raise CallError(f"'{name}' is no interaction of two factors; write it like shape:gouge.")
    return parts


def _crossed(frame: Frame, name: str) -> Frame:
    """Add an interaction to a frame as a numeric factor, or say why it cannot be examined."""
    by_name = {factor.name: factor for factor in frame.factors}
    parts = _pair(name)
    lacking = [part for part in parts if part not in by_name]
    if lacking:
        why = f"{name}: {lacking[0]} is not examined, so what depends on it is not either."
        return replace(frame, cautions=(*frame.cautions, why))
    pair = [by_name[part] for part in parts]
    label = " × ".join(factor.label for factor in pair)
    for factor in pair:
        if factor.stratum == "session":
            raise CallError(f"{label}: interactions with a session's factor are not examined.")
        if factor.kind != "numeric" and frame.data[factor.name].nunique() > 2:
            raise CallError(
                f"{label}: {factor.label} has {frame.data[factor.name].nunique()} levels; an "
                "interaction is told for numbers and for two levels."
            )
    stratum = max((factor.stratum for factor in pair), key=STRATA.index)
    crossed = Factor(MARK.join(parts), (), stratum, "", label, "numeric", 1.0)
    both = replace(frame, factors=(*frame.factors, crossed))
    column = product(both, crossed, frame.data)
    if not np.ptp(column):
        why = f"{label}: the factors never vary apart, so nothing tells it; not examined."
        return replace(frame, cautions=(*frame.cautions, why))
    return replace(both, data=frame.data.assign(**{crossed.name: column}))


def _code(frame: Frame, factor: Factor, values: pd.Series) -> np.ndarray:
    """Steps of a number, or 0 and 1, around their mean over the frame's rows."""
    recorded = frame.data[factor.name]
    if factor.kind == "numeric":
        step = step_of(factor, recorded)
        return (values.to_numpy(dtype=float) - float(recorded.mean())) / step
    second = ordered_levels(factor, sorted(recorded.unique()))[1]
    named = values.map(level_name, na_action="ignore")
    return (named == second).to_numpy(dtype=float) - float((recorded == second).mean())
