import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest

from reedlab.answer import VOCABULARY
from reedlab.schema import TABLES, Column
from reedlab.study import open_study
from reedlab.study.slips import SLIPS, slip
from tests.study.build import only, opened, planned_batch, told

mpl.use("agg")

TESTS = "reed_id,session_id,stage,trial"


def test_a_sound_record_says_so_and_counts_what_was_read(tmp_path):
    faults = planned_batch(tmp_path / "planned").check()
    assert faults.table.empty
    assert faults.ok
    assert faults.sentence == "No fault found in 30 rows of 4 tables."
    assert faults.plot().texts[0].get_text() == faults.sentence


def test_the_table_has_the_declared_columns_and_no_other(tmp_path):
    table = opened(tmp_path, reeds="reed_id\n\n").check().table
    assert table.columns.tolist() == [
        "file",
        "row",
        "column",
        "value",
        "severity",
        "fault",
        "remedy",
    ]
    assert set(table.columns) <= set(VOCABULARY)


def test_the_sentence_and_the_picture_count_by_file(tmp_path):
    faults = opened(
        tmp_path,
        tubes="tube_id,pieces\nT1,1\n",
        reeds="reed_id,tube_id,tip_width_mm\n1,T1,11\n2,T1,x\n3,T9,15\n",
    ).check()
    assert faults.sentence == (
        "2 errors and 2 warnings in 2 files: tubes.csv (1 warning), "
        "reeds.csv (2 errors, 1 warning)."
    )
    assert len(faults.errors) == 2
    assert not faults.ok
    axes = faults.plot()
    drawn = {line.get_label(): sorted(line.get_xdata()) for line in axes.lines}
    assert drawn == {"errors": [2], "warnings": [1, 1]}
    assert axes.get_xlabel() == "number of faults"
    assert "reeds.csv" in faults._repr_html_()


def test_h4_one_line_a_cell_with_the_row_of_the_spreadsheet(tmp_path):
    study = opened(tmp_path, tubes="tube_id,pieces\na,1\nb,three\nc,NaN\nd,four\ne,900\n,2\n")
    assert told(study) == [
        ("tubes.csv", 3, "pieces", "three", "error"),
        ("tubes.csv", 4, "pieces", "NaN", "error"),
        ("tubes.csv", 5, "pieces", "four", "error"),
        ("tubes.csv", 6, "pieces", "900", "error"),  # outside plausible and possible: once
        ("tubes.csv", 7, "tube_id", "", "error"),
    ]
    assert study.check().table["fault"].iloc[-1] == "tube_id is blank, so the row has no id"


def test_h6_a_blank_part_of_a_composite_key_is_an_error(tmp_path):
    fault = only(opened(tmp_path, tests=f"{TESTS}\na,S1,day 1,1\na,S1,,1\n"))
    assert (fault["row"], fault["column"], fault["severity"]) == (3, "stage", "error")
    assert fault["fault"] == (
        "stage is blank, but it is part of what tells rows apart "
        "(reed_id, session_id, stage, trial)"
    )
    assert fault["remedy"] == "fill in stage"


def test_a_key_that_cannot_be_read_is_told_once(tmp_path):
    fault = only(opened(tmp_path, tests=f"{TESTS}\na,S1,day 1,first\n"))
    assert fault["fault"] == "'first' is not a number"


def test_b4_a_repeated_test_names_the_unit_and_the_cell(tmp_path):
    fault = only(opened(tmp_path, tests=f"{TESTS}\n1,S1,d1,1\n2,S1,d1,1\n1,S1,d1,1\n"))
    assert (fault["row"], fault["severity"]) == (4, "error")
    assert fault["fault"] == (
        "the same reed_id 1, session_id S1, stage d1, trial 1 is in row 2 already"
    )
    assert fault["remedy"] == ("take one row out, or tell them apart by trial; nothing is averaged")


def test_a_repeated_id_is_an_error(tmp_path):
    fault = only(opened(tmp_path, lots="lot_id\nL1\nL2\nL1\n"))
    assert (fault["row"], fault["value"]) == (4, "L1")
    assert fault["fault"] == "lot_id 'L1' is in row 2 already"


def test_a_reed_kept_and_discarded(tmp_path):
    fault = only(opened(tmp_path, reeds="reed_id,fate\n7,kept\n7,discarded\n"))
    assert fault["fault"] == "reed '7' is kept in row 2 and discarded in row 3"
    assert fault["severity"] == "error"


def test_a_reed_kept_by_its_fate_and_not_by_the_column_kept(tmp_path):
    study = opened(tmp_path, reeds="reed_id,fate,kept\n1,kept,no\n2,discarded,no\n3,discarded,\n")
    fault = only(study)
    assert (fault["row"], fault["column"]) == (2, "kept")
    assert fault["fault"] == "the fate is 'kept', but kept says otherwise"


