"""Inputs on which general tools fail: each has its right value or one clear sentence.

The cases A5 to C14 are known from public threads of other projects. All data here are
invented unless a source is named.
"""

import numpy as np
import pandas as pd
import pytest

from reedlab.errors import CallError, InestimableTermError, ModelError
from reedlab.model import fit_mixed

#: The unbalanced 2 x 2 table on which default codings fail (statsmodels 2613, pingouin 357).
U11 = pd.DataFrame(
    {
        "y": [3.0, 4, 5, 6, 7, 4, 4, 9, 10, 11, 10],
        "a": list("pppppqqqqqq"),
        "b": list("xxxyyxxyyyy"),
        "tube": list("12312312312"),
    }
)


@pytest.fixture
def reeds() -> pd.DataFrame:
    """Eight tubes of three reeds, indexed from 100; two lots of tubes a cane."""
    rng = np.random.default_rng(5)
    table = pd.DataFrame(
        {
            "tube": np.repeat([f"t{i}" for i in range(8)], 3),
            "lot": np.repeat(list("AABBCCDD"), 3),
            "cane": np.repeat(list("abababab"), 3),
            "finish": list("xyz") * 8,
            "soft": [True, False] * 12,
            "wall": rng.normal(0.6, 0.02, 24),
        },
        index=range(100, 124),
    )
    table["crow"] = rng.normal(size=24) + np.repeat(rng.normal(size=8), 3)
    return table


def _message(error: type[Exception], *args: object, **kwargs: object) -> str:
    with pytest.raises(error) as caught:
        fit_mixed(*args, **kwargs)
    return str(caught.value)


# Right values


def test_a5_tubes_that_do_not_differ():
    # statsmodels 6157 and others: optimisers end at 0.011 or at 2.8e-10, with warnings.
    strips = np.tile([1.0, -1, 2, -2], 6)
    offsets = np.repeat([0.01, 0, -0.01] * 2, 4)
    treated = np.repeat([0, 1], 12)
    table = pd.DataFrame(
        {
            "y": 10 + 3 * treated + strips + offsets,
            "treated": np.where(treated, "yes", "no"),
            "tube": np.repeat(list("abcdef"), 4),
        }
    )
    fit = fit_mixed("y ~ treated", table, ["tube"])
    assert fit.pairs("treated")["estimate"][0] == pytest.approx(-3, abs=1e-12)
    assert fit.variances["tube"] == 0
    assert fit.singular


def test_a6_small_sample_degrees_of_freedom():
    # statsmodels 2620: balanced, so that the t test of six tube means is exact.
    y = """10.031 10.671 9.755 9.691 10.544 10.477 10.351 9.834 9.711 10.074 9.054 9.497
    9.659 9.965 9.689 10.492 10.412 11.181 11.124 10.952 9.250 10.239 10.484 10.565"""
    table = pd.DataFrame(
        {
            "y": [float(value) for value in y.split()],
            "cane": np.repeat(["old", "new"], 12),
            "tube": np.repeat(list("abcdef"), 4),
        }
    )
    fit = fit_mixed("y ~ cane", table, ["tube"])
    for method in ("kenward-roger", "satterthwaite"):
        found = fit.pairs("cane", method=method).iloc[0]
        assert found["estimate"] == pytest.approx(0.3602, abs=5e-5)
        assert found["std_error"] == pytest.approx(0.3628, abs=5e-5)
        assert found["df"] == pytest.approx(4, rel=1e-6)
        assert found["p_value"] == pytest.approx(0.377, abs=5e-4)
    ignored = fit_mixed("y ~ cane", table, []).pairs("cane").iloc[0]
    assert ignored["p_value"] == pytest.approx(0.120, abs=5e-4)


def test_a8_a_missing_response_is_named(reeds):
    reeds.loc[105, "crow"] = np.nan
    fit = fit_mixed("crow ~ cane", reeds, ["tube"])
    assert fit.n == 23
    assert fit.left_out.to_dict("records") == [{"row": 105, "fault": "crow missing"}]
    assert 105 not in fit.residuals.index


def test_a8_c14_a_missing_group_is_named_and_counted(reeds):
    reeds.loc[105, "tube"] = None
    reeds.loc[[105, 110], "cane"] = None
    fit = fit_mixed("crow ~ cane", reeds, ["lot:tube"])
    assert fit.left_out.to_dict("records") == [
        {"row": 105, "fault": "cane, tube missing"},
        {"row": 110, "fault": "cane missing"},
    ]
    assert fit.n + len(fit.left_out) == len(reeds)


