import contextlib
import json
import subprocess
import sys

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import reedlab
from reedlab.errors import CallError, RecordError
from reedlab.study import BatchRecord, Settings, open_study
from tests.study.build import describe, only, opened, planned_batch, record, told

REEDS = "reed_id,fate\n001,kept\n002,discarded\n003,unfinished\n004,\n"


def test_keys_stay_text_and_rows_are_numbered_as_a_spreadsheet_shows_them(tmp_path):
    reeds = opened(tmp_path, reeds=REEDS).tables["reeds"]
    assert reeds["reed_id"].tolist() == ["001", "002", "003", "004"]
    assert reeds.index.name == "row"
    assert reeds.index.tolist() == [2, 3, 4, 5]


def test_kept_follows_from_the_fate(tmp_path):
    study = opened(tmp_path, reeds=REEDS)
    assert study.tables["reeds"]["kept"].tolist() == [True, False, pd.NA, pd.NA]
    assert study.response("kept").kind == "binary"


def test_c14_a_reed_without_a_label_stays_and_counts_as_missing(tmp_path):
    study = opened(tmp_path, reeds="reed_id,shape\n1,A\n2,\n3,B\n")
    counts = study.tables["reeds"]["shape"].value_counts(dropna=False)
    assert counts.sum() == 3
    assert counts[counts.index.isna()].tolist() == [1]
    assert study.check().ok


@pytest.mark.parametrize("mark", ["﻿", ""])
def test_a_byte_order_mark_and_any_line_ending_are_read(tmp_path, mark):
    for place, ending in enumerate(("\n", "\r\n", "\r")):
        folder = record(tmp_path / str(place), reeds="")
        text = mark + ending.join(["reed_id,shape", "1,schön ♭", '2,"a, ""b"""'])
        (folder / "reeds.csv").write_bytes(text.encode())
        study = open_study(folder)
        assert study.tables["reeds"]["shape"].tolist() == ["schön ♭", 'a, "b"']
        assert study.check().ok


def test_h9_the_order_of_columns_does_not_matter(tmp_path):
    fields = [{"name": "reed_id", "type": "string"}, {"name": "shape", "type": "string"}]
    record(tmp_path, reeds="shape,reed_id\nA,1\n")
    describe(
        tmp_path,
        {"instrument": "bassoon"},
        [{"name": "reeds", "path": "reeds.csv", "schema": {"fields": fields}}],
    )
    study = open_study(tmp_path)
    assert study.tables["reeds"]["reed_id"].tolist() == ["1"]
    assert study.check().table.empty


def test_own_factors_and_responses_need_no_code_and_no_field(tmp_path):
    study = opened(
        tmp_path,
        {
            "factors": [
                {"name": "Soak time (h)", "kind": "numeric", "unit": "h", "step": 1},
                {"name": "Lot no.", "stratum": "lot", "levels": ["7", "07"]},
            ],
            "responses": [
                {"name": "Ease, 1-3", "kind": "ordinal", "levels": [1, 2, 3], "table": "reeds"},
                {"name": "speaks?", "kind": "binary", "table": "reeds"},
            ],
        },
        lots="lot_id,Lot no.\nL1,07\n",
        reeds='reed_id,Soak time (h),"Ease, 1-3",speaks?\n1,2.5,3,yes\n2,3,4,no\n',
    )
    reeds = study.tables["reeds"]
    assert reeds["Soak time (h)"].dtype == "float64"
    assert reeds["Ease, 1-3"].dtype == "Int64"
    assert reeds["speaks?"].tolist() == [True, False]
    assert study.tables["lots"]["Lot no."].tolist() == ["07"]
    assert [factor.name for factor in study.factors] == ["Soak time (h)", "Lot no."]
    assert study.schema["reeds"].column("Soak time (h)").unit == "h"
    fault = only(study)
    assert (fault["row"], fault["column"], fault["value"]) == (3, "Ease, 1-3", "4")
    assert fault["fault"] == "'4' is none of the levels"
    assert fault["remedy"] == "use 1, 2, 3, or declare it in datapackage.json"


