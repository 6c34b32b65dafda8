"""The log of what was looked at: a file that a person can read, and never a reason to fail."""

import csv
import shutil
import tempfile
from dataclasses import replace

import pytest

from reedlab.demo import example_study
from reedlab.study import new_study, open_study
from reedlab.study.looks import COLUMNS, LOG, Log, Look
from tests.study.killed import in_forks

SHAPE = Look(
    asked="drivers",
    response="crow",
    term="shape",
    contrast="",
    finding="shape wide − narrow: 4 cents",
    evidence="observed",
    p_value=0.0312345678,
    factors="shape",
    rows_used=24,
    version="0.3.0",
)
WIRE = replace(SHAPE, term="Draht „eng“, 2", finding="", p_value=None)


@pytest.fixture
def folder(tmp_path):
    return new_study(tmp_path / "autumn").folder


def test_the_file_opens_as_a_table_in_the_order_asked(folder):
    Log(folder).add([SHAPE, WIRE])
    assert (folder / LOG).read_bytes().startswith(b"\xef\xbb\xbfasked,response,term,")
    with (folder / LOG).open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [*rows[0]] == [*COLUMNS]
    assert [row["term"] for row in rows] == ["shape", "Draht „eng“, 2"]
    assert [row["p_value"] for row in rows] == ["0.0312346", ""]
    assert Log(folder).looks == (replace(SHAPE, p_value=0.0312346), WIRE)


def test_the_same_question_counts_once_and_gives_the_same_bytes(folder):
    Log(folder).add([SHAPE, SHAPE])
    before = (folder / LOG).read_bytes()
    again = Log(folder)
    again.add([replace(SHAPE, p_value=0.03123456, version="0.4.0", finding="other words")])
    assert (folder / LOG).read_bytes() == before
    assert len(again.looks) == 1


@pytest.mark.parametrize(
    "other", [{"factors": "shape; wire"}, {"rows_used": 25}, {"response": "rating"}, {"asked": "x"}]
)
def test_other_factors_rows_or_responses_are_another_look(folder, other):
    log = Log(folder)
    log.add([SHAPE])
    log.add([replace(SHAPE, **other)])
    assert len(log.looks) == 2


def test_two_that_are_open_at_once_add_to_the_same_file(folder):
    one, other = open_study(folder).log, open_study(folder).log
    one.add([SHAPE])
    other.add([WIRE])
    assert len(one.looks) == len(other.looks) == 2


def test_two_processes_that_look_at_once_lose_none(folder):
    def looking(who):
        log = open_study(folder).log
        for number in range(40):
            log.add([replace(SHAPE, term=f"{who} {number}")])

    assert in_forks(lambda: looking("one"), lambda: looking("other")) == [0, 0]
    assert len(Log(folder).looks) == 80


def test_a_term_that_a_spreadsheet_would_compute_is_kept_from_it_and_comes_back(folder):
    look = replace(SHAPE, term="=1+1", contrast="+dry", p_value=None)
    Log(folder).add([look])
    assert "'=1+1,'+dry" in (folder / LOG).read_text("utf-8-sig")
    Log(folder).add([look])
    assert Log(folder).looks == (look,)


def test_an_invented_study_keeps_its_log_in_memory(tmp_path):
    study = example_study("batch")
    study.log.add([SHAPE])
    assert study.log.looks == (SHAPE,)
    assert study.log.cautions == ()
    assert not (study.folder / LOG).exists()
    assert open_study(study.folder).log.looks == ()


def test_the_log_is_no_fault_of_the_record(folder):
    before = open_study(folder)
    before.log.add([SHAPE])
    after = open_study(folder)
    assert after.check().table.empty
    assert [*after.tables] == [*before.tables]


