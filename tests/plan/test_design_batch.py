"""A batch from the cane on hand: allocation, orders, codes, errors, extension."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from reedlab import Factor
from reedlab.errors import CallError
from reedlab.plan import Forbidden, cane_on_hand, design_batch, read_batch, write_sheets
from reedlab.schema import read_code
from reedlab.study import default_settings, new_study, open_study, write_study

GOUGE = Factor("gouge_end_mm", levels=(0.76, 1.0), stratum="tube", unit="mm", label="end gouge")
SHAPE = Factor("shape", levels=("narrow", "wide"))
TENSION = Factor("wire_tension", levels=("normal", "tight"))
SOAK = Factor("soak_min", levels=(60, 120, 180), unit="minutes", label="soaking")
WIDE_TUBE = Factor("outer_diameter_mm", stratum="tube", kind="numeric", unit="mm", label="diameter")


def cane(tubes=8, pieces=4, lots=2):
    rng = np.random.default_rng(3)
    return pd.DataFrame(
        {
            "tube_id": [f"T{i + 1}" for i in range(tubes)],
            "lot_id": [f"L{i * lots // tubes + 1}" for i in range(tubes)],
            "pieces": pieces,
            "outer_diameter_mm": np.round(rng.normal(25, 0.5, tubes), 1),
        },
        index=pd.RangeIndex(2, tubes + 2, name="row"),
    )


def a_study(folder, **asked):
    table = cane(**asked)
    lots = pd.DataFrame({"lot_id": sorted(set(table["lot_id"]))})
    return write_study(folder, {"lots": lots, "tubes": table}, default_settings("bassoon"))


@pytest.fixture(scope="module")
def batch():
    return design_batch([GOUGE, SHAPE, TENSION], cane(), 24, seed=5)


def test_every_reed_has_a_place_a_piece_and_a_code(batch):
    table = batch.table
    assert table["place"].tolist() == list(range(1, 25))
    assert not table[["tube_id", "piece"]].duplicated().any()
    assert table["piece"].between(1, 4).all()
    for _, reeds in table.groupby("tube_id"):
        spare = set(map(int, reeds["spare_pieces"].iloc[0].split()))
        assert len(spare) == 1
        assert spare.isdisjoint(reeds["piece"])
    assert [read_code(code) for code in batch.key["blind_code"]] == batch.key["blind_code"].tolist()
    assert batch.key["blind_code"].is_unique
    for _, session in batch.testing.groupby("session"):
        assert set(session["blind_code"]) == set(batch.key["blind_code"])
        assert session["place"].tolist() == list(range(1, 25))
    assert batch.testing["session"].nunique() == 2


def test_a_tube_level_is_given_to_the_tube_and_lots_are_balanced(batch):
    table = batch.table
    assert (table.groupby("tube_id")["gouge_end_mm"].nunique() == 1).all()
    tubes = table.drop_duplicates("tube_id")
    assert tubes.groupby(["lot_id", "gouge_end_mm"]).size().tolist() == [2, 2, 2, 2]
    assert (table.groupby("tube_id").size() == 3).all()
    assert table.groupby(["shape", "wire_tension"]).size().tolist() == [6, 6, 6, 6]


def test_the_statement_is_made_from_the_batch(batch):
    assert batch.sentence == (
        "24 reeds from 8 tubes (3 each; 8 spare pieces). end gouge: judged by 5 error degrees of "
        "freedom of tubes; shape, wire tension: judged by 14 error degrees of freedom of reeds. "
        "No term takes information from another."
    )
    assert batch.cautions == ()
    # Six or more tubes of freedom are those of the whole plot: tubes, less lots and levels.
    assert batch.estimates["den_df"].tolist() == [8 - 3, 14, 14]
    assert batch.record.randomised == ("gouge_end_mm", "shape", "wire_tension")


def test_the_same_seed_gives_the_same_batch():
    asked = [GOUGE, SHAPE, TENSION]
    one, two = (design_batch(asked, cane(), 24, seed=7) for _ in range(2))
    pd.testing.assert_frame_equal(one.table, two.table)
    pd.testing.assert_frame_equal(one.key, two.key)
    pd.testing.assert_frame_equal(one.testing, two.testing)
    other = design_batch(asked, cane(), 24, seed=8)
    assert not other.table["tube_id"].equals(one.table["tube_id"])
    assert not other.key["blind_code"].equals(one.key["blind_code"])


def test_the_draw_is_by_chance_and_keeps_the_balance():
    # Over many seeds each tube gets either gouge about equally often (binomial, 4.5 SE).
    thick = []
    for seed in range(120):
        table = design_batch([GOUGE, SHAPE], cane(pieces=3), 16, seed=seed).table
        tubes = table.drop_duplicates("tube_id").set_index("tube_id")["gouge_end_mm"].sort_index()
        thick.append((tubes == 1.0).to_numpy())
        assert tubes.groupby(tubes.index < "T5").sum().round(6).nunique() == 1
    share = np.mean(thick, axis=0)
    assert np.all(abs(share - 0.5) < 4.5 * np.sqrt(0.25 / 120))
    places = len({tuple(row) for row in np.array(thick)})
    assert places > 25  # of the 36 ways to give two thick gouges to each lot


def test_row_order_of_the_cane_does_not_decide_what_a_tube_is():
    turned = cane().iloc[::-1]
    table = design_batch([GOUGE, SHAPE], turned, 24, seed=5).table
    lots = dict(zip(turned["tube_id"], turned["lot_id"], strict=True))
    assert table["lot_id"].tolist() == [lots[tube] for tube in table["tube_id"]]


def test_a_covariate_is_taken_from_the_cane():
    given = cane()
    batch = design_batch(
        [GOUGE, SHAPE, WIDE_TUBE], given, 24, interactions=[("shape", "outer_diameter_mm")], seed=2
    )
    widths = dict(zip(given["tube_id"], given["outer_diameter_mm"], strict=True))
    recorded = batch.table["outer_diameter_mm"]
    assert recorded.tolist() == [widths[tube] for tube in batch.table["tube_id"]]
    assert batch.terms == ("gouge_end_mm", "shape", "outer_diameter_mm", "shape:outer_diameter_mm")
    assert "outer_diameter_mm" not in batch.record.randomised


def test_with_many_tubes_two_reeds_of_each_are_compared():
    table = design_batch([SHAPE], cane(tubes=20), 16, seed=1).table
    assert table.groupby("tube_id").size().tolist() == [2] * 8
    assert table.drop_duplicates("tube_id").groupby("lot_id").size().tolist() == [4, 4]
    alone = design_batch([GOUGE], cane(tubes=20), 16, seed=1).table
    assert alone["tube_id"].nunique() == 16


def test_few_pieces_cost_the_spares_first():
    batch = design_batch([SHAPE], cane(pieces=3), 24, seed=1)
    assert set(batch.table["spare_pieces"]) == {""}
    assert batch.cautions == (
        "No piece is left to spare: a reed that breaks is lost to the batch.",
    )
    calm = design_batch([SHAPE], cane(pieces=3), 24, breakage=0, seed=1)
    assert calm.cautions == ()


def test_session_levels_are_given_to_sessions():
    humid = Factor("air", levels=("dry", "damp"), stratum="session")
    testing = design_batch([SHAPE, humid], cane(), 16, sessions=4, seed=1).testing
    levels = testing.groupby("session")["air"].agg(["nunique", "first"])
    assert levels["nunique"].tolist() == [1, 1, 1, 1]
    assert sorted(levels["first"]) == ["damp", "damp", "dry", "dry"]


def test_a_middle_level_that_a_line_does_not_need_is_named():
    batch = design_batch([SOAK], cane(), 16, seed=1)
    assert batch.cautions[-1] == (
        "soaking: no reed gets 120 (a straight line is seen best from its ends; name the factor "
        "in `curved` to see whether it bends)."
    )
    bent = design_batch([SOAK], cane(), 16, curved=["soak_min"], seed=1)
    assert set(bent.table["soak_min"]) == {60, 120, 180}


SPLITS = Forbidden(
    "A thin end in the wide shape splits.",
    lambda recipe: recipe["gouge_end_mm"] == 0.76 and recipe["shape"] == "wide",
)


def test_forbidden_combinations_never_appear():
    for seed in range(5):
        batch = design_batch([GOUGE, SHAPE, TENSION], cane(), 24, forbidden=[SPLITS], seed=seed)
        bad = (batch.table["gouge_end_mm"] == 0.76) & (batch.table["shape"] == "wide")
        assert not bad.any()


def said(call):
    with pytest.raises(CallError) as raised:
        call()
    return str(raised.value)


NAMED = cane().drop(columns="lot_id")


@pytest.mark.parametrize(
    ("factors", "table", "reeds", "asked", "message"),
    [
        (
            [SHAPE, TENSION, SOAK],
            None,
            6,
            {"interactions": "two-way"},
            "7 figures cannot be had from 6 reeds (one for the mean, 6 for factors and "
            "interactions): make 7 reeds or more, or ask for fewer interactions.",
        ),
        (
            [GOUGE],
            cane(tubes=5, lots=1),
            15,
            {},
            "end gouge is set for whole tubes: 5 tubes for 2 levels leave 3 error degrees of "
            "freedom: this batch cannot answer it; set it at reed level, or use 8 tubes.",
        ),
        (
            [WIDE_TUBE],
            cane().assign(outer_diameter_mm=25.2),
            16,
            {},
            "diameter is 25.2 mm on every tube of the cane: there is nothing to compare; leave it "
            "out, or add tubes that differ.",
        ),
        (
            [SHAPE],
            cane(),
            16,
            {"forbidden": [Forbidden("Nothing may be made.", lambda recipe: True)]},
            "The forbidden combinations leave nothing to make: Nothing may be made. Lift one.",
        ),
        (
            [SHAPE, TENSION],
            cane(),
            16,
            {"forbidden": [Forbidden("Wide splits.", lambda r: r["shape"] == "wide")]},
            "The forbidden combinations leave no recipe with shape wide: Wide splits. Lift one of "
            "them, or leave that level out.",
        ),
        (
            [SHAPE, TENSION],
            cane(),
            16,
            {
                "interactions": "two-way",
                "forbidden": [
                    Forbidden("", lambda r: r["shape"] == "wide" and r["wire_tension"] == "tight")
                ],
            },
            "No batch of this cane can tell shape × wire tension from the other terms: leave it "
            "out, lift a forbidden combination, or make more reeds from more tubes.",
        ),
        (
            [SHAPE],
            cane(pieces=2),
            24,
            {},
            "24 reeds need 24 pieces of cane; these 8 tubes yield 16: make 16 reeds, or add tubes.",
        ),
        (
            [WIDE_TUBE],
            cane().assign(outer_diameter_mm=[25.0, None, 24.1, 24.4, 25.3, 25.0, 26.0, 24.9]),
            16,
            {},
            "diameter is missing for tube T2 (row 3, column outer_diameter_mm): measure it, or "
            "leave that tube or this factor out.",
        ),
        (
            [Factor("flex_mm", stratum="tube", kind="numeric")],
            cane(),
            16,
            {},
            "'flex_mm' has no levels, and the cane has no column of that name: give it levels to "
            "set, or measure it on every tube.",
        ),
        (
            [Factor("shape")],
            None,
            16,
            {},
            "'shape' has no levels and there is no cane to read it from: name two or more levels.",
        ),
        (
            [Factor("shape", ("wide",))],
            None,
            8,
            {},
            "shape has one level only (wide): name two or more.",
        ),
        ([SHAPE, SHAPE], None, 8, {}, "The factor 'shape' is given twice."),
        ([], None, 8, {}, "No factor is asked for: name at least one."),
        ([SHAPE], None, 1, {}, "reeds is 1; a batch compares at least 2."),
        (
            [SHAPE],
            None,
            8,
            {"criterion": "A"},
            'criterion is \'A\'; say "D" (which effects are there?) or "I" (which recipe is '
            "best?).",
        ),
        (
            [SHAPE],
            None,
            8,
            {"tube_share": 1.0},
            "tube_share is 1.0; it is a share of the variance, 0 up to 1.",
        ),
        (
            [SHAPE],
            None,
            8,
            {"breakage": 2},
            "breakage is 2; it is a share of pieces, 0 to 0.9.",
        ),
        (
            [SHAPE],
            None,
            8,
            {"interactions": "all"},
            'interactions is \'all\'; say "none", "two-way", or list pairs of factors.',
        ),
        (
            [SHAPE],
            None,
            8,
            {"interactions": [("shape", "shape")]},
            "An interaction is a pair of two different factors, not ('shape', 'shape').",
        ),
        (
            [SHAPE],
            None,
            8,
            {"curved": ["shape"]},
            "'shape' cannot be asked for a bend: that takes a number with three levels or more.",
        ),
        (
            [SHAPE, Factor("air", ("dry", "damp"), "session")],
            None,
            8,
            {},
            "air is set for whole sessions: 2 of them for 2 levels cannot tell it from the day; "
            "plan 4 sessions.",
        ),
        (
            [SHAPE],
            NAMED.assign(pieces=[4, 4, None, 4, 4, 4, 4, 4]),
            8,
            {},
            "The cane does not say how many pieces tube T3 still yields (row 4, column pieces); "
            "count them, 0 if none.",
        ),
        (
            [SHAPE],
            NAMED.assign(tube_id=["T1", "T2", "T2", "T4", "T5", "T6", "T7", "T8"]),
            8,
            {},
            "The cane lists tube T2 twice (row 4); keep one row of it.",
        ),
        (
            [SHAPE],
            NAMED.drop(columns="pieces"),
            8,
            {},
            "The cane has no column 'pieces'; it needs tube_id and pieces (how many each tube "
            "still yields).",
        ),
        (
            [SHAPE],
            NAMED.assign(pieces=0),
            8,
            {},
            "No tube of the cane yields a piece any more (column pieces).",
        ),
        (
            [GOUGE],
            cane().assign(gouge_end_mm=[0.8, *[None] * 7]),
            16,
            {},
            "Tube T1 has end gouge 0.8 already (column gouge_end_mm of the cane), which is none of "
            "0.76, 1.0: add that level, or leave the tube out.",
        ),
        (
            [SHAPE],
            cane(),
            8,
            {"forbidden": [Forbidden("", lambda recipe: recipe["width"] > 3)]},
            "A forbidden combination asks for 'width'; a recipe of this batch has shape.",
        ),
    ],
)
def test_a_bad_request_is_answered_with_the_way_out(factors, table, reeds, asked, message):
    assert said(lambda: design_batch(factors, table, reeds, seed=1, **asked)) == message


def test_all_faults_are_told_at_once():
    table = cane(tubes=5).assign(outer_diameter_mm=[25.0, None, 24.0, None, 26.0])
    assert len(said(lambda: design_batch([WIDE_TUBE], table, 10, seed=1)).split("\n")) == 2
    both = said(lambda: design_batch([GOUGE], cane(tubes=5), 4, interactions="none", seed=1))
    assert both.startswith("end gouge is set for whole tubes: 4 tubes")


def test_a_tube_keeps_the_level_that_it_has():
    table = cane().assign(gouge_end_mm=[0.76, 0.76, None, None, 1.0, None, None, None])
    batch = design_batch([GOUGE, SHAPE], table, 16, seed=1)
    levels = batch.table.groupby("tube_id")["gouge_end_mm"].first()
    assert levels[["T1", "T2", "T5"]].tolist() == [0.76, 0.76, 1.0]
    assert levels.value_counts().tolist() == [4, 4]


def test_a_batch_goes_into_a_study_and_comes_back(tmp_path):
    study = a_study(tmp_path / "study", pieces=8)
    batch = design_batch([GOUGE, SHAPE, SOAK], cane_on_hand(study), 24, curved=["soak_min"], seed=4)
    study = batch.write(study)
    again = read_batch(study, "B1")
    assert again.terms == batch.terms
    assert {f.name: list(f.levels) for f in again.factors} == {
        f.name: list(f.levels) for f in batch.factors
    }
    assert again.sentence == batch.sentence
    assert again.key.empty
    assert cane_on_hand(study)["pieces"].tolist() == [5] * 8
    assert said(lambda: batch.write(study)).startswith("The study has a batch 'B1' already")
    loose = design_batch([SHAPE], None, 8, seed=1)
    with pytest.raises(CallError, match=r"cannot be found in tubes\.csv"):
        loose.write(study, "B2")


def test_a_stored_plan_can_be_drawn_again(tmp_path):
    study = a_study(tmp_path / "study", pieces=8)
    asked = [GOUGE, SHAPE, WIDE_TUBE]
    batch = design_batch(asked, cane_on_hand(study), 24, seed=4)
    stored = read_batch(batch.write(study), "B1")
    rng = np.random.default_rng(2)
    draws = [stored.redraw(rng) for _ in range(60)]
    table = stored.table
    for drawn in draws:
        assert (drawn["gouge_end_mm"].groupby(table["tube_id"]).nunique() == 1).all()
        for lot in ("L1", "L2"):
            here = table["lot_id"] == lot
            for name in drawn:
                counts = drawn.loc[here, name].value_counts()
                assert counts.to_dict() == table.loc[here, name].value_counts().to_dict()
    # What is drawn is no worse than the plan allowed, and differs from draw to draw.
    for drawn in draws[:10]:
        again = replace(stored, table=table.assign(**drawn))
        assert again.estimates["efficiency"].min() > 0.5
    assert len({tuple(drawn["gouge_end_mm"]) for drawn in draws}) > 5
    same = stored.redraw(np.random.default_rng(9))
    pd.testing.assert_frame_equal(same, batch.redraw(np.random.default_rng(9)))


def test_a_gouge_declared_for_reeds_can_be_given_to_tubes(tmp_path):
    # A new study declares the gouge for reeds; nothing is recorded of it yet.
    study = new_study(tmp_path / "study")
    study.folder.joinpath("tubes.csv").write_text(
        "tube_id,pieces\n" + "".join(f"T{i},6\n" for i in range(8))
    )
    study = open_study(study.folder)
    gouge = Factor("gouge_centre_mm", levels=(1.25, 1.30), stratum="tube", unit="mm")
    study = design_batch([gouge, SHAPE], cane_on_hand(study), 16, seed=1).write(study)
    assert study.settings.factors[-1].stratum == "tube"
    assert [f.name for f in study.settings.factors].count("gouge_centre_mm") == 1
    assert study.check().ok
    sheet = next(path for path in write_sheets(study, "B1") if path.name == "B1_making.csv")
    pd.read_csv(sheet, dtype=str).assign(as_planned="yes").to_csv(sheet, index=False)
    study = study.record(sheet).unblind("B1")
    assert study.tables["tubes"]["gouge_centre_mm"].value_counts().to_dict() == {1.25: 4, 1.3: 4}
    assert study.check().ok
    back = Factor("gouge_centre_mm", levels=(1.25, 1.30), unit="mm")
    again = design_batch([back, SHAPE], cane_on_hand(study), 16, seed=1, batch_id="B2")
    assert said(lambda: again.write(study)).startswith(
        "The study declares the factor 'gouge_centre_mm' with the stratum 'tube', the batch with "
        "'reed'; use one of the two"
    )


def test_the_next_batch_adds_to_what_is_made(tmp_path):
    study = a_study(tmp_path / "study", pieces=8)
    first = design_batch([GOUGE, SHAPE, TENSION], cane_on_hand(study), 24, seed=4)
    study = first.write(study)
    second = first.extend(study, reeds=16)
    assert second.batch_id == "B2"
    before = first.table.groupby("tube_id")["gouge_end_mm"].first()
    after = second.table.groupby("tube_id")["gouge_end_mm"].first()
    assert after.equals(before[after.index])  # tubes keep what they have
    assert set(second.key["blind_code"]).isdisjoint(first.key["blind_code"])
    assert second.record.randomised == first.record.randomised
    names = ["tube_id", "lot_id", "gouge_end_mm", "shape", "wire_tension"]
    made = study.plan("B1").making
    pd.testing.assert_frame_equal(
        second.earlier[names].reset_index(drop=True), made[names].reset_index(drop=True)
    )
    # Of 40 reeds the 8 tubes, the two factors and the other batch take 11.
    assert second.estimates["den_df"].tolist() == [5, 29, 29]
    study = second.write(study)
    assert [record.batch_id for record in study.settings.batches] == ["B1", "B2"]


def test_an_extension_is_judged_together_with_what_is_made(tmp_path):
    study = a_study(tmp_path / "study", pieces=8)
    first = design_batch([GOUGE, SHAPE], cane_on_hand(study), 16, seed=4)
    second = first.extend(first.write(study), reeds=16)
    shown = second.power(effect=1.0).table.set_index("term")
    alone = first.power(effect=1.0).table.set_index("term")
    assert shown["n_reeds"].tolist() == [32, 32]
    assert shown.loc["shape", "power"] > alone.loc["shape", "power"] + 0.1
    # The same tubes again: a tube-level factor gains no unit, only a better mean of each tube.
    assert shown.loc["gouge_end_mm", "den_df"] == pytest.approx(5)
    assert alone.loc["gouge_end_mm", "den_df"] == pytest.approx(5)


def test_an_extension_chooses_what_is_missing(tmp_path):
    # The first batch made only narrow reeds tight; the next one must untangle the two.
    study = a_study(tmp_path / "study", pieces=8)
    tangled = [
        Forbidden("", lambda r: r["shape"] == "narrow" and r["wire_tension"] == "normal"),
    ]
    first = design_batch([SHAPE, TENSION], cane_on_hand(study), 16, forbidden=tangled, seed=1)
    free = design_batch([SHAPE, TENSION], cane_on_hand(study), 16, seed=1)
    study = first.write(study)
    second = free.extend(study, reeds=8)
    missing = (second.table["shape"] == "narrow") & (second.table["wire_tension"] == "normal")
    assert missing.mean() >= 0.5
    kept = first.extend(study, reeds=8)
    bad = (kept.table["shape"] == "narrow") & (kept.table["wire_tension"] == "normal")
    assert not bad.any()
    efficiency = [batch.estimates["efficiency"].min() for batch in (first, second)]
    assert efficiency[1] > efficiency[0] + 0.05


def test_an_extension_needs_an_earlier_batch(tmp_path):
    study = a_study(tmp_path / "study")
    batch = design_batch([SHAPE], cane_on_hand(study), 8, seed=1)
    assert said(lambda: batch.extend(study)).startswith("The study holds no reed of an earlier")
