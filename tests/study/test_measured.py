"""Measured numbers go into the tests table, or every reason why not is told and nothing is."""

import re

import pandas as pd
import pytest

from reedlab.errors import CallError, RecordError
from reedlab.study import default_settings, new_study, write_study
from reedlab.study.belonging import require_tests
from reedlab.study.measured import add_measurements
from tests.study.batch import contents, sealed
from tests.study.build import opened, planned_batch
from tests.study.test_writing import outside_verdict

REEDS = "reed_id,blind_code\n007,K\n008,\n"
SESSIONS = "session_id\nS1\nS2\n"
TESTS = 'reed_id,session_id,stage,trial,crow_hz,attack_ms,note\n007,S1,day 1,1,331.5,,"a, b"\n'


def rows(*recordings, **numbers):
    """Return rows by (reed, session, stage, trial, recording), with columns of numbers."""
    names = ["reed_id", "session_id", "stage", "trial", "recording"]
    return pd.DataFrame(recordings, columns=names).assign(**numbers)


def refused(study, table):
    """Return the lines of a refusal; nothing may have changed on disk."""
    before = contents(study.folder)
    with pytest.raises(RecordError) as raised:
        add_measurements(study, table)
    assert contents(study.folder) == before
    first, *lines = str(raised.value).split("\n")
    assert first == "The measurements cannot be recorded; nothing was written:"
    return [line.removeprefix("- ") for line in lines]


@pytest.fixture
def study(tmp_path):
    return opened(tmp_path / "study", reeds=REEDS, sessions=SESSIONS, tests=TESTS)


def test_empty_cells_are_filled_and_rows_added_and_the_rest_stays_as_typed(study):
    table = rows(
        ("007", "S1", "day 1", 1, "a.wav"), ("008", "S2", "day 2", 1, "b.wav"), attack_ms=61.23456
    )
    found = add_measurements(study, table)
    text = (study.folder / "tests.csv").read_text("utf-8-sig")
    assert text == (
        "reed_id,session_id,stage,trial,crow_hz,attack_ms,note,recording\n"
        '007,S1,day 1,1,331.5,61.2346,"a, b",a.wav\n'
        "008,S2,day 2,1,,61.2346,,b.wav\n"
    )
    assert found.tables["tests"]["attack_ms"].tolist() == [61.2346, 61.2346]


def test_recordings_of_one_test_fill_it_together(study):
    table = rows(
        ("008", "S1", "day 1", 2, "crow.wav"), ("008", "S1", "day 1", 2, "slur.wav")
    ).assign(crow_hz=[340.0, None], slur_gap_ms=[None, 12.0])
    test = add_measurements(study, table).tables["tests"].iloc[-1]
    assert (test["crow_hz"], test["slur_gap_ms"]) == (340, 12)
    assert test["recording"] == "crow.wav; slur.wav"


def test_added_twice_nothing_changes(study):
    table = rows(("K", "S1", "day 1", 1, "a.wav"), attack_ms=0.1 + 0.2, crow_hz=331.5000004)
    once = add_measurements(study, table)
    before = contents(study.folder)
    again = add_measurements(once, table)
    assert contents(study.folder) == before
    pd.testing.assert_frame_equal(again.tables["tests"], once.tables["tests"])


def test_another_recording_of_a_test_is_named_behind_the_first(study):
    for name in ("a.wav", "b.wav", "a.wav"):
        study = add_measurements(study, rows(("007", "S1", "day 1", 1, name), attack_ms=50))
    assert study.tables["tests"]["recording"].item() == "a.wav; b.wav"


def test_a_reed_goes_by_its_code_or_its_id(study):
    table = rows(("K", "S2", "day 1", 1, "a.wav"), ("007", "S2", "day 1", 2, "b.wav"), crow_hz=340)
    assert add_measurements(study, table).tables["tests"]["reed_id"].tolist() == ["007"] * 3


def test_all_that_has_no_place_is_told_at_once(study):
    table = rows(
        ("7", "S1", "day 1", 1, "a.wav"),
        ("R9", "S3", " ", 0, "b.wav"),
        (None, "s1", "Day1", "1.5", "c.wav"),
        ("008", "S2", "day 1", 1, "d.wav"),
        crow_hz=[340.0, 340.0, 340.0, 10.0],
    )
    assert refused(study, table) == [
        "a.wav, column 'reed_id', '7': reeds.csv has no such reed; write '007' as in reeds.csv, "
        "if that is meant.",
        "b.wav, column 'reed_id', 'R9': reeds.csv has no such reed; add it to reeds.csv, or mend "
        "the id.",
        "b.wav, column 'session_id', 'S3': sessions.csv has no such session; add it to "
        "sessions.csv, or mend the id.",
        "b.wav, column 'stage', empty: stage is blank; write it.",
        "b.wav, column 'trial', '0': trial is no whole number from 1; write 1 for the first try.",
        "c.wav, column 'reed_id', empty: reeds.csv has no such reed; add it to reeds.csv, or mend "
        "the id.",
        "c.wav, column 'session_id', 's1': sessions.csv has no such session; write 'S1' as in "
        "sessions.csv, if that is meant.",
        "c.wav, column 'stage', 'Day1': tests.csv has the stage 'day 1'; write 'day 1' if that is "
        "meant, or another word.",
        "c.wav, column 'trial', '1.5': trial is no whole number from 1; write 1 for the first try.",
        "d.wav, column 'crow_hz', '10': this cannot be, it lies outside 20 to 20000 Hz; look at "
        "the recording, and leave it out.",
    ]


