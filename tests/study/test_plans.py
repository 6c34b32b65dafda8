import json
from datetime import date, datetime

import pandas as pd
import pytest

import reedlab.study.writing as writing
from reedlab.errors import CallError, RecordError
from reedlab.schema import Factor
from reedlab.study import BatchRecord, add_plan, default_settings, open_study, write_study
from reedlab.study.page import Page
from tests.study.batch import (
    CODES,
    FACTORS,
    contents,
    made_rows,
    making_rows,
    plan_tables,
    played_rows,
    sealed,
    session_rows,
    sheet,
)
from tests.study.build import opened, planned_batch
from tests.study.test_writing import outside_verdict


def everything_made(tmp_path):
    study = sealed(tmp_path / "study")
    return study.record(sheet(tmp_path / "B2_making.csv", made_rows()))


def refused(tmp_path, factors=FACTORS, batch_id="B2", **tables):
    """Return the lines of the refusal; nothing may have changed on disk."""
    study = planned_batch(tmp_path / "study")
    before = contents(study.folder)
    with pytest.raises(CallError) as raised:
        sealed(study.folder, factors, batch_id, **tables)
    assert contents(study.folder) == before
    return str(raised.value).split("\n")


def test_a_plan_is_read_back_as_it_was_given(tmp_path):
    study = sealed(tmp_path / "study")
    given = plan_tables()
    plan = study.plan("B2")
    pd.testing.assert_frame_equal(plan.making, given["making"], check_dtype=False)
    pd.testing.assert_frame_equal(plan.testing, given["testing"], check_dtype=False)
    pd.testing.assert_frame_equal(study.labels("B2"), given["key"], check_dtype=False)
    assert plan.making.dtypes.astype(str).to_dict() == {
        "place": "int64",
        "tube_id": "str",
        "piece": "int64",
        "spare_pieces": "str",
        "gouge_centre_mm": "float64",
        "wire, second": "str",
        "cutter": "str",
        "shuffled_among": "str",
    }
    assert plan.made.empty
    assert plan.record == study.settings.batches[-1]
    assert (plan.record.sealed, plan.record.unblinded, plan.record.seed) == (True, "", 5)


def test_nothing_leaks_while_the_batch_is_sealed(tmp_path):
    study = everything_made(tmp_path)
    study = study.record(sheet(tmp_path / "s.csv", session_rows()))
    rows = played_rows()
    rows[0]["crow_hz"] = "340"
    study = study.record(sheet(tmp_path / "t.csv", rows))
    reeds = study.tables["reeds"]
    own = reeds[reeds["batch_id"] == "B2"]
    filled = [name for name in own if own[name].notna().any()]
    assert filled == ["reed_id", "blind_code", "batch_id"]
    assert own["reed_id"].tolist() == own["blind_code"].tolist()
    # The order of the rows is that of the codes, so it does not tell the order of making.
    assert own["reed_id"].tolist() == sorted(CODES) != list(CODES)
    assert "cutter" not in study.tables["tubes"]
    for file, content in contents(study.folder).items():
        told = [code for code in CODES if code in content.decode("utf-8-sig")]
        if file in ("plans/B2_making.csv", "plans/B2_made.csv", "datapackage.json"):
            assert not told, file
    testing = (study.folder / "plans/B2_testing.csv").read_text("utf-8-sig")
    for words in ("T1", "1.25", "loose", "cutter"):
        assert words not in testing


def test_only_labels_and_unblinding_read_the_key(tmp_path):
    study = everything_made(tmp_path)
    (study.folder / "keys" / "B2.csv").unlink()
    study = open_study(study.folder).record(sheet(tmp_path / "s.csv", session_rows()))
    rows = played_rows()
    rows[0]["crow_hz"] = "340"
    study = study.record(sheet(tmp_path / "t.csv", rows))
    assert study.check().ok
    assert len(study.plan("B2").making) == 6
    message = r"Batch 'B2' has no key: keys/B2\.csv is not there\."
    with pytest.raises(CallError, match=message):
        study.labels("B2")
    with pytest.raises(CallError, match=message):
        study.unblind("B2")


