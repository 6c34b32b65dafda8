"""The test whose power is told is the one that `drivers` makes, and it is told fast."""

import time
import warnings

import numpy as np
import pandas as pd
import pytest
from scipy.stats import f, f_oneway

from reedlab.errors import ModelError
from reedlab.model import fit_mixed
from reedlab.model.inference import METHODS, basis
from reedlab.model.kernel import build_kernel
from reedlab.model.reml import fit_reml
from reedlab.plan.strength.counted import answers
from reedlab.plan.strength.design import design_of
from reedlab.plan.strength.keeping import _found, _kept, share_found
from reedlab.plan.strength.power import power
from reedlab.plan.strength.rows import Layout, rows_of
from reedlab.schema import Factor
from tests.analyse.test_calibration_keeping import as_drivers_does
from tests.analyse.test_calibration_keeping import layout as keeping_layout
from tests.model import test_calibration as calibration
from tests.plan.power_batches import two_factors

LOTS = [0, 0, 1, 1, 0, 1, 0, 1, 0]


@pytest.mark.parametrize(
    ("stratum", "tubes", "reeds", "levels"),
    [("tube", 8, 3, 2), ("tube", 3, 3, 2), ("tube", 4, 3, 3), ("reed", 6, 4, 2), ("reed", 9, 1, 2)],
)
def test_where_one_stratum_tells_all_it_is_the_classical_test(stratum, tubes, reeds, levels):
    rows = Layout(tubes, reeds, stratum, levels, 1, 1).rows()
    design, rng = design_of(rows), np.random.default_rng(4)
    tube, level = rows.data["tube_id"].to_numpy(), rows.data["factor"].to_numpy()
    Y = 0.3 * rng.normal(size=(tubes, 400))[tube] + rng.normal(size=(len(tube), 400))
    assert design.stratum_of(design.terms[0]) is not None
    found = answers(design, design.kernel.project(Y), 1.0)["factor"]
    if stratum == "tube":  # means of tubes; else differences from them
        Y, level = Y.reshape(tubes, reeds, -1).mean(axis=1), level[::reeds]
    lost = 0
    if stratum == "reed" and reeds > 1:
        Y, lost = Y - (Y.reshape(tubes, reeds, -1).mean(axis=1))[tube], tubes - 1
    groups = [Y[level == one] for one in np.unique(level)]
    df = len(Y) - levels - lost
    F = f_oneway(*groups).statistic * df / (len(Y) - levels)
    # With hardly any degrees of freedom the error is now and then held at its floor.
    same = np.isclose(found[0], F, rtol=1e-4)
    assert same.all() if df > 2 else same.mean() > 0.85
    assert (found[0] <= F * (1 + 1e-4)).all()
    np.testing.assert_allclose(found[3], f.isf(0.05, levels - 1, df), rtol=1e-6)


@pytest.mark.parametrize("lots", [(), LOTS])
def test_every_simulated_batch_is_tested_as_fit_mixed_does(lots):
    rows = rows_of(two_factors([2, 2, 2, 3, 3, 3, 4, 2, 5], lots))
    design = design_of(rows)
    rng = np.random.default_rng(2)
    tube = pd.factorize(rows.data["tube_id"])[0]
    Y = 0.5 * rng.normal(size=(9, 25))[tube] + rng.normal(size=(len(tube), 25))
    found = answers(design, design.kernel.project(Y), 1.0)
    effect = {"gouge": 0.7, "shape": 1.1}
    data = rows.data.assign(
        gouge=np.where(rows.data["gouge"] == 1.3, "b", "a"), lot=rows.data["lot_id"]
    )
    block = "lot + " if lots else ""
    for term, size in effect.items():
        a, b, c, bar = found[term]
        high = (data[term] == {"gouge": "b", "shape": "wide"}[term]).to_numpy()
        for i, y in enumerate(Y.T):
            moved = data.assign(y=y + size * high)
            fit = fit_mixed(f"y ~ {block}gouge + shape", moved, ["tube_id"], bounded=False)
            test = fit.anova().set_index("term").loc[term]
            F = a[i] + 2 * b[i] * size + c[i] * size**2
            assert pytest.approx(test["statistic"], rel=1e-4, abs=1e-7) == F
            assert (bar[i] < F) == (test["p_value"] < 0.05)


