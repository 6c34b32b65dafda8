"""Pictures hold what the tables hold: artists and numbers, not pixels."""

import numpy as np
import pytest
from matplotlib.figure import Figure

from reedlab import charts
from reedlab.analyse import collinearity, drivers, influence, keep_rate, residuals
from reedlab.errors import CallError
from reedlab.schema import Factor, Response
from tests.analyse.build import batch


def drawn(ax, marker):
    """Places of all points with that marker, shape (points, 2)."""
    lines = [line for line in ax.lines if line.get_marker() == marker]
    return np.vstack([np.column_stack([line.get_xdata(), line.get_ydata()]) for line in lines])


@pytest.mark.parametrize(("which", "marker"), [("batch", "o"), ("season", "s")])
def test_every_effect_is_drawn_with_its_interval(which, marker, request):
    found = request.getfixturevalue(f"found_{which}").drivers["crow_cents"]
    ax = found.plot()
    rows = range(len(found.table))
    assert drawn(ax, marker) == pytest.approx(np.column_stack([found.table["estimate"], rows]))
    bars = np.vstack([part.get_segments() for part in ax.collections])
    bars = bars[bars[:, 0, 1].argsort()]
    assert bars[:, :, 0] == pytest.approx(found.table[["conf_low", "conf_high"]].to_numpy())
    assert bars[:, 0, 1].tolist() == bars[:, 1, 1].tolist() == [*rows]
    labels = [text.get_text() for text in ax.get_yticklabels()]
    assert labels[0].startswith(found.frame.factors[0].label + ": +")
    assert ax.get_xlabel() == "effect on crow against target, cents\nbar: 95 % interval"
    low, high = ax.get_ylim()
    assert low > high  # the first on top


def test_effects_on_kept_are_drawn_in_percentage_points(found_season):
    ax = found_season.drivers["kept"].plot()
    assert "percentage points" in ax.get_xlabel()


def test_a_number_is_drawn_at_its_true_place_with_the_models_line(found_season):
    found = found_season.drivers["crow_cents"]
    ax = found.plot_factor("gouge_centre_mm")
    reeds = found.frame.data.groupby("reed_id").agg(
        {"gouge_centre_mm": "first", "crow_cents": "mean"}
    )
    points = drawn(ax, "o")
    assert len(points) == len(reeds) == found.table["n_reeds"].iloc[0]
    assert points == pytest.approx(reeds[["gouge_centre_mm", "crow_cents"]].to_numpy())
    line = next(line for line in ax.lines if line.get_linestyle() == "-")
    row = found.table.set_index("term").loc["gouge_centre_mm"]
    slope = np.polyfit(line.get_xdata(), line.get_ydata(), 1)[0]
    assert slope == pytest.approx(row["estimate"] / 0.05)
    assert line.get_xdata()[[0, -1]].tolist() == [
        reeds["gouge_centre_mm"].min(),
        reeds["gouge_centre_mm"].max(),
    ]
    band = ax.collections[0].get_paths()[0].vertices
    assert band[:, 1].min() < line.get_ydata().min()
    assert band[:, 1].max() > line.get_ydata().max()
    assert ax.get_xlabel() == "gouge, centre, mm"
    assert ax.get_ylabel() == "crow against target, cents"
    assert f"points: {len(reeds)} reeds as measured" in ax.get_title(loc="left")


def test_levels_are_drawn_in_their_order_with_the_models_means(found_season):
    found = found_season.drivers["dynamic_range_db"]
    ax = found.plot_factor("shape")
    assert [text.get_text() for text in ax.get_xticklabels()] == ["narrow", "wide"]
    assert len(drawn(ax, "o")) == found.table["n_reeds"].iloc[0]
    means = found.fit.means("shape").set_index("level").loc[["narrow", "wide"]]
    diamonds = drawn(ax, "D")
    assert diamonds[:, 1] == pytest.approx(means["estimate"].to_numpy())
    caps = np.sort(drawn(ax, "_")[:, 1])
    assert caps == pytest.approx(np.sort(means[["conf_low", "conf_high"]].to_numpy().ravel()))
    effect = found.table.set_index("term").loc["shape", "estimate"]
    assert np.diff(diamonds[:, 1])[0] == pytest.approx(effect)


def test_what_belongs_to_a_session_is_drawn_test_by_test(found_season):
    found = found_season.drivers["crow_cents"]
    ax = found.plot_factor("relative_humidity_pct")
    assert len(drawn(ax, "o")) == found.rows_used
    assert f"points: {found.rows_used} tests as measured" in ax.get_title(loc="left")