def test_a_sealed_study_is_sound_and_valid_by_an_outside_validator(tmp_path):
    study = sealed(tmp_path / "study")
    assert study.check().table.empty
    assert outside_verdict(study.folder) == (True, [])
    study = study.record(sheet(tmp_path / "s.csv", session_rows()))
    study = study.record(sheet(tmp_path / "m.csv", made_rows())).unblind("B2")
    assert study.check().table.empty
    assert outside_verdict(study.folder) == (True, [])


def test_what_others_typed_stays_to_the_byte(tmp_path):
    folder = planned_batch(tmp_path / "study").folder
    reeds = folder / "reeds.csv"
    typed = reeds.read_bytes().replace(b"\n", b"\r\n").replace(b"001,K", b'"001","K"')
    typed = typed.replace(b",1.25,", b",1.250,").removesuffix(b"\r\n")
    reeds.write_bytes(typed)
    study = sealed(folder)
    lines = reeds.read_bytes()
    assert lines.startswith(typed + b"\r\n")
    codes = sorted(CODES)
    assert lines[len(typed) + 2 :].decode().split("\r\n") == [
        *(f"{code},{code},B2,,,,,,," for code in codes),
        "",
    ]
    study.record(sheet(tmp_path / "m.csv", made_rows())).unblind("B2")
    after = reeds.read_bytes().split(b"\r\n")
    for before, now in zip(typed.split(b"\r\n")[1:], after[1:9], strict=True):
        assert now == before + b",,,,"
    assert (folder / "tests.csv").read_bytes() == (study.folder / "tests.csv").read_bytes()


def test_a_factor_that_the_study_declares_stays_as_it_is_there(tmp_path):
    study = sealed(tmp_path / "study")
    assert study.settings.factors[:-3] == planned_batch(tmp_path / "other").settings.factors
    assert study.settings.factors[-3:] == FACTORS[1:]


def test_a_study_without_reeds_and_sessions_gets_their_files(tmp_path):
    tubes = pd.DataFrame({"tube_id": ["T1", "T2", "T3"]})
    study = write_study(tmp_path / "study", {"tubes": tubes}, default_settings())
    study = sealed(study.folder)
    assert list(study.tables) == ["tubes", "reeds", "sessions"]
    assert len(study.tables["reeds"]) == 6
    assert study.check().table.empty
    assert outside_verdict(study.folder) == (True, [])


def test_a_lean_descriptor_keeps_what_went_without_saying(tmp_path):
    study = opened(
        tmp_path / "lean",
        tubes="tube_id\nT1\nT2\nT3\n",
        reeds="reed_id,bevel_mm,oil\n1,3,yes\n",
    )
    known = [factor.name for factor in study.factors]
    study = sealed(study.folder)
    assert [factor.name for factor in study.factors][: len(known)] == known
    assert study.tables["reeds"]["oil"].tolist()[0] == "yes"
    package = json.loads((study.folder / "datapackage.json").read_text("utf-8"))
    names = [field["name"] for field in package["resources"][1].get("schema", {}).get("fields", [])]
    assert names == []  # its columns are all known, so none needs a field
    study = study.record(sheet(tmp_path / "m.csv", made_rows())).unblind("B2")
    assert [fault["column"] for _, fault in study.check().table.iterrows()] == ["hall"]
    assert study.tables["reeds"]["note"].notna().sum() == 2
    assert outside_verdict(study.folder)[0]


def test_a_table_that_lies_there_unlisted_is_not_written_over(tmp_path):
    study = opened(tmp_path / "lean", tubes="tube_id\nT1\nT2\nT3\n")
    (study.folder / "reeds.csv").write_text("mine\n")
    with pytest.raises(RecordError, match=r"reeds\.csv lies in .* does not list it; list it there"):
        sealed(study.folder)
    assert (study.folder / "reeds.csv").read_text() == "mine\n"


