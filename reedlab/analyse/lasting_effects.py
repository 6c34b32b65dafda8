"""Which factors go with how long reeds last: hazard ratios and medians by level.

Few reeds are worn out in a season, and each factor examined costs some of what they
can tell. With ten worn-out reeds a coefficient the factors are examined together, each
given the others; with fewer, each alone; with fewer than five it is left out. A factor
is judged by the variation between tubes (one of the lot between lots).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reedlab.analyse.effects import step_of
from reedlab.analyse.evidence import grade
from reedlab.analyse.frame import Frame, level_name, ordered_levels
from reedlab.analyse.lasting_frame import gathered
from reedlab.analyse.lasting_rows import TIME, WORN_OUT, Lives, curve_of
from reedlab.answer import counted, p_text
from reedlab.errors import InestimableTermError, ModelError
from reedlab.model.comparisons import holm
from reedlab.model.design import quoted
from reedlab.model.hazard import CoxFit, HazardTest, fit_cox
from reedlab.model.survival import SurvivalCurve
from reedlab.schema import STRATUM_KEY, Factor
from reedlab.study import Study

#: Worn-out reeds for each coefficient, from which on factors are examined together
#: (Peduzzi et al. 1995), and below which one is not examined even alone (Vittinghoff &
#: McCulloch 2007 found five to nine often enough).
EVENTS_TOGETHER, EVENTS_ALONE = 10, 5
#: A number with no more values than this is shown value by value, else in two halves.
FEW_VALUES = 4


@dataclass(frozen=True)
class Judged:
    """One factor's rows, model and test.

    Attributes
    ----------
    factor : Factor
    frame : Frame
        The rows that it was judged on.
    fit : CoxFit
    groups : ndarray of int or None
        The tube (or lot) of each row; None where rows are independent.
    test : HazardTest
    """

    factor: Factor
    frame: Frame
    fit: CoxFit
    groups: np.ndarray | None
    test: HazardTest


@dataclass(frozen=True)
class Examined:
    """All factors that could be judged, and why others could not."""

    judged: tuple[Judged, ...]
    whole: Frame
    cautions: tuple[str, ...]


def examine(study: Study, lives: Lives, factors: Sequence[str] | None) -> Examined:
    """Judge each factor."""
    whole = gathered(study, lives, factors)
    events = int(whole.data[WORN_OUT].sum())
    needed = sum(_coefficients(whole, factor) for factor in whole.factors)
    cautions = [*whole.cautions]
    if len(whole.factors) > 1 and events < EVENTS_TOGETHER * needed:
        cautions.append(
            f"{counted(events, 'worn-out reed')} are too few to examine {len(whole.factors)} "
            "factors together: each stands alone here, and may show what belongs to another."
        )
        frames = {f.name: gathered(study, lives, [f.name]) for f in whole.factors}
        together = None
    else:
        whole, together = _fitted_together(whole)
        cautions += whole.cautions[len(cautions) :]
        frames = {f.name: whole for f in whole.factors}
    found = []
    for factor in whole.factors:
        judged = _judge(frames[factor.name], factor.name, together)
        if isinstance(judged, Judged):
            found.append(judged)
        else:
            cautions.append(judged)
    return Examined(tuple(found), whole, (*cautions, *_notes(found)))


def effect_rows(study: Study, examined: Examined) -> pd.DataFrame:
    """One row a contrast: how many times as fast reeds wear out."""
    adjusted = holm(np.array([judged.test.p_value for judged in examined.judged]))
    rows = []
    for judged, p in zip(examined.judged, adjusted, strict=True):
        factor, data = judged.factor, judged.frame.data
        for contrast, along in _contrasts(judged):
            logs = judged.fit.contrast(along, judged.groups)
            estimate, low, high = np.exp(np.array(logs))
            rows.append(
                {
                    "quantity": "hazard ratio",
                    "term": factor.name,
                    "contrast": contrast,
                    "estimate": estimate,
                    "conf_low": low,
                    "conf_high": high,
                    "unit": "times as fast",
                    "num_df": judged.test.num_df,
                    "den_df": judged.test.den_df,
                    "statistic": judged.test.statistic,
                    "p_value": judged.test.p_value,
                    "p_adjusted": p,
                    "stratum": factor.stratum,
                    "n_units": judged.frame.units(factor.stratum),
                    "n_tubes": judged.frame.units("tube"),
                    "n_reeds": len(data),
                    "n_worn_out": int(data[WORN_OUT].sum()),
                    "method": _method(judged),
                    "evidence": grade(study, examined.whole, factor),
                }
            )
    return pd.DataFrame(rows)


def level_curves(frame: Frame, factor: Factor) -> dict[str, SurvivalCurve]:
    """Return the curve of each level of a factor; of a number with many values, of its halves."""
    labels, order = _labels(frame.data[factor.name], factor)
    none = pd.Series(None, frame.data.index, dtype="str")
    data = frame.data.assign(tube_id=frame.data.get("tube_id", none))
    parts = {level: data[labels == level] for level in order}
    return {
        level: curve_of(part[TIME], part[WORN_OUT], part["tube_id"])
        for level, part in parts.items()
    }


def _coefficients(frame: Frame, factor: Factor) -> int:
    return 1 if factor.kind == "numeric" else frame.data[factor.name].nunique() - 1


def _formula(factors: Sequence[Factor]) -> str:
    return f"{quoted(TIME)} ~ {' + '.join(quoted(factor.name) for factor in factors)}"


def _fitted_together(frame: Frame) -> tuple[Frame, CoxFit | None]:
    """Fit all factors; those that cannot be told from the others are left out, with the reason."""
    while frame.factors and frame.data[WORN_OUT].any():
        try:
            return frame, fit_cox(_formula(frame.factors), frame.data, WORN_OUT)
        except InestimableTermError as error:
            alike = next(factor for factor in frame.factors if factor.name == error.term)
            frame = frame.without(alike, f"{alike.label}: {error} Not examined.")
    return frame, None


def _judge(frame: Frame, name: str, together: CoxFit | None) -> Judged | str:
    """Fit (if it is not fitted together with others) and test one factor, or say why not."""
    factor = next((f for f in frame.factors if f.name == name), None)
    if factor is None:
        return frame.cautions[-1]
    events, needed = int(frame.data[WORN_OUT].sum()), _coefficients(frame, factor)
    if events < EVENTS_ALONE * needed:
        return (
            f"{factor.label}: {counted(events, 'worn-out reed')} "
            f"{'is' if events == 1 else 'are'} too few to judge it "
            f"({EVENTS_ALONE * needed} or more are needed); not examined."
        )
    groups = _groups(frame, factor)
    units = frame.units(factor.stratum)
    if factor.stratum != "reed" and units < needed + 2:
        return (
            f"{factor.label}: {counted(units, factor.stratum)} are too few to judge it; "
            "not examined."
        )
    try:
        fit = together or fit_cox(_formula(frame.factors), frame.data, WORN_OUT)
        test = fit.test(factor.name, groups)
    except ModelError as error:
        return f"{factor.label}: {error} Not examined."
    return Judged(factor, frame, fit, groups, test)


def _groups(frame: Frame, factor: Factor) -> np.ndarray | None:
    """Code the lots or tubes that rows share; None where each has a row of its own, or all one."""
    key = STRATUM_KEY["lot" if factor.stratum == "lot" else "tube"]
    if key not in frame.data:
        return None
    codes = pd.factorize(frame.data[key])[0]
    return codes if 0 < codes.max() < len(codes) - 1 else None


def _contrasts(judged: Judged) -> list[tuple[str, np.ndarray]]:
    """Names of a factor's contrasts, and their coefficients without that of the constant."""
    factor, fixed = judged.factor, judged.fit.fixed
    values, first = fixed.data[factor.name], fixed.data.iloc[:1]
    told: list[tuple[str, tuple]]
    if factor.kind == "numeric":
        step, middle = step_of(factor, values), float(values.mean())
        told = [(f"{step:+g} {factor.unit}".rstrip(), (middle, middle + step))]
    else:
        order = ordered_levels(factor, fixed.levels[factor.name])
        told = [(f"{level} - {order[0]}", (order[0], level)) for level in order[1:]]
    found = []
    for name, ends in told:
        rows = pd.concat([first.assign(**{factor.name: end}) for end in ends])
        coded = fixed.rows(rows)
        found.append((name, (coded[1] - coded[0])[1:]))
    return found


