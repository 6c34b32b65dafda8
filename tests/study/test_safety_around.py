"""What must not be written or read: read-only studies, copies, paths that lead out, full disks."""

import json
import os
from contextlib import suppress
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from reedlab.errors import RecordError
from reedlab.page.saving import save_attempt
from reedlab.study import add_plan, bring_in, files, intent, new_study, open_study, rebuild
from reedlab.study.intent import PENDING
from reedlab.study.looks import Look
from reedlab.study.measured import add_measurements
from tests.study.batch import (
    FACTORS,
    contents,
    plan_tables,
    sealed,
    session_rows,
    sheet,
)
from tests.study.build import opened, planned_batch
from tests.study.killed import killed_at_step, numbers, played


def protect(monkeypatch, *protected):
    """Let the system say that these may not be written; a superuser may write anywhere."""
    real = os.access
    names = [os.fspath(path) for path in protected]
    monkeypatch.setattr(
        os, "access", lambda path, mode: os.fspath(path) not in names and real(path, mode)
    )


def test_a_folder_that_cannot_be_written_says_so_and_nothing_is_recorded(tmp_path, monkeypatch):
    study = planned_batch(tmp_path / "study")
    protect(monkeypatch, study.folder)
    before = sorted(study.folder.rglob("*"))
    again = open_study(study.folder)
    assert repr(again).endswith("16 tests; read-only: the folder is read-only>")
    fault = again.check().table.iloc[0]
    assert (fault["severity"], fault["fault"]) == (
        "warning",
        "nothing can be recorded: the folder is read-only",
    )
    assert again.check().ok
    with pytest.raises(RecordError) as raised:
        add_measurements(again, played(1))
    assert str(raised.value) == (
        f"Nothing can be written to {study.folder}: the folder is read-only."
    )
    assert sorted(study.folder.rglob("*")) == before


def test_a_protected_table_is_not_replaced(tmp_path, monkeypatch):
    study = planned_batch(tmp_path / "study")
    protect(monkeypatch, study.folder / "tests.csv")
    with pytest.raises(RecordError, match=r"to .*study: tests\.csv is write-protected\.$"):
        add_measurements(study, played(1))


def test_a_study_opened_to_be_read_is_never_written(tmp_path):
    folder = opened(tmp_path / "study", tubes="tube_id\nT1\n").folder
    study = open_study(folder, read_only=True)
    assert repr(study) == "<Study 'tried': 1 tubes; read-only: it was opened read-only>".replace(
        "tried", study.title
    )
    study.log.add([Look("drivers", "crow", "shape", "", "", "observed", 0.03, "shape", 24, "0")])
    assert len(study.log.looks) == 1
    for call in (study.undo, lambda: study.unblind("B1", date(2026, 3, 4))):
        with pytest.raises(RecordError, match=r"written to .*: it was opened read-only"):
            call()
    assert sorted(path.name for path in folder.iterdir()) == ["datapackage.json", "tubes.csv"]
    assert open_study(folder).check().table.empty


def test_every_call_that_records_refuses_a_study_opened_to_be_read(tmp_path):
    folder = sealed(tmp_path / "study").folder
    before = contents(folder)
    study = open_study(folder, read_only=True)
    filled = sheet(tmp_path / "sessions.csv", session_rows())
    calls = (
        lambda: study.record(filled),
        lambda: add_measurements(study, played(1)),
        lambda: add_plan(study, study.plan("B2").record, FACTORS, **plan_tables()),
        lambda: bring_in(study, filled, confirmed=True),
        lambda: save_attempt(study, None, None, "new", None),
        study.undo,
    )
    for call in calls:
        with pytest.raises(RecordError, match=r"^Nothing can be written to .*: it was opened read"):
            call()
    assert contents(folder) == before


def test_a_disk_that_fills_up_leaves_everything_as_it_was(tmp_path, monkeypatch):
    study = add_measurements(planned_batch(tmp_path / "study"), played(1))
    before = {path: path.read_bytes() for path in study.folder.rglob("*") if path.is_file()}
    real, calls = os.fsync, []
    for good in range(12):
        calls.clear()

        def full(handle, good=good):
            calls.append(handle)
            if len(calls) == good + 1:
                raise OSError(28, "No space left on device")
            return real(handle)

        monkeypatch.setattr(os, "fsync", full)
        try:
            add_measurements(study, played(2))
        except RecordError as error:
            assert "cannot be written: No space left on device" in str(error)  # noqa: PT017
            monkeypatch.setattr(os, "fsync", real)
            assert {p: p.read_bytes() for p in study.folder.rglob("*") if p.is_file()} == before
        else:
            monkeypatch.setattr(os, "fsync", real)
            assert numbers(study.undo()) == [1]
            before = {path: path.read_bytes() for path in study.folder.rglob("*") if path.is_file()}