def test_a_kept_reed_with_a_reason_for_giving_it_up(tmp_path):
    study = opened(tmp_path, reeds="reed_id,fate,fate_reason\n1,kept,flat\n2,discarded,flat\n")
    fault = only(study)
    assert (fault["row"], fault["severity"]) == (2, "warning")
    assert fault["fault"] == "the reed is kept, yet a reason for giving it up is told"


def test_a_discarded_reed_in_use_unless_it_was_spared(tmp_path):
    study = opened(
        tmp_path,
        reeds="reed_id,fate,spared\n1,discarded,\n2,discarded,yes\n3,kept,\n",
        life="reed_id\n1\n2\n3\n",
    )
    fault = only(study)
    assert (fault["file"], fault["row"]) == ("life.csv", 2)
    assert fault["fault"] == "reed '1' is discarded in reeds.csv, yet it has a life in use"
    assert fault["remedy"] == "mend its fate, or mark it as spared"


@pytest.mark.parametrize(
    ("known", "typed", "remedy"),
    [
        ("007", "7", "write '007' as in reeds.csv, if that is meant"),
        ("7", "7.0", "write '7' as in reeds.csv, if that is meant"),
        ("1E2", "100", "write '1E2' as in reeds.csv, if that is meant"),
        ("A1", "a1 ", "write 'A1' as in reeds.csv, if that is meant"),
        ("batch-12", "bacth-12", "write 'batch-12' as in reeds.csv, if that is meant"),
        ("007", "X", "add it to reeds.csv, or mend the id"),
    ],
)
def test_c7_a_test_of_a_reed_that_does_not_exist(tmp_path, known, typed, remedy):
    study = opened(tmp_path, reeds=f"reed_id\n{known}\n", tests=f"{TESTS}\n{typed},S1,d1,1\n")
    fault = only(study)
    assert (fault["file"], fault["row"], fault["column"]) == ("tests.csv", 2, "reed_id")
    assert fault["fault"] == f"reed_id '{typed}' does not exist in reeds.csv"
    assert fault["severity"] == "error"
    assert fault["remedy"] == remedy


def test_a_reed_whose_row_was_left_out_makes_no_orphans(tmp_path):
    study = opened(tmp_path, reeds="reed_id,shape\n1,A,x\n", tests=f"{TESTS}\n1,S1,d1,1\n")
    assert only(study)["file"] == "reeds.csv"


def test_a_blank_reference_is_no_orphan(tmp_path):
    assert opened(tmp_path, tubes="tube_id\nT1\n", reeds="reed_id,tube_id\n1,\n").check().ok


def test_c12_words_that_differ_by_space_case_or_code_would_be_two_groups(tmp_path):
    words = ["A", "A ", "a", "A", "n\u00e9", "n\u00e9", "ne\u0301", "a b", "ab", "a b"]
    rows = [f"{place},{word}\n" for place, word in enumerate(words)]
    study = opened(tmp_path, reeds="".join(["reed_id,shape\n", *rows]))
    table = study.check().table
    assert table["row"].tolist() == [3, 4, 8, 10]
    assert set(table["severity"]) == {"error"}
    assert table["fault"][0] == (
        "'A ' differs from 'A' only by case, space or accent code; they would count as two"
    )
    assert table["remedy"].tolist() == ["write 'A'", "write 'A'", "write 'n\u00e9'", "write 'a b'"]
    assert study.tables["reeds"]["shape"].tolist()[:3] == ["A", "A ", "a"]  # nothing is changed


def test_c12_a_declared_level_is_the_right_spelling_even_if_it_is_rarer(tmp_path):
    factor = {"name": "shape", "levels": ["Narrow", "Wide"]}
    study = opened(
        tmp_path,
        {"factors": [factor]},
        reeds="reed_id,shape\n1,narrow\n2,narrow\n3,Wide\n4,wider\n",
    )
    table = study.check().table
    assert table["remedy"].tolist() == [
        "write 'Narrow'",
        "write 'Narrow'",
        "write 'Wide' if that is meant; use Narrow, Wide, or declare it in datapackage.json",
    ]


def test_levels_that_are_declared_side_by_side_may_be_alike(tmp_path):
    factor = {"name": "shape", "levels": ["A", "a"]}
    study = opened(tmp_path, {"factors": [factor]}, reeds="reed_id,shape\n1,A\n2,a\n")
    assert study.check().table.empty


def test_a_fate_that_is_no_fate(tmp_path):
    fault = only(opened(tmp_path, reeds="reed_id,fate\n1,kpet\n"))
    assert fault["fault"] == "'kpet' is none of the levels"
    assert fault["remedy"] == (
        "write 'kept' if that is meant; use kept, discarded, unfinished, lost"
    )