@pytest.mark.parametrize("header", ["Wall thickness (mm)", "tube lot", "1B", "size-average"])
def test_a14_any_header_works_and_is_shown_as_typed(reeds, header):
    # statsmodels 4783, patsy 37, pingouin 169, emmeans 305.
    _headers_agree(reeds, header)


@pytest.mark.parametrize(
    "header", ["C", "Q", "I", "log", "np", "class", "lambda", "True", "None", "_sum_to_zero", "é"]
)
def test_a_header_that_is_a_function_or_a_keyword(reeds, header):
    _headers_agree(reeds, header)


def _headers_agree(reeds: pd.DataFrame, header: str) -> None:
    plain = fit_mixed("crow ~ finish * cane + wall", reeds, ["tube"])
    factor = fit_mixed(
        f"crow ~ finish * `{header}` + wall", reeds.rename(columns={"cane": header}), ["tube"]
    )
    assert list(factor.anova()["term"]) == ["finish", header, "wall", f"finish:{header}"]
    assert factor.fixed.column_names[3:4] == (f"{header}[a]",)
    assert factor.means(header)["estimate"].tolist() == plain.means("cane")["estimate"].tolist()
    number = fit_mixed(
        f"crow ~ finish * cane + `{header}`", reeds.rename(columns={"wall": header}), ["tube"]
    )
    assert number.anova()["p_value"].tolist() == plain.anova()["p_value"].tolist()
    group = fit_mixed("crow ~ finish", reeds.rename(columns={"tube": header}), [header])
    assert list(group.variances) == [header, "residual"]
    response = reeds.rename(columns={"crow": header})
    assert fit_mixed(f"`{header}` ~ cane", response, ["tube"]).fixed.response == header


def test_a_header_that_reads_as_arithmetic_is_not_taken_apart(reeds):
    table = reeds.rename(columns={"wall": "size-average"}).assign(size=1.0 * reeds["soft"])
    assert _message(CallError, "crow ~ size-average", table, ["tube"]) == (
        "'size-average' is a column, but would be read as arithmetic: write `size-average` in "
        "backticks, or spell out what is meant."
    )


def test_b1_a_unit_with_a_gap_keeps_its_other_rows():
    # pingouin 206: the unit was dropped whole, F = 73.5 on (2, 8) without a word.
    days = [(3, 4, 5), (4, 5, 7), (5, 7, 8), (6, 7, 9), (5, 6, None), (4, 6, 7)]
    rows = [(i, f"d{j + 1}", y) for i, unit in enumerate(days) for j, y in enumerate(unit)]
    table = pd.DataFrame(rows, columns=["unit", "day", "y"])
    fit = fit_mixed("y ~ day", table, ["unit"])
    assert fit.n == 17
    assert fit.left_out["row"].tolist() == [14]
    # The published standard errors are REML's own, which Satterthwaite's method takes as they
    # are; Kenward and Roger enlarge the unbalanced one for the estimated variances.
    plain = fit.pairs("day", adjust="none", method="satterthwaite")
    assert plain["contrast"].tolist() == ["d1 - d2", "d1 - d3", "d2 - d3"]
    assert plain["estimate"].tolist()[:2] == pytest.approx([-1.333, -2.764], abs=5e-4)
    assert plain["std_error"].tolist()[:2] == pytest.approx([0.205, 0.219], abs=5e-4)
    enlarged = fit.pairs("day", adjust="none")["std_error"]
    assert enlarged[0] == pytest.approx(plain["std_error"][0], rel=1e-4)
    assert 1.001 < enlarged[1] / plain["std_error"][1] < 1.002
    absent = fit_mixed("y ~ day", table.dropna(), ["unit"])
    pd.testing.assert_frame_equal(absent.anova(), fit.anova())


def test_b3_repeats_are_not_units():
    # pingouin 78: 60 units at 3 times, and 178 degrees of freedom.
    rng = np.random.default_rng(3)
    table = pd.DataFrame(
        {
            "unit": np.repeat(np.arange(60), 3),
            "cane": np.repeat(list("ab"), 90),
            "time": list("123") * 60,
        }
    )
    table["y"] = rng.normal(size=180) + np.repeat(rng.normal(size=60), 3)
    fit = fit_mixed("y ~ cane * time", table, ["unit"])
    assert fit.anova()["den_df"].tolist() == pytest.approx([58, 116, 116], rel=1e-6)