def test_a_table_that_another_program_keeps_open_is_told_and_nothing_changes(tmp_path, monkeypatch):
    study = planned_batch(tmp_path / "study")
    before = contents(study.folder)
    real = type(study.folder).replace

    def held(path, target):
        if target.name == "reeds.csv":
            raise PermissionError(13, "Permission denied", str(path), None, str(target))
        return real(path, target)

    monkeypatch.setattr(type(study.folder), "replace", held)
    with pytest.raises(RecordError) as raised:
        sealed(study.folder)
    assert str(raised.value) == (
        f"{study.folder / 'reeds.csv'} cannot be written: Permission denied. Nothing was changed."
    )
    assert contents(study.folder) == before
    monkeypatch.undo()
    assert sealed(study.folder).plan("B2").making["place"].tolist() == [1, 2, 3, 4, 5, 6]


def test_a_table_changed_while_it_is_recorded_is_not_written_over(tmp_path, monkeypatch):
    study = planned_batch(tmp_path / "study")
    real = os.access

    def typing(path, mode):
        if (study.folder / ".lock").exists() and (study.folder / ".lock").read_text():
            with (study.folder / "tests.csv").open("a") as file:
                file.write("002,S1,by hand,1,,,,\n")
            monkeypatch.setattr(os, "access", real)
        return real(path, mode)

    monkeypatch.setattr(os, "access", typing)
    with pytest.raises(RecordError) as raised:
        add_measurements(study, played(1))
    assert str(raised.value) == (
        "tests.csv changed while this was being recorded; nothing was written. Do it again."
    )
    assert "by hand" in (study.folder / "tests.csv").read_text("utf-8-sig")
    assert numbers(add_measurements(study, played(1))) == [1]


def test_a_save_cut_off_where_nothing_can_be_written_is_told(tmp_path, monkeypatch):
    study = planned_batch(tmp_path / "study")
    (study.folder / PENDING).write_text("{}")
    protect(monkeypatch, study.folder)
    faults = open_study(study.folder).check().table["fault"].tolist()
    assert "a save was cut off here, so some files may be older than others" in faults
    monkeypatch.undo()
    fault = open_study(study.folder).check().table.iloc[-1]
    assert (fault["file"], fault["remedy"]) == (
        PENDING,
        f"{PENDING} in {study.folder} is damaged, so a save that was cut off cannot be finished; "
        "move it away and look at the last rows of the tables",
    )
    with pytest.raises(RecordError, match=r"\.pending\.json in .* is damaged, so a save that was"):
        add_measurements(study, played(1))


def cut_off(folder, number):
    """Kill a process as soon as it has said what it is about to do."""
    step = 0
    while not (folder / PENDING).exists():
        assert killed_at_step(step, lambda: add_measurements(open_study(folder), played(number)))
        step += 1


def test_what_was_typed_between_the_cut_and_the_next_opening_is_kept_aside(tmp_path):
    folder = planned_batch(tmp_path / "study").folder
    cut_off(folder, 1)
    typed = (folder / "tests.csv").read_bytes() + b"002,S1,by hand,1,,,,\n"
    (folder / "tests.csv").write_bytes(typed)
    study = open_study(folder)
    assert numbers(study) == [1]
    (fault,) = study.check().table.to_dict("records")
    assert fault["file"].startswith("tests (changed by hand, kept 20")
    assert fault["fault"] == "it looks like a copy of tests.csv, and is not read"
    assert (folder / fault["file"]).read_bytes() == typed
    assert rebuild(folder).agrees


@pytest.mark.parametrize(
    "moves",
    [
        {"../victim.txt": None},
        {"/victim.txt": ".x.part"},
        {"tests.csv": "../victim.part"},
        {"tests.csv": "victim.txt"},
        ["tests.csv"],
    ],
)
def test_an_intent_that_reaches_outside_the_study_is_not_done(tmp_path, moves):
    folder = planned_batch(tmp_path / "study").folder
    (tmp_path / "victim.txt").write_text("mine")
    before = contents(folder)
    intent = {"moves": moves, "journal": "journal/2026-11.jsonl", "at": 0, "lines": ""}
    (folder / PENDING).write_text(json.dumps(intent))
    assert "is damaged" in open_study(folder).check().table["remedy"].iloc[-1]
    (folder / PENDING).unlink()
    assert contents(folder) == before
    assert (tmp_path / "victim.txt").read_text() == "mine"