def test_levels_with_awkward_names_are_drawn(study):
    rows = batch().assign(**{"wire, $turns$ (mm)": np.resize(["a_b", "$x_^$", "c%"], 24)})
    crow = Response("crow", unit="¢", table="reeds")
    found = drivers(study(rows, [Factor("wire, $turns$ (mm)")], [crow]), "crow")
    for ax in (found.plot(), found.plot_factor("wire, $turns$ (mm)")):
        ax.get_figure().canvas.draw()
        shown = [text.get_text() for text in (*ax.get_yticklabels(), *ax.get_xticklabels())]
        assert any("$x_^$" in text for text in shown)


def test_shares_are_drawn_as_percentages_with_their_intervals(found_batch):
    found = found_batch.sources["crow_cents"]
    ax = found.plot()
    assert drawn(ax, "o")[:, 0] == pytest.approx(found.table["share"].to_numpy() * 100)
    ends = np.array([segment[:, 0] for segment in ax.collections[0].get_segments()])
    assert ends == pytest.approx(found.table[["conf_low", "conf_high"]].to_numpy() * 100)
    labels = [text.get_text() for text in ax.get_yticklabels()]
    assert labels == [f"{r.source} ({r.n_units})" for r in found.table.itertuples()]
    assert ax.get_xlabel() == "share of the variance, %\nbar: 95 % interval"


def test_the_keep_rate_is_drawn(demo_batch):
    found = keep_rate(demo_batch)
    ax = found.plot()
    assert drawn(ax, "o")[0, 0] == pytest.approx(found.table["share"].iloc[0] * 100)
    assert ax.get_xlabel().startswith("share of 24 decided reeds, %")


def test_diagnostics_are_drawn(demo_batch):
    left = residuals(demo_batch, "crow_cents")
    assert drawn(left.plot(), "o") == pytest.approx(left.table[["fitted", "residual"]].to_numpy())
    assert left.plot().get_ylabel() == "residual, cents"
    normal = left.plot_normal()
    assert drawn(normal, "o")[:, 1] == pytest.approx(np.sort(left.table["residual"]))
    moved = influence(demo_batch, "crow_cents")
    sizes = moved.table["change"] / moved.table["std_error"]
    assert drawn(moved.plot(), "o")[:, 0] == pytest.approx(sizes.to_numpy())
    tied = collinearity(demo_batch, "crow_cents")
    assert drawn(tied.plot(), "o")[:, 0] == pytest.approx(tied.table["r_squared"].to_numpy() * 100)


def test_a_picture_is_drawn_where_it_is_asked_for(found_batch, demo_batch):
    axes = Figure().subplots(5)
    found = found_batch.drivers["crow_cents"]
    assert found.plot(axes[0]) is axes[0]
    assert found.plot_factor("shape", axes[1]) is axes[1]
    assert found_batch.sources["crow_cents"].plot(axes[2]) is axes[2]
    assert found_batch.kept.plot(axes[3]) is axes[3]
    assert residuals(demo_batch, "crow_cents").plot(axes[4]) is axes[4]
    assert all(len(ax.lines) for ax in axes)


def test_a_wrong_factor_lists_the_right_ones(found_batch):
    with pytest.raises(CallError, match=r"no factor 'shap'\. Nearest: shape\. Present: gouge"):
        found_batch.drivers["crow_cents"].plot_factor("shap")


def test_a_picture_is_written_twice_alike_and_shows_all_its_words(found_batch, tmp_path):
    found = found_batch.drivers["crow_cents"]
    first = charts.save(found.plot(), tmp_path / "first")
    again = charts.save(found.plot(), tmp_path / "again")
    assert [path.name for path in first] == ["first.svg", "first.png"]
    for one, other in zip(first, again, strict=True):
        assert one.read_bytes() == other.read_bytes()
    ax = found.plot()
    charts.save(ax, tmp_path / "third")
    figure = ax.get_figure()
    figure.dpi = 110
    inside, whole = ax.get_tightbbox(), figure.bbox
    assert inside.x0 >= 0
    assert inside.y0 >= 0
    assert inside.x1 <= whole.x1
    assert inside.y1 <= whole.y1


def test_several_axes_keep_their_places_when_written(tmp_path):
    figure = Figure(layout="constrained")
    left, right = figure.subplots(1, 2)
    left.plot([1, 2])
    right.plot([2, 1])
    charts.save(left, tmp_path / "two")
    assert left.get_position().x1 < right.get_position().x0


def test_a_season_writes_every_table_and_picture(found_batch, tmp_path):
    written = found_batch.write(tmp_path / "findings")
    names = {path.name for path in written}
    assert len(names) == len(written)
    assert {path.name for path in (tmp_path / "findings").iterdir()} == names
    for name in found_batch.answers:
        assert f"{name}.csv" in names
    assert {"drivers_crow_cents.svg", "drivers_crow_cents.png", "keep_rate.svg"} <= names
    strong = {n: a.strong for n, a in found_batch.drivers.items() if a.strong}
    assert strong
    for response, factors in strong.items():
        assert all(f"drivers_{response}_by_{factor}.png" in names for factor in factors)