def test_a1_b10_types_of_sums_of_squares():
    # F = SS / (4.5 / 7), by sum-to-zero coding; without groups this is ordinary ANOVA.
    fit = fit_mixed("y ~ a*b", U11, [])
    error = 4.5 / 7
    three = np.array([7.7368, 45.6316, 7.7368]) / error
    two = np.array([8.5965, 47.7632, 7.7368]) / error
    assert fit.anova(3)["statistic"].tolist() == pytest.approx(three.tolist(), rel=1e-5)
    assert fit.anova(2)["statistic"].tolist() == pytest.approx(two.tolist(), rel=1e-5)
    assert fit.anova()["den_df"].tolist() == pytest.approx([7, 7, 7])
    assert fit.variances == pytest.approx({"residual": error})


@pytest.mark.parametrize("method", ["kenward-roger", "satterthwaite"])
@pytest.mark.parametrize("kind", [2, 3])
def test_tests_do_not_depend_on_the_order_of_levels(reeds, kind, method):
    rows = reeds.drop(index=[100, 107, 108, 119])  # unbalanced
    found = [
        fit_mixed(
            "crow ~ cane * finish + wall * cane",
            rows.assign(
                cane=pd.Categorical(rows["cane"], list(cane)),
                finish=pd.Categorical(rows["finish"], list(finish)),
            ),
            ["tube"],
        ).anova(kind, method)
        for cane, finish in [("ab", "xyz"), ("ba", "yzx"), ("ba", "zyx")]
    ]
    # Fai & Cornelius' degrees of freedom of a term with several columns rest on how these are
    # coded, as in R; Kenward and Roger's do not.
    loose = 1e-2 if method == "satterthwaite" else 1e-7
    for other in found[1:]:
        np.testing.assert_allclose(other["statistic"], found[0]["statistic"], rtol=1e-7)
        single = other["num_df"] == 1
        np.testing.assert_allclose(
            other.loc[single, "den_df"], found[0].loc[single, "den_df"], rtol=1e-7
        )
        np.testing.assert_allclose(other["den_df"], found[0]["den_df"], rtol=loose)


# Kinds of columns


@pytest.mark.parametrize(
    "convert",
    [
        lambda c: c.astype("category"),
        lambda c: c.astype(object),
        lambda c: c.astype("string"),
        lambda c: c == "b",
        lambda c: (c == "b").astype("boolean"),
        lambda c: pd.Categorical(c, ["b", "a"], ordered=True),
    ],
)
def test_a_factor_may_be_text_boolean_or_categorical(reeds, convert):
    wanted = fit_mixed("crow ~ cane * finish", reeds, ["tube"]).anova()
    table = reeds.assign(cane=convert(reeds["cane"]))
    found = fit_mixed("crow ~ cane * finish", table, ["tube"]).anova()
    np.testing.assert_allclose(found["p_value"], wanted["p_value"], rtol=1e-7)


def test_numbers_are_numbers_whatever_holds_them(reeds):
    wanted = fit_mixed("crow ~ wall", reeds, ["tube"]).anova()
    assert wanted["num_df"].tolist() == [1]
    for kind in (object, "Float64"):
        found = fit_mixed("crow ~ wall", reeds.astype({"wall": kind, "crow": kind}), ["tube"])
        pd.testing.assert_frame_equal(found.anova(), wanted)


def test_unused_categories_are_reported(reeds):
    table = reeds.assign(cane=pd.Categorical(reeds["cane"], ["b", "old", "a", "wet"]))
    fit = fit_mixed("crow ~ cane", table, ["tube"])
    assert fit.cautions == ("'cane': no row has old, wet; left out of the levels.",)
    assert fit.means("cane")["level"].tolist() == ["b", "a"]


def test_integer_codes_are_numbers_until_wrapped(reeds):
    table = reeds.assign(code=[1, 2, 3] * 8)
    assert fit_mixed("crow ~ code", table, ["tube"]).anova()["num_df"].tolist() == [1]
    wrapped = fit_mixed("crow ~ C(code)", table, ["tube"])
    assert wrapped.anova()["term"].tolist() == ["C(code)"]
    assert wrapped.means("code")["level"].tolist() == ["1", "2", "3"]
    wanted = fit_mixed("crow ~ finish", reeds, ["tube"])
    assert wrapped.anova()["statistic"][0] == pytest.approx(wanted.anova()["statistic"][0])