@pytest.mark.parametrize("name", ["", "../B2", "B 2", "con", "LPT1", "é", "B2.csv", "x" * 41])
def test_a_name_that_no_file_can_have_is_refused(tmp_path, name):
    assert refused(tmp_path, batch_id=name) == [
        f"The batch '{name}' cannot give its name to files; use up to 40 letters a to z, digits, "
        "- and _, such as B2."
    ]


def test_a_name_that_is_taken_is_refused(tmp_path):
    assert refused(tmp_path, batch_id="b1") == [
        "The study has a batch 'B1' already; give this one another name."
    ]


def test_a_file_that_is_in_the_way_is_not_written_over(tmp_path):
    study = planned_batch(tmp_path / "study")
    (study.folder / "keys").mkdir()
    (study.folder / "keys" / "B2.csv").write_text("mine")
    with pytest.raises(CallError, match=r"keys/B2\.csv lies in the study already; take it away"):
        sealed(study.folder)


def test_tables_that_do_not_fit_are_refused(tmp_path):
    given = plan_tables()
    lacking = given["making"].drop(columns=["piece", "cutter"])
    assert refused(tmp_path / "a", making=lacking) == ["The making table lacks piece, cutter."]
    assert refused(tmp_path / "b", testing=given["testing"].drop(columns="hall")) == [
        "The testing table lacks hall."
    ]
    assert refused(tmp_path / "c", making=given["making"][1:], testing=given["testing"][1:]) == [
        "The making table must list the places 1, 2, 3 and so on, each once.",
        "The key must give a code to each place of the making table, once.",
        "Session 1 of the testing table must list each code of the key once.",
    ]
    twice = given["key"].assign(blind_code=[CODES[0], CODES[0], *CODES[2:]])
    assert "The key gives one code to two reeds." in refused(tmp_path / "d", key=twice)


def test_codes_that_are_wrong_or_taken_are_refused(tmp_path):
    study = planned_batch(tmp_path / "study")
    reeds = study.folder / "reeds.csv"
    reeds.write_text(reeds.read_text("utf-8-sig").replace("001,K", f"001,{CODES[0]}"), "utf-8-sig")
    given = plan_tables()
    swap = {CODES[1]: "AB12", CODES[2]: CODES[2].lower()}
    given["key"] = given["key"].replace(swap)
    given["testing"] = given["testing"].replace(swap)
    with pytest.raises(CallError) as raised:
        sealed(study.folder, **given)
    lines = str(raised.value).split("\n")
    assert lines[0] == (
        f"The code '{CODES[0]}' is carried by another reed in reeds.csv; draw another."
    )
    assert lines[1].startswith("'AB12' is no blind code: ")
    assert lines[2] == f"The code '{CODES[2].lower()}' must be written '{CODES[2]}'."


def test_factors_that_contradict_the_study_are_refused(tmp_path):
    factors = (
        Factor("gouge_centre_mm", (1.25, 1.35), "reed", unit="inch"),
        Factor("Soak time (h)", (2.0, 3.0), "tube"),
        Factor("shape", ("narrow", "wide", "broad")),
        Factor("note", ("a", "b")),
        Factor(" cut", ("a", "b")),
        Factor("wire, second", ("loose", "tight")),
        Factor("wire, second", ("loose", "tight")),
    )
    more = {"shape": "broad", "note": "a", " cut": "a", "Soak time (h)": 2.0}
    making = plan_tables()["making"].assign(**more)
    assert refused(tmp_path, factors, making=making) == [
        "The factor 'wire, second' is given twice.",
        "The study declares the factor 'gouge_centre_mm' with the unit 'mm', the batch with "
        "'inch'; use one of the two, or give the batch's another name.",
        "The study declares the factor 'Soak time (h)' with the stratum 'reed', the batch with "
        "'tube'; use one of the two, or give the batch's another name.",
        "The study declares 'shape' with the levels narrow, wide; the batch also has broad. "
        "Declare them in datapackage.json first, or take them out.",
        "A factor cannot be called 'note', for the record uses that name; rename it.",
        "' cut' cannot head a column; give the factor a name without spaces around it.",
    ]