def test_left_out_the_lists_are_the_defaults_that_are_recorded(tmp_path):
    study = opened(tmp_path, reeds="reed_id,gouge_centre_mm,fate\n1,1.3,kept\n")
    assert "gouge_centre_mm" in [factor.name for factor in study.factors]
    assert [response.name for response in study.responses] == ["kept"]
    study = opened(tmp_path, {"factors": []}, reeds="reed_id,gouge_centre_mm\n1,1.3\n")
    assert study.factors == ()


def test_a_factor_called_categorical_makes_its_column_text(tmp_path):
    factor = {"name": "harvest_year", "stratum": "lot", "levels": ["2023", "2024"]}
    study = opened(tmp_path, {"factors": [factor]}, lots="lot_id,harvest_year\nL1,2023\n")
    assert study.tables["lots"]["harvest_year"].tolist() == ["2023"]
    assert study.check().ok


def test_a_wrong_name_is_told_the_nearest(tmp_path):
    study = opened(tmp_path, reeds="reed_id,gouge_centre_mm,fate\n1,1.3,kept\n")
    with pytest.raises(CallError, match=r"There is no response 'kep'\. Nearest: kept"):
        study.response("kep")
    with pytest.raises(CallError, match=r"There is no factor 'gouge_center_mm'\. Nearest: gouge_c"):
        study.factor("gouge_center_mm")
    folder = planned_batch(tmp_path / "planned").folder
    with pytest.raises(CallError, match=r"'profile' is declared, but the table 'reeds' has no su"):
        open_study(folder).factor("profile")


def test_the_short_form_of_a_study_counts_its_rows(tmp_path):
    assert repr(opened(tmp_path, reeds=REEDS)).endswith("4 reeds>")


def test_a_study_that_cannot_be_opened_says_why(tmp_path):
    with pytest.raises(RecordError, match="There is no folder"):
        open_study(tmp_path / "nowhere")
    with pytest.raises(RecordError, match=r"holds no datapackage\.json, .*'reedlab new FOLDER'"):
        open_study(tmp_path)
    (tmp_path / "datapackage.json").write_text('{"name": "x",\n  "reedlab": {,}\n}')
    with pytest.raises(RecordError, match="not valid JSON at line 2, column 15"):
        open_study(tmp_path)
    (tmp_path / "datapackage.json").write_bytes(b'{"name": "\xff"}')
    with pytest.raises(RecordError, match=r"datapackage\.json is not UTF-8 text"):
        open_study(tmp_path)
    (tmp_path / "datapackage.json").write_text("[]")
    with pytest.raises(RecordError, match="must hold one object"):
        open_study(tmp_path)
    (tmp_path / "datapackage.json").write_text("{}")
    with pytest.raises(RecordError, match='has no settings; add "reedlab"'):
        open_study(tmp_path)


