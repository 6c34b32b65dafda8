"""Effects of factors on kept or discarded, in percentage points.

Two methods, by where a factor's levels lie:

* Varying within tubes (and within whatever else rows repeat in): Firth's penalised
  logistic regression, with a penalised likelihood ratio test and the average
  difference in the chance of being kept, its interval by profile.
* Given to tubes or lots, or lying mostly between them: reeds of a tube share its
  cane and their fates go together, so reeds must not be counted as if they were
  independent. The mixed model of the yes and no as 1 and 0, with the tubes' own
  variation as the error: the analysis of variance of proportions (Lunney 1970),
  with few tubes far nearer its nominal level than methods for many clusters. So too
  for a response of tests: tests of a reed are no more independent than reeds of a tube.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from reedlab.analyse.effects import effects_table, formula, step_of
from reedlab.analyse.frame import Frame, level_name
from reedlab.analyse.strata import NAMES, Layout
from reedlab.model import FirthFit, LinearFit, fit_firth
from reedlab.model.design import fixed_part
from reedlab.model.separation import empty_cells
from reedlab.schema import STRATUM_KEY, Factor

#: A factor with less than this share of its variation inside tubes (or lots, reeds that are
#: tested again, sessions, players) is treated as theirs.
WITHIN = 0.5


def keeping_table(
    frame: Frame, chosen: Layout, fit: LinearFit
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """One row a contrast, in percentage points, and what to know of it.

    `fit` is the mixed model of the response as 1 and 0 on all factors.
    """
    table = effects_table(fit, frame.factors)
    scaled = ["estimate", "std_error", "conf_low", "conf_high"]
    table[scaled] *= 100
    # A share of reeds cannot change by more than all of them.
    table[["conf_low", "conf_high"]] = table[["conf_low", "conf_high"]].clip(-100, 100)
    homes = {f.name: _home(frame, f, chosen.groups) for f in frame.factors}
    within = [f for f in frame.factors if not homes[f.name]]
    if within:
        penalised = fit_firth(formula(frame, chosen), frame.data)
        tests = penalised.anova().set_index("term")
        for factor in within:
            rows = table.index[table["term"] == factor.name]
            _fill(table, rows, penalised, factor, tests.loc[[factor.name]].iloc[0])
        empty = penalised.separated
    else:
        empty = empty_cells(fixed_part(formula(frame, chosen), frame.data))
    notes = [f"Empty cells: {' '.join(empty)} The figures given here stay finite."] if empty else []
    for factor in frame.factors:
        key = homes[factor.name]
        if key and key != STRATUM_KEY[factor.stratum]:
            notes.append(
                f"{factor.label}: mostly the same within a {NAMES[key]}, so the variation between "
                f"{NAMES[key]}s is its error."
            )
    return table, tuple(notes)


def _home(frame: Frame, factor: Factor, groups: Sequence[str]) -> str:
    """Find the key of the things between which a factor mostly varies; empty if within all."""
    values = frame.data[factor.name]
    columns = (
        values.to_frame().astype(float)
        if pd.api.types.is_numeric_dtype(values)
        else pd.get_dummies(values).astype(float)
    )
    whole = ((columns - columns.mean()) ** 2).to_numpy().sum()
    for key in groups:
        inside = columns - columns.groupby(frame.data[key]).transform("mean")
        if (inside**2).to_numpy().sum() < WITHIN * whole:
            return key
    return ""


def _fill(
    table: pd.DataFrame, rows: pd.Index, fit: FirthFit, factor: Factor, test: pd.Series
) -> None:
    """Put the penalised test and differences into a factor's rows."""
    found = pd.concat(
        [fit.difference(factor.name, low, high) for low, high in _changes(fit, factor)]
    )
    for column in ("estimate", "conf_low", "conf_high"):
        table.loc[rows, column] = found[column].to_numpy() * 100
    table.loc[rows, ["std_error", "df", "den_df"]] = np.nan
    table.loc[rows, "statistic"] = test["statistic"]
    table.loc[rows, "p_value"] = test["p_value"]


def _changes(fit: FirthFit, factor: Factor) -> list[tuple]:
    """From what to what each contrast of a factor goes, in the order of its rows."""
    values = fit.part.data[factor.name]
    if factor.kind == "numeric":
        middle, half = float(values.mean()), step_of(factor, values) / 2
        return [(middle - half, middle + half)]
    recorded = list(fit.part.levels[factor.name])
    order = [name for name in map(level_name, factor.levels) if name in recorded]
    order += [level for level in recorded if level not in order]
    return [(order[0], level) for level in order[1:]]