def test_what_is_said_to_be_randomised_must_be_a_factor_of_the_batch(tmp_path):
    study = planned_batch(tmp_path / "study")
    with pytest.raises(CallError, match=r"'bevel' is said to be randomised, but is no factor of"):
        add_plan(study, BatchRecord("B2", ["bevel"]), FACTORS, **plan_tables())


def test_a_level_that_means_not_recorded_is_refused(tmp_path):
    study = planned_batch(tmp_path / "study")
    descriptor = study.folder / "datapackage.json"
    package = json.loads(descriptor.read_text("utf-8"))
    for resource in package["resources"]:
        resource["schema"]["missingValues"] = ["", "none"]
    descriptor.write_text(json.dumps(package), "utf-8")
    making = plan_tables()["making"].replace("A", "none")
    factors = (*FACTORS[:2], Factor("cutter", ("none", "B"), "tube"), FACTORS[3])
    with pytest.raises(CallError, match=r"'cutter' has the level 'none', which means 'not recor"):
        sealed(study.folder, factors, making=making)


def test_cane_that_the_study_does_not_know_is_refused(tmp_path):
    making = plan_tables()["making"].replace({"tube_id": {"T1": "T8", "T2": "T9"}})
    assert refused(tmp_path, making=making) == [
        "The tubes T8, T9 cannot be found in tubes.csv; write them in there first."
    ]


def test_a_level_that_is_given_to_half_a_tube_is_refused(tmp_path):
    making = plan_tables()["making"]
    making.loc[0, "cutter"] = "B"
    assert refused(tmp_path, making=making) == [
        "The batch gives the tube 'T1' several levels of 'cutter' (B, A); such a level is given "
        "to a whole tube."
    ]


def test_a_tube_that_is_recorded_with_another_level_is_named(tmp_path):
    study = planned_batch(tmp_path / "study")
    tubes = "tube_id,pieces,lot_id,cutter,outer_diameter_mm\nT1,4,L1,B,25.0\nT2,4,,,25\nT3,4,,,\n"
    (study.folder / "tubes.csv").write_text(tubes)
    diameters = {"T1": 25.0, "T2": 24.5, "T3": 25.5}
    making = plan_tables()["making"].assign(lot_id="L2")
    making["outer_diameter_mm"] = making["tube_id"].map(diameters)
    measured = Factor("outer_diameter_mm", (), "tube", "mm", kind="numeric")
    with pytest.raises(CallError) as raised:
        sealed(study.folder, (*FACTORS, measured), making=making)
    assert str(raised.value).split("\n") == [
        "tubes.csv has the tube 'T1' with cutter 'B', the batch gives it 'A'; mend one of the two.",
        "tubes.csv has the tube 'T2' with outer_diameter_mm '25', the batch gives it '24.5'; "
        "mend one of the two.",
        "tubes.csv has tube 'T1' in lot 'L1', the batch in 'L2'.",
    ]


def test_levels_of_lots_end_in_the_lots(tmp_path):
    tables = {
        "lots": pd.DataFrame({"lot_id": ["L1", "L2"]}),
        "tubes": pd.DataFrame({"tube_id": ["T1", "T2", "T3"], "lot_id": ["L1", "L2", "L1"]}),
    }
    study = write_study(tmp_path / "study", tables, default_settings())
    cellar = Factor("cellar", ("damp", "dry"), "lot")
    making = plan_tables()["making"].assign(lot_id=["L1", "L2", "L1", "L1", "L2", "L1"])
    making["cellar"] = making["lot_id"].map({"L1": "damp", "L2": "dry"})
    given = [factor.name for factor in FACTORS]
    record = BatchRecord("B2", ["cellar"], given=given)
    study = add_plan(study, record, [cellar], **(plan_tables() | {"making": making}))
    rows = [row | {"cellar": "", "as_planned": "yes"} for row in making_rows()]
    study = study.record(sheet(tmp_path / "m.csv", _without_factors(rows))).unblind("B2")
    assert study.tables["lots"]["cellar"].tolist() == ["damp", "dry"]
    assert study.settings.batches[-1].how == "All reeds were made as planned."
    making.loc[0, "lot_id"] = "L9"
    with pytest.raises(CallError, match=r"The lot L9 cannot be found in lots\.csv; write them"):
        add_plan(study, BatchRecord("B3"), [cellar], **(plan_tables() | {"making": making}))


