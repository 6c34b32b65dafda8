"""Effects of factors on kept or discarded, in percentage points.

Two methods, by where a factor's levels lie (planned batches are then judged by their own
plan where it can be drawn again, see reedlab.analyse.by_plan):

* Varying within tubes (and within whatever else rows repeat in): Firth's penalised
  logistic regression, with a penalised likelihood ratio test and the average
  difference in the chance of being kept, its interval by profile.
* Given to tubes or lots, or lying mostly between them: reeds of a tube share its
  cane and their fates go together, so reeds must not be counted as if they were
  independent. The mixed model of the yes and no as 1 and 0, with the tubes' own
  variation as the error: the analysis of variance of proportions (Lunney 1970),
  with few tubes far nearer its nominal level than methods for many clusters. So too
  for a response of tests: tests of a reed are no more independent than reeds of a tube.

With few tubes the yes and no are so coarse that tubes often agree by chance, and the
test of the second kind called 6.6 % of null batches of 8 x 3 an effect. So the error
variance is moderated with that of independent fates (see reedlab.model.moderated), which
has the weight of one degree of freedom beside those of the tubes.
tests/analyse/test_calibration_keeping.py measures what remains.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.special import expit

from reedlab.analyse.effects import contrasts, effects_table, formula, step_of
from reedlab.analyse.frame import Frame, ordered_levels
from reedlab.analyse.strata import NAMES, Layout
from reedlab.model import FirthFit, LinearFit, fit_firth
from reedlab.model.moderated import (
    independent_covariance,
    lies_between,
    moderated,
    moderated_statistic,
)
from reedlab.schema import STRATUM_KEY, Factor


def keeping_table(
    frame: Frame, chosen: Layout, fit: LinearFit
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """One row a contrast, in percentage points, and what to know of it.

    `fit` is the mixed model of the response as 1 and 0 on all factors.
    """
    table = effects_table(fit, frame.factors)
    homes = {f.name: _home(frame, f, chosen.groups) for f in frame.factors}
    penalised = fit_firth(formula(frame, chosen), frame.data)
    tests = penalised.anova().set_index("term") if not all(homes.values()) else None
    for factor in frame.factors:
        rows = table.index[table["term"] == factor.name]
        if homes[factor.name] or tests is None:
            _moderate(table, rows, fit, penalised, factor)
        else:
            _fill(table, rows, penalised, factor, tests.loc[[factor.name]].iloc[0])
    table[["estimate", "std_error", "conf_low", "conf_high"]] *= 100
    # A share of reeds cannot change by more than all of them.
    table[["conf_low", "conf_high"]] = table[["conf_low", "conf_high"]].clip(-100, 100)
    empty = penalised.separated
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
    if pd.api.types.is_numeric_dtype(values):
        columns = values.to_numpy(dtype=float)[:, None]
    else:
        codes, levels = pd.factorize(values)
        columns = np.eye(len(levels))[codes]
    for key in groups:
        if lies_between(columns, pd.factorize(frame.data[key])[0]):
            return key
    return ""


def _moderate(
    table: pd.DataFrame, rows: pd.Index, fit: LinearFit, penalised: FirthFit, factor: Factor
) -> None:
    """Average the variance of a factor's contrasts with that of independent reeds."""
    from scipy.stats import f as f_distribution
    from scipy.stats import t as t_distribution

    _, L = contrasts(fit, factor)
    chance = expit(penalised.part.X @ penalised.estimates)
    independent = independent_covariance(L @ np.linalg.pinv(fit.fixed.X), chance)
    between = L @ fit.covariance() @ L.T
    b, df = L @ fit.coefficients, table.loc[rows, "df"].to_numpy()
    std_error = np.sqrt(moderated(df, np.diag(between), np.diag(independent)))
    half = t_distribution.ppf(0.975, df) * std_error
    table.loc[rows, "std_error"] = std_error
    table.loc[rows, "conf_low"], table.loc[rows, "conf_high"] = b - half, b + half
    den_df = float(table.loc[rows[0], "den_df"])
    plain = float(table.loc[rows[0], "statistic"])
    F = float(moderated_statistic(np.array(plain), np.array(den_df), b, between, independent))
    table.loc[rows, "statistic"] = F
    table.loc[rows, "p_value"] = float(f_distribution.sf(F, len(rows), den_df))


def _fill(
    table: pd.DataFrame, rows: pd.Index, fit: FirthFit, factor: Factor, test: pd.Series
) -> None:
    """Put the penalised test and differences into a factor's rows."""
    found = pd.concat(
        [fit.difference(factor.name, low, high) for low, high in _changes(fit, factor)]
    )
    for column in ("estimate", "conf_low", "conf_high"):
        table.loc[rows, column] = found[column].to_numpy()
    table.loc[rows, ["std_error", "df", "den_df"]] = np.nan
    table.loc[rows, "statistic"] = test["statistic"]
    table.loc[rows, "p_value"] = test["p_value"]


def _changes(fit: FirthFit, factor: Factor) -> list[tuple]:
    """From what to what each contrast of a factor goes, in the order of its rows."""
    values = fit.part.data[factor.name]
    if factor.kind == "numeric":
        middle, half = float(values.mean()), step_of(factor, values) / 2
        return [(middle - half, middle + half)]
    order = ordered_levels(factor, fit.part.levels[factor.name])
    return [(order[0], level) for level in order[1:]]