def test_all_faults_of_the_settings_are_told_at_once(tmp_path):
    describe(
        tmp_path,
        {
            "instrument": "basoon",
            "a4": 442,
            "crow_target": 330,
            "invented": "yes",
            "factors": [
                {"name": "x", "stratum": "batch"},
                {"levels": ["a"]},
                {"name": "y", "step": "0.05"},
                {"name": "z", "lebels": ["a"]},
                "gouge",
            ],
            "responses": [{"name": "r", "kind": "ordinal"}],
            "protocol": {},
            "batches": [{"batch_id": "B1", "seed": "7"}],
        },
        [
            {"name": "reeds", "path": "../reeds.csv"},
            {"path": "x.csv"},
            {"name": "tests", "path": "tests.csv", "schema": {"fields": [{"name": "reed_id"}]}},
            {
                "name": "tubes",
                "path": "tubes.csv",
                "schema": {"fields": [{"name": "tube_id", "type": "integer"}]},
            },
            {
                "name": "lots",
                "path": "lots.csv",
                "schema": {
                    "fields": [
                        {"name": "lot_id"},
                        {"name": "map", "type": "geopoint"},
                        {"name": "age", "type": "number", "plausible": [3, 1]},
                    ],
                    "foreignKeys": [{"fields": "lot_id"}],
                },
            },
        ],
    )
    with pytest.raises(RecordError) as raised:
        open_study(tmp_path)
    text = str(raised.value)
    for message in (
        "There is no instrument 'basoon'. Nearest: bassoon",
        "reedlab: there is no setting 'a4'; nearest: 'a4_hz'.",
        'crow_target must be a note such as "E4", or ["E4", "F4"].',
        "reedlab: 'invented' must be true or false, not \"yes\".",
        "reedlab.factors, entry 1: Factor 'x' has the stratum 'batch'",
        "reedlab.factors, entry 2 lacks 'name'.",
        "reedlab.factors, entry 3: 'step' must be a number, not \"0.05\".",
        "reedlab.factors, entry 4: there is no setting 'lebels'; nearest: 'levels'.",
        "reedlab.factors, entry 5 must be an object in curly brackets.",
        "reedlab.responses, entry 1: Response 'r' is ordinal: list its levels",
        "reedlab.protocol must be a list in square brackets.",
        "reedlab.batches, entry 1: 'seed' must be a whole number, not \"7\".",
        "Table 'reeds': 'path' must name one file inside the folder.",
        "resources, entry 2 must be an object with a 'name'.",
        "Table 'tests': the key column 'stage' is not among its fields.",
        "Table 'tubes': 'tube_id' is an id, so its type must be 'string'.",
        "Table 'lots', field 'map': the type 'geopoint' is not read here; use one of string",
        "Table 'lots', field 'age': bounds must be numbers, the lower one first",
        "Table 'lots': a foreign key must lead from one column",
    ):
        assert message in text, message


@pytest.mark.parametrize(
    ("block", "message"),
    [
        ({}, "reedlab.instrument is missing; say one of bassoon, contrabassoon, oboe"),
        ({"a4_hz": 44}, "a4_hz is 44; a tuning of A4 lies between 300 and 600 Hz."),
        ({"crow_target": "H4"}, "crow_target: 'H4' is not a note"),
        ({"crow_target": ["F4", "E4"]}, "crow_target runs from F4 down to E4"),
        ({"crow_target": ["D4", "E4", "F4"]}, "crow_target must be one note, or the lowest"),
        (
            {"factors": [{"name": "a"}, {"name": "a"}]},
            "The factor 'a' is declared twice.",
        ),
        (
            {
                "factors": [{"name": "gouge"}],
                "batches": [{"batch_id": "1", "randomised": ["gauge"]}],
            },
            "Batch '1' names 'gauge' as randomised, which is no declared factor; nearest: 'gouge'",
        ),
        (
            {
                "factors": [{"name": "gouge"}],
                "batches": [{"batch_id": "1", "randomised": [False]}],
            },
            "Batch '1' names 'False' as randomised, which is no declared factor",
        ),
        (
            {"factors": [{"name": "a", "stratum": "lot"}]},
            "The factor 'a' belongs to the table 'lots', which is not listed (reeds).",
        ),
        ({"factors": [{"name": "a", "levels": [["b"]]}]}, "'levels' must list texts or numbers"),
    ],
)
def test_a_setting_that_does_not_fit_is_told_what_would(tmp_path, block, message):
    instrument = {"instrument": "bassoon"} if block else {}
    describe(tmp_path, instrument | block, [{"name": "reeds", "path": "reeds.csv"}])
    (tmp_path / "reeds.csv").write_text("reed_id\n1\n")
    with pytest.raises(RecordError) as raised:
        open_study(tmp_path)
    assert message in str(raised.value)


def test_a_factor_and_its_field_must_agree_on_the_type(tmp_path):
    fields = [
        {"name": "reed_id"},
        {"name": "soak", "type": "string"},
        {"name": "cut", "type": "number"},
    ]
    factors = [{"name": "soak", "kind": "numeric"}, {"name": "cut", "levels": ["thin", "thick"]}]
    describe(
        tmp_path,
        {"instrument": "bassoon", "factors": factors},
        [{"name": "reeds", "path": "reeds.csv", "schema": {"fields": fields}}],
    )
    with pytest.raises(RecordError) as raised:
        open_study(tmp_path)
    text = str(raised.value)
    assert "The factor 'soak' is numeric, but its field in the table 'reeds' has the type" in text
    assert "The factor 'cut' is categorical with levels in words, but its field" in text


