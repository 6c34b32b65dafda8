"""The journal gives back the tables, and takes back the last addition."""

import json
import shutil
from contextlib import suppress

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from reedlab.cli import app
from reedlab.errors import CallError, RecordError
from reedlab.study import new_study, open_study, rebuild, undo
from reedlab.study.edits import do_edits, edits_between, undo_edits
from reedlab.study.measured import add_measurements
from tests.study.batch import contents, made_rows, played_rows, sealed, session_rows, sheet
from tests.study.build import planned_batch
from tests.study.killed import numbers, played


@pytest.fixture(scope="module")
def batch(tmp_path_factory):
    return planned_batch(tmp_path_factory.mktemp("journal") / "study").folder


@pytest.fixture
def folder(batch, tmp_path):
    return shutil.copytree(batch, tmp_path / "study")


def entries(folder):
    lines = [path.read_text("utf-8") for path in sorted((folder / "journal").iterdir())]
    return [json.loads(line) for line in "".join(lines).splitlines()]


def refused(folder):
    """Return the message of an undo that must be refused; nothing may have changed."""
    before, noted = contents(folder), entries(folder) if (folder / "journal").exists() else []
    with pytest.raises(RecordError) as raised:
        undo(open_study(folder))
    assert contents(folder) == before
    assert noted == (entries(folder) if noted else [])
    return str(raised.value)


lines = st.lists(st.sampled_from(["a", "b", "é;", "", '"x', "\r"]), max_size=8)


@given(lines, lines, st.booleans())
@settings(max_examples=150, deadline=None)
def test_edits_turn_one_text_into_the_other_and_back(old, new, ended):
    before, after = "\n".join(old), "\n".join(new) + "\n" * ended
    edits = edits_between(before, after)
    assert do_edits(before, edits) == after
    assert undo_edits(after, edits) == before


def test_an_added_row_is_one_short_line_and_the_first_holds_what_there_was(folder):
    before = contents(folder)
    study = add_measurements(open_study(folder), played(1))
    first, added = entries(folder)
    assert {file: note["whole"].encode() for file, note in first["files"].items()} == before
    assert (first["number"], first["by"]) == (0, "first state")
    assert (added["number"], added["by"]) == (1, "measured 1 recording")
    assert added["files"]["tests.csv"]["edits"] == [
        {"line": 18, "out": "", "in": "001,S1,night 0,1,,301,,001_1.wav\n"}
    ]
    assert list(added["files"]) == ["tests.csv"]
    assert study.folder.joinpath("journal").exists()


def test_what_needs_no_change_of_the_descriptor_leaves_it_as_typed(folder):
    typed = (folder / "datapackage.json").read_text("utf-8").replace("\n  ", "\n    ")
    (folder / "datapackage.json").write_text(typed, "utf-8")
    add_measurements(open_study(folder), played(1))
    assert (folder / "datapackage.json").read_text("utf-8") == typed


steps = st.lists(
    st.sampled_from(["add", "many", "fill", "undo", "hand", "drop", "spoil"]), max_size=7
)


@given(steps)
@settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_the_journal_gives_the_tables_whatever_was_done(batch, tmp_path, asked):
    folder = tmp_path / f"run{len(list(tmp_path.iterdir()))}"
    shutil.copytree(batch, folder)
    saved, length = contents(folder), 0
    for number, step in enumerate(asked, start=1):
        with suppress(RecordError):
            BY_HAND.get(step, done)(folder, step, number)
        rebuilt = rebuild(folder)
        if rebuilt.entries != length:
            saved, length = contents(folder), rebuilt.entries
    rebuilt = rebuild(folder, folder.with_suffix(".again"))
    if not rebuilt.entries:
        return
    now = contents(folder)
    assert rebuilt.damage == ()
    assert set(rebuilt.changed) == {file for file in now if now[file] != saved.get(file)} - OTHERS
    again = contents(folder.with_suffix(".again"))
    assert again == {file: text for file, text in saved.items() if file not in OTHERS}


OTHERS = {"lots.csv"}  # none of the study's


def type_a_row(folder, step, number):
    with (folder / "tests.csv").open("ab") as file:
        file.write(f"002,S2,by hand,{number},,,,\r\n".encode())


def save_otherwise(folder, step, number):
    text = (folder / "tubes.csv").read_text("utf-8-sig")
    (folder / "tubes.csv").write_text(text.replace("4\n", f"{number}\n", 1), "cp1252")


def add_a_stranger(folder, step, number):
    (folder / "lots.csv").write_bytes(b"\xff\xfe")


BY_HAND = {"hand": type_a_row, "drop": save_otherwise, "spoil": add_a_stranger}


