"""What each maker of a pool finds alone: one model a maker, told for the same change.

Every maker's own reeds are judged by their own strata, as `drivers` does. A number's step
and a category's first level are those of the whole pool, so that effects compare.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from reedlab.analyse.effects import effects_table, fit_factors, step_of
from reedlab.analyse.evidence import grade
from reedlab.analyse.frame import Frame, gather, ordered_levels
from reedlab.analyse.strata import judged
from reedlab.errors import ModelError
from reedlab.model.threads import one_thread
from reedlab.pieces import in_pieces
from reedlab.schema import Factor
from reedlab.study import Study

COLUMNS = (
    *("term", "contrast", "maker_id", "estimate", "std_error", "df", "conf_low", "conf_high"),
    *("unit", "stratum", "n_units", "n_tubes", "n_reeds", "evidence"),
)


@dataclass(frozen=True)
class ByMaker:
    """The effects of every maker.

    Attributes
    ----------
    table : DataFrame
        One row a contrast and maker; columns as :data:`COLUMNS`.
    factors : mapping of str to Factor
        Those examined in some hand, with the pool's step and levels.
    asked : mapping of str to int
        By stratum, the most factors of it that were examined in one hand: for the grade.
    left_out : DataFrame
        file, row, fault.
    cautions : tuple of str
        What could not be examined in whose hand.
    rows_used : int
    """

    table: pd.DataFrame
    factors: Mapping[str, Factor]
    asked: Mapping[str, int]
    left_out: pd.DataFrame
    cautions: tuple[str, ...]
    rows_used: int

    def makers_of(self, table: pd.DataFrame) -> pd.DataFrame:
        """The rows of effects that a table of the makers together speaks of."""
        spoken = [*zip(table["term"], table["contrast"], strict=True)]
        pairs = [*zip(self.table["term"], self.table["contrast"], strict=True)]
        return self.table[[pair in spoken for pair in pairs]].reset_index(drop=True)


def by_maker(study: Study, response: str, factors: Sequence[str] | None) -> ByMaker:
    """Fit every maker's own reeds.

    Raises
    ------
    CallError
        For a name that is not recorded.
    ModelError
        If no maker's reeds can be judged; the message gives every reason.
    """
    gathered, cautions = _gathered(study, response, factors)
    alike = _alike(gathered)
    hands = []
    for maker, frame in gathered.items():
        own = replace(frame, factors=tuple(alike[factor.name] for factor in frame.factors))
        own = replace(own, factors=_with_stratum(own.factors, frame.factors))
        hands.append((study.of(maker), own))
    tables, used = [], []
    for maker, found in zip(gathered, in_pieces(_effects, hands), strict=True):
        if isinstance(found, str):
            cautions.append(f"{maker}: {' '.join(found.splitlines())}")
            continue
        table, own = found
        used.append(own)
        cautions += [f"{maker}: {text}" for text in own.cautions]
        tables.append(table.assign(maker_id=maker))
    if not tables:
        raise ModelError("\n".join(["No maker's reeds can be judged.", *cautions]))
    return ByMaker(
        table=pd.concat(tables, ignore_index=True)[[*COLUMNS]],
        factors=alike,
        asked=_looked(used),
        left_out=pd.concat([frame.left_out for frame in used], ignore_index=True),
        cautions=tuple(cautions),
        rows_used=sum(len(frame.data) for frame in used),
    )


def _gathered(
    study: Study, response: str, factors: Sequence[str] | None
) -> tuple[dict[str, Frame], list[str]]:
    frames, cautions = {}, []
    for maker in study.makers:
        try:
            frame = gather(study.of(maker), response, factors)
        except ModelError as error:
            cautions.append(f"{maker}: {error}")
        else:
            frames[maker] = frame
    if not frames:
        raise ModelError("\n".join(["No maker's reeds can be judged.", *cautions]))
    return frames, cautions


def _alike(frames: Mapping[str, Frame]) -> dict[str, Factor]:
    """Give every factor one step, and its levels one order, over all makers."""
    found: dict[str, Factor] = {}
    for frame in frames.values():
        for factor in frame.factors:
            found.setdefault(factor.name, factor)
    for name, factor in found.items():
        holding = [frame.data[name] for frame in frames.values() if name in frame.data]
        values = pd.concat(holding)
        if factor.kind == "numeric":
            found[name] = replace(factor, step=step_of(factor, values))
        else:
            levels = ordered_levels(factor, sorted(values.astype(str).unique()))
            found[name] = replace(factor, levels=tuple(levels))
    return found


def _with_stratum(factors: Sequence[Factor], own: Sequence[Factor]) -> tuple[Factor, ...]:
    """Give each factor the stratum that it has in this maker's hand."""
    return tuple(
        replace(factor, stratum=mine.stratum) for factor, mine in zip(factors, own, strict=True)
    )


@one_thread
def _effects(
    hand: tuple[Study, Frame], _seed: np.random.SeedSequence
) -> tuple[pd.DataFrame, Frame] | str:
    """One maker's effects and the rows that they rest on, or why there are none."""
    study, frame = hand
    try:
        frame, chosen = judged(frame)
        fit, frame = fit_factors(frame, chosen)
        table = effects_table(fit, frame.factors)
    except ModelError as error:
        return str(error)
    by_name = {factor.name: factor for factor in frame.factors}
    strata = [by_name[term].stratum for term in table["term"]]
    table = table.assign(
        unit=frame.response.unit,
        stratum=strata,
        n_units=[frame.units(stratum) for stratum in strata],
        n_tubes=frame.units("tube"),
        n_reeds=frame.units("reed"),
        evidence=[grade(study, frame, by_name[term]) for term in table["term"]],
    )
    return table[_compares(table, by_name) & (table["std_error"] > 0)], frame


def _compares(table: pd.DataFrame, factors: Mapping[str, Factor]) -> np.ndarray:
    """Mark the contrasts that are told against the pool's first level."""
    return np.array(
        [
            factors[term].kind == "numeric" or contrast.endswith(f" - {factors[term].levels[0]}")
            for term, contrast in zip(table["term"], table["contrast"], strict=True)
        ],
        dtype=bool,
    )


def _looked(frames: Sequence[Frame]) -> dict[str, int]:
    """By stratum, the most factors of it that were examined in one hand."""
    counts: dict[str, int] = {}
    for frame in frames:
        strata = [factor.stratum for factor in frame.factors]
        for stratum in strata:
            counts[stratum] = max(counts.get(stratum, 0), strata.count(stratum))
    return counts