def test_a_journal_that_reaches_outside_the_study_is_not_followed(tmp_path):
    folder = planned_batch(tmp_path / "study").folder
    study = add_measurements(open_study(folder), played(1))
    (tmp_path / "victim.txt").write_text("mine")
    (path,) = (folder / "journal").iterdir()
    path.write_text(path.read_text("utf-8").replace("tests.csv", "../victim.txt"), "utf-8")
    with pytest.raises(RecordError, match=r"\.\./victim\.txt was changed by hand since, and it is"):
        study.undo()
    assert "names '../victim.txt', which is no file of a study" in rebuild(folder).sentence
    rebuild(folder, tmp_path / "again")
    assert (tmp_path / "victim.txt").read_text() == "mine"


def test_a_lock_that_leads_elsewhere_is_not_written(tmp_path):
    folder = planned_batch(tmp_path / "study").folder
    (tmp_path / "victim.txt").write_text("mine")
    (folder / ".lock").symlink_to(tmp_path / "victim.txt")
    with pytest.raises(RecordError, match=r"\.lock cannot be locked: "):
        add_measurements(open_study(folder), played(1))
    assert (tmp_path / "victim.txt").read_text() == "mine"


COPIES = {
    "tests (conflicted copy 2026-11-03).csv": "tests.csv",
    "tests (someone's conflicted copy 2026-11-03).csv": "tests.csv",
    "tests-BENCH-PC.csv": "tests.csv",
    "tests (1).csv": "tests.csv",
    "tests 2.csv": "tests.csv",
    "Tests - Copy.csv": "tests.csv",
    "tests.conflict-20261103.csv": "tests.csv",
    "Copy of reeds.csv": "reeds.csv",
    "datapackage (1).json": "datapackage.json",
    "looks (1).csv": "looks.csv",
    "plans/B2_making (1).csv": "B2_making.csv",
    "keys/B2-BENCH.csv": "B2.csv",
    "journal/2026-11 (1).jsonl": "2026-11.jsonl",
}


def test_copies_that_others_made_are_warned_of_and_never_read(tmp_path):
    folder = sealed(tmp_path / "study").folder
    (folder / "journal" / "2026-11.jsonl").touch()
    before = open_study(folder)
    others = ["testset.csv", "notes.csv", "keys/other.csv", "tests.txt", ".tests (1).csv"]
    for name in (*COPIES, *others):
        (folder / name).write_text("reed_id\nX\n", "utf-8")
    study = open_study(folder)
    table = study.check().table
    found = table[table["fault"].str.contains("looks like a copy")]
    told = {row["file"]: row["fault"] for row in found.to_dict("records")}
    assert told == {
        name: f"it looks like a copy of {own}, and is not read" for name, own in COPIES.items()
    }
    assert set(found["severity"]) == {"warning"}
    assert study.check().ok
    for name, frame in before.tables.items():
        pd.testing.assert_frame_equal(frame, study.tables[name])


def test_a_new_study_that_was_killed_is_finished_by_starting_again(tmp_path):
    for step in range(0, 203, 7):
        folder = tmp_path / str(step)
        killed = killed_at_step(step, lambda folder=folder: new_study(folder))
        if not (folder / "datapackage.json").exists():
            new_study(folder)
        assert open_study(folder).check().ok
        assert not [path.name for path in folder.iterdir() if path.suffix == ".part" and not killed]
        if not killed:
            break
    assert 20 < step < 196


def test_a_new_study_goes_on_with_nothing_that_it_would_not_write_itself(tmp_path):
    (tmp_path / "lots.csv").write_text("lot_id\nL1\n")
    with pytest.raises(RecordError, match=r"is not empty \(it holds lots\.csv\); choose another"):
        new_study(tmp_path)
    assert (tmp_path / "lots.csv").read_text() == "lot_id\nL1\n"


def refuse_after(good, real):
    """Return a call that finds the disk full after so many that it has done."""
    calls = iter(range(good + 1))

    def tried(*args, **kwargs):
        if next(calls, None) == good:
            raise OSError(28, "No space left on device")
        return real(*args, **kwargs)

    return tried


@pytest.mark.parametrize(
    "places", [[(Path, "replace")], [(files, "set_aside"), (intent, "set_aside")]]
)
def test_a_disk_full_at_a_renaming_or_a_writing_changes_nothing(tmp_path, monkeypatch, places):
    study = add_measurements(planned_batch(tmp_path / "study"), played(1))
    before, good = contents(study.folder), 0
    while contents(study.folder) == before:
        with monkeypatch.context() as patch:
            for owner, name in places:
                patch.setattr(owner, name, refuse_after(good, getattr(owner, name)))
            with suppress(RecordError):
                add_measurements(study, played(2))
                break
        good += 1
        assert contents(study.folder) == before
        assert rebuild(study.folder).agrees
    assert good > 0
    assert numbers(open_study(study.folder)) == [1, 2]


def test_a_new_study_holds_neither_journal_nor_lock(tmp_path):
    names = {path.name for path in new_study(tmp_path / "new").folder.iterdir()}
    assert not names & {"journal", ".lock", PENDING}
