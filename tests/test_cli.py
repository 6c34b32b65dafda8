import subprocess
import sys

import pandas as pd
import pytest

import reedlab
from reedlab.demo import simulate_season
from reedlab.demo.sound import crow_sound, slur_sound
from reedlab.study import default_settings, new_study, write_study
from tests.bench.timing import of_children
from tests.study.build import record


def run(*arguments):
    """Run the command as a shell does, with its output piped."""
    command = [sys.executable, "-c", "from reedlab.cli import main; main()", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def peak_bytes(*arguments):
    """Return the peak memory of a run, from a small process in between.

    The children of this process cannot be asked: a child begins as a copy of its parent,
    and the memory of the whole test run would be counted as the command's.
    """
    between = (
        "import resource, subprocess, sys;"
        "subprocess.run([sys.executable, '-c', 'from reedlab.cli import main; main()',"
        " *sys.argv[1:]], stdout=subprocess.DEVNULL, check=True);"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    )
    command = [sys.executable, "-c", between, *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return int(done.stdout) * (1 if sys.platform == "darwin" else 1024)


def seconds(*arguments, tries=3):
    """Return the least processor time of a run, which a busy machine does not stretch."""
    times = []
    for _ in range(tries):
        began = of_children()
        run(*arguments)
        times.append(of_children() - began)
    return min(times)


def test_new_starts_a_study_and_check_finds_it_sound(tmp_path):
    done = run("new", tmp_path / "autumn", "--instrument", "oboe")
    assert done.returncode == 0
    assert "Started 'autumn'" in done.stdout
    assert "  reeds.csv" in done.stdout
    done = run("check", tmp_path / "autumn")
    assert done.returncode == 0
    assert done.stdout == "No fault found in 0 rows of 8 tables.\n"
    assert done.stderr == ""


def test_check_prints_every_fault_in_full_when_piped_and_exits_with_1(tmp_path):
    long = "a very long name of a shape " * 6 + "x"
    record(tmp_path, reeds=f'reed_id,shape,bevel_mm\n1,{long},"0,62"\n2,{long.upper()},3\n')
    done = run("check", tmp_path)
    assert done.returncode == 1
    lines = done.stdout.splitlines()
    assert lines[0].split() == ["file", "row", "column", "value", "severity", "fault", "remedy"]
    assert len(lines) == 4
    assert long.upper() in lines[2]
    assert lines[1].endswith("write 0.62")
    assert lines[-1] == "2 errors in 1 file: reeds.csv (2 errors)."
    assert lines[1].index("error") == lines[2].index("error") == lines[0].index("severity")


def test_check_exits_with_0_if_there_are_only_warnings(tmp_path):
    record(tmp_path, reeds="reed_id,tip_width_mm\n1,11\n")
    done = run("check", tmp_path)
    assert done.returncode == 0
    assert "1 warning in 1 file: reeds.csv (1 warning)." in done.stdout


def test_check_rules_a_table_in_a_terminal(tmp_path, monkeypatch, capsys):
    from reedlab import cli

    record(tmp_path, reeds="reed_id,bevel_mm\n1,[b]x[/b]\n")
    monkeypatch.setattr(sys, "argv", ["reedlab", "check", str(tmp_path)])
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("COLUMNS", "200")
    with pytest.raises(SystemExit) as left:
        cli.main()
    assert left.value.code == 1
    shown = capsys.readouterr().out
    assert "────" in shown
    assert "[b]x[/b]" in shown  # a value is never read as markup


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["check", "nowhere"], "There is no folder nowhere."),
        (["new", "x", "--instrument", "fagott"], "There is no instrument 'fagott'."),
    ],
)
def test_what_cannot_be_done_is_a_message_and_exit_code_2(tmp_path, arguments, message):
    done = run(*arguments)
    assert done.returncode == 2
    assert message in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


def test_a_second_new_in_the_same_folder_is_refused(tmp_path):
    new_study(tmp_path / "s")
    done = run("new", tmp_path / "s")
    assert done.returncode == 2
    assert "holds a study already" in done.stderr


def test_the_version():
    assert run("--version").stdout == f"reedlab {reedlab.__version__}\n"