def test_places_can_be_asked_for_before_anything_is_measured(study):
    require_tests(study, rows(("K", "S1", "day 9", 3, "a.wav")))
    with pytest.raises(RecordError, match=r"a\.wav, column 'reed_id', 'Q': reeds\.csv has no"):
        require_tests(study, rows(("Q", "S1", "day 9", 3, "a.wav")))
    with pytest.raises(CallError, match="The table of measurements lacks trial, recording"):
        require_tests(study, rows().drop(columns=["trial", "recording"]))


def test_a_number_that_is_recorded_is_never_replaced(study):
    table = rows(("007", "S1", "day 1", 1, "a.wav"), crow_hz=331.6, attack_ms=50)
    assert refused(study, table) == [
        "tests.csv, row 2, column 'crow_hz', '331.5': this is recorded already, but a.wav measures "
        "331.6; keep one: empty this cell, or give the recording another trial."
    ]


def test_two_recordings_that_differ_are_refused(study):
    table = rows(
        ("008", "S1", "day 1", 1, "a.wav"), ("008", "S1", "day 1", 1, "b.wav"), crow_hz=[340, 341]
    )
    assert refused(study, table) == [
        "b.wav, column 'crow_hz', '341': for the same test a.wav measures 340; give one of the two "
        "recordings another trial."
    ]


def test_a_cell_that_cannot_be_read_is_not_taken_for_empty(tmp_path):
    study = opened(
        tmp_path / "study",
        reeds=REEDS,
        sessions=SESSIONS,
        tests="reed_id,session_id,stage,trial,crow_hz\n007,S1,day 1,1,about 330\n",
    )
    assert refused(study, rows(("007", "S1", "day 1", 1, "a.wav"), crow_hz=340)) == [
        "tests.csv, row 2, column 'crow_hz', 'about 330': this cannot be read, and a.wav measures "
        "340; mend the cell."
    ]


def test_a_mark_of_two_reeds_tells_of_neither(tmp_path):
    study = opened(
        tmp_path / "study",
        reeds="reed_id,blind_code\n1,K\n2,K\n",
        sessions=SESSIONS,
        tests="reed_id,session_id,stage,trial\n",
    )
    assert refused(study, rows(("K", "S1", "new", 1, "a.wav"), crow_hz=340)) == [
        "a.wav, column 'reed_id', 'K': several reeds of reeds.csv carry this mark; write the "
        "reed's id."
    ]


@pytest.mark.parametrize(
    ("table", "message"),
    [
        (rows().assign(crow=1.0), "crow cannot be written: the tests table has no such column of"),
        (rows().assign(stages="x"), "stages cannot be written"),
        (rows().drop(columns="stage"), "The table of measurements lacks stage."),
    ],
)
def test_a_table_of_other_columns_is_refused(study, table, message):
    with pytest.raises(CallError, match=re.escape(message)):
        add_measurements(study, table)


def test_a_whole_number_column_takes_the_nearest_and_small_numbers_no_exponent(study):
    table = rows(("008", "S1", "day 1", 1, "a.wav"), rating_overall=3.0, crow_cents=-1e-9)
    text = (add_measurements(study, table).folder / "tests.csv").read_text("utf-8-sig")
    header, _, last = text.splitlines()
    assert header.endswith(",note,recording,rating_overall,crow_cents")
    assert last.endswith(",,a.wav,3,0")


def test_a_study_without_tests_gets_its_table_and_stays_valid(tmp_path):
    reeds = pd.DataFrame({"reed_id": ["R1"]})
    sessions = pd.DataFrame({"session_id": ["S1"]})
    tables = {"reeds": reeds, "sessions": sessions}
    study = write_study(tmp_path / "study", tables, default_settings())
    (study.folder / "tests.csv").unlink(missing_ok=True)
    new = add_measurements(study, rows(("R1", "S1", "new", 1, "ä b.wav"), crow_hz=340.123456))
    assert outside_verdict(new.folder) == (True, [])
    assert new.tables["tests"][["reed_id", "crow_hz", "recording"]].to_numpy().tolist() == [
        ["R1", 340.123, "ä b.wav"]
    ]


def test_an_empty_study_has_no_reed(tmp_path):
    lines = refused(new_study(tmp_path / "s"), rows(("R1", "S1", "1", 1, "a.wav"), crow_hz=340))
    assert len(lines) == 2


def test_nothing_to_add_changes_nothing(study):
    before = contents(study.folder)
    add_measurements(study, rows())
    assert contents(study.folder) == before


def test_a_planned_batch_stays_valid_for_an_outside_validator(tmp_path):
    study = planned_batch(tmp_path / "study")
    table = rows(("K", "S2", "day 4", 1, "x.wav"), dynamic_range_db=18.2)
    assert outside_verdict(add_measurements(study, table).folder) == (True, [])


def test_a_sealed_batch_is_recorded_without_its_key(tmp_path):
    study = sealed(tmp_path / "study")
    own = study.tables["reeds"].query("batch_id == 'B2'")
    code = own["blind_code"].iloc[0]
    for key in (study.folder / "keys").iterdir():
        key.write_bytes(b"\xff\x00 no key")
    before = contents(study.folder)
    new = add_measurements(study, rows((code, "S1", "new", 1, "x.wav"), crow_hz=340))
    after = contents(study.folder)
    assert {name for name in after if after[name] != before[name]} == {"tests.csv"}
    assert new.tables["tests"]["reed_id"].iloc[-1] == own["reed_id"].iloc[0]
    lines = refused(new, rows((code[::-1], "S1", "new", 1, "y.wav"), crow_hz=340))
    told = " ".join(lines)
    assert not any(word in told for word in ("loose", "tight", "1.25", "1.35", "T1", "T2", "T3"))