def _labels(values: pd.Series, factor: Factor) -> tuple[pd.Series, list[str]]:
    """Name the level, or the half, of each row; the names in their order."""
    if factor.kind != "numeric":
        return values, ordered_levels(factor, sorted(values.unique()))
    distinct = np.unique(values)
    unit = f" {factor.unit}" if factor.unit else ""
    if len(distinct) <= FEW_VALUES:
        named = {value: f"{level_name(value)}{unit}" for value in distinct}
        return values.map(named), [*named.values()]
    middle = float(values.median())
    if not (values > middle).any():
        middle = float(distinct[-2])
    order = [f"up to {middle:g}{unit}", f"above {middle:g}{unit}"]
    return pd.Series(np.where(values > middle, order[1], order[0]), values.index), order


def _method(judged: Judged) -> str:
    penalty = ", Firth's penalty" if judged.fit.weight else ""
    lots = judged.factor.stratum == "lot"
    what = "reeds" if judged.groups is None else ("lots" if lots else "tubes")
    return f"Cox (Efron's ties{penalty}), judged by {what}"


def _notes(found: Sequence[Judged]) -> list[str]:
    """What must be known of the models: parted events, effects that change with use."""
    notes = []
    if any(judged.fit.weight for judged in found):
        notes.append(
            "With so few worn-out reeds the ratios are drawn a little towards 1 (Firth's penalty)."
        )
    notes += dict.fromkeys(note for judged in found for note in _gaps(judged))
    notes += [_parted(judged) for judged in found if _is_parted(judged)]
    if found:
        worst = {judged.factor.label: _changing(judged) for judged in found}
        adjusted = holm(np.array([*worst.values()]))
        notes += [
            f"{label}: its effect seems to change with use (corrected p {p_text(p)}), so the "
            "ratio is an average over the reeds' lives."
            for label, p in zip(worst, adjusted, strict=True)
            if p < 0.05
        ]
    return notes