def test_help_and_check_answer_at_once(tmp_path):
    # 0.3 and 1.2 s are promised on an idle machine (tests/bench), twice as much when it is busy.
    # "51 thou" is the slowest fault, for its remedy needs the units.
    record(tmp_path, reeds="reed_id,bevel_mm\n1,51 thou\n2,3\n")
    assert seconds("--help") < 0.6
    assert seconds("check", tmp_path) < 2.4


@pytest.fixture(scope="module")
def invented(tmp_path_factory):
    return simulate_season().write(tmp_path_factory.mktemp("cli") / "season").folder


def test_season_prints_one_screen_and_writes_the_details(invented):
    done = run("season", invented)
    assert done.returncode == 0
    assert done.stderr == ""
    lines = done.stdout.splitlines()
    assert lines[0].startswith("Invented: a bassoon reed maker's season")
    assert lines[1].startswith("  6 lots, 30 tubes, 120 reeds, ")
    assert " decided reeds kept: " in lines[2]
    assert "warning" in lines[3]
    for heading in ("Where the variation comes from", "What drives it", "Before you believe it"):
        assert sum(line.startswith(heading) for line in lines) == 1
    assert "  These data are invented." in lines
    drive = [line for line in lines if line.startswith("crow against target") and "F(" in line]
    assert len(drive) == 3
    assert all("observed" in line for line in drive)
    assert lines[-1].endswith(f"tables and pictures are in {invented / 'findings'}.")
    files = sorted(path.name for path in (invented / "findings").iterdir())
    assert lines[-1].startswith(f"{len(files)} tables")
    assert {"drivers_crow_cents.csv", "drivers_crow_cents.svg", "keep_rate.png"} <= set(files)
    table = pd.read_csv(invented / "findings" / "drivers_crow_cents.csv")
    assert table["term"].iloc[0] == "harvest_year"


def test_season_looks_at_what_is_asked_and_writes_where_it_is_told(invented, tmp_path):
    asked = ["--response", "loud_db", "--response", "kept", "--out", tmp_path / "a" / "b"]
    done = run("season", invented, *asked)
    assert done.returncode == 0
    assert "loudest note" in done.stdout
    assert "crow against target" not in done.stdout
    names = {path.name for path in (tmp_path / "a" / "b").iterdir()}
    assert {"drivers_loud_db.csv", "drivers_kept.csv", "sources_kept.csv"} <= names
    assert "drivers_crow_cents.csv" not in names


def test_season_does_not_write_over_a_file(invented, tmp_path):
    (tmp_path / "taken").write_text("a recipe", "utf-8")
    done = run("season", invented, "--response", "loud_db", "--out", tmp_path / "taken")
    assert done.returncode == 2
    assert done.stderr == f"{tmp_path / 'taken'} cannot be written: File exists.\n"
    assert (tmp_path / "taken").read_text("utf-8") == "a recipe"


def test_season_rules_its_tables_in_a_terminal(invented, tmp_path, monkeypatch, capsys):
    from reedlab import cli

    arguments = ["season", str(invented), "--response", "loud_db", "--out", str(tmp_path / "o")]
    monkeypatch.setattr(sys, "argv", ["reedlab", *arguments])
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("COLUMNS", "100")
    with pytest.raises(SystemExit) as left:
        cli.main()
    assert left.value.code == 0
    shown = capsys.readouterr().out
    assert "────" in shown
    assert max(map(len, (line for line in shown.splitlines() if "────" in line))) <= 100


def test_the_season_takes_seconds_and_600_megabytes_at_most(invented, tmp_path):
    # 8 s are promised on an idle machine (tests/bench); beside other work the same instructions
    # took up to twice as long.
    assert seconds("season", invented, "--out", tmp_path / "out") < 16
    assert 50e6 < peak_bytes("season", invented, "--out", tmp_path / "out") < 600e6


def planned_study(folder):
    tubes = pd.DataFrame(
        {
            "tube_id": [f"T{i + 1}" for i in range(8)],
            "outer_diameter_mm": [24.6, 25.4, 25.0, 25.9, 24.8, 25.6, 25.2, 24.4],
            "pieces": 4,
        }
    )
    write_study(folder, {"tubes": tubes}, default_settings())
    return folder


ASKED = ("--factor", "shape=narrow,wide", "--factor", "soak_min=60,180", "--seed", "5")