def test_all_files_that_cannot_be_read_are_told_at_once(tmp_path):
    record(
        tmp_path,
        lots="lot_id;harvest_year\nL1;2024\n",
        tubes='tube_id,pieces\nT1,4\n"T2"x,4\n',
        reeds="reed id,fate\n1,kept\n",
        sessions="",
        life="reed_id\n",
        tests="",
    )
    (tmp_path / "life.csv").unlink()
    (tmp_path / "tests.csv").write_bytes("reed_id,wo\n1,Köln\n".encode("latin-1"))
    with pytest.raises(RecordError) as raised:
        open_study(tmp_path)
    text = str(raised.value)
    for message in (
        "lots.csv is separated by semicolons or tabs; save it again as 'CSV UTF-8",
        "tubes.csv, after row 2: a quotation mark opens a cell and does not close it",
        "reeds.csv lacks the key column 'reed_id'; nearest: 'reed id'.",
        "sessions.csv has no header; its first row must name the columns.",
        "life.csv is missing from the folder",
        "tests.csv is not UTF-8 text (byte 15); save it again as 'CSV UTF-8",
    ):
        assert message in text, message


def test_c2_a_row_with_too_many_cells_is_left_out_and_told(tmp_path):
    study = opened(tmp_path, reeds="reed_id,bevel_mm\n1,0,62\n2\n\n3,4.5\n")
    assert study.tables["reeds"]["reed_id"].tolist() == ["3"]
    assert study.tables["reeds"].index.tolist() == [5]
    faults = study.check()
    assert faults.table["fault"].tolist() == [
        "row 2 has 3 cells, the header has 2; the row is left out",
        "row 3 has 1 cell, the header has 2; the row is left out",
        "row 4 is blank",
    ]
    assert faults.table["value"].tolist() == ["1,0,62", "2", ""]
    assert faults.table["remedy"][0].startswith("a comma inside a cell splits it")
    assert faults.left_out["row"].tolist() == [2, 3]
    assert faults.rows_used == 1


def test_blank_lines_at_the_end_say_nothing(tmp_path):
    assert opened(tmp_path, reeds="reed_id,shape\n1,A\n,\n\n").check().table.empty


def test_a_header_that_comes_twice_or_is_empty_is_an_error(tmp_path):
    study = opened(tmp_path, reeds="reed_id,shape,shape,\n1,A,B,\n")
    assert study.tables["reeds"]["shape"].tolist() == ["A"]
    assert study.check().table["fault"].tolist() == [
        "the header 'shape' comes twice",
        "column 4 has no header",
    ]


def test_c12_a_header_that_differs_by_space_or_case_is_an_error(tmp_path):
    fault = only(opened(tmp_path, reeds="reed_id,Shape \n1,A\n"))
    assert fault["severity"] == "error"
    assert fault["fault"] == "the header 'Shape ' differs from 'shape' only by case or space"
    assert fault["remedy"] == "rename it to 'shape'"


def test_an_unknown_column_is_a_warning_and_is_kept_as_text(tmp_path):
    study = opened(tmp_path, reeds="reed_id,shapes,weather\n1,A,07\n")
    assert study.tables["reeds"]["weather"].tolist() == ["07"]
    table = study.check().table
    assert table["severity"].tolist() == ["warning", "warning"]
    assert table["fault"][1] == (
        "the column 'weather' is not in the descriptor, so it is read as text"
    )
    assert table["remedy"][0].startswith("rename it if 'shape' is meant, or add it to the fields")


def test_a_declared_column_that_the_file_lacks_is_a_warning(tmp_path):
    folder = planned_batch(tmp_path / "planned").folder
    text = (folder / "tubes.csv").read_text("utf-8-sig").replace("pieces", "parts")
    (folder / "tubes.csv").write_text(text)
    faults = open_study(folder).check().table
    assert "the descriptor declares a column 'pieces' that the file does not have" in set(
        faults["fault"]
    )