def test_columns_moved_in_a_spreadsheet_and_a_lost_line_end_are_kept(folder):
    Log(folder).add([SHAPE])
    with (folder / LOG).open(encoding="utf-8-sig", newline="") as file:
        rows = [row[::-1] for row in csv.reader(file)]
    (folder / LOG).write_text("\n".join(",".join(row) for row in rows), encoding="utf-8")
    Log(folder).add([WIRE])
    assert [look.term for look in Log(folder).looks] == ["shape", WIRE.term]
    assert Log(folder).cautions == ()


@pytest.mark.parametrize(
    ("column", "cell", "told"),
    [
        ("p_value", "0,03", "0,03 looks like a decimal comma; this sheet uses points; write 0.03"),
        ("p_value", "3", "the p_value 3 is none; write a number from 0 to 1"),
        ("rows_used", "", "rows_used is empty; write how many rows were used"),
        ("rows_used", "many", "'many' is not a number; write a number, or leave the cell empty"),
        ("evidence", "sure", "there is no grade of evidence 'sure'; write randomised, observed, e"),
    ],
)
def test_a_damaged_row_is_named_with_what_would_be_right_and_left_as_it_is(
    folder, column, cell, told
):
    Log(folder).add([SHAPE, WIRE])
    lines = (folder / LOG).read_text(encoding="utf-8-sig").splitlines()
    cells = {**SHAPE.cells, column: cell}
    with (folder / LOG).open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(
            [COLUMNS, [cells[name] for name in COLUMNS], next(csv.reader(lines[2:]))]
        )
    log = Log(folder)
    assert [look.term for look in log.looks] == [WIRE.term]
    (caution,) = log.cautions
    assert caution.startswith(f"Not counted among what was looked at: {LOG} row 2: {told}")
    log.add([SHAPE])
    assert len(log.looks) == 2
    with (folder / LOG).open(encoding="utf-8", newline="") as file:
        assert next(csv.DictReader(file))[column] == cell


def test_a_short_row_is_named(folder):
    Log(folder).add([SHAPE])
    with (folder / LOG).open("a", encoding="utf-8") as file:
        file.write("drivers,crow\n" * 5)
    (caution,) = Log(folder).cautions
    fault = "row 3 has 2 cells, the header has 10; the row is left out; fill"
    assert f"{LOG} row 3: {fault}" in caution
    assert caution.endswith(", and 2 more rows.")


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "looks.csv has no header"),
        (
            b"asked,response\n",
            "looks.csv lacks the column 'term'; its header must hold asked, resp",
        ),
        (b"\xff\xfe", "looks.csv is not UTF-8 text"),
        (b'asked,"resp\n', "looks.csv, after row 0: a quotation mark opens a cell"),
    ],
)
def test_a_file_that_cannot_be_read_is_left_alone_and_told_once(folder, content, told):
    (folder / LOG).write_bytes(content)
    log = Log(folder)
    log.add([SHAPE])
    assert log.looks == (SHAPE,)
    (caution,) = log.cautions
    assert caution.startswith(f"What was looked at before cannot be counted: {told}")
    assert (folder / LOG).read_bytes() == content


def test_a_folder_that_cannot_be_written_keeps_the_log_in_memory(folder, monkeypatch):
    def refuse(**_):
        raise PermissionError(13, "Permission denied")

    log = Log(folder)
    with monkeypatch.context() as patch:
        patch.setattr(tempfile, "NamedTemporaryFile", refuse)
        log.add([SHAPE])
        assert log.looks == (SHAPE,)
        assert log.cautions == (
            "What was looked at is counted only while the study is open: "
            f"{folder / LOG} cannot be written: Permission denied.",
        )
    log.add([WIRE])
    assert log.cautions == ()
    assert len(Log(folder).looks) == 2


def test_a_folder_that_is_gone_is_not_made_again(folder):
    log = Log(folder)
    shutil.rmtree(folder)
    log.add([SHAPE])
    assert not folder.exists()
    assert log.cautions == (
        f"What was looked at is counted only while the study is open: {folder} is gone.",
    )
