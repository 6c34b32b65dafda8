"""A save is whole or not there wherever a process was killed; two do not disturb each other."""

import os
import random
import shutil

import pytest

from reedlab.errors import RecordError
from reedlab.study import open_study, rebuild
from reedlab.study.intent import PENDING
from reedlab.study.lock import LOCK, alone
from reedlab.study.looks import Log, Look
from reedlab.study.measured import add_measurements
from tests.study.batch import made_rows, played_rows, sealed, session_rows, sheet
from tests.study.build import planned_batch
from tests.study.killed import in_forks, killed_after, killed_at_step, numbers, played

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="kills forks of this process")


@pytest.fixture(scope="module")
def batch(tmp_path_factory):
    return planned_batch(tmp_path_factory.mktemp("safe") / "study").folder


@pytest.fixture
def folder(batch, tmp_path):
    return shutil.copytree(batch, tmp_path / "study")


def save(folder, trial, count=1):
    return add_measurements(open_study(folder), played(trial, count=count))


def whole(folder):
    """Open the study, see that journal and tables agree, and that nothing lies about."""
    study = open_study(folder)
    assert study.check().ok
    assert not (folder / PENDING).exists()
    rebuilt = rebuild(folder)
    assert rebuilt.agrees or not rebuilt.entries, rebuilt.sentence
    return study


def test_killed_at_any_step_of_a_save_the_row_is_there_or_not_and_the_next_save_goes_on(folder):
    add_measurements(open_study(folder), played(1))
    expected, step = [1], 0
    while killed_at_step(step, lambda new=step + 2: save(folder, new)):
        there = numbers(whole(folder))
        assert there in (expected, [*expected, step + 2])
        expected, step = there, step + 2
    assert step > 15
    assert numbers(whole(folder)) == [*expected, step + 2]
    assert len(expected) > 2, "some were killed after the save was decided"
    assert not [path.name for path in folder.rglob(".*") if path.name not in (LOCK,)]


def every(step):
    """Try each so-manieth step quickly, and every one where there is time."""
    return pytest.mark.parametrize("stride", [step, pytest.param(1, marks=pytest.mark.slow)])


@every(4)
def test_killed_at_any_step_of_the_first_save_of_all(batch, tmp_path, stride):
    step, killed = 0, True
    while killed:
        copy = shutil.copytree(batch, tmp_path / str(step))
        killed = killed_at_step(step, lambda copy=copy: save(copy, 1))
        assert numbers(whole(copy)) in ([], [1])
        step += stride


@every(5)
def test_killed_at_any_step_of_a_plan_its_files_and_rows_come_together(batch, tmp_path, stride):
    step, killed, kept = 0, True, set()
    while killed:
        copy = shutil.copytree(batch, tmp_path / str(step))
        killed = killed_at_step(step, lambda copy=copy: sealed(copy))
        study = whole(copy)
        named = "B2" in [one.batch_id for one in study.settings.batches]
        kept.add(named)
        assert (study.tables["reeds"]["batch_id"] == "B2").sum() == (6 if named else 0)
        for file in ("plans/B2_making.csv", "plans/B2_testing.csv", "keys/B2.csv"):
            assert (copy / file).exists() == named
        if named:
            assert len(study.plan("B2").making) == 6
        step += stride
    assert kept == {True, False}


@every(9)
def test_killed_while_the_key_is_opened_the_levels_are_all_there_or_none(tmp_path, stride):
    made = sealed(tmp_path / "made").record(sheet(tmp_path / "m.csv", made_rows())).folder
    for step in range(0, 60, stride):
        copy = shutil.copytree(made, tmp_path / f"copy{step}")
        killed_at_step(step, lambda copy=copy: open_study(copy).unblind("B2"))
        study = whole(copy)
        own = study.tables["reeds"].query("batch_id == 'B2'")
        opened = bool(study.plan("B2").record.unblinded)
        assert own["tube_id"].notna().any() == opened


def killed_often(folder, times, rows, seed):
    """Kill a process that saves, again and again; return how many saves it told safe."""
    draw = random.Random(seed)
    safe = 0
    for turn in range(times):
        start = max(numbers(open_study(folder)), default=0) + 1

        def saves(start=start):
            for number in range(20):
                yield save(folder, start + rows * number, rows)

        told = killed_after(draw.randrange(2), draw.uniform(0, 0.1), saves)
        there = numbers(whole(folder) if turn % 10 == 9 else open_study(folder))
        assert there == list(range(1, len(there) + 1))
        assert start - 1 + told * rows <= len(there)
        assert len(there) % rows == 0
        safe += told
    return safe


def test_killed_at_random_nothing_that_was_told_safe_is_lost(folder):
    killed_often(folder, 10, 1, 1)


@pytest.mark.slow
def test_killed_at_random_three_hundred_times(folder):
    safe = killed_often(folder, 300, 1, 2)
    print(f"300 processes killed while saving: {safe} saves told safe, all there")
    assert safe >= 100


@pytest.mark.slow
def test_killed_at_random_while_many_rows_come_in(folder):
    safe = killed_often(folder, 50, 200, 3)
    print(f"50 processes killed while adding 200 rows at a time: {safe} told safe, all there")
    assert safe > 10


