"""The naive and the right analysis of an invented study, straight from the engine."""

import pandas as pd
from scipy.stats import ttest_ind

from reedlab.demo import Demo
from reedlab.demo.truth import LEVELS, STEPS
from reedlab.model import MixedFit, fit_mixed

SEASON_GROUPS = ["lot_id", "tube_id", "reed_id", "session_id"]
BATCH_GROUPS = ["tube_id", "reed_id"]


def joined(demo: Demo) -> pd.DataFrame:
    """One row a test, with all that is known of its reed, tube, lot and session."""
    tables = demo.tables
    rows = tables["tests"].merge(tables["reeds"], on="reed_id")
    for name, key in (("tubes", "tube_id"), ("lots", "lot_id"), ("sessions", "session_id")):
        rows = rows.merge(tables[name], on=key, validate="many_to_one")
    return rows


def naive_p(demo: Demo, factor: str, response: str = "crow_cents") -> float:
    """All tests with one level against all with the other, as if nothing else mattered."""
    rows = joined(demo).dropna(subset=[response])
    first, second = (group[response] for _, group in rows.groupby(factor))
    return float(ttest_ind(first, second).pvalue)


def season_fit(demo: Demo, response: str = "crow_cents") -> MixedFit:
    """All factors together, with player and stage, and every stratum's own variation."""
    terms = [factor.name for factor in demo.settings.factors]
    formula = f"{response} ~ {' + '.join([*terms, 'player_id', 'stage'])}"
    return fit_mixed(formula, joined(demo), SEASON_GROUPS, bounded=False)


def batch_fit(demo: Demo, response: str = "crow_cents") -> MixedFit:
    """The randomised factors within lots and sessions, judged against tubes and reeds."""
    terms = [factor.name for factor in demo.settings.factors]
    formula = f"{response} ~ {' + '.join([*terms, 'lot_id', 'session_id'])}"
    return fit_mixed(formula, joined(demo), BATCH_GROUPS, bounded=False)


def effects(fit: MixedFit, factors: list[str]) -> pd.DataFrame:
    """Estimate, interval and p of each factor per step, by factor."""
    low = pd.concat([fit.fixed.data.iloc[[0]]] * len(factors), ignore_index=True)
    high = low.copy()
    for row, factor in enumerate(factors):
        if factor in LEVELS:
            low.loc[row, factor], high.loc[row, factor] = LEVELS[factor]
        else:
            high[factor] = high[factor].astype(float)
            high.loc[row, factor] += STEPS[factor]
    table = fit.contrast(fit.fixed.rows(high) - fit.fixed.rows(low))
    return table.assign(contrast=factors).set_index("contrast")