def _without_factors(rows):
    names = [factor.name for factor in FACTORS]
    dropped = {*names, *(f"{name} (plan)" for name in names)}
    return [{name: cell for name, cell in row.items() if name not in dropped} for row in rows]


def test_a_batch_without_a_plan_says_so(tmp_path):
    study = planned_batch(tmp_path / "study")
    with pytest.raises(CallError, match=r"There is no batch 'B3'\. Nearest: B1\."):
        study.plan("B3")
    with pytest.raises(CallError, match=r"'B1' has no plan in this study: plans/B1_making\.csv"):
        study.plan("B1")
    with pytest.raises(CallError, match=r"Batch 'B1' was never sealed, so there is nothing to"):
        study.unblind("B1")


def test_a_plan_that_was_typed_into_is_told(tmp_path):
    study = sealed(tmp_path / "study")
    file = study.folder / "plans" / "B2_making.csv"
    file.write_text(file.read_text("utf-8-sig").replace(",1.25,", ',"1,25",', 1), "utf-8-sig")
    with pytest.raises(RecordError) as raised:
        study.plan("B2")
    assert str(raised.value) == (
        "plans/B2_making.csv cannot be read:\n- plans/B2_making.csv, row 2, column "
        "'gouge_centre_mm', '1,25': 1,25 looks like a decimal comma; this sheet uses points; "
        "write 1.25."
    )


def test_unblinding_waits_until_all_is_made(tmp_path):
    study = sealed(tmp_path / "study")
    before = contents(study.folder)
    with pytest.raises(RecordError, match=r"stays sealed: nothing is recorded as made\. Fill in"):
        study.unblind("B2")
    assert contents(study.folder) == before
    rows = made_rows()
    rows[1] = making_rows()[1]
    rows[3] = making_rows()[3]
    study = study.record(sheet(tmp_path / "m.csv", rows))
    before = contents(study.folder)
    with pytest.raises(RecordError, match=r"stays sealed: places 2, 4 not recorded as made\. Fi"):
        study.unblind("B2")
    assert contents(study.folder) == before


def test_unblinding_writes_what_was_made_and_when_it_was_opened(tmp_path):
    study = everything_made(tmp_path).unblind("B2", "2026-11-20")
    reeds = study.tables["reeds"].set_index("reed_id").loc[list(CODES)]
    assert reeds["tube_id"].tolist() == plan_tables()["making"]["tube_id"].tolist()
    assert reeds["gouge_centre_mm"].fillna(0).tolist() == [1.25, 1.35, 1.25, 1.35, 0, 1.35]
    wires = ["loose", "loose", "loose", "tight", None, "loose"]
    assert reeds["wire, second"].astype(object).replace({float("nan"): None}).tolist() == wires
    assert reeds["minutes_spent"].fillna(0).tolist() == [45, 45, 45, 45, 0, 45]
    assert reeds["made_on"].eq(pd.Timestamp("2026-11-03")).all()
    assert reeds["fate"].fillna("").tolist() == ["", "", "", "", "lost", ""]
    assert reeds["fate_reason"].fillna("").tolist() == ["", "", "", "", "cracked", ""]
    assert reeds["note"].iloc[2] == 'slipped, the "bark" tore – très vite'
    tubes = study.tables["tubes"]
    assert tubes["cutter"].fillna("").tolist() == ["A", "B", "A", ""]
    record = study.settings.batches[-1]
    assert (record.sealed, record.unblinded) == (False, "2026-11-20")
    assert record.how == (
        "shuffled whole tubes. 1 reed was made otherwise than planned: wire, second at place 3. "
        "No reed came of place 5."
    )
    assert study.labels("B2")["blind_code"].tolist() == list(CODES)
    before = contents(study.folder)
    with pytest.raises(CallError, match=r"'B2' was opened on 2026-11-20; its levels stand in ree"):
        study.unblind("B2")
    assert contents(study.folder) == before