def _gaps(judged: Judged) -> list[str]:
    """Say which reeds a factor's model had to do without."""
    missing = judged.frame.left_out["fault"].value_counts()
    return [
        f"{counted(count, 'reed')} left out of the ratios: {fault}."
        for fault, count in missing.items()
    ]


def _is_parted(judged: Judged) -> bool:
    part = judged.fit.fixed.terms[judged.factor.name]
    return not set(judged.fit.fixed.column_names[part]).isdisjoint(judged.fit.infinite)


def _parted(judged: Judged) -> str:
    factor, data = judged.factor, judged.frame.data
    by_level: dict[str, str] = {}
    if factor.kind != "numeric" or data[factor.name].nunique() == 2:
        worn = data.groupby(data[factor.name], observed=True)[WORN_OUT].agg(["sum", "count"])
        by_level = {
            level_name(level): f"{int(row['sum'])} of {int(row['count'])} worn out"
            for level, row in worn.iterrows()
        }
    told = "; ".join(f"{level}: {count}" for level, count in by_level.items())
    return (
        f"{factor.label} parts the reeds that wore out from those in use at the time"
        f"{f' ({told})' if told else ''}: ordinary estimates would be infinite, and those given "
        "here are kept finite by Firth's penalty."
    )


def _changing(judged: Judged) -> float:
    """P value of a change of the factor's effect with use, the least of its columns times them."""
    part = judged.fit.fixed.terms[judged.factor.name]
    p = judged.fit.proportionality()["p_value"].iloc[part.start - 1 : part.stop - 1]
    return min(1.0, float(p.min()) * len(p))