def test_without_a_mean(reeds):
    # Cell means: the same fit, and the term's test is that all means are zero.
    mean = fit_mixed("crow ~ cane", reeds, ["tube"])
    none = fit_mixed("crow ~ 0 + cane", reeds, ["tube"])
    pd.testing.assert_frame_equal(none.pairs("cane"), mean.pairs("cane"))
    assert none.variances == pytest.approx(mean.variances)
    assert none.anova()["num_df"].tolist() == [2]
    both = mean.contrast([[1, 1], [1, -1]])  # the two means themselves
    # They are independent here, so that F is the mean of their squared t.
    assert none.anova()["statistic"][0] == pytest.approx((both["statistic"] ** 2).mean())


def test_transformed_response(reeds):
    table = reeds.assign(hertz=np.exp(reeds["crow"]))
    fit = fit_mixed("log(hertz) ~ cane", table, ["tube"])
    assert fit.fixed.response == "log(hertz)"
    np.testing.assert_allclose(
        fit.anova()["p_value"], fit_mixed("crow ~ cane", reeds, ["tube"]).anova()["p_value"]
    )


def test_transformed_covariates_keep_their_state(reeds):
    fit = fit_mixed("crow ~ poly(wall, 2) + cane", reeds, ["tube"])
    plain = fit_mixed("crow ~ wall + I(wall**2) + cane", reeds, ["tube"])
    new = pd.DataFrame({"wall": [0.58, 0.6], "cane": ["a", "b"]})
    np.testing.assert_allclose(fit.predict(new), plain.predict(new), rtol=1e-6)


def test_means_hold_numbers_at_their_mean(reeds):
    fit = fit_mixed("crow ~ cane * wall", reeds, ["tube"])
    at = pd.DataFrame({"cane": ["a", "b"], "wall": reeds["wall"].mean()})
    np.testing.assert_allclose(fit.means("cane")["estimate"], fit.predict(at))


def test_means_weigh_the_other_factors_equally(reeds):
    rows = reeds.drop(index=[100, 101, 107])
    fit = fit_mixed("crow ~ cane * finish", rows, ["tube"])
    grid = pd.DataFrame([(c, f) for c in "ab" for f in "xyz"], columns=["cane", "finish"])
    cells = fit.predict(grid).to_numpy().reshape(2, 3)
    np.testing.assert_allclose(fit.means("cane")["estimate"], cells.mean(axis=1))
    both = fit.means("finish:cane")
    assert both["level"].tolist()[:2] == ["x, a", "x, b"]
    np.testing.assert_allclose(both["estimate"], cells.T.ravel())


def test_corrections_of_pairs(reeds):
    fit = fit_mixed("crow ~ finish", reeds, ["tube"])
    plain, holm = fit.pairs("finish", adjust="none"), fit.pairs("finish", adjust="holm")
    ordered = plain["p_value"].sort_values()
    by_hand = np.minimum(1, np.maximum.accumulate(ordered.to_numpy() * [3, 2, 1]))  # Holm (1979)
    np.testing.assert_allclose(holm["p_value"][ordered.index], by_hand)
    assert (holm["conf_high"] > plain["conf_high"]).all()
    two = fit_mixed("crow ~ cane", reeds, ["tube"])
    pd.testing.assert_frame_equal(two.pairs("cane", "tukey"), two.pairs("cane", "none"))


def test_an_index_named_as_a_column(reeds):
    wanted = fit_mixed("crow ~ cane", reeds, ["tube"]).anova()
    table = reeds.set_index("tube", drop=False)
    pd.testing.assert_frame_equal(fit_mixed("crow ~ cane", table, ["tube"]).anova(), wanted)


def test_groups_by_name_or_by_product(reeds):
    nested = fit_mixed("crow ~ finish", reeds, ["lot", "lot:tube"]).variances
    assert list(nested) == ["lot", "lot:tube", "residual"]
    flat = fit_mixed("crow ~ finish", reeds, ["lot", "tube"]).variances
    assert list(nested.values()) == list(flat.values())


# One clear sentence