@pytest.mark.parametrize("name", ["8 x 3", "9, 2-5"])
def test_power_and_level_as_the_calibration_measures_them(name):
    sizes = calibration.LAYOUTS[name]
    design, share = calibration._two_levels(sizes), 0.4
    Y = calibration._batches(design, share, 4000, seed=5)
    theirs = calibration._kenward_roger(design, Y, bounded=False)
    batch = two_factors(sizes)
    ours = power(batch, effect=calibration.EFFECT, variance={"tube": share, "reed": 1 - share})
    for term, theirs_of in zip(("gouge", "shape"), ("tube", "reed"), strict=True):
        p = theirs[theirs_of].power(calibration.EFFECT / 2)
        mine = ours.table.set_index("term").loc[term, "power"]
        assert abs(mine - p) < 3 * np.sqrt(p * (1 - p) * (1 / 4000 + 1 / 20000))
        level = ours.tests[term].power(0.0)
        assert abs(level - theirs[theirs_of].level) < 3 * np.sqrt(0.05 * 0.95 * 6 / 20000)


@pytest.mark.parametrize("term", ["gouge", "shape"])
def test_kept_or_discarded_as_drivers_judges_it(term):
    made, _ = keeping_layout()
    batch = two_factors([3] * 8)
    rows = rows_of(batch)
    assert (rows.data["shape"].to_numpy() == made["shape"].to_numpy()).all()
    assert (rows.data["gouge"].to_numpy() == made["gouge"].to_numpy()).all()
    design = design_of(rows)
    asked = next(one for one in design.terms if one.name == term)
    variance = {"tube": 0.2, "reed": 0.8}
    Y = _kept(rows, asked, (0.1, 0.8), variance, 30, np.random.default_rng(6))
    found = _found(rows, design, asked, Y)
    factors = (
        Factor("gouge", stratum="tube", kind="numeric", unit="mm", step=0.05),
        Factor("shape", ("narrow", "wide")),
    )

    def judged(y):
        try:
            return as_drivers_does(made.assign(kept=y), factors).loc[term, "p_value"] < 0.05
        except ModelError:  # the one level all kept, the other none: drivers gives no answer
            return False

    theirs = [judged(y) for y in Y.T]
    assert found.tolist() == theirs
    assert 0 < sum(theirs) < 30


def test_keep_rates():
    answer = power(tubes=8, reeds_per_tube=3, keep_rates=(0.25, 0.50))
    row = answer.table.iloc[0]
    assert 0.15 < row["power"] < 0.35
    assert row["mc_error"] == pytest.approx(np.sqrt(row["power"] * (1 - row["power"]) / 5000))
    assert answer.sentence == (
        f"25 % to 50 % kept: this batch would show it in {10 * row['power']:.0f} of 10 tries; "
        f"about {row['needed']:.0f} times as many reeds are needed for 8 of 10. Use the crow or "
        "the rating as the response, or pool batches."
    )
    many = power(tubes=8 * int(row["needed"]), reeds_per_tube=3, keep_rates=(0.25, 0.50))
    assert many.table["power"][0] == pytest.approx(0.8, abs=0.07)
    assert "Use the crow" not in power(tubes=60, reeds_per_tube=3, keep_rates=(0.1, 0.6)).sentence
    # Where tubes make up much of a reed's fate, what is given to them is harder to find.
    tube = {"tubes": 20, "reeds_per_tube": 4, "stratum": "tube", "keep_rates": (0.25, 0.6)}
    alike, apart = (
        power(**tube, variance={"tube": share, "reed": 1 - share}).table["power"][0]
        for share in (0.0, 0.6)
    )
    assert alike > apart + 0.2


def test_keep_rates_of_a_batch():
    answer = power(
        two_factors([3] * 8, terms=("gouge", "shape", "gouge:shape")), keep_rates=(0.2, 0.7)
    )
    assert answer.table["term"].tolist() == ["gouge", "shape"]
    assert any(text.startswith("gouge:shape is left out") for text in answer.cautions)
    assert answer.sentence.startswith("gouge, 20 % to 70 % kept: this batch would show it in")
    ax = answer.plot()
    assert ax.get_title("left") == "keep rate from 20 % to 70 %; simulated"
    assert answer.lines["x"].tolist()[:3] == [1, 2, 3]


