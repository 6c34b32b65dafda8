"""Records at the edge: each gets a right answer or one clear sentence, never a traceback."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.stats import ttest_ind

from reedlab.analyse import (
    collinearity,
    drivers,
    influence,
    residuals,
    sources,
)
from reedlab.errors import ModelError
from reedlab.schema import Factor, Response
from tests.analyse.build import CROW, GOUGE, KEPT, SHAPE, batch, reeds_of, two_sessions


def test_a_tube_variance_of_zero_is_an_answer(study):
    rows = batch().assign(crow=np.tile([-10.0, 0.0, 10.0], 8) + np.repeat([1.25, -1.25] * 4, 3))
    found = drivers(study(rows), "crow", ["gouge"])
    assert found.fit.singular
    row = found.table.iloc[0]
    # The tubes of a gouge agree exactly: their own variation is the error, down to its floor.
    assert row["estimate"] == pytest.approx(-2.5)
    assert row["den_df"] == pytest.approx(6)
    assert sources(study(rows, name="again"), "crow").table["share"].tolist() == [0, 1]


def test_tubes_that_agree_more_than_chance_are_judged_by_their_own_means(study):
    rows = batch()
    rows["crow"] -= rows.groupby("tube_id")["crow"].transform("mean")
    means = np.array([1.0, -2, 0, 1.5, -1, 0.5, 2, -1])
    rows["crow"] += np.repeat(means, 3)
    found = drivers(study(rows), "crow", ["gouge"]).table.iloc[0]
    thin, thick = means[::2], means[1::2]
    expected = ttest_ind(thick, thin)
    assert found["p_value"] == pytest.approx(expected.pvalue, rel=1e-6)
    assert found["conf_low"] == pytest.approx(expected.confidence_interval().low, rel=1e-6)


@pytest.mark.parametrize("level", ["tube", "reed"])
def test_no_keeps_at_one_level_is_named_and_judged(study, level):
    rows = batch()
    kept = np.zeros(24, dtype=bool)
    if level == "tube":
        kept[rows.index[rows["gouge"] == 1.3][::2]] = True
    else:
        kept[rows.index[rows["shape"] == "wide"][::2]] = True
    rows["fate"] = np.where(kept, "kept", "discarded")
    found = drivers(study(rows, responses=[KEPT]), "kept")
    row = found.table.set_index("term").loc["gouge" if level == "tube" else "shape"]
    assert 20 < row["estimate"] < 60
    assert -100 <= row["conf_low"] < row["estimate"] < row["conf_high"] <= 100
    cell = "gouge=1.25" if level == "tube" else "shape=narrow"
    assert any(f"{cell}: 0 of 12 rows have kept=1." in text for text in found.cautions)


def test_the_penalised_answer_to_separation_is_firths(study):
    """Known value: 1 of 6 kept against 6 of 6, log odds ratio 3.864 (Firth 1993)."""
    rows = reeds_of(12, 1).assign(soft=["no"] * 6 + ["yes"] * 6)
    rows["fate"] = ["kept", *["discarded"] * 5, *["kept"] * 6]
    found = drivers(study(rows, [Factor("soft", ("no", "yes"))], [KEPT]), "kept")
    row = found.table.iloc[0]
    # Penalised chances: one half added to every cell of the table, since it has four of them.
    assert row["estimate"] == pytest.approx(100 * (6.5 / 7 - 1.5 / 7), abs=0.01)
    assert row["p_value"] == pytest.approx(0.0042, abs=5e-4)
    assert np.isnan(row["std_error"])
    assert any("soft=yes: 6 of 6 rows have kept=1." in text for text in found.cautions)


def test_a_fate_that_follows_exactly_from_a_factor_is_one_sentence_with_the_cells(study):
    rows = batch()
    rows["fate"] = np.where(rows["shape"] == "wide", "kept", "discarded")
    with pytest.raises(ModelError) as told:
        drivers(study(rows, responses=[KEPT]), "kept")
    assert "The fixed terms give kept exactly" in str(told.value)
    assert "shape=narrow: 0 of 12 rows have kept=1. shape=wide: 12 of 12" in str(told.value)


def test_a_factor_with_one_level_is_left_out_and_named(study):
    found = drivers(study(batch().assign(gouge=1.25)), "crow")
    assert found.table["term"].tolist() == ["shape"]
    assert "gouge: one level only (1.25); there is nothing to compare." in found.cautions
    with pytest.raises(ModelError, match=r"No factor can be examined.\ngouge: one level only"):
        drivers(study(batch().assign(gouge=1.25), name="again"), "crow", ["gouge"])


def test_one_reed_a_tube_is_an_ordinary_comparison_of_tubes(study):
    rows = batch(per_tube=1).assign(shape=np.resize(["narrow", "narrow", "wide", "wide"], 8))
    found = drivers(study(rows), "crow")
    ordinary = smf.ols("crow ~ gouge + shape", rows).fit()
    row = found.table.set_index("term").loc["gouge"]
    assert row["p_value"] == pytest.approx(ordinary.pvalues["gouge"], rel=1e-6)
    assert row["den_df"] == pytest.approx(5)
    assert any("Every tube gave one row only" in text for text in found.cautions)
    with pytest.raises(ModelError, match="no lot, tube, reed, session or player has more than"):
        sources(study(rows, name="again"), "crow")


def test_a_constant_response_is_one_sentence(study):
    made = study(batch().assign(crow=3.0))
    for ask in (drivers, sources, influence, residuals, collinearity):
        with pytest.raises(ModelError, match=r"is the same \(3\) in all 24 rows: nothing varies"):
            ask(made, "crow")


@pytest.mark.parametrize("stratum", ["tube", "reed"])
def test_a_factor_that_equals_the_tube_is_left_out_wherever_it_is_recorded(study, stratum):
    rows = batch().assign(mark="mark " + batch()["tube_id"])
    found = drivers(study(rows, [GOUGE, SHAPE, Factor("mark", stratum=stratum)]), "crow")
    assert found.table["term"].tolist() == ["gouge", "shape"]
    assert (
        "mark takes a different level on every tube (8 tubes): its effect cannot be told from "
        "theirs; not examined." in found.cautions
    )
    alone = drivers(study(rows, name="alone"), "crow")
    pd.testing.assert_frame_equal(found.table, alone.table)


def test_a_factor_of_reeds_that_tubes_share_counts_tubes(study):
    rows = batch()
    as_reeds = drivers(study(rows, [Factor("gouge", kind="numeric", step=0.05)]), "crow")
    row = as_reeds.table.iloc[0]
    assert (row["stratum"], row["n_units"], row["n_reeds"]) == ("tube", 8, 24)
    assert row["den_df"] == pytest.approx(6)
    assert (
        "gouge: the reeds of a tube all share its level, so its units are the 8 tubes."
        in as_reeds.cautions
    )
    as_tubes = drivers(study(rows, [GOUGE], name="tubes"), "crow")
    assert row["p_value"] == pytest.approx(as_tubes.table["p_value"].iloc[0], rel=1e-12)


def test_collinear_factors_are_named_and_the_first_is_kept(study):
    rows = batch()
    rows["thousandths"], rows["rest"] = rows["gouge"] / 0.0254, 5 - rows["gouge"]
    twins = [Factor(name, stratum="tube", kind="numeric") for name in ("thousandths", "rest")]
    found = drivers(study(rows, [GOUGE, *twins]), "crow")
    assert found.table["term"].tolist() == ["gouge"]
    for name in ("thousandths", "rest"):
        assert any(
            text.startswith(f"{name}: The term {name} cannot be estimated: its values follow from")
            for text in found.cautions
        )


def test_fewer_tubes_than_factors_keeps_the_first_and_says_so(study):
    rows = reeds_of(3, 3).assign(crow=batch()["crow"].head(9))
    for name, values in {"a": [1, 2, 4], "b": [2, 1, 1], "c": [1, 1, 2]}.items():
        rows[name] = np.repeat(values, 3).astype(float)
    factors = [Factor(name, stratum="tube", kind="numeric") for name in "abc"]
    found = drivers(study(rows, factors), "crow")
    assert found.table["term"].tolist() == ["a"]
    assert found.table["den_df"].tolist() == pytest.approx([1])
    assert (
        "c: 3 tubes are too few to judge 3 factors of that stratum; not examined. Ask for fewer "
        "by name." in found.cautions
    )


def test_two_sessions_are_blocks_and_cannot_judge_the_weather(study):
    humid = Factor("humidity", stratum="session", kind="numeric", step=10)
    rows = two_sessions()
    made = study(rows, [GOUGE, SHAPE, humid], [Response("crow")])
    found = drivers(made, "crow")
    assert found.table["term"].tolist() == ["gouge", "shape"]
    assert (
        "humidity: 2 sessions are too few to judge 1 factor of that stratum; not examined. Ask "
        "for fewer by name." in found.cautions
    )
    assert "session_id" in found.fit.fixed.terms
    assert [*found.fit.groups] == ["tube_id", "reed_id"]
    # Complete in both sessions, so the reeds' means hold all there is to know of the shape.
    means = rows.groupby(["reed_id", "tube_id", "gouge", "shape"], as_index=False)["crow"].mean()
    whole = drivers(study(means, responses=[CROW], name="means"), "crow")
    assert found.table["p_value"].tolist() == pytest.approx(
        whole.table["p_value"].tolist(), rel=1e-4
    )


def test_a_session_that_is_a_stage_of_its_own_is_taken_out_once(study):
    found = drivers(study(two_sessions(("day 1", "day 7")), [GOUGE], [Response("crow")]), "crow")
    blocks = [term for term in found.fit.fixed.terms if term not in ("1", "gouge")]
    assert blocks == ["session_id"]


def test_a_response_without_a_value_is_one_sentence(study):
    made = study(batch().assign(crow=np.nan))
    for ask in (drivers, sources, residuals):
        with pytest.raises(
            ModelError, match=r"crow: no row of reeds.csv can be used \(24 × crow not recorded\)."
        ):
            ask(made, "crow")