KINDS = ("plan", "making", "sessions", "testing", "looks")


def season(folder, tmp_path):
    """Record a batch from its plan to its kept reeds, with looks; go on where it was cut off."""
    played_and_kept = [row | {"tip_opening_mm": "0.9", "fate": "kept"} for row in played_rows()]
    sheets = {"making": made_rows(), "sessions": session_rows(), "testing": played_and_kept}
    if "B2" not in [one.batch_id for one in open_study(folder).settings.batches]:
        sealed(folder)
    yield "plan"
    for name, rows in sheets.items():
        open_study(folder).record(sheet(tmp_path / f"{name}.csv", rows))
        yield name
    look = Look("drivers", "crow", "shape", "", "", "observed", 0.03, "shape", 24, "0")
    Log(folder).add([look])
    yield "looks"


def standing(folder):
    """Return which kinds of a season's records are there."""
    study = whole(folder)
    reeds = study.tables["reeds"].query("batch_id == 'B2'")
    sessions, tests = study.tables["sessions"], study.tables["tests"]
    kept = len(reeds) > 0 and "fate" in reeds and bool((reeds["fate"] == "kept").any())
    there = [
        "B2" in [one.batch_id for one in study.settings.batches],
        (folder / "plans/B2_made.csv").exists(),
        bool((sessions["session_id"] == "B2-S1").any()),
        kept and bool((tests["session_id"] == "B2-S1").any()),
        len(Log(folder).looks) == 1,
    ]
    assert kept == there[3], "tests and fates come together"
    return [kind for kind, is_there in zip(KINDS, there, strict=True) if is_there]


def seasons_killed(batch, tmp_path, times, seed):
    draw, safe = random.Random(seed), 0
    for turn in range(times):
        copy = shutil.copytree(batch, tmp_path / "copy")
        done = turn % len(KINDS)
        told = killed_after(done, draw.uniform(0, 0.06), lambda copy=copy: season(copy, tmp_path))
        there = standing(copy)
        assert there == [*KINDS[: len(there)]]
        assert len(there) >= told
        list(season(copy, tmp_path))
        assert standing(copy) == [*KINDS]
        shutil.rmtree(copy)
        safe += told
    return safe


def test_killed_at_random_in_every_kind_of_save(batch, tmp_path):
    seasons_killed(batch, tmp_path, 5, 4)


@pytest.mark.slow
def test_killed_at_random_sixty_times_in_every_kind_of_save(batch, tmp_path):
    safe = seasons_killed(batch, tmp_path, 60, 5)
    print(f"60 seasons killed in plan, making, sessions, tests and fates, looks: {safe} told safe")


def record_side_by_side(folder, count):
    def tests_of(reed):
        def work():
            study = open_study(folder)
            for trial in range(1, count + 1):
                study = add_measurements(study, played(trial, reed))

        return work

    assert in_forks(tests_of("001"), tests_of("002")) == [0, 0]
    study = whole(folder)
    assert numbers(study, "001") == numbers(study, "002") == list(range(1, count + 1))
    return study


def test_two_processes_that_record_at_once_keep_every_row(folder):
    study = record_side_by_side(folder, 50)
    assert len(study.tables["tests"]) == 16 + 100


@pytest.mark.slow
def test_two_processes_record_five_hundred_tests_each(folder):
    study = record_side_by_side(folder, 500)
    assert len(study.tables["tests"]) == 16 + 1000
    assert rebuild(folder).entries == 1001


def test_who_opens_while_another_saves_reads_one_state_or_the_other(folder):
    def write():
        study = open_study(folder)
        for trial in range(1, 9):
            study = add_measurements(study, played(trial))

    def read():
        for _ in range(20):
            there = numbers(open_study(folder))
            assert there == list(range(1, len(there) + 1))

    assert in_forks(write, read) == [0, 0]


def test_who_waits_in_vain_is_told_for_whom(folder, monkeypatch):
    read, write = os.pipe()
    stop, stopped = os.pipe()

    def hold():
        with alone(folder):
            os.write(write, b"held")
            os.close(stopped)
            os.read(stop, 1)

    child = os.fork()
    if child == 0:
        hold()
        os._exit(0)
    os.read(read, 4)
    monkeypatch.setattr("reedlab.study.lock.TIMEOUT_S", 0.2)
    before = (folder / "tests.csv").read_bytes()
    with pytest.raises(RecordError) as raised:
        add_measurements(open_study(folder), played(1))
    os.write(stopped, b".")
    os.waitpid(child, 0)
    assert f"Another program is writing to {folder} (process {child} on " in str(raised.value)
    assert "nothing was written. Try again when it is done, or close it." in str(raised.value)
    assert (folder / "tests.csv").read_bytes() == before
    add_measurements(open_study(folder), played(1))


def test_a_lock_may_be_taken_again_inside_itself_and_names_nobody_afterwards(folder):
    with alone(folder), alone(folder):
        assert str(os.getpid()) in (folder / LOCK).read_text()
    assert (folder / LOCK).read_text() == ""
