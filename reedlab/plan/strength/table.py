"""The table of an answer about power: one row a term, reckoned or counted."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from reedlab.answer import counted
from reedlab.errors import CallError
from reedlab.model.strata import Strata
from reedlab.plan.strength.counted import count
from reedlab.plan.strength.design import Design, design_of
from reedlab.plan.strength.judging import Counted, Reckoned, fewest, reckon, smallest
from reedlab.plan.strength.keeping import share_found
from reedlab.plan.strength.rows import AIM, Layout, Rows
from reedlab.plan.strength.variance import Variances

#: No power is then known worse than to half a percent.
SIMULATIONS = 20_000
#: Where groups cross unevenly, a batch takes a hundred times as long.
SIMULATIONS_UNEVEN = 5_000
SIMULATIONS_KEEPING = 5_000
#: For finding out how many reeds it takes, and for pictures.
SIMULATIONS_ROUGH = 2_000
#: No search goes beyond so many tubes, sessions, rows, or times as many reeds.
MOST_TUBES = 320
MOST_SESSIONS = 100
MOST_ROWS = 2000
MOST_TIMES = 40
#: A share of 1 would leave a model without a residual.
NEARLY_ALL = 0.999

LIMITS = ("conf_low", "conf_high")
COUNTS = ("n_units", "n_lots", "n_tubes", "n_reeds", "n_tests", "method")
EFFECT_COLUMNS = (
    *("term", "stratum", "effect", "power", "mc_error", *LIMITS, "smallest_effect"),
    *("needed", "needed_unit", "num_df", "den_df", *COUNTS),
)
RATE_COLUMNS = (
    *("term", "stratum", "keep_low", "keep_high", "power", "mc_error", *LIMITS),
    *("needed", "needed_unit", *COUNTS),
)


@dataclass(frozen=True)
class More:
    """How a batch could be larger.

    Attributes
    ----------
    unit : str
        What there would be more of: tubes, lots, sessions or batches.
    rows : callable
        The rows with so many of them.
    now, least, most : int
    """

    unit: str
    rows: Callable[[int], Rows]
    now: int
    least: int
    most: int


def more_of(rows: Rows, layout: Layout | None) -> More:
    """Say how a batch could be larger; one that was planned is repeated."""
    if layout is None:
        most = min(MOST_TUBES // rows.count("tube"), MOST_ROWS // len(rows.data))
        return More("batches", rows.pooled, 1, 1, max(1, most))
    most = {
        "tube": MOST_TUBES,
        "lot": MOST_TUBES // max(1, round(layout.tubes / layout.lots)),
        "session": MOST_SESSIONS,
    }[layout.grows]
    least = layout.lots if layout.grows == "tube" else 1
    most = max(most, layout.size)
    return More(
        f"{layout.grows}s", lambda size: layout.grown(size).rows(), layout.size, least, most
    )


def unjudged(rows: Rows, layout: Layout | None, more: More) -> Mapping[str, str]:
    """Say which terms of a batch nothing is left to judge, and why.

    Raises
    ------
    CallError
        For a layout, whose one factor should have been judged.
    """
    design = design_of(rows)
    if design.terms or layout is None:
        return design.unjudged
    sizes = range(more.least, more.most + 1)
    able = next((size for size in sizes if design_of(more.rows(size)).terms), None)
    ways = [f"use {able} {more.unit} or more"] if able else []
    if layout.stratum in ("lot", "tube"):
        ways.append("set it at reed level")
    units = counted(rows.count(layout.stratum), layout.stratum)
    raise CallError(
        f"A {layout.stratum}-level factor of {layout.levels} levels on {units} leaves 0 error "
        f"degrees of freedom, so nothing can be told from chance; {', or '.join(ways)}."
    )


def effects_table(
    rows: Rows,
    more: More,
    variances: Variances,
    effect: float,
    simulations: int | None,
    seed: int,
) -> tuple[pd.DataFrame, dict[str, Reckoned | Counted]]:
    """Power for an effect, term by term, and the tests that it rests on."""
    design = design_of(rows)
    _require_residual(design, variances.values)
    reckoned = reckon(design, variances.values)
    tests = _tests(design, variances.values, reckoned, simulations, seed)

    @cache
    def larger(size: int) -> dict[str, Reckoned]:
        if size == more.now:
            return reckoned
        return reckon(design_of(more.rows(size)), variances.values)

    def needed(name: str) -> float:
        def power_with(size: int) -> float:
            return larger(size)[name].power(effect) if name in larger(size) else 0.0

        def roughly(size: int) -> float:
            return reckoned[name].grown(size / more.now).power(effect)

        near = fewest(roughly, more.least, more.most, more.now)
        return fewest(power_with, more.least, more.most, more.most if np.isnan(near) else int(near))

    limits = _limits(design, variances, effect, simulations, seed) if variances.pilot else {}
    table = []
    for term in rows.terms:
        name = ":".join(term)
        row: dict[str, Any] = {"term": name, "effect": effect}
        if name in tests:
            found = _effect_row(tests[name], reckoned[name], effect)
            row |= found | {"needed": _agreeing(needed(name), found["power"], more.now)}
            row |= limits.get(name, {})
        else:
            row |= {"power": 0.0, "mc_error": 0.0, "den_df": 0.0, "method": "not judged"}
        table.append(row | {"needed_unit": more.unit} | _counts(rows, term))
    return _completed(table, EFFECT_COLUMNS, variances), tests


def rates_table(
    rows: Rows,
    more: More,
    variances: Variances,
    rates: tuple[float, float],
    simulations: int | None,
    seed: int,
) -> pd.DataFrame:
    """Power for two keep rates, term by term."""
    draws = simulations or SIMULATIONS_KEEPING
    judged = {term.name for term in design_of(rows).terms}
    table = []
    for (name,) in rows.terms:
        row: dict[str, Any] = {
            "term": name,
            "keep_low": rates[0],
            "keep_high": rates[1],
            "method": "not judged",
        }
        row |= {"power": 0.0, "mc_error": 0.0}
        if name in judged:
            found = share_found(rows, name, rates, variances.values, draws, seed)
            row |= {"power": found, "mc_error": _error(found, draws), "method": "simulation"}

            def times(size: int, name: str = name) -> float:
                larger = more.rows(more.now * size) if size > 1 else rows
                return share_found(larger, name, rates, variances.values, SIMULATIONS_ROUGH, seed)

            most = max(1, min(MOST_TIMES, more.most // more.now))
            row["needed"] = _agreeing(fewest(times, 1, most), found, 1)
            powers = [
                share_found(rows, name, rates, variance, draws, seed)
                for variance in _pilots(variances, rows.stratum((name,)))
            ]
            row |= dict(zip(LIMITS, (min(powers), max(powers)), strict=True)) if powers else {}
        table.append(row | {"needed_unit": "times the reeds"} | _counts(rows, (name,)))
    return _completed(table, RATE_COLUMNS, variances)


def _tests(
    design: Design,
    variance: Mapping[str, float],
    reckoned: Mapping[str, Reckoned],
    simulations: int | None,
    seed: int,
) -> dict[str, Reckoned | Counted]:
    """Reckon where that is exact and no simulation is asked for; count elsewhere."""
    tests: dict[str, Reckoned | Counted] = dict(reckoned)
    usual = SIMULATIONS if isinstance(design.kernel, Strata) else SIMULATIONS_UNEVEN
    wanted = {name for name, test in reckoned.items() if simulations or not test.exact}
    if wanted:
        found = count(design, variance, simulations or usual, seed)
        tests |= {name: found[name] for name in wanted}
    return tests


def _effect_row(test: Reckoned | Counted, reckoned: Reckoned, effect: float) -> dict[str, Any]:
    exact = isinstance(test, Reckoned)
    power = test.power(effect)
    return {
        "power": power,
        "mc_error": 0.0 if isinstance(test, Reckoned) else _error(power, len(test.a)),
        "smallest_effect": smallest(test, effect),
        "num_df": reckoned.num_df,
        "den_df": reckoned.den_df,
        "method": "noncentral F" if exact else "simulation",
    }


def _limits(
    design: Design, variances: Variances, effect: float, simulations: int | None, seed: int
) -> dict[str, dict[str, float]]:
    """Power of every term at the limits of the share that its stratum has in a pilot."""
    found = {}
    for term in design.terms:
        powers = []
        for variance in _pilots(variances, term.stratum):
            reckoned = reckon(design, variance)
            powers.append(
                _tests(design, variance, reckoned, simulations, seed)[term.name].power(effect)
            )
        if powers:
            found[term.name] = dict(zip(LIMITS, (min(powers), max(powers)), strict=True))
    return found


def _pilots(variances: Variances, stratum: str) -> list[dict[str, float]]:
    """Variances at the two limits of the share that bears on a stratum; tubes' for reeds too."""
    own = stratum if stratum in ("lot", "session", "test") else "tube"
    limits = variances.limits.get(own, (np.nan, np.nan))
    if not np.isfinite(limits).all():
        return []
    return [variances.with_share(own, min(limit, NEARLY_ALL)) for limit in limits]


