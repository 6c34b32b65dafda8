"""One walk over all result tables of the package: a column that is not declared is a stranger."""

import pandas as pd
import pytest

from reedlab import Factor, plan
from reedlab.analyse import (
    adjusting,
    break_in,
    collinearity,
    drift,
    influence,
    keep_rate,
    lasting,
    ratings,
    recipe,
    residuals,
    sources,
    stopping_rule,
)
from reedlab.answer import VOCABULARY
from reedlab.demo import example_study
from reedlab.model import (
    fit_firth,
    fit_link_mixed,
    fit_mixed,
    fit_ordinal,
    fixed_anova,
    intraclass,
    variance_shares,
)


def tables_of_answers(study, found):
    yield from ((name, answer.table) for name, answer in found.answers.items())
    yield "keep_rate", keep_rate(study).table
    for ask in (residuals, influence, collinearity):
        yield ask.__name__, ask(study, "crow_cents").table


def tables_beside_the_answers(study):
    """What an answer holds beside its table, and answers that a season does not ask for."""
    yield "keep rate by shape", keep_rate(study, by="shape").table
    yield "points", drift(study, "crow_cents").points
    yield "curve", break_in(study, "attack_ms").curve
    yield "lives", lasting(study, []).curve.steps
    yield "ratings", ratings(study, "rating_overall", ["shape"]).table
    yield "amounts", adjusting(study, "slur_gap_ms").table
    stop = stopping_rule(study, at="first test")
    yield "chances", stop.chances
    yield "by cut", stop.by_cut
    best = recipe(study, ["dynamic_range_db"], ["shape"])
    yield "recipes", best.recipes.drop(columns="shape")
    yield "predicted", best.predict(shape="wide")


def tables_of_the_engine():
    rows = pd.DataFrame(
        {
            "crow": [3.0, 5, 4, 8, 6, 7, 2, 1, 3, 5, 4, 6],
            "rating": [1, 2, 2, 3, 2, 3, 1, 1, 1, 2, 3, 2],
            "kept": [0, 1, 0, 1, 1, 0, 0, 0, 1, 1, 0, 1],
            "shape": list("aabbccaabbcc"),
            "tube": list("112233445566"),
        }
    )
    fit = fit_mixed("crow ~ shape", rows, ["tube"])
    yield "anova", fit.anova()
    yield "means", fit.means("shape")
    yield "pairs", fit.pairs("shape")
    yield "contrast", fit.contrast([0, 1, 0])
    yield "shares", variance_shares(fit)
    yield "classical", fixed_anova("crow ~ shape", rows, 3)
    firth = fit_firth("kept ~ shape", rows)
    yield "firth", firth.coefficients
    yield "firth anova", firth.anova()
    yield "firth difference", firth.difference("shape", "a", "b")
    ordinal = fit_ordinal("rating ~ shape", rows)
    yield "ordinal", ordinal.coefficients
    yield "thresholds", ordinal.thresholds
    yield "ordinal difference", ordinal.difference("shape", "a", "b")
    yield "link share", fit_link_mixed("kept ~ 1", rows, "tube").share
    ratings = rows.assign(judge=["P1", "P2"] * 6)
    yield "agreement", intraclass(ratings, "tube", "judge", "crow").table


SOAK, BEVEL = Factor("soak", (60, 180)), Factor("bevel", (4, 6))


def tables_of_plans():
    factors = [
        Factor("gouge", (0.8, 1.0), "tube"),
        Factor("shape", ("narrow", "wide")),
        Factor("wire", ("loose", "tight")),
    ]
    cane = pd.DataFrame({"tube_id": [f"T{i}" for i in range(8)], "lot_id": "L1", "pieces": 4})
    batch = plan.design_batch(factors, cane, 16, seed=1)
    recipes = plan.fractional_factorial([*factors[1:], SOAK, BEVEL], runs=8, blocks=2)
    own = [factor.name for factor in (*factors, *recipes.factors)]
    yield "batch", batch.table.drop(columns=own, errors="ignore")
    yield "recipes", recipes.table.drop(columns=own, errors="ignore")
    yield "estimates", batch.estimates
    yield "power", batch.power(effect=1.0).table
    yield "keep rates", plan.power(batch, keep_rates=(0.2, 0.5), simulations=100).table
    pilot = sources(example_study("batch"), "crow_cents")
    yield "pilot", plan.power(tubes=8, reeds_per_tube=3, effect=9.0, variance=pilot).table
    yield "spared", plan.spare(["R1", "R2", "R3"]).table
    yield "compared", batch.compare(plan.design_batch(factors, cane, 24, seed=2)).table
    yield "aliases", recipes.aliases.table


def strangers(tables):
    return {
        name: [column for column in table.columns if column not in VOCABULARY]
        for name, table in tables
        if not set(table.columns) <= set(VOCABULARY)
    }


@pytest.mark.parametrize("which", ["batch", "season"])
def test_answers_use_declared_columns_only(which, request):
    study, found = (request.getfixturevalue(f"{part}_{which}") for part in ("demo", "found"))
    tables = dict(tables_of_answers(study, found))
    assert {"faults", "keep_rate", "drivers_kept", "sources_kept", "influence"} <= set(tables)
    assert all(len(table) for name, table in tables.items() if name != "faults")
    assert strangers(tables.items()) == {}


def test_what_stands_beside_an_answer_uses_declared_columns_only(demo_season):
    tables = dict(tables_beside_the_answers(demo_season))
    assert len(tables) == 10
    assert all(len(table) for table in tables.values())
    assert strangers(tables.items()) == {}


def test_the_engine_uses_declared_columns_only():
    tables = dict(tables_of_the_engine())
    assert len(tables) == 14
    assert strangers(tables.items()) == {}


def test_plans_use_declared_columns_only():
    tables = dict(tables_of_plans())
    assert len(tables) == 9
    assert all(len(table) for table in tables.values())
    assert strangers(tables.items()) == {}


def test_a_stranger_is_found():
    table = pd.DataFrame({"term": ["gouge"], "pval": [0.03]})
    assert strangers([("odd", table)]) == {"odd": ["pval"]}