def test_a_batch_is_planned_printed_recorded_and_opened(tmp_path):
    folder = planned_study(tmp_path / "autumn")
    done = run("plan", folder, "--reeds", 16, *ASKED, "--factor", "outer_diameter_mm")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("16 reeds from 8 tubes (2 each; 8 spare pieces). shape, soaking:")
    assert "tube diameter (given to tubes, 6 error degrees of freedom) in " in done.stdout
    assert done.stdout.rstrip().endswith(f"B1 is in {folder}. Next: reedlab sheets {folder}")
    shown = done.stdout.split("place ")[1].split("In batches")[0].splitlines()
    assert len(shown) == 17
    codes = pd.read_csv(folder / "keys" / "B1.csv")["blind_code"]
    assert not any(code in done.stdout for code in codes)
    done = run("sheets", folder, "--paper", "letter")
    assert done.returncode == 0
    assert str(folder / "sheets" / "B1_making.pdf") in done.stdout
    path = folder / "sheets" / "B1_making.csv"
    pd.read_csv(path, dtype=str).assign(as_planned="yes").to_csv(path, index=False)
    done = run("record", folder, path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("B1_making.csv: ")
    assert "16 places as made" in done.stdout
    done = run("unblind", folder, "B1")
    assert done.returncode == 0
    assert "All reeds were made as planned." in done.stdout
    assert pd.read_csv(folder / "reeds.csv")["shape"].value_counts().tolist() == [8, 8]
    done = run("unblind", folder, "B1")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_a_dry_run_writes_nothing_and_the_seed_draws_it_again(tmp_path):
    folder = planned_study(tmp_path / "autumn")
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    first, second = (run("plan", folder, "--reeds", 16, *ASKED, "--dry-run") for _ in range(2))
    assert first.stdout == second.stdout
    assert first.stdout.rstrip().endswith("Nothing was written. To draw it again: --seed 5")
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ("--factor", "shape=narrow,wide", "--reeds", 40),
            "40 reeds need 40 pieces of cane; these",
        ),
        (
            ("--factor", "soak_min=long,short"),
            "'soak_min' is a number in this study, and not every",
        ),
        (("--factor", "shape=narrow,,wide"), "'shape=narrow,,wide' has an empty level; write"),
        (("--factor", "varnish"), "'varnish' has no levels and is not known: write varnish=level"),
        (("--factor", "=1,2"), "'=1,2' names no factor; write name=level,level or a name alone."),
        (("--factor", "shape=wide"), "shape has one level only (wide): name two or more."),
    ],
)
def test_a_plan_that_cannot_be_is_refused_in_a_sentence(tmp_path, arguments, message):
    done = run("plan", planned_study(tmp_path / "autumn"), *arguments)
    assert done.returncode == 2
    assert done.stderr.startswith(message)
    assert "Traceback" not in done.stderr


def test_sheets_need_a_batch(tmp_path):
    done = run("sheets", planned_study(tmp_path / "autumn"))
    assert done.returncode == 2
    assert done.stderr == ("The study has no batch yet: plan one first (reedlab plan FOLDER).\n")


@pytest.fixture(scope="module")
def recordings(tmp_path_factory):
    """Return a folder with two crows, whose names tell their tests, and a slur in another."""
    folder = tmp_path_factory.mktemp("Früh ling")
    for reed, hz in (("1", 320), ("2", 341)):
        made = crow_sound(pitch_hz=hz, air_s=0.4, hold_s=0.8)
        made.write(folder / f"{reed}_S1_new_1.WAV")
    (folder / "slurs").mkdir()
    slur_sound(notes=["C3", "F3", "C3"]).write(folder / "slurs" / "slur.wav")
    return folder


def played_study(folder):
    return record(
        folder,
        reeds="reed_id\n1\n2\n",
        sessions="session_id,a4_hz\nS1,415\n",
        tests="reed_id,session_id,stage,trial\n",
    )