@pytest.mark.parametrize("on", [date(2026, 11, 20), datetime(2026, 11, 20, 9), "2026-11-20"])
def test_the_day_may_be_given_in_several_ways(tmp_path, on):
    assert everything_made(tmp_path).unblind("B2", on).settings.batches[-1].unblinded == (
        "2026-11-20"
    )


def test_a_day_that_is_none_is_refused(tmp_path):
    study = everything_made(tmp_path)
    with pytest.raises(CallError, match=r"'20\.11\.2026' is no day; write it like 2026-03-04\."):
        study.unblind("B2", "20.11.2026")
    today = study.unblind("B2").settings.batches[-1].unblinded
    assert date.fromisoformat(today) <= date.today()


def test_a_cell_that_says_otherwise_stops_the_unblinding(tmp_path):
    study = everything_made(tmp_path)
    reeds = study.folder / "reeds.csv"
    first, second = CODES[0], CODES[4]
    text = reeds.read_text("utf-8-sig")
    text = text.replace(f"{first},{first},B2,,,,", f"{first},{first},B2,T4,,1.25,")
    text = text.replace(f"{second},{second},B2,,,,,,,", f"{second},{second},B2,,,,,,kept,")
    reeds.write_text(text, "utf-8-sig")
    before = contents(study.folder)
    with pytest.raises(RecordError) as raised:
        study.unblind("B2")
    lines = str(raised.value).split("\n")
    assert lines[0] == "Batch 'B2' cannot be opened; nothing was written:"
    assert [line.split(", ", 2)[2] for line in lines[1:]] == [
        "column 'tube_id', 'T4': plans/B2_made.csv says 'T1'; mend one of the two.",
        "column 'fate', 'kept': plans/B2_made.csv says 'lost'; mend one of the two.",
    ]
    assert contents(study.folder) == before


def test_a_key_that_does_not_fit_the_reeds_is_refused(tmp_path):
    study = everything_made(tmp_path)
    file = study.folder / "keys" / "B2.csv"
    file.write_text(file.read_text("utf-8-sig").replace(CODES[1], "A2AA"), "utf-8-sig")
    with pytest.raises(RecordError, match=r"keys/B2\.csv and reeds\.csv do not fit each other \(p"):
        study.unblind("B2")


def test_a_failed_write_puts_every_file_back(tmp_path, monkeypatch):
    study = planned_batch(tmp_path / "study")
    before = contents(study.folder)
    rename, calls = writing.Path.replace, []

    def full_disk(path, target):
        calls.append(target)
        if len(calls) == 3:
            raise OSError(28, "No space left on device")
        return rename(path, target)

    monkeypatch.setattr(writing.Path, "replace", full_disk)
    with pytest.raises(RecordError, match=r"cannot be written: No space left on device\."):
        sealed(study.folder)
    assert contents(study.folder) == before
    assert open_study(study.folder).check().ok


@pytest.mark.parametrize(
    "text",
    [
        "a,b\n1,2\n",
        "a,b\r\n1,2",
        'a,"b ""x"", y"\n\n"1\n2",\n,\n\n',
        "a\rb\r",
        'a,b"c\n1"2,3\n',
    ],
)
def test_a_page_comes_back_to_the_byte(text):
    for mark in (b"", b"\xef\xbb\xbf"):
        assert Page.read(mark + text.encode()).content() == mark + text.encode()


def test_a_row_goes_after_the_last_that_holds_something():
    page = Page.read(b"a,b\n1,2\n,\n\n")
    page.add_column("c")
    page.append({"c": "3"})
    assert page.content() == b"a,b,c\n1,2,\n,,3\n,\n\n"
