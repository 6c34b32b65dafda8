"""Firth's logistic regression against published and independently computed values."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from firthmodels import FirthLogisticRegression
from scipy.optimize import brentq
from scipy.special import expit

from reedlab.errors import CallError, ModelError
from reedlab.model.firth import fit_firth
from tests.reference.compare import compare

#: R 4.2.2 with brglm2, and published values; each entry of the file names its own.
REFERENCE = json.loads(Path(__file__).parents[1].joinpath("reference/firth.json").read_text())


def _data(name: str) -> pd.DataFrame:
    return pd.DataFrame(REFERENCE[name]["data"], columns=REFERENCE[name]["columns"])


@pytest.fixture(scope="module")
def endometrial():
    return fit_firth("HG ~ NV + PI + EH", _data("endometrial"))


@pytest.fixture(scope="module")
def urinary():
    data = _data("urinary")
    rows = data.loc[data.index.repeat(data["count"])].reset_index(drop=True)
    return fit_firth("case ~ age + oc + vic + vicl + vis + dia", rows)


def test_endometrial_coefficients(endometrial):
    # R, brglm2; its own iterations stop near 1e-7.
    compare(endometrial.coefficients, REFERENCE["endometrial"]["coefficients"], rtol=1e-6)


def test_endometrial_published_tests_and_limits(endometrial):
    # Heinze & Schemper (2002), printed to six decimals from iterations stopped near 1e-5.
    compare(endometrial.coefficients, REFERENCE["endometrial"]["published"]["rows"], rtol=1e-4)


def test_small_table_with_an_empty_level():
    fit = fit_firth("keep ~ I(gouge/0.05) + harvest", _data("small"))
    compare(
        fit.coefficients.replace({"term": {"I(gouge / 0.05)": "I(gouge/0.05)"}}),
        REFERENCE["small"]["coefficients"],  # R, brglm2
        rtol=1e-6,
    )
    assert fit.separated == ("gouge=-0.05: 0 of 8 rows have keep=1.",)


def test_urinary_published(urinary):
    published = REFERENCE["urinary"]["published"]  # output of R's logistf
    compare(urinary.coefficients, published["rows"], rtol=2e-4)
    assert urinary.loglik == pytest.approx(published["loglik"], abs=1e-5)


@pytest.mark.parametrize("name", ["endometrial", "urinary"])
def test_many_columns_at_once(name, request):
    # Published likelihood ratio of all covariates together: logistf and Heinze & Schemper.
    fit = request.getfixturevalue(name)
    published = REFERENCE[name]["published"]
    statistic, _ = fit._test(slice(1, 1 + published["lr_df"]))
    assert statistic == pytest.approx(published["lr_statistic"], rel=1e-6)


def test_anova_of_a_many_level_term_is_the_same_in_any_coding():
    # The penalty is Jeffreys' prior, which no change of coding alters: three levels as
    # text, as two hand-made treatment columns, and in another order of the levels.
    rng = np.random.default_rng(3)
    shape, x = np.repeat(list("abc"), 10), rng.normal(size=30)
    kept = rng.random(30) < expit(-1 + (shape == "c") * 1.5 + 0.5 * x)
    data = pd.DataFrame(
        {"kept": kept, "shape": shape, "x": x, "b": 1.0 * (shape == "b"), "c": 1.0 * (shape == "c")}
    )
    named = fit_firth("kept ~ x + shape", data)
    hand = fit_firth("kept ~ x + b + c", data)
    turned = data.assign(shape=pd.Categorical(shape, ["c", "a", "b"]))
    statistic = named.anova().set_index("term").loc["shape", "statistic"]
    assert statistic == pytest.approx(hand._test(slice(2, 4))[0], rel=1e-9)
    assert fit_firth("kept ~ x + shape", turned).anova().statistic[1] == pytest.approx(statistic)
    assert named.anova().num_df.tolist() == [1, 2]
    # One-column terms: the same numbers as the coefficients, and as the library's own test.
    library = FirthLogisticRegression(gtol=1e-8, xtol=1e-8).fit(data[["x", "b", "c"]], kept).lrt()
    assert list(hand.coefficients.p_value[1:]) == pytest.approx(library.lrt_pvalues_[:3], rel=1e-6)
    assert list(hand.anova().p_value) == pytest.approx(list(hand.coefficients.p_value[1:]))


def test_separation_is_named_and_the_answer_finite():
    # known trap A9: 1 of 6 and 6 of 6; penalised log odds ratio 3.864.
    data = pd.DataFrame({"soft": [0] * 6 + [1] * 6, "kept": [True] + [False] * 5 + [True] * 6})
    fit = fit_firth("kept ~ soft", data)
    assert fit.coefficients.estimate[1] == pytest.approx(3.864, abs=5e-4)
    assert fit.separated == (
        "soft=1: 6 of 6 rows have kept=1.",
        "Ordinary logistic regression has no finite estimate here for: soft.",
    )
    as_text = fit_firth("kept ~ soft", data.assign(soft=data.soft.map({0: "no", 1: "yes"})))
    assert as_text.separated[0] == "soft=yes: 6 of 6 rows have kept=1."
    assert as_text.difference("soft", "no", "yes").estimate[0] == pytest.approx(
        fit.difference("soft", 0, 1).estimate[0]
    )


def test_separation_by_a_cut_a_cell_and_a_pair():
    n = 12
    x = np.arange(n) / 10
    cut = fit_firth("kept ~ x", pd.DataFrame({"kept": (x > 0.75) * 1, "x": x}))
    assert cut.separated[0] == (
        "x: all 4 rows with kept=1 lie at or above 0.8 and all 8 others at or on the far "
        "side of it."
    )
    a, b = np.repeat(list("pq"), n), np.tile(list("xy"), n)
    kept = np.where((a == "p") & (b == "x"), 0, np.tile([1, 0, 0, 1], n // 2))
    cell = fit_firth("kept ~ a * b", pd.DataFrame({"kept": kept, "a": a, "b": b}))
    assert "a=p, b=x: 0 of 6 rows have kept=1." in cell.separated
    # Two numbers of which neither parts the rows alone, but their sum does.
    rng = np.random.default_rng(0)
    u, v = rng.normal(size=(2, 40))
    pair = fit_firth("kept ~ u + v", pd.DataFrame({"kept": (u + v > 0.5) * 1, "u": u, "v": v}))
    assert pair.separated == (
        "Ordinary logistic regression has no finite estimate here for: u, v.",
    )


def test_units_change_nothing_but_the_scale(endometrial):
    data = _data("endometrial").assign(PI=lambda d: d["PI"] / 25400 + 3)
    moved = fit_firth("HG ~ NV + PI + EH", data).coefficients.set_index("term")
    still = endometrial.coefficients.set_index("term")
    columns = ["estimate", "std_error", "conf_low", "conf_high"]
    assert list(moved.loc["PI", columns] / 25400) == pytest.approx(
        list(still.loc["PI", columns]), rel=1e-5
    )
    assert list(moved.loc["EH", columns]) == pytest.approx(list(still.loc["EH", columns]), rel=1e-5)
    assert list(moved.p_value[1:]) == pytest.approx(list(still.p_value[1:]), rel=1e-5)


def test_difference_of_two_groups_by_hand():
    # With one two-level factor Firth's estimate adds half an event to each cell:
    # 1.5/7 and 6.5/7 (Firth 1993, section 3.3, saturated tables).
    data = pd.DataFrame({"soft": [0] * 6 + [1] * 6, "kept": [1] + [0] * 5 + [1] * 6})
    found = fit_firth("kept ~ soft", data).difference("soft", 0, 1).iloc[0]
    assert found.estimate == pytest.approx(5 / 7, abs=1e-9)

    # Its penalised likelihood is then that of 1.5 of 7 and 6.5 of 7: profile it by search.
    def loglik(p, q):
        return 1.5 * np.log(p) + 5.5 * np.log1p(-p) + 6.5 * np.log(q) + 0.5 * np.log1p(-q)

    def profile(d):
        p = np.linspace(max(0, -d), min(1, 1 - d), 400_001)[1:-1]
        return loglik(p, p + d).max() - loglik(1.5 / 7, 6.5 / 7) + 3.841458821 / 2

    assert found.conf_low == pytest.approx(brentq(profile, -0.2, 5 / 7), abs=1e-5)
    assert found.conf_high == pytest.approx(brentq(profile, 5 / 7, 0.999), abs=1e-5)


def test_difference_agrees_with_the_test_of_its_coefficient():
    # Without interactions the difference is zero exactly when the coefficient is.
    rng = np.random.default_rng(8)
    seen = set()
    for _ in range(60):
        x, z = rng.normal(size=(2, 24))
        data = pd.DataFrame({"y": (rng.random(24) < expit(-1 + 1.2 * x)) * 1, "x": x, "z": z})
        fit = fit_firth("y ~ x + z", data)
        limits = fit.difference("x", -1, 1).iloc[0]
        significant = fit.anova().p_value[0] < 0.05
        assert significant == (limits.conf_low > 0 or limits.conf_high < 0)
        seen.add(bool(significant))
    assert seen == {True, False}


def _coverage(slope: float, batches: int, seed: int) -> tuple[float, float, float]:
    """Share of batches (24 rows, 25 % events) whose interval holds the true difference."""
    rng = np.random.default_rng(seed)
    x, z = np.tile([0.0, 1.0], 12), np.repeat([0.0, 1.0], 12)
    base = brentq(lambda b: expit(b + slope * x + 0.5 * z).mean() - 0.25, -9, 5)
    truth = (expit(base + slope + 0.5 * z) - expit(base + 0.5 * z)).mean()
    limits = []
    while len(limits) < batches:
        y = (rng.random(24) < expit(base + slope * x + 0.5 * z)) * 1
        if 0 < y.sum() < 24:
            fit = fit_firth("y ~ x + z", pd.DataFrame({"y": y, "x": x, "z": z}))
            limits.append(fit.difference("x", 0, 1).iloc[0])
    low = np.array([limit.conf_low for limit in limits])
    high = np.array([limit.conf_high for limit in limits])
    covered = ((low <= truth) & (truth <= high)).mean()
    return covered, ((low > 0) | (high < 0)).mean(), (high - low).mean()


@pytest.mark.slow
@pytest.mark.parametrize("slope", [0.0, 1.0, 2.0, 3.5])
def test_difference_interval_covers(slope):
    # Measured with 800 batches (Monte Carlo error 0.8 points): 95.0, 96.1, 96.5, 95.9 %;
    # a true difference of zero was rejected in 5.0 %.
    covered, rejected, width = _coverage(slope, batches=800, seed=11)
    print(f"slope {slope}: covered {covered:.4f}, excludes zero {rejected:.4f}, width {width:.3f}")
    assert 0.935 <= covered <= 0.98
    assert slope > 0 or rejected <= 0.06


def test_no_limit_is_lost_on_small_separated_tables():
    # 150 tables of 24 rows with strong effects: every limit exists and brackets its estimate.
    rng = np.random.default_rng(5)
    for _ in range(150):
        gouge, tip = rng.choice([-1, 0, 1], 24), rng.normal(size=24)
        kept = rng.random(24) < expit(-1.1 + 2.5 * gouge)
        if not kept.any():
            continue
        table = fit_firth(
            "kept ~ gouge + tip", pd.DataFrame({"kept": kept, "gouge": gouge, "tip": tip})
        ).coefficients
        assert (table.conf_low < table.estimate).all()
        assert (table.estimate < table.conf_high).all()


def test_rows_left_out_are_named_and_booleans_with_gaps_accepted():
    data = pd.DataFrame(
        {"kept": [True, None, False, False, True, False, True], "x": [1.0, 2, 3, None, 5, 6, 7]},
        index=[f"r{i}" for i in range(7)],
    )
    fit = fit_firth("kept ~ x", data)
    assert fit.part.left_out.row.tolist() == ["r1", "r3"]
    assert len(fit.part.y) == 5


@pytest.mark.parametrize(
    ("values", "shown"), [(["yes", "no", "no", "yes"], "yes, no"), ([1, 2, 1, 2], "1, 2")]
)
def test_other_codings_are_refused_in_one_sentence(values, shown):
    data = pd.DataFrame({"kept": values, "x": [1.0, 2, 3, 5]})
    with pytest.raises(ModelError) as caught:
        fit_firth("kept ~ x", data)
    assert str(caught.value) == (
        f"The response 'kept' must be True/False or 1/0; it holds {shown}."
    )


def test_a_response_that_never_happens_and_a_wrong_variable_are_said():
    data = pd.DataFrame({"kept": [False] * 6, "x": range(6)})
    with pytest.raises(ModelError, match="the same"):
        fit_firth("kept ~ x", data)
    fit = fit_firth("kept ~ x", data.assign(kept=[True, False] * 3))
    with pytest.raises(CallError, match="no variable 'gauge'; it has x"):
        fit.difference("gauge", 0, 1)


def test_any_header_works_and_is_shown_as_typed():
    data = pd.DataFrame(
        {
            "kept?": [1, 0, 0, 1, 1, 0],
            "Wall (mm)": [1.0, 2, 4, 3, 5, 2],
            "size-average": list("abcabc"),
        }
    )
    fit = fit_firth("`kept?` ~ `Wall (mm)` + `size-average`", data)
    assert fit.part.column_names == (
        "1",
        "Wall (mm)",
        "size-average[a]",
        "size-average[b]",
    )
    assert fit.difference("Wall (mm)", 1, 2).contrast[0] == "2 - 1"