def test_a_measured_value_that_misses_its_planned_level_is_a_warning(tmp_path):
    factor = {"name": "gouge_centre_mm", "levels": [1.25, 1.35], "unit": "mm"}
    study = opened(
        tmp_path, {"factors": [factor]}, reeds="reed_id,gouge_centre_mm\n1,1.25\n2,1.29\n"
    )
    fault = only(study)
    assert (fault["row"], fault["severity"]) == (3, "warning")
    assert fault["fault"] == "'1.29' is none of the levels"


@pytest.mark.parametrize(
    ("column", "value", "severity", "fault", "remedy"),
    [
        (
            "gouge_centre_mm",
            "0.051",
            "error",
            "0.051 is not in mm: it looks like inches",
            "write 1.295 if this was inches",
        ),
        (
            "gouge_centre_mm",
            "51",
            "error",
            "51 is not in mm: it looks like thousandths of an inch",
            "write 1.295 if this was thousandths of an inch",
        ),
        (
            "gouge_centre_mm",
            "1300",
            "error",
            "1300 is not in mm: it looks like microns",
            "write 1.3 if this was microns",
        ),
        (
            "total_length_mm",
            "2.1",
            "error",
            "2.1 is not in mm: it looks like inches",
            "write 53.34 if this was inches",
        ),
        (
            "total_length_mm",
            "5.4",
            "warning",
            "5.4 mm is unusual: it may be centimetres",
            "write 54 if this was centimetres",
        ),
        (
            "wire_gauge_mm",
            "22",
            "error",
            "22 is not in mm: it looks like a gauge number",
            "write 0.6438 if this was a gauge number",
        ),
        (
            "tip_width_mm",
            "11",
            "warning",
            "11 mm is unusual (usually 12 to 18 mm)",
            "look again; if it is right, widen 'plausible' of tip_width_mm in datapackage.json",
        ),
        (
            "tip_width_mm",
            "-3",
            "error",
            "-3 mm is impossible (0.01 to 40 mm)",
            "measure or type it again",
        ),
        (
            "wire_gauge_mm",
            "-29083",
            "error",
            "-29083 mm is impossible (0.01 to 2 mm)",
            "measure or type it again",
        ),
        ("gouge_centre_mm", "0", "error", "0 mm is impossible (0.01 to 7 mm)", "measure or"),
    ],
)
def test_a_value_outside_its_bounds(tmp_path, column, value, severity, fault, remedy):
    told_fault = only(opened(tmp_path, reeds=f"reed_id,{column}\n1,{value}\n"))
    assert told_fault["value"] == value
    assert told_fault["severity"] == severity
    assert told_fault["fault"] == fault
    assert told_fault["remedy"].startswith(remedy)


def test_the_weather_in_other_units(tmp_path):
    study = opened(
        tmp_path,
        sessions="session_id,relative_humidity_pct,temperature_c\n1,0.45,70\n2,120,21\n",
    )
    table = study.check().table
    assert table["fault"].tolist() == [
        "0.45 is not in %: it looks like a fraction",
        "70 is not in °C: it looks like degrees Fahrenheit",
        "120 % is impossible (0 to 100 %)",
    ]


def test_wide_bounds_prove_no_slip_of_unit():
    thickness = Column("thickness_mm", "number", "mm", plausible=(0.03, 1.6))
    assert slip(thickness, 0.02)[2] is False  # half a millimetre, if it were inches
    assert slip(thickness, 450.0) == ("microns", 0.45, True)


def test_every_slip_belongs_to_a_unit_that_is_in_use():
    assert set(SLIPS) <= {column.unit for table in TABLES for column in table.columns}


def test_what_happens_before_a_reed_was_made(tmp_path):
    study = opened(
        tmp_path,
        reeds="reed_id,made_on\n1,2026-03-04\n2,2026-03-04\n",
        sessions="session_id,started_at\nS1,2026-03-03 23:00\nS2,2026-03-04 08:00\n",
        tests=f"{TESTS}\n1,S1,d1,1\n1,S2,d2,1\n",
        adjustments="reed_id,session_id,step\n2,S1,1\n",
        life="reed_id,first_played,last_played\n1,2026-03-01,2026-02-01\n2,2026-03-05,\n",
    )
    table = study.check().table
    assert table["file"].tolist() == ["tests.csv", "adjustments.csv", "life.csv", "life.csv"]
    assert table["row"].tolist() == [2, 2, 2, 2]
    assert table["fault"].tolist() == [
        "reed '1' was tested on 2026-03-03, before it was made (2026-03-04)",
        "reed '2' was adjusted on 2026-03-03, before it was made (2026-03-04)",
        "reed '1' was first played on 2026-03-01, before it was made (2026-03-04)",
        "last played before it was first played (2026-03-01)",
    ]
    assert set(table["severity"]) == {"error"}


