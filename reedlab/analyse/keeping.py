"""Effects of factors on kept or discarded, in percentage points.

Two methods, by where a factor's levels lie:

* Given to reeds: Firth's penalised logistic regression, with a penalised likelihood
  ratio test and the average difference in the chance of being kept, its interval by
  profile.
* Given to tubes or lots (or lying mostly between tubes): reeds of a tube share its
  cane and their fates go together, so reeds must not be counted as if they were
  independent. The mixed model of the yes and no as 1 and 0, with the tubes' own
  variation as the error: the analysis of variance of proportions (Lunney 1970),
  with few tubes far nearer its nominal level than methods for many clusters.
"""

import numpy as np
import pandas as pd

from reedlab.analyse.effects import effects_table, formula, step_of
from reedlab.analyse.frame import Frame
from reedlab.analyse.strata import Layout
from reedlab.model import FirthFit, MixedFit, fit_firth
from reedlab.schema import Factor

#: A factor with less than this share of its variation inside tubes is treated as theirs.
WITHIN = 0.5


def keeping_table(
    frame: Frame, chosen: Layout, fit: MixedFit
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """One row a contrast, in percentage points, and what to know of it.

    `fit` is the mixed model of the response as 1 and 0 on all factors.
    """
    table = effects_table(fit, frame.factors)
    scaled = ["estimate", "std_error", "conf_low", "conf_high"]
    table[scaled] *= 100
    # A share of reeds cannot change by more than all of them.
    table[["conf_low", "conf_high"]] = table[["conf_low", "conf_high"]].clip(-100, 100)
    between = [f for f in frame.factors if _lies_between_tubes(frame, f)]
    within = [f for f in frame.factors if f not in between]
    notes = []
    if within:
        penalised = fit_firth(formula(frame, chosen), frame.data)
        tests = penalised.anova().set_index("term")
        for factor in within:
            rows = table.index[table["term"] == factor.name]
            _fill(table, rows, penalised, factor, tests.loc[[factor.name]].iloc[0])
        notes += [f"Nothing to contrast in part of the record: {s}" for s in penalised.separated]
    shared = [f.label for f in between if f.stratum == "reed"]
    if shared:
        notes.append(
            f"{', '.join(shared)}: reeds of a tube mostly share the level, so the tubes' own "
            "variation is the error."
        )
    return table, tuple(notes)


def _lies_between_tubes(frame: Frame, factor: Factor) -> bool:
    if not frame.data.get("tube_id", pd.Series(dtype=str)).duplicated().any():
        return False
    if factor.stratum in ("lot", "tube"):
        return True
    values = frame.data[factor.name]
    columns = (
        values.to_frame().astype(float)
        if pd.api.types.is_numeric_dtype(values)
        else pd.get_dummies(values).astype(float)
    )
    inside = columns - columns.groupby(frame.data["tube_id"]).transform("mean")
    return bool(
        (inside**2).to_numpy().sum() < WITHIN * ((columns - columns.mean()) ** 2).to_numpy().sum()
    )


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
    order = [level for level in factor.levels if level in recorded]
    order += [level for level in recorded if level not in order]
    return [(order[0], level) for level in order[1:]]