def test_a3_an_empty_cell_is_named():
    # patsy 161: NaN for a, and an "interaction" of 16.33 that cannot be estimated.
    table = U11[~((U11["a"] == "q") & (U11["b"] == "x"))]
    with pytest.raises(InestimableTermError) as caught:
        fit_mixed("y ~ a*b", table, ["tube"])
    assert str(caught.value) == (
        "The interaction a:b cannot be estimated: the cell a=q, b=x has 0 rows. "
        "The model without it: ~ a + b."
    )
    assert caught.value.term == "a:b"
    assert fit_mixed("y ~ a + b", table, ["tube"]).anova()["term"].tolist() == ["a", "b"]


def test_many_empty_cells_are_cut_short(reeds):
    assert _message(InestimableTermError, "crow ~ lot * tube", reeds, []) == (
        "The term tube cannot be estimated: its values follow from those of the terms before it "
        "(lot), so their effects cannot be told apart. The model without it: ~ lot."
    )
    assert _message(InestimableTermError, "crow ~ lot + lot:tube", reeds, []) == (
        "The interaction lot:tube cannot be estimated: the cells lot=A, tube=t2; lot=A, tube=t3; "
        "lot=A, tube=t4 and 21 more have 0 rows. The model without it: ~ lot."
    )


def test_a_group_with_one_level(reeds):
    assert _message(ModelError, "crow ~ cane", reeds.assign(g="only"), ["g"]) == (
        "The group 'g' has one level only: its variance is unknown."
    )


def test_a_factor_with_one_level(reeds):
    assert _message(ModelError, "crow ~ cane", reeds[reeds["cane"] == "a"], ["tube"]) == (
        "'cane' has one level only ('a') in the 12 rows used: there is nothing to compare."
    )


def test_one_reed_a_tube(reeds):
    assert _message(ModelError, "crow ~ cane", reeds[::3], ["tube"]) == (
        "Every row is a 'tube' of its own: variation between them cannot be told from the "
        "residual. Leave the group out; the residual then holds both."
    )


def test_groups_that_split_the_rows_alike(reeds):
    table = reeds.assign(serial=reeds["tube"].str[1].astype(int) * 7 % 8)
    assert _message(ModelError, "crow ~ finish", table, ["tube", "serial"]) == (
        "The groups 'tube' and 'serial' split the rows alike: their variances cannot be told "
        "apart. Leave one out."
    )


def test_variances_that_cannot_be_told_apart(reeds):
    # Four rows less three coefficients leave one number for two variances.
    rows = reeds.iloc[[0, 1, 3, 4]]
    assert _message(ModelError, "crow ~ wall + I(wall**2)", rows, ["tube"]) == (
        "The variances of residual, tube cannot be told apart in these data."
    )


@pytest.mark.parametrize("formula", ["crow ~ tube", "crow ~ tube + finish", "crow ~ tube * soft"])
def test_a_factor_that_equals_the_group(reeds, formula):
    assert _message(ModelError, formula, reeds, ["tube"]) == (
        "The fixed terms take a different value for every level of 'tube', so nothing is left to "
        "judge them by at that level. Drop such a term, or the group 'tube'."
    )


def test_a_factor_that_equals_one_of_crossed_groups():
    # Rounding leaves the group a trace of information; it must not pass for some.
    for seed in range(20):
        rng = np.random.default_rng(seed)
        table = pd.DataFrame({"tube": rng.integers(0, 4, 12), "day": rng.integers(0, 5, 12)})
        table = table.assign(shape=table["tube"].map("s{}".format), crow=rng.normal(size=12))
        assert _message(ModelError, "crow ~ 0 + shape", table, ["tube", "day"]).startswith(
            "The fixed terms take a different value for every level of 'tube'"
        )


def test_a_constant_response(reeds):
    assert _message(ModelError, "crow ~ cane", reeds.assign(crow=3.0), ["tube"]) == (
        "The response 'crow' is the same (3) in all 24 rows: nothing varies, so there is nothing "
        "to explain."
    )


@pytest.mark.parametrize("level", [0, 1e9])
def test_a_response_explained_exactly(reeds, level):
    exact = level + 2.1 * (reeds["cane"] == "a") + (reeds["finish"] == "x") / 3
    assert _message(ModelError, "crow ~ cane + finish", reeds.assign(crow=exact), ["tube"]) == (
        "The fixed terms give crow exactly: no variation is left."
    )


