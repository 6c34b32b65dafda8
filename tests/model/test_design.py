"""Formulas and coded columns. All data are invented."""

import numpy as np
import pandas as pd
import pytest

from reedlab.errors import CallError
from reedlab.model.contrasts import hypothesis
from reedlab.model.design import FixedPart, fixed_part
from reedlab.model.formula import quoted, read


@pytest.fixture
def reeds() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "crow": [3.0, 5, 4, 8, 6, 7, 2, 1, 3, 5, 4, 6],
            "Wall (mm)": [0.6, 0.62, 0.58, 0.61, 0.6, 0.59, 0.63, 0.6, 0.61, 0.62, 0.57, 0.6],
            "cane": list("aabbccaabbcc"),
            "soft": [True, False] * 6,
        },
        index=range(1, 13),
    )


def _part(reeds: pd.DataFrame, right: str) -> FixedPart:
    return fixed_part(f"crow ~ {right}", reeds)


def test_columns_of_a_category_sum_to_zero(reeds):
    part = _part(reeds, "cane * soft + `Wall (mm)`")
    assert list(part.terms) == ["1", "cane", "soft", "Wall (mm)", "cane:soft"]
    assert part.column_names == (
        *("1", "cane[a]", "cane[b]", "soft[False]", "Wall (mm)"),
        *("cane[a]:soft[False]", "cane[b]:soft[False]"),
    )
    grid = part.rows(part.grid_for(("cane",)))
    # Over all cells every coded column but the mean's and the number's sums to zero.
    np.testing.assert_allclose(np.delete(grid, [0, 4], axis=1).sum(axis=0), 0, atol=1e-12)
    np.testing.assert_allclose(grid[:, 4], reeds["Wall (mm)"].mean())
    assert part.levels == {"cane": ("a", "b", "c"), "soft": (False, True)}


def test_new_rows_are_coded_as_the_old(reeds):
    part = _part(reeds, "cane * soft + center(`Wall (mm)`)")
    np.testing.assert_allclose(part.rows(reeds.iloc[[3, 7]]), part.X[[3, 7]])
    with pytest.raises(CallError, match="'cane' has no level d; it has a, b, c"):
        part.rows(reeds.assign(cane="d"))


def test_order_of_levels_is_that_of_a_categorical_else_sorted(reeds):
    assert _part(reeds.assign(cane=reeds["cane"][::-1].array), "cane").levels["cane"] == tuple(
        "abc"
    )
    ordered = reeds.assign(cane=pd.Categorical(reeds["cane"], list("cab")))
    assert _part(ordered, "cane").levels["cane"] == tuple("cab")


def test_rows_left_out_are_named_once_with_every_gap(reeds):
    reeds.loc[2, ["crow", "Wall (mm)"]] = np.nan
    reeds.loc[5, "cane"] = None
    part = fixed_part("crow ~ cane + `Wall (mm)`", reeds, ("soft",))
    assert part.left_out.to_dict("records") == [
        {"row": 2, "fault": "crow, Wall (mm) missing"},
        {"row": 5, "fault": "cane missing"},
    ]
    assert part.data.index.tolist() == [1, 3, 4, *range(6, 13)]
    # A gap in a column that the model does not use costs nothing.
    reeds["soft"] = reeds["soft"].astype(object).where(reeds.index != 7)
    assert len(fixed_part("crow ~ cane", reeds).y) == 10


def test_the_data_given_are_not_changed(reeds):
    before = reeds.assign(cane=pd.Categorical(reeds["cane"], list("abcd")))
    after = before.copy()
    fixed_part("log(crow) ~ cane", after)
    pd.testing.assert_frame_equal(after, before)


@pytest.mark.parametrize(
    ("formula", "variables"),
    [
        ("crow ~ 1", {"1": ()}),
        ("crow ~ 0 + cane", {"cane": ("cane",)}),
        ("crow ~ cane - 1", {"cane": ("cane",)}),
        ("crow ~ `Wall (mm)`:cane", {"1": (), "Wall (mm):cane": ("Wall (mm)", "cane")}),
        (
            "crow ~ log(`Wall (mm)` / log)",
            {"1": (), "log(Wall (mm) / log)": ("Wall (mm)", "log")},
        ),
        ("crow ~ np.log(`Wall (mm)`)", {"1": (), "np.log(Wall (mm))": ("Wall (mm)",)}),
        ("crow ~ log(log)", {"1": (), "log(log)": ("log",)}),
        ("crow ~ soft.astype('int')", {"1": (), "soft.astype('int')": ("soft",)}),
        ("crow ~ cane/soft", {"1": (), "cane": ("cane",), "cane:soft": ("cane", "soft")}),
    ],
)
def test_columns_that_a_formula_needs(formula, variables):
    present = ["crow", "Wall (mm)", "cane", "soft", "log"]
    assert read(formula, present).variables == variables


def test_a_column_may_share_the_name_of_its_function(reeds):
    named = reeds.rename(columns={"Wall (mm)": "log"})
    one = fixed_part("crow ~ log(log)", named)
    np.testing.assert_allclose(one.X[:, 1], np.log(reeds["Wall (mm)"]))


def test_two_terms_written_alike():
    with pytest.raises(CallError, match=r"Two terms of 'y ~ `a:b` \+ a:b' are written alike"):
        read("y ~ `a:b` + a:b", ["y", "a", "b", "a:b"])


@pytest.mark.parametrize("name", ["shape", "Wall (mm)", "1B", "a:b", "class", "size-average"])
def test_a_quoted_name_is_one_column(name):
    assert read(f"y ~ {quoted(name)}", ["y", name]).variables[name] == (name,)


def test_hypotheses_of_type_two_and_three(reeds):
    part = _part(reeds.iloc[:11], "cane * soft")
    three = hypothesis(part, "cane", 3)
    np.testing.assert_array_equal(three, np.eye(6)[1:3])
    # Type II of the main effect: what least squares gains when it enters after soft alone.
    L = hypothesis(part, "cane", 2)
    b = np.linalg.lstsq(part.X, part.y, rcond=None)[0]
    spread = L @ np.linalg.inv(part.X.T @ part.X) @ L.T
    gained = (L @ b) @ np.linalg.solve(spread, L @ b)

    def left(columns: list[int]) -> float:
        X = part.X[:, columns]
        return float(np.sum((part.y - X @ np.linalg.lstsq(X, part.y, rcond=None)[0]) ** 2))

    assert gained == pytest.approx(left([0, 3]) - left([0, 1, 2, 3]), rel=1e-9)
