"""Residuals, the influence of single tubes, and factors that went together."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from statsmodels.stats.outliers_influence import variance_inflation_factor

from reedlab.analyse import collinearity, drivers, influence, residuals
from reedlab.errors import ModelError
from reedlab.model import fit_mixed
from reedlab.schema import Factor
from tests.analyse.build import GOUGE, KEPT, SHAPE, batch


def planted():
    """The invented batch with one tube (T04, gouged thicker) far out."""
    rows = batch()
    rows.loc[rows["tube_id"] == "T04", "crow"] += 60
    return rows


def test_residuals_are_observed_minus_fitted_row_by_row(study):
    rows = batch()
    found = residuals(study(rows), "crow")
    table = found.table.set_index("row").sort_index()
    assert table.index.tolist() == list(range(2, 26))
    observed = table["fitted"] + table["residual"]
    assert observed.to_numpy() == pytest.approx(rows["crow"].to_numpy())
    fit = fit_mixed("crow ~ gouge + shape", rows, ["tube_id"], bounded=False)
    assert table["residual"].to_numpy() == pytest.approx(fit.residuals.to_numpy())
    assert found.table["residual"].abs().is_monotonic_decreasing
    assert set(found.table["file"]) == {"reeds.csv"}
    assert found.sentence == "No row lies more than 3 standard deviations from its fitted value."


def test_residuals_without_tubes_are_those_of_least_squares(study):
    rows = batch().drop(columns=["tube_id", "gouge"])
    found = residuals(study(rows, [SHAPE]), "crow").table.set_index("row").sort_index()
    ordinary = smf.ols("crow ~ shape", rows).fit()
    assert found["residual"].to_numpy() == pytest.approx(ordinary.resid.to_numpy())


def test_a_slip_of_the_pen_is_named_by_its_row(study):
    rows = batch()
    rows.loc[9, "crow"] += 150
    found = residuals(study(rows), "crow")
    assert found.table["row"].iloc[0] == 11
    assert found.sentence == (
        "1 of 24 rows lie more than 3 standard deviations from their fitted value; look at rows "
        "11 of reeds.csv."
    )


def test_leaving_a_tube_out_is_a_refit_without_it(study):
    rows = planted()
    found = influence(study(rows), "crow")
    assert len(found.table) == 8 * 2
    whole = drivers(study(rows, name="again"), "crow").table.set_index("term")
    for tube in ("T04", "T01"):
        rest = rows[rows["tube_id"] != tube]
        refit = fit_mixed("crow ~ gouge + shape", rest, ["tube_id"])
        slope = refit.coefficients[refit.fixed.terms["gouge"]][0] * 0.05
        row = found.table[found.table["tube_left_out"] == tube].set_index("term").loc["gouge"]
        assert row["estimate"] == pytest.approx(slope, rel=1e-6)
        assert row["estimate_all"] == pytest.approx(whole.loc["gouge", "estimate"])
        assert row["std_error"] == pytest.approx(whole.loc["gouge", "std_error"])
        assert row["change"] == pytest.approx(row["estimate"] - row["estimate_all"])


def test_the_planted_tube_is_the_most_influential(study):
    found = influence(study(planted()), "crow")
    top = found.table.iloc[0]
    assert (top["tube_left_out"], top["term"]) == ("T04", "gouge")
    assert found.sentence.startswith(
        "The most influential tube is T04: without it the effect of gouge (+0.05 mm) is "
    )
    sizes = (found.table["change"] / found.table["std_error"]).abs()
    assert sizes.is_monotonic_decreasing
    # Nothing but that tube makes the effect: 60 cents on one of four tubes are 15.
    assert top["change"] == pytest.approx(-15, abs=5)


def test_a_tube_that_holds_a_level_alone_is_named(study):
    rows = batch().assign(gouge=np.repeat([1.25, 1.25, 1.25, 1.25, 1.25, 1.25, 1.25, 1.3], 3))
    found = influence(study(rows), "crow")
    assert (
        "Without tube T08: gouge: one level only (1.25); there is nothing to compare."
        in found.cautions
    )
    gouge = found.table[found.table["term"] == "gouge"]
    assert sorted(gouge["tube_left_out"]) == [f"T{i:02}" for i in range(1, 8)]


def test_a_step_chosen_from_the_record_is_the_same_without_a_tube(study):
    density = Factor("density", stratum="tube", kind="numeric")
    rows = batch().assign(density=np.repeat([500.0, 520, 530, 545, 560, 590, 610, 900], 3))
    found = influence(study(rows, [density]), "crow").table
    assert found["contrast"].nunique() == 1
    assert len(found) == 8


def test_contrasts_against_a_level_that_went_with_its_tube_are_not_compared(study):
    profile = Factor("profile", ("A", "B", "C"), "tube")
    rows = batch().assign(profile=np.repeat(["A", "B", "B", "B", "C", "C", "C", "C"], 3))
    found = influence(study(rows, [profile]), "crow").table
    assert set(found["contrast"]) == {"B - A", "C - A"}
    assert "T01" not in set(found["tube_left_out"])


def test_influence_on_kept_is_in_percentage_points(study):
    rows = batch().assign(fate=np.resize(["kept", "discarded", "discarded", "kept", "kept"], 24))
    found = influence(study(rows, [GOUGE], [KEPT]), "kept")
    whole = drivers(study(rows, [GOUGE], [KEPT], name="again"), "kept").table.iloc[0]
    assert found.table["estimate_all"].iloc[0] == pytest.approx(whole["estimate"])
    assert found.table["unit"].unique().tolist() == ["percentage points"]


def test_two_tubes_are_too_few_to_leave_one_out(study):
    with pytest.raises(
        ModelError,
        match=r"No tube can be left out\.\nWithout tube T01 there is no model: The group",
    ):
        influence(study(batch(tubes=2, per_tube=6), [SHAPE]), "crow")


def tied_season():
    rows = batch(tubes=12)
    rng = np.random.default_rng(4)
    tube = pd.factorize(rows["tube_id"])[0]
    dense = rng.normal(560, 40, 12)
    rows["density"] = dense[tube]
    rows["hardness"] = (20 - 0.05 * (dense - 560) + rng.normal(0, 0.4, 12))[tube]
    rows["soak"] = rng.normal(180, 20, len(rows))
    rows["profile"] = rng.choice(["A", "B", "C"], len(rows))
    numbers = [Factor(name, stratum="tube", kind="numeric") for name in ("density", "hardness")]
    return rows, [*numbers, Factor("soak", kind="numeric"), Factor("profile")]


def test_collinearity_is_what_the_other_factors_explain(study):
    rows, factors = tied_season()
    found = collinearity(study(rows, factors[:3]), "crow")
    columns = np.column_stack([np.ones(len(rows)), rows[["density", "hardness", "soak"]]])
    for place, name in enumerate(["density", "hardness", "soak"], start=1):
        row = found.table.set_index("term").loc[name]
        expected = variance_inflation_factor(columns, place)
        assert row["inflation"] == pytest.approx(expected, rel=1e-8)
        assert row["r_squared"] == pytest.approx(1 - 1 / expected, rel=1e-8)
        others = [other for other in ("density", "hardness", "soak") if other != name]
        ordinary = smf.ols(f"{name} ~ {' + '.join(others)}", rows).fit()
        assert row["r_squared"] == pytest.approx(ordinary.rsquared, rel=1e-8)
    assert found.table["inflation"].is_monotonic_decreasing
    assert found.sentence.startswith(
        "Tied to the other factors, so that effects can hardly be told apart: "
    )
    for name in ("density", "hardness"):
        assert f"{name} (9" in found.sentence
    assert "soak" not in found.sentence


def test_a_category_is_taken_whole(study):
    """Fox & Monette (1992): det(own) det(others) / det(all), to the power 1 / columns."""
    rows, factors = tied_season()
    table = collinearity(study(rows, factors), "crow").table.set_index("term")
    dummies = pd.get_dummies(rows["profile"], drop_first=True).to_numpy(dtype=float)
    others = rows[["density", "hardness", "soak"]].to_numpy()
    both = np.corrcoef(np.hstack([dummies, others]), rowvar=False)
    expected = np.linalg.det(both[:2, :2]) * np.linalg.det(both[2:, 2:]) / np.linalg.det(both)
    assert table.loc["profile", "inflation"] == pytest.approx(expected**0.5, rel=1e-8)


def test_factors_that_have_nothing_to_do_with_each_other_are_said_to(study):
    rows = batch(per_tube=4)
    found = collinearity(study(rows), "crow")
    assert found.table["inflation"].tolist() == pytest.approx([1, 1])
    assert found.table["r_squared"].tolist() == pytest.approx([0, 0], abs=1e-9)
    assert found.sentence.startswith("No factor is tied to the others: the most, ")


def test_the_invented_season_ties_the_wires_to_the_density(demo_season):
    names = ["density_kg_m3", "wire_tension", "shape", "soak_min"]
    table = collinearity(demo_season, "crow_cents", names).table.set_index("term")
    for name in ("density_kg_m3", "wire_tension"):
        assert table.loc[name, "r_squared"] > 0.2
    for name in ("shape", "soak_min"):
        assert table.loc[name, "r_squared"] < 0.15