def _require_residual(design: Design, variance: Mapping[str, float]) -> None:
    if design.theta(variance)[0] > 0:
        return
    least = list(design.sources[0])
    raise CallError(
        f"The variance of {' and '.join(least)} is 0, so two rows of a kind would never differ; "
        f"give a variance above 0 for {' or '.join(least)}."
    )


def _agreeing(needed: float, power: float, now: int) -> float:
    """Let the count needed, which is reckoned, not gainsay what was counted for the batch."""
    if power >= AIM:
        return min(needed, now) if np.isfinite(needed) else float(now)
    return max(needed, now + 1.0)


def _error(power: float, draws: int) -> float:
    """Monte-Carlo standard error."""
    return float(np.sqrt(power * (1 - power) / draws))


def _counts(rows: Rows, term: tuple[str, ...]) -> dict[str, str | int]:
    stratum = rows.stratum(term)
    counts = {f"n_{what}s": rows.count(what) for what in ("lot", "tube", "reed", "test")}
    return {"stratum": stratum, "n_units": rows.count(stratum), **counts}


def _completed(table: list[dict], columns: tuple[str, ...], variances: Variances) -> pd.DataFrame:
    shown = [name for name in columns if variances.pilot or name not in LIMITS]
    return pd.DataFrame(table).reindex(columns=shown)