def test_crows_are_measured_shown_and_recorded(recordings, tmp_path):
    study = played_study(tmp_path / "study")
    done = run("measure", "crow", recordings, "--study", study)
    assert (done.returncode, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    # E4 is 415 x 2**(-5/12) = 310.88 Hz in the tuning of the session; 320 Hz lie 50 cents above.
    assert lines[0].startswith("1_S1_new_1.WAV: Crow 1: E4 +50 cents (320.0 Hz at A4 = 415)")
    header = next(line for line in lines if line.startswith("file "))
    assert header.split() == [
        "file",
        "reed_id",
        "session_id",
        "stage",
        "trial",
        "crow_hz",
        "crow_cents",
    ]
    assert lines[-1].startswith("2 recordings measured: crow pitch 320 to 341 Hz; crow against")
    assert lines[-1].endswith("Recorded in study.")
    tests = pd.read_csv(study / "tests.csv")
    assert tests["crow_hz"].round().tolist() == [320, 341]
    assert tests["recording"].tolist() == ["1_S1_new_1.WAV", "2_S1_new_1.WAV"]
    again = run("measure", "crow", recordings, "--study", study)
    assert again.returncode == 0
    assert pd.read_csv(study / "tests.csv").equals(tests)


def test_a_recording_that_is_left_out_is_told_with_its_reason(recordings, tmp_path):
    (tmp_path / "text.wav").write_text("no sound", "utf-8")
    slurs = recordings / "sl*" / "*.wav"
    done = run("measure", "slur", slurs, tmp_path / "text.wav", "--notes", "C3 F3 C3")
    assert (done.returncode, done.stderr) == (1, "")
    lines = done.stdout.splitlines()
    assert lines[0].startswith("slur.wav: 2 transitions and none catches")
    assert lines[-2].startswith("1 recording measured, 1 left out: longest slur gap 0 ms.")
    assert lines[-1].startswith("  text.wav cannot be read as sound")


def test_a_mapping_and_a_tuning_are_taken(recordings, tmp_path):
    study = played_study(tmp_path / "study")
    mapping = tmp_path / "mapping.csv"
    mapping.write_text(
        "file,reed_id,session_id,stage,trial\n1_S1_new_1.WAV,2,S1,later,3\n", "utf-8"
    )
    asked = ("--study", study, "--mapping", mapping, "--a4", 440, "--instrument", "oboe")
    done = run("measure", "crow", recordings / "1_S1_new_1.WAV", *asked)
    assert done.returncode == 0
    assert "320.0 Hz at A4 = 440" in done.stdout
    assert "below the target B4–C5" in done.stdout
    tests = pd.read_csv(study / "tests.csv")
    assert tests[["reed_id", "stage", "trial"]].to_numpy().tolist() == [[2, "later", 3]]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("crown", "a.wav"), "There is no kind of recording 'crown'. Nearest: crow."),
        (("crow", "*.wav"), "*.wav: the pattern fits no recording (aac, "),
        (("crow", "a.wav", "--notes", "C3"), "There is no setting for 'crow' 'notes'. Present: a4"),
        (("slur", "a.wav", "--notes", "H3"), "notes holds 'H3', no note"),
        (("hairpin", "a.wav", "--calibration", "loud"), "'loud' is no calibration; write how many"),
        (("hairpin", "a.wav", "--calibration", "x.wav=9O"), "'x.wav=9O' is no calibration"),
        (("hairpin", "a.wav", "--calibration", "x.wav=94"), "There is no file x.wav"),
        (("crow", "a.wav", "--study", "nowhere"), "There is no folder nowhere."),
        (("crow", "a.wav", "--mapping", "map.csv"), "map.csv is missing from the folder ."),
    ],
)
def test_what_cannot_be_measured_is_a_message_and_exit_code_2(arguments, message):
    done = run("measure", *arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith(message)
    assert "Traceback" not in done.stderr


def test_names_that_tell_no_test_are_refused_and_nothing_is_written(recordings, tmp_path):
    study = played_study(tmp_path / "study")
    before = {path.name: path.read_bytes() for path in study.iterdir()}
    done = run("measure", "slur", recordings / "slurs", "--study", study)
    assert done.returncode == 2
    assert "slur.wav: the name is not <reed>_<session>_<stage>_<trial>; rename it" in done.stderr
    assert {path.name: path.read_bytes() for path in study.iterdir()} == before


def test_help_of_measure_names_kinds_and_options_at_once():
    shown = run("measure", "--help").stdout
    for word in ("crow, hairpin", "--study", "--mapping", "--notes", "--a4", "--calibration"):
        assert word in shown
    assert seconds("measure", "--help") < 0.6
