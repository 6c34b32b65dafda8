"""Cells that must do nothing: texts that a spreadsheet would compute, recordings elsewhere."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reedlab.errors import RecordError
from reedlab.schema import Factor
from reedlab.study import open_study
from reedlab.study.exporting import as_meant, export_table, harmless
from reedlab.study.measured import add_measurements
from tests.study.batch import (
    FACTORS,
    contents,
    played_rows,
    sealed,
    session_rows,
    sheet,
)
from tests.study.build import opened, planned_batch
from tests.study.killed import played


@pytest.mark.parametrize(
    "text", ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@sum(1)", "\t=1", " =1", "＝1", "-", "+a1 b1"]
)
def test_a_text_that_a_spreadsheet_would_compute_is_kept_from_it_and_comes_back(text):
    assert harmless(text) == f"'{text}"
    assert as_meant(harmless(text)) == text


@pytest.mark.parametrize(
    "text", ["-1.5", "+20", "-1,5", "-.5", "-2e-3", "+0.05 mm", "-15 %", "thin", "'tis", "−3", ""]
)
def test_numbers_and_words_stay_as_they_are(text):
    assert harmless(text) == text == as_meant(text)


@given(st.text("=+-@'\t\r 1a.") | st.text())
def test_whatever_is_typed_begins_no_formula_and_comes_back(text):
    written = harmless(text)
    assert as_meant(written) == text
    assert written == text or written == f"'{text}"
    assert written.lstrip()[:1] not in {*"=@"}
    if written.lstrip()[:1] in {*"+-"}:
        assert written.lstrip()[1] in "0123456789.,"


def test_findings_hold_no_formula_and_their_numbers_stay_numbers(tmp_path):
    table = pd.DataFrame({"=x": ["=1+1", "-1", None], "estimate": [-1.5, 2.0, None]})
    export_table(table, tmp_path / "t.csv")
    read = pd.read_csv(tmp_path / "t.csv")
    assert read.columns.tolist() == ["'=x", "estimate"]
    assert read["'=x"].tolist()[:2] == ["'=1+1", "-1"]
    assert read["estimate"].tolist()[:2] == [-1.5, 2.0]
    assert table.columns[0] == "=x"


def test_the_record_itself_keeps_what_was_typed(tmp_path):
    notes = ["=1+1", "@x", "- soft", "'=1"]
    rows = "".join(f"T{number},{note}\n" for number, note in enumerate(notes))
    study = opened(tmp_path / "study", tubes=f"tube_id,bark\n{rows}")
    assert study.tables["tubes"]["bark"].tolist() == notes


def test_bench_sheets_hold_no_formula_and_are_recorded_as_planned(tmp_path):
    from reedlab.plan import write_sheets

    study = planned_batch(tmp_path / "study")
    # A level that a maker may well write: the plus stands for "a little more".
    hall = Factor("hall", ("+dry", "=wet"), "session", "Hall")
    testing = pd.DataFrame(
        {
            "session": [1] * 6 + [2] * 6,
            "place": [1, 2, 3, 4, 5, 6] * 2,
            "blind_code": [row["blind_code"] for row in played_rows()] * 2,
            "hall": ["+dry"] * 6 + ["=wet"] * 6,
        }
    )

    factors = [*FACTORS[:3], hall]
    study = sealed(study.folder, factors, testing=testing)
    paths = [path for path in write_sheets(study, "B2") if path.suffix == ".csv"]
    for path in paths:
        cells = pd.read_csv(path, dtype="str").fillna("").to_numpy().ravel()
        assert not [cell for cell in cells if cell[:1] in "=+-@" and cell]
    (sessions,) = [path for path in paths if path.stem == "B2_sessions"]
    rows = pd.read_csv(sessions, dtype="str").fillna("").to_dict("records")
    assert rows[1]["hall (plan)"] == "'=wet"
    rows[1] |= {"started_at": "2026-11-10 19:30", "player_id": "Pö", "hall": "=wet"}
    done = study.record(sheet(tmp_path / "sessions.csv", rows))
    assert done.tables["sessions"]["hall"].dropna().tolist() == ["=wet"]


OUTSIDE = ("../x.wav", "/tmp/x.wav", "C:\\x.wav", "..\\x.wav", "a/../../x.wav", "~/x.wav", "f://x")


@pytest.mark.parametrize("path", OUTSIDE)
def test_a_recording_outside_the_study_is_refused(tmp_path, path):
    study = planned_batch(tmp_path / "study")
    before = contents(study.folder)
    with pytest.raises(RecordError) as raised:
        add_measurements(study, played(1).assign(recording=f"in.wav; {path}"))
    assert str(raised.value).split("\n")[1] == (
        f"- in.wav; {path}, column 'recording', '{path}': a recording must lie in the study's "
        "folder; copy it there and write its name, such as recordings/R07.wav."
    )
    assert contents(study.folder) == before


def test_a_filled_sheet_that_names_a_recording_outside_is_refused(tmp_path):
    study = sealed(tmp_path / "study")
    study = study.record(sheet(tmp_path / "s.csv", session_rows()))
    rows = [row | {"tip_opening_mm": "0.9", "recording": "day 1/x.wav"} for row in played_rows()]
    rows[2]["recording"] = "../../x.wav"
    with pytest.raises(RecordError) as raised:
        study.record(sheet(tmp_path / "t.csv", rows))
    assert str(raised.value).split("\n")[1:] == [
        "- t.csv, row 4, column 'recording', '../../x.wav': a recording must lie in the study's "
        "folder; copy it there and write its name, such as recordings/R07.wav."
    ]
    rows[2]["recording"] = "day 1/y.wav"
    assert len(study.record(sheet(tmp_path / "t.csv", rows)).tables["tests"]) == 16 + 6


def test_a_recording_that_was_typed_by_hand_or_linked_out_of_the_study_is_told(tmp_path):
    study = planned_batch(tmp_path / "study")
    (tmp_path / "x.wav").write_bytes(b"")
    (study.folder / "day 1").symlink_to(tmp_path)
    (study.folder / "own.wav").write_bytes(b"")
    (study.folder / "link.wav").symlink_to("own.wav")
    with pytest.raises(RecordError, match=r"'day 1/x\.wav': a recording must lie in the study's"):
        add_measurements(study, played(1).assign(recording="day 1/x.wav"))
    add_measurements(study, played(1).assign(recording="link.wav"))
    with (study.folder / "tests.csv").open("a") as file:
        file.write("002,S1,by hand,1,,,,//host/x.wav\n")
        file.write("002,S1,by hand,2,,,,link.wav; day 1/x.wav\n")
    faults = open_study(study.folder).check()
    table = faults.table[faults.table["column"] == "recording"]
    assert not faults.ok
    assert table["value"].tolist() == ["//host/x.wav", "day 1/x.wav"]
    assert set(table["fault"]) == {"a recording must lie in the study's folder"}
