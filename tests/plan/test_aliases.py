"""What is mixed up with what: against least squares, canonical correlation and alias matrix."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from statsmodels.multivariate.cancorr import CanCorr

from reedlab.errors import CallError
from reedlab.plan.aliases import aliases
from reedlab.plan.classical.fractions import fractional_factorial, full_factorial
from reedlab.plan.classical.screening import plackett_burman
from reedlab.schema import Factor


@pytest.fixture(scope="module")
def irregular():
    rng = np.random.default_rng(4)
    return pd.DataFrame(
        {
            "gouge": rng.choice([1.25, 1.30, 1.35], 24),
            "shape": rng.choice(["narrow", "middle", "wide"], 24),
            "profile": rng.choice(["A", "B", "C", "D"], 24),
            "diameter": rng.normal(25, 0.4, 24),
        }
    )


FACTORS = [
    Factor("gouge", (1.25, 1.30, 1.35)),
    Factor("shape", ("narrow", "middle", "wide")),
    Factor("profile", ("A", "B", "C", "D")),
    Factor("diameter", kind="numeric"),
]


def row(found, term, other):
    rows = found.table.query("term == @term and mixed_with == @other")
    assert len(rows) == 1
    return rows.iloc[0]


def test_share_of_a_number_is_r_squared(irregular):
    found = aliases(irregular, FACTORS)
    for other in ("shape", "profile"):
        expected = smf.ols(f"gouge ~ C({other})", irregular).fit().rsquared
        assert row(found, "gouge", other)["share"] == pytest.approx(expected)
    expected = irregular["gouge"].corr(irregular["diameter"])
    assert row(found, "gouge", "diameter")["correlation"] == pytest.approx(expected)


def test_categories_are_compared_by_canonical_correlation(irregular):
    shape = pd.get_dummies(irregular["shape"], dtype=float).iloc[:, 1:]
    profile = pd.get_dummies(irregular["profile"], dtype=float).iloc[:, 1:]
    rho = np.asarray(CanCorr(profile.to_numpy(), shape.to_numpy()).cancorr)
    found = row(aliases(irregular, FACTORS), "shape", "profile")
    assert found["correlation"] == pytest.approx(rho.max())
    assert found["share"] == pytest.approx((rho**2).sum() / 2)


def test_the_bend_of_a_number_that_is_set(irregular):
    found = aliases(irregular, FACTORS)
    assert "gouge:gouge" in found.terms
    assert "diameter:diameter" not in found.terms
    square = (irregular["gouge"] - 1.30) ** 2
    expected = irregular["gouge"].corr(square)
    assert row(found, "gouge", "gouge:gouge")["correlation"] == pytest.approx(expected)
    assert "gouge:gouge" not in aliases(irregular, FACTORS, highest=1).terms


def test_correlations_are_the_alias_matrix_of_plackett_and_burman():
    design = plackett_burman([Factor(f"x{i}", (-1, 1)) for i in range(5)], runs=12)
    names = [factor.name for factor in design.factors]
    X = design.table[names].to_numpy(dtype=float)
    X1 = np.column_stack([np.ones(len(X)), X])
    pairs = list(combinations(range(5), 2))
    X2 = np.column_stack([X[:, i] * X[:, j] for i, j in pairs])
    A = np.linalg.solve(X1.T @ X1, X1.T @ X2)[1:]
    table = design.aliases.table
    mains = table[table["term"].isin(names)]
    found = {(t, m): c for t, m, c in mains[["term", "mixed_with", "correlation"]].to_numpy()}
    for i, name in enumerate(names):
        for j, (a, b) in enumerate(pairs):
            value = found.get((name, f"{names[a]}:{names[b]}"), 0.0)
            assert value == pytest.approx(A[i, j], abs=1e-12)


def test_two_factors_that_always_move_together():
    rows = pd.DataFrame({"gouge": [1, 1, 2, 2], "shape": ["a", "a", "b", "b"], "bevel": [1, 2] * 2})
    factors = [Factor("gouge", (1, 2)), Factor("shape", ("a", "b")), Factor("bevel", (1, 2))]
    found = aliases(rows, factors)
    assert found.sentence == (
        "gouge is mixed up with shape; gouge × shape is mixed up with the mean; gouge × bevel is "
        "mixed up with shape × bevel."
    )
    assert row(found, "gouge", "shape")["correlation"] == pytest.approx(1)
    assert row(found, "gouge:shape", "overall mean")["correlation"] == 1
    assert found.cautions == (
        "The main effects take 3 figures and these rows give 2: they cannot all be told apart.",
    )


def test_main_effects_that_only_together_cannot_be_told_apart():
    rows = pd.DataFrame({"a": [1, 2, 1, 1, 2], "b": [1, 1, 2, 1, 2]}).assign(
        c=lambda t: t["a"] + t["b"]
    )
    found = aliases(rows, [Factor(name, tuple(sorted(set(rows[name])))) for name in "abc"])
    mains = found.table[found.table["mixed_with"].isin(list("abc"))]
    assert (mains["correlation"].abs() < 0.99).all()
    assert "take 3 figures and these rows give 2" in found.cautions[0]


def test_nothing_is_mixed_up_in_a_full_factorial():
    factors = [Factor("gouge", (1, 2, 3)), Factor("shape", ("a", "b", "c")), Factor("c", (1, 2))]
    found = full_factorial(factors).aliases
    assert found.table.empty
    assert found.sentence == "Of 7 terms none is mixed up with another."
    assert found.plot().get_xlabel() == "no two of these terms are mixed up"


def test_constant_columns_and_missing_levels_do_not_stop_it():
    rows = full_factorial([Factor("a", (1, 2)), Factor("b", (1, 2))]).table
    rows = pd.concat([rows, rows]).assign(still=1.3, word="x").reset_index(drop=True)
    rows.loc[7, "a"] = np.nan
    found = aliases(
        rows,
        [
            Factor("a", (1, 2)),
            Factor("b", (1, 2)),
            Factor("still", (1.25, 1.3)),
            Factor("word", ("x", "y", "z")),
        ],
    )
    assert found.terms == ("a", "b", "a:b")
    assert found.cautions == (
        "1 of 8 rows lack a level and are left out.",
        "still has one level only in these rows, so they show nothing of it.",
        "word has one level only in these rows, so they show nothing of it.",
    )


def test_an_interaction_that_is_zero_throughout():
    rows = pd.DataFrame({"a": [0, 1, 2, 1, 1], "b": [1, 1, 1, 0, 2]})
    found = aliases(rows, [Factor("a", (0, 1, 2)), Factor("b", (0, 1, 2))])
    assert found.cautions == ("Zero in all rows, so they show nothing of it: a × b.",)
    assert "a:b" not in set(found.table["term"])


def test_only_constant_columns():
    found = aliases(pd.DataFrame({"a": [1, 1]}), [Factor("a", (1, 2))])
    assert found.table.empty
    assert found.sentence == "Of 0 terms none is mixed up with another."


def test_names_typed_by_people():
    # Known trap A14: any header works.
    names = ["Wall thickness (mm)", "1B", "size-average"]
    design = fractional_factorial([Factor(name, (1, 2)) for name in names], runs=4)
    assert design.aliases.sentence.startswith("Wall thickness (mm) is mixed up with 1B × size-")


def test_a_long_list_is_counted():
    design = fractional_factorial([Factor(f"x{i}", (1, 2)) for i in range(7)], runs=8)
    assert design.aliases.sentence.count(" is mixed up with ") == 6
    # Seven main effects, each with three interactions; that these stand for each other too is
    # not said again.
    assert design.aliases.sentence.endswith("; so is 1 more, see the table.")


def test_a_picture_has_a_mark_for_every_pair():
    design = fractional_factorial([Factor(name, (1, 2)) for name in "abcd"], runs=8)
    ax = design.aliases.plot()
    assert sum(len(marks.get_offsets()) for marks in ax.collections) == 3
    assert ax.get_legend().get_texts()[0].get_text() == "mixed up wholly"
    many = plackett_burman([Factor(f"x{i}", (1, 2)) for i in range(11)]).aliases
    ax = many.plot()
    assert len(ax.get_yticks()) == 11
    assert sum(len(marks.get_offsets()) for marks in ax.collections) == 11 * 45


def test_mistakes():
    rows = pd.DataFrame({"gouge": ["1.25", "thick"], "a": [1, 2], "b": [1, 2], "a:b": [1, 2]})
    with pytest.raises(CallError, match="gouge is a number, but row 1 of the table holds 'thick'"):
        aliases(rows, [Factor("gouge", (1.25, 1.35))])
    with pytest.raises(CallError, match=r"There is no column 'gauge'. Nearest: gouge"):
        aliases(rows, [Factor("gauge", (1.25, 1.35))])
    with pytest.raises(CallError, match=r"Given twice among the factors: a. Name each once"):
        aliases(rows, [Factor("a", (1, 2)), Factor("a", (1, 2))])
    with pytest.raises(CallError, match="highest is 0; it is a number of factors, 1 or more"):
        aliases(rows, [Factor("a", (1, 2))], highest=0)
    with pytest.raises(CallError, match="has ':' in its name: rename it"):
        aliases(rows, [Factor(name, (1, 2)) for name in ("a", "b", "a:b")])
    with pytest.raises(CallError, match="There is no row in which every factor has a level"):
        aliases(rows.iloc[:0], [Factor("a", (1, 2))])
    wide = fractional_factorial([Factor(f"x{i}", (1, 2)) for i in range(31)], runs=32)
    with pytest.raises(CallError, match=r"31 factors have more than 3000 terms .* highest=2"):
        aliases(wide.table, wide.factors, highest=3)