def done(folder, step, number):
    study = open_study(folder)
    if step == "undo":
        undo(study)
    elif step == "fill":
        rows = played(1).assign(reed_id="001", stage="day 1", rating_overall=3.0)
        add_measurements(study, rows.drop(columns="crow_hz"))
    else:
        add_measurements(study, played(100 * number, count=3 if step == "many" else 1))


def test_all_that_was_recorded_is_taken_back_one_by_one_to_the_byte(tmp_path):
    folder = planned_batch(tmp_path / "study").folder
    states = [contents(folder)]
    study = sealed(folder)
    for name, rows in (
        ("making", made_rows()),
        ("sessions", session_rows()),
        ("testing", [row | {"crow_hz": "340", "tip_opening_mm": "0.9"} for row in played_rows()]),
    ):
        states.append(contents(folder))
        study = study.record(sheet(tmp_path / f"B2_{name}.csv", rows))
    for before in reversed(states):
        undo(open_study(folder))
        assert contents(folder) == before
        assert rebuild(folder).agrees
    assert refused(folder) == (
        f"There is nothing to take back: the journal of {folder} holds no addition that stands."
    )


def test_after_a_season_the_journal_alone_gives_every_table(tmp_path):
    folder = planned_batch(tmp_path / "study").folder
    study = sealed(folder)
    for name, rows in (("making", made_rows()), ("sessions", session_rows())):
        study = study.record(sheet(tmp_path / f"B2_{name}.csv", rows))
    rows = [row | {"tip_opening_mm": "0.9", "fate": "kept"} for row in played_rows()]
    study = study.record(sheet(tmp_path / "B2_testing.csv", rows))
    add_measurements(study, played(1, count=3)).undo()
    with (folder / "tubes.csv").open("ab") as file:
        file.write("T9,L’été\r\n".encode())
    add_measurements(open_study(folder), played(7))
    before = {name: text for name, text in contents(folder).items() if name[:5] != "keys/"}
    for name in before:
        (folder / name).unlink()
    assert set(rebuild(folder, tmp_path / "again").changed) >= {
        "tests.csv",
        "reeds.csv",
        "tubes.csv",
    }
    assert contents(tmp_path / "again") == before


def test_taken_back_is_told_in_rows_and_may_be_recorded_again(folder):
    study = add_measurements(open_study(folder), played(1, count=2))
    taken = undo(study)
    assert taken.sentence.startswith("Taken back: 'measured 2 recordings' of 20")
    assert taken.sentence.endswith(" (tests.csv: 2 rows added).")
    assert numbers(taken.study) == []
    assert numbers(add_measurements(taken.study, played(1)).undo()) == []
    assert [entry["by"] for entry in entries(folder)][2::2] == ["undo", "undo"]


def test_the_command_line_takes_back_and_says_what(folder):
    add_measurements(open_study(folder), played(1))
    done = CliRunner().invoke(app, ["undo", str(folder)])
    assert done.exit_code == 0
    assert done.output.endswith(" (tests.csv: 1 row added).\n")
    assert numbers(open_study(folder)) == []
    again = CliRunner().invoke(app, ["undo", str(folder)])
    assert str(again.exception).startswith("There is nothing to take back")


def test_rows_changed_by_hand_since_are_not_taken_back(folder):
    add_measurements(open_study(folder), played(1))
    text = (folder / "tests.csv").read_text("utf-8-sig")
    (folder / "tests.csv").write_text(text.replace(",301,", ",302,"), "utf-8-sig")
    told = refused(folder)
    assert told.startswith("'measured 1 recording' of 20")
    assert told.endswith(
        "cannot be taken back: tests.csv was changed by hand since, and its lines no longer stand "
        "there as they were written. Nothing was written; mend the rows by hand."
    )
    (folder / "tests.csv").unlink()
    with pytest.raises(RecordError, match=r"tests\.csv is missing"):
        undo(open_study(folder))


def test_rows_typed_elsewhere_since_stay_when_the_last_addition_goes(folder):
    add_measurements(open_study(folder), played(1))
    with (folder / "tests.csv").open("a") as file:
        file.write("002,S1,night 0,7,,,,\n")
    study = undo(open_study(folder)).study
    assert numbers(study) == []
    assert numbers(study, "002") == [7]
    assert [entry["by"] for entry in entries(folder)] == [
        "first state",
        "measured 1 recording",
        "by hand",
        "undo",
    ]
    assert rebuild(folder).agrees


def test_rows_that_a_spreadsheet_saved_again_are_taken_back(folder):
    add_measurements(open_study(folder), played(1))
    text = (folder / "tests.csv").read_text("utf-8-sig").replace(",night 0,", ',"night 0",')
    (folder / "tests.csv").write_bytes(text.replace("\n", "\r\n").encode())
    assert numbers(undo(open_study(folder)).study) == []
    assert (folder / "tests.csv").read_bytes().count(b"\r\n") == 17


