"""The race is fair: makers are small, use public calls, and the truth is the oracle's alone."""

import ast
import inspect

import pytest

from reedlab.demo.workshop import open_workshop
from reedlab.plan import cane_on_hand, design_batch
from tests.bench.workshop import makers
from tests.bench.workshop.handiwork import FULL_MINUTES, batch_size, make_one, make_planned
from tests.bench.workshop.makers import MAKERS
from tests.bench.workshop.notebook import Notebook
from tests.bench.workshop.season import late_shares, play

MOST_LINES = 60
ALLOWED = {
    *("collections.abc", "contextlib", "numpy", "pandas"),
    *("statsmodels.api", "statsmodels.formula.api", "reedlab.errors"),
    *(f"reedlab.{room}" for room in ("analyse", "demo.workshop", "plan")),
    *(f"tests.bench.workshop.{name}" for name in ("handiwork", "notebook")),
}


def tree_of(maker):
    return ast.parse(inspect.getsource(inspect.getmodule(maker)))


def code_lines(tree):
    """Lines with code on them: no blank ones, docstrings or comments."""
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        first = body[0] if isinstance(body, list) else None
        if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
            node.body.pop(0)
    return {node.lineno for node in ast.walk(tree) if hasattr(node, "lineno")}


@pytest.mark.parametrize("name", MAKERS)
def test_a_maker_is_a_small_policy(name):
    assert len(code_lines(tree_of(MAKERS[name]))) <= MOST_LINES


@pytest.mark.parametrize("name", MAKERS)
def test_a_maker_uses_public_calls_only(name):
    tree = tree_of(MAKERS[name])
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and node.attr.startswith("_"):
            assert isinstance(node.value, ast.Name)
            assert node.value.id == "self"
        if isinstance(node, ast.ImportFrom):
            assert node.module in ALLOWED
        if isinstance(node, ast.Import):
            assert {alias.name for alias in node.names} <= ALLOWED


@pytest.mark.parametrize("name", [name for name in MAKERS if name != "oracle"])
def test_only_the_oracle_is_told_the_truth(name):
    used = [node for node in ast.walk(tree_of(MAKERS[name])) if isinstance(node, ast.Name)]
    assert "hidden" not in {node.id for node in used}


def test_the_oracle_needs_the_other_side():
    with pytest.raises(ValueError, match="other side"):
        MAKERS["oracle"](1)


@pytest.mark.parametrize("name", ["habit", "one at a time", "plain ANOVA", "oracle"])
def test_a_season_is_the_same_again_and_stays_within_its_minutes(name):
    one, other = (play("ordinary", 2, name, batch=12, hours=90) for _ in range(2))
    assert one == other
    assert one["minutes"] <= 90 * 60 < one["minutes"] + FULL_MINUTES
    assert one["finished"] <= one["made"] <= one["pieces"]
    assert one["good_stopped"] <= one["good_made"]


@pytest.mark.slow
def test_a_season_with_the_tool_is_the_same_again():
    one, other = (play("easy", 2, "reedlab", batch=12, hours=120) for _ in range(2))
    assert one == other
    assert one["minutes"] <= 120 * 60
    assert one["good_stopped"] <= one["good_made"]


def test_full_minutes_are_those_of_a_reed_of_which_all_is_measured():
    shop, hidden = open_workshop("ordinary", 2)
    shop.finish(make_one(shop, {}))
    assert hidden.work["minutes"].sum() == FULL_MINUTES


def test_the_last_batch_fits_what_is_left():
    shop, _ = open_workshop("ordinary", 2, hours=15 * FULL_MINUTES / 60)
    assert batch_size(shop, 24, until=1) == 15
    assert batch_size(shop, 12, until=2 / 3) == 10
    assert batch_size(shop, 3, until=2 / 3) == 3
    assert batch_size(shop, 24, until=2 / 3) == 0


def test_work_counts_for_the_last_third_as_far_as_it_was_done_there():
    _, hidden = open_workshop("hopeless", 1)
    hidden.worked("R1", 100, 60)
    hidden.worked("R1", 180, 60)
    hidden.worked("R2", 90, 10)
    hidden.worked("R3", 200, 10)
    found = late_shares(hidden, since=150)
    assert found.to_dict() == {"R1": 0.25, "R2": 0.0, "R3": 1.0}


def test_a_planned_batch_becomes_an_opened_study():
    shop, _ = open_workshop("ordinary", 5)
    factors = [factor for factor in shop.factors if factor.kind == "categorical"]
    batch = design_batch(factors, shop.cane, 8, seed=1)
    with Notebook(shop) as notebook:
        notebook.plan(batch)
        made = make_planned(shop, batch.table)
        notebook.made(batch, made)
        for reed in made.values():
            shop.finish(reed)
        study = notebook.study()
        assert len(study.check().table) == 0
        left = cane_on_hand(study).set_index("tube_id")["pieces"]
        assert left[left > 0].to_dict() == shop.cane.set_index("tube_id")["pieces"].to_dict()
        assert study.plan("B1").making["place"].tolist() == [*range(1, 9)]
        rows = study.tables["reeds"].set_index("reed_id")
        for place in batch.table.to_dict("records"):
            reed = rows.loc[made[place["place"]]]
            assert all(reed[f.name] == place[f.name] for f in factors)
            assert reed["tube_id"] == place["tube_id"]
        home = study.folder.parent
    assert not home.exists()


def test_every_maker_is_named():
    assert set(makers.MAKERS) == {"habit", "one at a time", "plain ANOVA", "reedlab", "oracle"}
