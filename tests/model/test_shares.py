"""Shares of variance: the ends of their intervals, and how often these hold the truth."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq, minimize_scalar
from scipy.stats import chi2

from reedlab.model import fit_mixed, variance_shares

#: Half the drop of twice the log likelihood at the ends of a 95 % interval, by hand: 1.92.
DROP = chi2.ppf(0.95, 1) / 2


def one_way(tubes, reeds, share, rng):
    tube = np.repeat(np.arange(tubes), reeds)
    y = np.sqrt(share) * rng.normal(size=tubes)[tube]
    y = y + np.sqrt(1 - share) * rng.normal(size=len(tube))
    return pd.DataFrame({"y": y, "tube": [f"T{t}" for t in tube]})


def reml_of_share(rows, share):
    """Profile of the restricted likelihood by hand, with dense matrices: residual fitted out."""
    Z = pd.get_dummies(rows["tube"]).to_numpy(dtype=float)
    y, X = rows["y"].to_numpy(), np.ones((len(rows), 1))
    V = (1 - share) * np.eye(len(y)) + share * Z @ Z.T
    inverse = np.linalg.inv(V)
    A = X.T @ inverse @ X
    r = y - X @ np.linalg.solve(A, X.T @ inverse @ y)
    df = len(y) - 1
    scale = r @ inverse @ r / df
    return -(df * np.log(scale) + np.linalg.slogdet(V)[1] + np.linalg.slogdet(A)[1]) / 2


@pytest.mark.parametrize("seed", range(6))
def test_the_ends_lie_where_the_likelihood_has_dropped_by_1_92(seed):
    rng = np.random.default_rng(seed)
    rows = one_way(10, 3, 0.5, rng).drop(index=[1, 7, 8])  # unbalanced
    table = variance_shares(fit_mixed("y ~ 1", rows, ["tube"])).set_index("source")

    def profile(share):
        return reml_of_share(rows, share)

    best = minimize_scalar(lambda s: -profile(s), bounds=(0, 0.999), method="bounded")
    found = table.loc["tube"]
    assert found["share"] == pytest.approx(best.x, abs=1e-4)

    def above(share):
        return profile(share) + best.fun + DROP

    low = brentq(above, 0, best.x) if above(0) < 0 else 0.0
    high = brentq(above, best.x, 0.9999)
    assert found["conf_low"] == pytest.approx(low, abs=2e-3)
    assert found["conf_high"] == pytest.approx(high, abs=2e-3)
    rest = table.loc["residual"]
    assert [rest["conf_low"], rest["conf_high"]] == pytest.approx([1 - high, 1 - low], abs=4e-3)


def test_a_share_of_none_has_an_interval_that_begins_there():
    rng = np.random.default_rng(2)
    rows = one_way(8, 3, 0.0, rng)
    rows["y"] -= rows.groupby("tube")["y"].transform("mean")
    table = variance_shares(fit_mixed("y ~ 1", rows, ["tube"])).set_index("source")
    assert table.loc["tube", ["variance", "share", "conf_low"]].tolist() == [0, 0, 0]
    assert 0.05 < table.loc["tube", "conf_high"] < 0.5
    assert table.loc["residual", ["share", "conf_high"]].tolist() == [1, 1]


def test_shares_do_not_depend_on_unit_or_level():
    rows = one_way(9, 4, 0.3, np.random.default_rng(3))
    one = variance_shares(fit_mixed("y ~ 1", rows, ["tube"]))
    other = variance_shares(fit_mixed("y ~ 1", rows.assign(y=440 + 25.4 * rows["y"]), ["tube"]))
    columns = ["share", "conf_low", "conf_high"]
    np.testing.assert_allclose(one[columns], other[columns], atol=2e-4)
    np.testing.assert_allclose(one["variance"] * 25.4**2, other["variance"], rtol=1e-5)


def nested(rng, shares, lots=6, tubes=4, reeds=3):
    lot, tube = np.divmod(np.repeat(np.arange(lots * tubes), reeds), tubes)
    whole = lot * tubes + tube
    y = np.sqrt(shares["lot"]) * rng.normal(size=lots)[lot]
    y = y + np.sqrt(shares["tube"]) * rng.normal(size=lots * tubes)[whole]
    y = y + np.sqrt(shares["residual"]) * rng.normal(size=len(lot))
    return pd.DataFrame({"y": y, "lot": lot.astype(str), "tube": whole.astype(str)})


def coverage(make, groups, shares, count, seed):
    """How often each interval holds its true share, and how wide it is on average."""
    rng = np.random.default_rng(seed)
    held, width = [], []
    for _ in range(count):
        table = variance_shares(fit_mixed("y ~ 1", make(rng), groups)).set_index("source")
        truth = pd.Series(shares)[table.index]
        held.append((table["conf_low"] <= truth) & (truth <= table["conf_high"]))
        width.append(table["conf_high"] - table["conf_low"])
    return pd.DataFrame({"truth": shares, "covers": sum(held) / count, "width": sum(width) / count})


@pytest.mark.slow
def test_intervals_of_shares_cover():
    parts = {}
    for share in (0.0, 0.2, 0.4, 0.7):
        shares = {"tube": share, "residual": 1 - share}
        parts[f"8 x 3, {share:.1f}"] = coverage(
            lambda rng, share=share: one_way(8, 3, share, rng), ["tube"], shares, 500, 1
        )
    for lot, tube in ((0.1, 0.4), (0.3, 0.3), (0.0, 0.5)):
        shares = {"lot": lot, "tube": tube, "residual": 1 - lot - tube}
        parts[f"6 x 4 x 3, {lot:.1f} {tube:.1f}"] = coverage(
            lambda rng, shares=shares: nested(rng, shares), ["lot", "tube"], shares, 500, 2
        )
    table = pd.concat(parts, names=["layout", "source"])
    print(
        "\nIntervals of shares of variance, 500 invented data sets each; one standard error of a\n"
        f"coverage of 95 % is 1 point\n{table.round(3).to_string()}"
    )
    assert (table["covers"] >= 0.90).all(), table
    assert table["covers"].mean() >= 0.93