def test_an_own_factor_that_no_header_stands_for_is_a_warning(tmp_path):
    study = opened(tmp_path, {"factors": [{"name": "soaking"}]}, reeds="reed_id,soakin\n1,2\n")
    assert told(study)[0] == ("datapackage.json", pd.NA, "soaking", "soaking", "warning")
    assert study.check().table["remedy"][0] == "name it 'soakin' there"


def test_bounds_and_missing_codes_come_from_the_descriptor(tmp_path):
    record(tmp_path, reeds="reed_id,tip_width_mm,bevel_mm\n1,20,n.m.\n2,99,3\n")
    fields = [
        {"name": "reed_id"},
        {"name": "tip_width_mm", "plausible": None, "constraints": {"maximum": 50}},
        {"name": "bevel_mm", "type": "number", "plausible": [5, 9], "unit": "mm"},
    ]
    schema = {"fields": fields, "missingValues": ["", "n.m."]}
    describe(
        tmp_path,
        {"instrument": "bassoon"},
        [{"name": "reeds", "path": "reeds.csv", "schema": schema}],
    )
    assert told(open_study(tmp_path)) == [
        ("reeds.csv", 3, "tip_width_mm", "99", "error"),
        ("reeds.csv", 3, "bevel_mm", "3", "warning"),
    ]


def test_settings_made_in_code_are_checked_too():
    assert Settings(crow_target="F4").crow_target == ("F4", "F4")
    for band in ("E4-F4", "E4 – F4", "E4 F4", "E4, F4", "E4 to F4", ["E4", "F4"]):
        assert Settings(crow_target=band).crow_target == ("E4", "F4")
    with pytest.raises(CallError) as raised:
        Settings(
            a4_hz=0, crow_target=("F4", "E4"), batches=[BatchRecord("b", ("x",)), BatchRecord("b")]
        )
    assert len(str(raised.value).split("\n")) == 4


WORDS = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), min_size=1).filter(
    str.strip
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40)
@given(st.lists(WORDS, min_size=1, max_size=5))
def test_any_words_come_back_from_disk_as_they_were(tmp_path_factory, words):
    from reedlab.study import write_study

    frame = pd.DataFrame({"reed_id": [str(place) for place in range(len(words))], "shape": words})
    folder = tmp_path_factory.mktemp("words") / "study"
    assert (
        write_study(folder, {"reeds": frame}, Settings()).tables["reeds"]["shape"].tolist() == words
    )


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.sampled_from(["", "x", "1", "reeds"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("ab"), inner),
    max_leaves=4,
)


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=200, deadline=None
)
@given(st.data())
def test_any_damage_to_the_descriptor_is_told_and_never_a_traceback(tmp_path, data):
    folder = tmp_path / "planned"
    if not folder.exists():
        planned_batch(folder)
        (folder / "whole.json").write_bytes((folder / "datapackage.json").read_bytes())
    package = json.loads((folder / "whole.json").read_text("utf-8"))
    node = package
    while True:
        keys = list(node) if isinstance(node, dict) else list(range(len(node)))
        key = data.draw(st.sampled_from(keys))
        if node[key] and isinstance(node[key], dict | list) and data.draw(st.integers(0, 4)):
            node = node[key]
            continue
        node[key] = data.draw(JSON)
        break
    (folder / "datapackage.json").write_text(json.dumps(package), "utf-8")
    with contextlib.suppress(RecordError):
        open_study(folder)


def test_importing_the_room_is_light():
    code = (
        "import sys, reedlab.study;"
        "print([name for name in ('pandera', 'pint', 'scipy', 'seaborn', 'statsmodels') "
        "if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_package_offers_it_by_name(tmp_path):
    planned_batch(tmp_path / "planned")
    assert reedlab.open_study(str(tmp_path / "planned")).title == "A planned batch"
    block = json.loads((tmp_path / "planned" / "datapackage.json").read_text("utf-8"))["reedlab"]
    assert block["batches"] == [
        {
            "batch_id": "B1",
            "randomised": ["gouge_centre_mm", "shape"],
            "seed": 7,
            "how": "shape among tubes",
        }
    ]