def test_no_more_null_batches_are_called_an_effect_than_drivers_calls():
    for stratum in ("tube", "reed"):
        rows = Layout(8, 3, stratum, 2, 1, 1).rows()
        found = share_found(rows, "factor", (0.25, 0.25), {"tube": 0.2, "reed": 0.8}, 4000, 1)
        assert 0.01 < found < 0.06 + 0.01


def _seconds(work, runs):
    """Processor time of the quickest of some runs."""
    taken = []
    for _ in range(runs):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


def _simulated(stratum):
    power(tubes=8, reeds_per_tube=3, stratum=stratum, effect=1.0, simulations=20_000, seed=1)


@pytest.mark.parametrize("stratum", ["tube", "reed"])
def test_twenty_thousand_batches_take_less_than_a_fifth_of_a_second(stratum):
    _simulated(stratum)
    assert _seconds(lambda: _simulated(stratum), 3) < 0.2


@pytest.mark.slow
@pytest.mark.parametrize("stratum", ["tube", "reed"])
def test_thousands_of_times_as_fast_as_one_by_one(stratum):
    from statsmodels.regression.mixed_linear_model import MixedLM

    design = design_of(Layout(8, 3, stratum, 2, 1, 1).rows())
    rng, tube = np.random.default_rng(1), np.repeat(np.arange(8), 3)
    Y = np.sqrt(0.4) * rng.normal(size=(8, 40))[tube] + np.sqrt(0.6) * rng.normal(size=(24, 40))

    def theirs():
        for y in Y.T:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                MixedLM(y, design.matrix, tube).fit(reml=True)

    _simulated(stratum)
    ours = _seconds(lambda: _simulated(stratum), 5) / 20_000
    each = _seconds(theirs, 2) / 40
    numbers = _seconds(lambda: rng.normal(size=(32, 20_000)), 5) / 20_000
    print(f"\n{1e6 * ours:.2f} µs, {1e3 * each:.1f} ms, numbers {1e6 * numbers:.2f} µs a batch")
    assert each / ours >= 3000
    assert ours / numbers <= 20


@pytest.mark.slow
@pytest.mark.parametrize("lost", [(), (3, 17, 30, 41)], ids=["balanced", "four tests lost"])
def test_three_variances_a_hundred_times_as_fast_as_one_by_one(lost):
    from statsmodels.regression.mixed_linear_model import MixedLM

    reed = np.delete(np.repeat(np.arange(24), 2), lost)
    codes = {"tube": reed // 3, "session": np.delete(np.tile([0, 1], 24), lost), "reed": reed}
    Q, R = np.linalg.qr(np.column_stack([np.ones(len(reed)), (reed // 3 + reed % 3) % 2]))
    L = np.linalg.solve(R.T, np.eye(2)[:, [1]]).T
    rng = np.random.default_rng(1)
    Y = rng.normal(size=(len(reed), 500))
    for code in codes.values():
        Y += 0.8 * rng.normal(size=(code.max() + 1, 500))[code]

    def ours():
        fits = fit_reml(build_kernel(Q, [*codes.values()]), Y - Q @ (Q.T @ Y))
        return basis(fits, METHODS[0], bounded=False).test(L)

    table = pd.DataFrame(codes).assign(level=Q[:, 1])
    parts = {name: f"0 + C({name})" for name in codes}

    def theirs():
        for y in Y.T[:6]:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                MixedLM.from_formula(
                    "y ~ level", table.assign(y=y), groups=np.zeros(len(reed)), vc_formula=parts
                ).fit(reml=True)

    ours()
    one, each = _seconds(ours, 4) / 500, _seconds(theirs, 2) / 6
    print(f"\n{1e6 * one:.0f} µs and {1e3 * each:.1f} ms a batch: {each / one:.0f} times")
    assert each / one >= 100


def test_few_tubes_have_few_ways_to_be_given_levels():
    asked = {"tubes": 8, "reeds_per_tube": 3, "stratum": "tube", "keep_rates": (0.2, 0.6)}
    (caution,) = [c for c in power(**asked, simulations=100).cautions if "ways" in c]
    # 8 choose 4; with two lots of four tubes each it is the square of 4 choose 2.
    assert caution.startswith("factor: a plan has only 70 ways to give these levels to tubes of")
    (caution,) = [c for c in power(**asked, lots=2, simulations=100).cautions if "ways" in c]
    assert "only 36 ways" in caution
    many = power(**(asked | {"tubes": 20}), simulations=100)
    assert not any("ways" in c for c in many.cautions)