def test_an_opened_key_stays_open(tmp_path):
    study = sealed(tmp_path / "study").record(sheet(tmp_path / "B2_making.csv", made_rows()))
    assert refused(study.unblind("B2").folder).endswith(
        "cannot be taken back: the key was opened, and its levels seen."
    )


def test_the_journal_does_not_tell_which_place_got_which_code(tmp_path):
    folder = sealed(tmp_path / "study").folder
    (plan,) = [entry for entry in entries(folder) if entry["by"] == "plan B2"]
    assert set(plan["files"]["keys/B2.csv"]) == {"before", "after"}
    rebuilt = rebuild(folder, tmp_path / "again")
    assert rebuilt.agrees
    assert "keys/B2.csv" not in rebuilt.files
    (folder / "keys/B2.csv").write_text("place,blind_code\n")
    assert rebuild(folder).changed == ("keys/B2.csv",)
    assert "keys/B2.csv was changed by hand since, and it is no longer as it was" in refused(folder)


def test_what_was_changed_by_hand_is_told_and_kept_by_the_next_save(folder):
    study = add_measurements(open_study(folder), played(1))
    typed = (folder / "reeds.csv").read_text("utf-8-sig").replace("narrow", "wide", 1)
    (folder / "reeds.csv").write_text(typed, "utf-8-sig")
    told = rebuild(folder)
    assert told.sentence.startswith("2 entries of the journal give the record as it was on 20")
    assert told.sentence.endswith("; changed by hand since: reeds.csv.")
    assert not told.agrees
    add_measurements(study, played(2))
    assert (folder / "reeds.csv").read_text("utf-8-sig") == typed
    assert rebuild(folder).sentence.startswith("4 entries of the journal give the record to the")
    noted = entries(folder)[2]
    assert (noted["by"], list(noted["files"])) == ("by hand", ["reeds.csv"])


def test_a_damaged_journal_is_told_and_the_study_is_recorded_all_the_same(folder):
    study = add_measurements(open_study(folder), played(1))
    add_measurements(study, played(2))
    (path,) = (folder / "journal").iterdir()
    kept = path.read_text("utf-8").splitlines(keepends=True)
    path.write_text(kept[0] + "{}\n" + kept[2], "utf-8")
    assert rebuild(folder).sentence.startswith(
        f"The journal does not give the record: journal/{path.name}, line 2: "
        "this is no entry of a journal"
    )
    with pytest.raises(
        RecordError, match=r"nothing was taken back: journal/.*, line 2: this is no"
    ):
        undo(open_study(folder))
    path.write_text(kept[0] + kept[2], "utf-8")
    assert "entry 1 is not there; entry 2 does not fit tests.csv" in rebuild(folder).sentence
    path.write_text(kept[0] + kept[1] + "spilled coffee", "utf-8")
    add_measurements(open_study(folder), played(3))
    assert rebuild(folder).agrees
    assert numbers(open_study(folder)) == [1, 2, 3]


def test_a_clock_that_goes_back_does_not_disorder_the_journal(folder):
    add_measurements(open_study(folder), played(1))
    (path,) = (folder / "journal").iterdir()
    path.rename(path.with_name("2099-01.jsonl"))
    add_measurements(open_study(folder), played(2))
    assert [path.name for path in (folder / "journal").iterdir()] == ["2099-01.jsonl"]
    assert [entry["number"] for entry in entries(folder)] == [0, 1, 2]


def test_a_long_last_line_is_read_whole(folder):
    study = add_measurements(open_study(folder), played(1, count=3000))
    add_measurements(study, played(4000))
    assert rebuild(folder).entries == 3
    assert len(numbers(undo(undo(open_study(folder)).study).study)) == 0


def test_a_study_without_journal_has_nothing_to_take_back(tmp_path):
    study = new_study(tmp_path / "new")
    assert "There is nothing to take back" in refused(study.folder)
    assert not (study.folder / "journal").exists()


def test_tables_are_made_again_only_where_nothing_lies(folder, tmp_path):
    add_measurements(open_study(folder), played(1))
    with pytest.raises(CallError, match=r"study is not empty; name another folder\."):
        rebuild(folder, folder)
    rebuild(folder, tmp_path / "again")
    assert contents(tmp_path / "again") == contents(folder)


def test_a_journal_cut_off_by_a_power_cut_is_a_warning_of_check(tmp_path):
    study = add_measurements(planned_batch(tmp_path / "study"), played(1))
    assert study.check().ok
    (month,) = (study.folder / "journal").glob("*.jsonl")
    month.write_bytes(month.read_bytes()[:-40])
    found = open_study(study.folder).check()
    assert found.ok
    last = found.table.iloc[-1]
    assert (last["file"], last["severity"]) == (f"journal/{month.name}", "warning")
    assert last["fault"] == "its last line is no entry of a journal, as after a power cut"