def test_reeds_of_a_tube_that_do_not_differ(reeds):
    same = reeds["tube"].str[1].astype(float) ** 2
    assert _message(ModelError, "crow ~ cane", reeds.assign(crow=same), ["tube"]) == (
        "The residual variance comes out as zero: 'tube' with the fixed terms account for every "
        "row, and rows of the same kind do not differ at all."
    )


def test_more_coefficients_than_rows(reeds):
    rows = reeds.iloc[[0, 1, 3, 4]]
    assert _message(ModelError, "crow ~ wall + I(wall**2) + I(wall**3)", rows, ["tube"]) == (
        "The model has 4 coefficients and only 4 rows: nothing is left to judge them by. "
        "Ask for fewer terms."
    )


def test_a_term_that_follows_from_another(reeds):
    table = reeds.assign(harvest=np.where(reeds["lot"].isin(["A", "B"]), "early", "late"))
    assert _message(InestimableTermError, "crow ~ lot + harvest", table, ["tube"]) == (
        "The term harvest cannot be estimated: its values follow from those of the terms before "
        "it (lot), so their effects cannot be told apart. The model without it: ~ lot."
    )
    assert _message(InestimableTermError, "crow ~ wall + C(wall)", table, ["tube"]).endswith(
        "The model without it: ~ wall."
    )


@pytest.mark.parametrize("values", ["soft", ["1", "2", "3"] * 8, pd.Categorical(list("lmh") * 8)])
def test_a_response_that_is_not_a_number(reeds, values):
    assert _message(ModelError, "crow ~ cane", reeds.assign(crow=values), ["tube"]) == (
        "The response 'crow' is not a number in every row."
    )


def test_numbers_that_are_not_finite(reeds):
    assert _message(ModelError, "log(crow) ~ cane", reeds, ["tube"]) == (
        "The response 'log(crow)' is not a number in every row."
    )
    rows = reeds.assign(wall=[0.0, -1.0, *range(1, 23)])
    assert _message(ModelError, "crow ~ log(wall)", rows, ["tube"]) == (
        "The term log(wall) is not a finite number in 2 of 24 rows."
    )


def test_no_complete_row(reeds):
    assert _message(ModelError, "crow ~ cane", reeds.assign(crow=np.nan), ["tube"]) == (
        "No row of the data has all of: crow, cane, tube."
    )


PRESENT = "Present: cane, crow, finish, lot, soft, tube, wall."


@pytest.mark.parametrize(
    ("formula", "groups", "text"),
    [
        ("crow ~ canes", ["tube"], f"There is no column 'canes'. Nearest: cane. {PRESENT}"),
        ("cro ~ cane", ["tube"], f"There is no column 'cro'. Nearest: crow. {PRESENT}"),
        ("crow ~ cane", ["tubes"], f"There is no column 'tubes'. Nearest: tube. {PRESENT}"),
        ("crow ~ cane", ["lot:tubes"], f"There is no column 'tubes'. Nearest: tube. {PRESENT}"),
        ("crow ~ cane", "tube", 'groups is a list of names: write ["tube"].'),
        ("crow ~ cane", None, "groups is a list of names; write [] if there are none."),
        ("crow ~ cane", [3], "groups is a list of names; write [] if there are none."),
        (
            "crow ~ Wall (mm)",
            ["tube"],
            "The formula 'crow ~ Wall (mm)' cannot be read: Missing operator between `Wall` and "
            "`mm`. A header that is not a plain word stands in backticks, e.g. `Wall (mm)`.",
        ),
        ("~ cane", ["tube"], "The formula '~ cane' has no response: write 'response ~ terms'."),
        ("cane", ["tube"], "The formula 'cane' has no response: write 'response ~ terms'."),
        ("crow + wall ~ cane", [], "The formula 'crow + wall ~ cane' has more than one response."),
        ("crow ~ .", ["tube"], "The formula 'crow ~ .' has a '.': write the terms out instead."),
        (
            "crow ~ cane + (1 | tube)",
            [],
            "The formula 'crow ~ cane + (1 | tube)' cannot be read: Operator `|` is incorrectly "
            'used. Random terms are named apart: groups=["tube"].',
        ),
        (
            "crow ~ cane | tube",
            [],
            "The formula 'crow ~ cane | tube' has more than one right side. Random terms are "
            'named apart: groups=["tube"].',
        ),
        (
            "crow ~ wall.round(2).astype(str)",
            ["tube"],
            "The formula 'crow ~ wall.round(2).astype(str)' cannot be read: invalid syntax. A "
            "header that is not a plain word stands in backticks, e.g. `Wall (mm)`.",
        ),
        (
            "crow ~ C(cane, contr.treatment)",
            ["tube"],
            "C(cane, contr.treatment): C() takes one column and no coding of one's own. Categories "
            "are coded sum-to-zero, so that tests of type III mean what they say.",
        ),
        (
            "crow ~ cane * I(wall > 0.6)",
            ["tube"],
            "I(wall > 0.6): a comparison makes a category. Give it a column of its own.",
        ),
        (
            "crow ~ {wall.round(2).astype('str')}",
            ["tube"],
            "The term wall.round(2).astype('str') makes a category inside the formula. Give it a "
            "column of its own.",
        ),
    ],
)
def test_a_call_that_is_at_fault(reeds, formula, groups, text):
    assert _message(CallError, formula, reeds, groups) == text


