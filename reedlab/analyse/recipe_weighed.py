"""Which responses a recipe weighs, which factors it sets, and the surfaces of them.

What is set: factors of reeds, and those of tubes and lots that have levels to set or
were assigned by a plan. The cane's own properties and the day are held, not set, unless
asked for by name.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from reedlab.analyse.asked import telling
from reedlab.analyse.frame import Frame, gather
from reedlab.analyse.recipe_fit import fit_surface
from reedlab.analyse.recipe_space import Space, made_of, space_over
from reedlab.analyse.recipe_surface import Surface
from reedlab.analyse.stopping_stages import stage_order
from reedlab.errors import CallError, ModelError, unknown_name
from reedlab.schema import Factor, Response
from reedlab.schema.factors import is_number
from reedlab.study import BatchRecord, Study


def weighed(
    study: Study,
    responses: Sequence[str] | None,
    weights: Mapping[str, float] | str | None,
) -> dict[str, float]:
    """The responses asked about and the weight of each; 1 where a judge is to tell it.

    Raises
    ------
    CallError
        For a response without a direction or not recorded, and for weights that are none.
    """
    if isinstance(responses, str):
        raise CallError(f'responses is a list of names: write ["{responses}"].')
    names = _with_direction(study) if responses is None else list(dict.fromkeys(responses))
    for name in names:
        response = study.response(name)
        if not response.direction:
            raise CallError(
                f"{response.label} has no direction: the study must say whether higher, lower or "
                f"near a target is better (responses, '{name}'), or leave it out of the recipe."
            )
    if isinstance(weights, str):
        names = _judged_by(study, weights, names, named=responses is not None)
    if not names:
        raise CallError("No response with a direction is recorded yet: there is nothing to weigh.")
    given = {} if isinstance(weights, str) else dict(weights or {})
    for name, weight in given.items():
        if name not in names:
            raise unknown_name("response in this recipe", name, names)
        if not is_number(weight) or not np.isfinite(weight) or weight < 0:
            raise CallError(f"The weight of '{name}' is {weight!r}; a weight is 0 or more.")
    asked = {name: float(given.get(name, 1.0)) for name in names}
    if not any(asked.values()):
        raise CallError("Every weight is 0: give one response a weight above 0.")
    return {name: weight for name, weight in asked.items() if weight > 0}


def _judged_by(study: Study, by: str, names: Sequence[str], *, named: bool) -> list[str]:
    """What a rating or fate judges: all that is named; else what is measured."""
    judge = study.response(by)
    if judge.direction not in ("higher", "lower"):
        raise CallError(
            f"{judge.label} cannot say how much the responses count: it must have a direction, "
            "higher or lower."
        )
    if not named:
        return [n for n in names if n != by and study.response(n).kind == "continuous"]
    if by in names:
        raise CallError(f"{judge.label} cannot be judged by itself: leave it out of the responses.")
    return list(names)


def _with_direction(study: Study) -> list[str]:
    suited = [r for r in study.responses if r.kind != "time" and r.direction]
    return [response.name for response in telling(study, suited)]


def fitted(
    study: Study,
    names: Sequence[str],
    factors: Sequence[str] | None,
    usual: Mapping[str, str | float],
    *,
    named: bool,
) -> tuple[Space, tuple[Surface, ...], tuple[str, ...]]:
    """Gather every response and fit its surface; a response that cannot be is left out.

    Returns
    -------
    space, surfaces, cautions

    Raises
    ------
    ModelError
        If nothing can be set, or a response that was named cannot be modelled.
    CallError
        For a usual level of a factor that is not recorded, or one that was never tried.
    """
    settable = settable_factors(study, factors)
    frames, cautions = _frames(study, names, settable, named=named, all_of=factors is None)
    space, unshared = space_over(_differing(frames, settable), frames)
    if not space.factors:
        raise ModelError("\n".join(["No factor that can be set differs.", *unshared]))
    told, unused = _as_told(study, space, usual)
    space, stages, batches = replace(space, told=told), _stages(study), study.settings.batches
    planned, first = _planned(batches), _planned(batches[:1])
    surfaces = []
    for frame in frames:
        try:
            surfaces.append(fit_surface(frame, space, planned, first, stages))
        except ModelError as error:
            cautions.append(_left_out(frame.response, error, named=named))
    if not surfaces:
        raise ModelError("\n".join(["No response can be modelled.", *cautions]))
    examined = {name for surface in surfaces for name in surface.names}
    kept = tuple(factor for factor in space.factors if factor.name in examined)
    made = tuple(made_of(surface.frame, surface.names) for surface in surfaces)
    space = replace(space, factors=kept, made=made)
    surfaces = [replace(surface, space=space) for surface in surfaces]
    said = [caution for surface in surfaces for caution in surface.frame.cautions]
    return space, tuple(surfaces), tuple(dict.fromkeys([*unshared, *unused, *cautions, *said]))


def _as_told(
    study: Study, space: Space, usual: Mapping[str, str | float]
) -> tuple[dict[str, str | float], list[str]]:
    """The usual levels of what is set; cautions for those of other factors."""
    known, told, unused = {factor.name: factor for factor in space.factors}, {}, []
    for name, level in usual.items():
        factor = study.factor(name)
        if name in known:
            told[name] = space.level(factor, level)
        else:
            unused.append(f"{factor.label} is not set here; its usual level is not looked at.")
    return told, unused


def _stages(study: Study) -> list[str]:
    tests = study.tables.get("tests")
    return stage_order(study) if tests is not None and "stage" in tests else []


def settable_factors(study: Study, factors: Sequence[str] | None) -> list[Factor]:
    """The factors that a recipe may set.

    Raises
    ------
    CallError
        For a name that is not recorded.
    ModelError
        If there is none.
    """
    if isinstance(factors, str):
        raise CallError(f'factors is a list of names: write ["{factors}"].')
    if factors is not None:
        chosen = [study.factor(name) for name in dict.fromkeys(factors)]
    else:
        assigned = {name for batch in study.settings.batches for name in batch.randomised}
        chosen = [
            factor
            for factor in study.factors
            if factor.stratum == "reed"
            or (factor.stratum != "session" and (factor.levels or factor.name in assigned))
        ]
    if not chosen:
        raise ModelError(
            "No factor that the maker sets is recorded: a recipe needs one, or name the factors "
            "(factors=[...])."
        )
    return chosen


def _frames(
    study: Study, names: Sequence[str], settable: Sequence[Factor], *, named: bool, all_of: bool
) -> tuple[list[Frame], list[str]]:
    frames, cautions = [], []
    for name in names:
        try:
            frames.append(_frame(study, name, settable, all_of=all_of))
        except ModelError as error:
            cautions.append(_left_out(study.response(name), error, named=named))
    if not frames:
        raise ModelError("\n".join(["No response can be modelled.", *cautions]))
    return frames, cautions


def _frame(study: Study, name: str, settable: Sequence[Factor], *, all_of: bool) -> Frame:
    """Rows of one response, the factors that are set first, so that they give way last."""
    frame = gather(study, name)
    wanted = [factor.name for factor in settable if factor.name != name]
    if not all_of:
        # What is asked for by name is looked at though many rows lack it.
        held = [factor.name for factor in frame.factors if factor.name not in wanted]
        frame = gather(study, name, [*wanted, *held])
    _require_both(frame)
    order = sorted(frame.factors, key=lambda factor: factor.name not in wanted)
    return replace(frame, factors=tuple(order))


def _require_both(frame: Frame) -> None:
    values = frame.data[frame.response.name]
    if values.nunique() > 1:
        return
    reeds = len(frame.data)
    if frame.response.kind == "binary":
        verdict = f"none of {reeds} reeds is" if values.iloc[0] == 0 else f"all {reeds} reeds are"
        raise ModelError(
            f"{verdict.capitalize()} {frame.response.label}: no recipe can be told from another "
            "by it."
        )
    raise ModelError(
        f"{frame.response.label} is the same ({values.iloc[0]:g}) in all {reeds} rows: no recipe "
        "can be told from another by it."
    )


def _left_out(response: Response, error: ModelError, *, named: bool) -> str:
    if named:
        raise error
    return f"{response.label} is left out: {error}"


def _differing(frames: Sequence[Frame], settable: Sequence[Factor]) -> list[Factor]:
    """Factors that can be set and that differ, as the frames settled their strata."""
    known = {factor.name: factor for frame in frames for factor in frame.factors}
    chosen = [known[factor.name] for factor in settable if factor.name in known]
    if not chosen:
        reasons = dict.fromkeys(text for frame in frames for text in frame.cautions)
        raise ModelError("\n".join(["No factor that can be set differs.", *reasons]))
    return chosen


def _planned(batches: Sequence[BatchRecord]) -> list[tuple[str, str]]:
    """Interactions that batches were laid out for."""
    pairs = []
    for batch in batches:
        for term in batch.terms:
            first, *rest = term.split(":")
            if len(rest) == 1 and rest[0] != first:
                pairs.append((first, rest[0]))
    return list(dict.fromkeys(pairs))