def test_crow_cents_that_disagree_with_crow_hz_and_the_target(tmp_path):
    rows = "1,S1,d1,1,340,0\n2,S1,d1,1,320,-51\n3,S1,d1,1,320,51\n4,S1,d1,1,370,\n"
    fault = only(opened(tmp_path, tests=f"{TESTS},crow_hz,crow_cents\n{rows}"))
    assert (fault["row"], fault["column"], fault["severity"]) == (4, "crow_cents", "warning")
    assert fault["fault"] == "crow_hz 320 is -51 cents from the target E4 to F4 at A4 = 440 Hz"
    assert fault["remedy"] == "write -51, or mend crow_hz or the target"


def test_crow_cents_follow_the_study_s_own_target(tmp_path):
    study = opened(
        tmp_path,
        {"crow_target": "F4", "a4_hz": 442},
        tests=f"{TESTS},crow_hz,crow_cents\n1,S1,d1,1,350.8,0\n2,S1,d1,1,340,0\n",
    )
    assert only(study)["fault"] == "crow_hz 340 is -54 cents from the target F4 at A4 = 442 Hz"


def test_crow_cents_follow_the_tuning_of_the_session(tmp_path):
    # 329.63 Hz (E4 at 440) is 7.85 cents below E4 at 442: 1200 log2(440 / 442).
    study = opened(
        tmp_path,
        sessions="session_id,a4_hz\nS1,442\nS2,\n",
        tests=f"{TESTS},crow_hz,crow_cents\n1,S1,d1,1,329.63,0\n2,S1,d1,1,329.63,-7.9\n"
        "3,S2,d1,1,329.63,0\n4,S1,d1,1,,0\n5,S2,d1,1,0,0\n6,,d1,1,329.63,0\n",
    )
    told = study.check().table
    told = told[told["column"] == "crow_cents"]
    assert told["row"].tolist() == [2]
    fault = told.iloc[0]
    assert fault["fault"] == "crow_hz 329.63 is -8 cents from the target E4 to F4 at A4 = 442 Hz"


def test_a_dynamic_range_that_is_not_loud_minus_soft(tmp_path):
    rows = "1,S1,d1,1,-40,-20.2,20\n2,S1,d1,1,-40,-20,25\n3,S1,d1,1,-40,,25\n"
    fault = only(opened(tmp_path, tests=f"{TESTS},soft_db,loud_db,dynamic_range_db\n{rows}"))
    assert (fault["row"], fault["value"], fault["severity"]) == (3, "25", "warning")
    assert fault["fault"] == "loud_db minus soft_db is 20.0 dB"


def test_more_reeds_from_a_tube_than_it_gave_pieces(tmp_path):
    study = opened(
        tmp_path,
        tubes="tube_id,pieces\nT1,1\nT2,\nT3,4\n",
        reeds="reed_id,tube_id\n1,T1\n2,T1\n3,T2\n4,T3\n",
    )
    fault = only(study)
    assert (fault["file"], fault["row"], fault["severity"]) == ("tubes.csv", 2, "warning")
    assert fault["fault"] == "2 reeds are recorded from this tube, more than its pieces"


def test_two_reeds_of_a_batch_with_one_blind_mark(tmp_path):
    text = "reed_id,batch_id,blind_code\n1,B1,K\n2,B2,K\n3,B1,K\n4,B1,\n5,B1,\n"
    fault = only(opened(tmp_path, reeds=text))
    assert (fault["row"], fault["severity"]) == (4, "error")
    assert fault["fault"] == "two reeds of one batch carry the mark 'K'"


def test_an_error_of_a_cell_goes_before_its_warning_and_rows_are_in_order(tmp_path):
    study = opened(
        tmp_path,
        reeds="reed_id,tip_width_mm,shape\n1,99,A\n2,11,A\n3,15,a\n",
    )
    table = study.check().table
    assert table["row"].tolist() == [2, 3, 4]
    assert table["severity"].tolist() == ["error", "warning", "error"]


def test_the_check_of_a_study_is_done_once(tmp_path):
    study = opened(tmp_path, reeds="reed_id\n1\n")
    assert study.check() is study.faults


def test_a_large_record_is_checked_in_seconds(tmp_path):
    from reedlab.study import default_settings, write_study

    rng = np.random.default_rng(1)
    reeds = pd.DataFrame({"reed_id": [f"R{number:05}" for number in range(5000)]})
    tests = pd.DataFrame(
        {
            "reed_id": np.repeat(reeds["reed_id"].to_numpy(), 8),
            "session_id": [f"S{number}" for number in range(8)] * 5000,
            "stage": "day 1",
            "trial": 1,
            "crow_hz": rng.normal(340, 8, 40000).round(1),
        }
    )
    write_study(tmp_path / "s", {"reeds": reeds, "tests": tests}, default_settings())
    assert open_study(tmp_path / "s").check().rows_used == 45000