def test_an_unknown_function(reeds):
    assert _message(CallError, "crow ~ logg(wall)", reeds, ["tube"]).startswith(
        "There is no function 'logg'. Nearest: log, "
    )


def test_a_column_that_stands_twice(reeds):
    table = pd.concat([reeds, reeds[["cane"]]], axis=1)
    assert _message(CallError, "crow ~ cane", table, ["tube"]) == (
        "The column 'cane' stands more than once in the data."
    )


@pytest.mark.parametrize(
    ("ask", "text"),
    [
        (
            lambda fit: fit.anova(method="kr"),
            "There is no method 'kr'; choose kenward-roger or satterthwaite.",
        ),
        (lambda fit: fit.anova(kind=1), "There is no test of type 1 here; choose 3 or 2."),
        (lambda fit: fit.anova(kind="III"), "There is no test of type 'III' here; choose 3 or 2."),
        (
            lambda fit: fit.pairs("cane", adjust="bonferroni"),
            "There is no correction 'bonferroni'; choose tukey, holm or none.",
        ),
        (
            lambda fit: fit.means("canes"),
            "There is no categorical factor 'canes'. Nearest: cane. Present: cane.",
        ),
        (
            lambda fit: fit.means("wall"),
            "There is no categorical factor 'wall'. Present: cane.",
        ),
        (
            lambda fit: fit.contrast([1, 0]),
            "A contrast of this model has 3 columns; this one has 2.",
        ),
        (
            lambda fit: fit.contrast([[0, 1, 0], [0, 0, 0]]),
            "A contrast needs numbers that are not all zero in every row.",
        ),
        (
            lambda fit: fit.predict(pd.DataFrame({"cane": ["a", "c"], "wall": 0.6})),
            "'cane' has no level c; it has a, b.",
        ),
        (
            lambda fit: fit.predict(pd.DataFrame({"cane": ["a"]})),
            "There is no column 'wall'. Present: cane.",
        ),
        (
            lambda fit: fit.predict(pd.DataFrame({"cane": ["a", "b"], "wall": [0.6, None]})),
            "'wall' is missing in row 1 of the new rows.",
        ),
    ],
)
def test_a_question_that_is_at_fault(reeds, ask, text):
    fit = fit_mixed("crow ~ cane + wall", reeds, ["tube"])
    with pytest.raises(CallError) as caught:
        ask(fit)
    assert str(caught.value) == text


def test_a_term_without_degrees_of_freedom():
    # Four tubes carry five means, the reeds next to nothing: Kenward-Roger has no answer.
    rng = np.random.default_rng(4)
    found = []
    for _ in range(200):
        table = pd.DataFrame({"y": rng.normal(size=10), "g": rng.integers(0, 5, 10).astype(str)})
        table["a"], table["w"] = rng.choice(list("pqr"), 10), rng.normal(size=10)
        table["y"] += 5 * rng.normal(size=5)[table["g"].astype(int)]
        try:
            answers = fit_mixed("y ~ a*w", table, ["g"]).anova()
        except ModelError as error:
            found.append(str(error))
            continue
        assert (answers["den_df"] > 0).all()
        assert answers["p_value"].between(0, 1).all()
    assert any(
        text.startswith("The term a") and "too few groups for it to be judged by" in text
        for text in found
    )
