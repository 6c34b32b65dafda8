"""Many recordings at once: which are meant, to which tests they belong, and what is recorded."""

import hashlib
import unicodedata
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from joblib import parallel_config, register_parallel_backend
from joblib.parallel import ThreadingBackend

from reedlab.demo.sound import crow_sound, hairpin_sound, whole_test_sound
from reedlab.errors import CallError, RecordError
from reedlab.measure import crow, files, measure_files, whole_test
from reedlab.measure.file_list import names_of, recordings_in
from reedlab.measure.file_names import keys_of
from reedlab.schema import Step, cents, default_protocol, note_hz
from reedlab.study import Settings, write_study
from tests.measure.degrade import wav
from tests.study.batch import contents, sealed
from tests.study.build import planned_batch

PITCHES = {"001": 335.0, "Q": 345.0, "003": 320.0}


@pytest.fixture(autouse=True)
def _alone():
    """One worker, unless a test asks for more."""
    with parallel_config(n_jobs=1):
        yield


@pytest.fixture(scope="module")
def sounds():
    return {reed: crow_sound(3, pitch_hz=hz, air_s=0.4, hold_s=0.8) for reed, hz in PITCHES.items()}


@pytest.fixture
def crows(tmp_path, sounds):
    """Return three recordings in a folder whose name is none of the simplest."""
    folder = tmp_path / "Größe und Maß (2)"
    folder.mkdir()
    return [sound.write(folder / f"{reed}_S1_day 2_1_crow.WAV") for reed, sound in sounds.items()]


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    return whole_test_sound().write(tmp_path_factory.mktemp("whole") / "001_S1_new_1.wav")


@pytest.fixture
def study(tmp_path):
    return planned_batch(tmp_path / "study")


# Which recordings are meant.


def test_a_folder_stands_for_the_recordings_in_it(tmp_path):
    for name in ("b.wav", "a.M4A", "notes.txt", "._b.wav", "c.wavelet"):
        (tmp_path / name).write_text("x")
    (tmp_path / "later").mkdir()
    (tmp_path / "later" / "d.wav").write_text("x")
    (tmp_path / "folder.wav").mkdir()
    assert [file.name for file in recordings_in(tmp_path)] == ["a.M4A", "b.wav"]
    pattern = str(tmp_path / "**" / "*.wav")
    assert [file.name for file in recordings_in(pattern)] == ["b.wav", "d.wav"]


def test_each_recording_counts_once_in_the_order_of_the_call(tmp_path):
    one, two = (tmp_path / name for name in ("2 [x].wav", "1.wav"))
    for path in (one, two):
        path.write_text("x")
    given = [one, tmp_path, str(two), tmp_path / "." / "nowhere.wav"]
    assert recordings_in(given) == [one, two, tmp_path / "nowhere.wav"]


def test_what_stands_for_no_recording_is_told_at_once(tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(CallError) as raised:
        recordings_in([tmp_path / "empty", tmp_path / "*.wav", tmp_path / "a.wav"])
    first, second = str(raised.value).split("\n")
    assert first.startswith(f"{tmp_path / 'empty'}: the folder holds no recording (aac, aif,")
    assert second.startswith(f"{tmp_path / '*.wav'}: the pattern fits no recording (aac, aif,")
    with pytest.raises(CallError, match="There are no recordings; name files, a folder, or"):
        recordings_in([])


def test_names_are_as_short_as_they_can_be():
    paths = [Path(text) for text in ("may/R1/a.wav", "june/R1/a.wav", "june/R2/a.wav", "b.wav")]
    assert names_of(paths) == ["may/R1/a.wav", "june/R1/a.wav", "R2/a.wav", "b.wav"]


# To which tests they belong.


def test_a_name_tells_the_test():
    paths = [Path("sub/007_S 3_day 2_12_crow_again.WAV"), Path("Zoë_S1_new_1.m4a")]
    stored = [Path(unicodedata.normalize("NFD", str(path))) for path in paths]
    assert stored[1] != paths[1]
    assert keys_of(paths) == keys_of(stored)
    assert keys_of(paths) == [
        {"reed_id": "007", "session_id": "S 3", "stage": "day 2", "trial": 12},
        {"reed_id": "Zoë", "session_id": "S1", "stage": "new", "trial": 1},
    ]


def test_names_that_do_not_tell_it_are_all_named():
    paths = ["crow.wav", "R_7_S1_new_1.wav", "R7__new_1.wav", "R7_S1_new_0.wav", "R7_S1_new_1.wav"]
    with pytest.raises(RecordError) as raised:
        keys_of([Path(path) for path in paths])
    pattern = "<reed>_<session>_<stage>_<trial>"
    rename = "rename it like R07_S3_day2_1.wav"
    assert str(raised.value).split("\n") == [
        "It is not told to which tests the recordings belong:",
        f"- crow.wav: the name is not {pattern}; {rename}, or give a mapping.",
        f"- R_7_S1_new_1.wav: of {pattern} the trial is 'new', which is no whole number from 1; "
        f"ids and stage must hold no _; {rename}.",
        f"- R7__new_1.wav: the name is not {pattern}; {rename}, or give a mapping.",
        f"- R7_S1_new_0.wav: of {pattern} the trial is '0', which is no whole number from 1; "
        f"ids and stage must hold no _; {rename}.",
    ]


HEADER = "file,reed_id,session_id,stage,trial"


def mapped(tmp_path, *lines, paths):
    table = tmp_path / "mapping.csv"
    table.write_text("\n".join([HEADER, *lines]), "utf-8")
    return keys_of([Path(path) for path in paths], table)


def refused(tmp_path, *lines, paths):
    with pytest.raises(RecordError) as raised:
        mapped(tmp_path, *lines, paths=paths)
    first, *told = str(raised.value).split("\n")
    assert first == "It is not told to which tests the recordings belong:"
    return [line.removeprefix("- ") for line in told]


def test_a_table_tells_the_test_whatever_the_file_is_called(tmp_path):
    lines = [
        " Aufnahme 1.m4a ,007,S1,day 2,1",
        "",
        "may\\x.wav,K,S1,day 2,1,,",
        "june/x.wav,K,S2,day 2,2",
        "not made yet.wav,,,,",
    ]
    paths = ["sub/Aufnahme 1.m4a", "2026/june/x.wav", "2026/may/x.wav"]
    assert [list(key.values()) for key in mapped(tmp_path, *lines, paths=paths)] == [
        ["007", "S1", "day 2", 1],
        ["K", "S2", "day 2", 2],
        ["K", "S1", "day 2", 1],
    ]


def test_all_faults_of_a_mapping_are_told_with_their_rows(tmp_path):
    lines = [
        "a.wav,R1,S1,new,one",
        "b.wav,R1,,new,",
        "c.wav,R1,S1,new,1",
        "c.wav,R1,S1,new,2",
        "d.wave,R1,S1,new,1",
        "e.wav,R1,S1,new,1",
    ]
    paths = ["a.wav", "b.wav", "c.wav", "d.wav", "june/e.wav", "may/e.wav", "f.wav"]
    assert refused(tmp_path, *lines, paths=paths) == [
        "mapping.csv, row 2, column 'trial', 'one': the trial of a.wav is no whole number from 1; "
        "write 1 for the first try.",
        "mapping.csv, row 3, column 'session_id', empty: session_id of b.wav is blank; write it.",
        "mapping.csv, row 3, column 'trial', empty: trial of b.wav is blank; write it.",
        "mapping.csv, row 5, column 'file', 'c.wav': the file stands in row 4 already; take one of "
        "the two rows out.",
        "mapping.csv: d.wav is not in it; add a row for d.wav, or mend row 6, which has 'd.wave'.",
        "mapping.csv, row 7, column 'file', 'e.wav': two recordings are called so: june/e.wav and "
        "may/e.wav; write the folder before the name.",
        "mapping.csv: f.wav is not in it; add a row for f.wav, or mend row 7, which has 'e.wav'.",
    ]


def test_a_mapping_whose_cells_have_shifted_is_refused(tmp_path):
    lines = ["a.wav,R1,S1,day 1, first,1", "b.wav,R1"]
    told = refused(tmp_path, *lines, paths=["a.wav", "b.wav"])
    assert [line.split(";")[0] for line in told] == [
        "mapping.csv, row 2: row 2 has 6 cells, the header has 5",
    ]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("file,reed,session_id\na.wav,1,S1\n", "mapping.csv has no column reed_id, stage, trial; "
         "it needs file, reed_id, session_id, stage, trial, and has file, reed, session_id."),
        ("file;reed_id\na.wav;1\n", "mapping.csv is separated by semicolons or tabs; save it "
         "again as 'CSV UTF-8 (comma separated)'."),
        ("", "mapping.csv has no header; its first row must name the columns."),
    ],
)  # fmt: skip
def test_a_mapping_that_is_no_such_table_is_refused(tmp_path, text, message):
    table = tmp_path / "mapping.csv"
    table.write_text(text, "utf-8")
    with pytest.raises(RecordError) as raised:
        keys_of([Path("a.wav")], table)
    assert str(raised.value) == message
    with pytest.raises(RecordError, match=r"other\.csv is missing from the folder"):
        keys_of([Path("a.wav")], tmp_path / "other.csv")


def test_a_frame_tells_the_test_too_and_is_told_by_its_index():
    table = pd.DataFrame(
        [("a.wav", "007", "S1", "new", 2.0), ("b.wav", "K", "S1", None, np.nan)],
        columns=HEADER.split(","),
        index=[10, 11],
    )
    assert keys_of([Path("a.wav")], table)[0]["trial"] == 2
    with pytest.raises(RecordError) as raised:
        keys_of([Path("b.wav")], table)
    assert "the mapping, row 11, column 'stage', empty: stage of b.wav is blank; write it." in str(
        raised.value
    )
    with pytest.raises(RecordError, match="the mapping has no column stage; it needs file,"):
        keys_of([Path("a.wav")], table.drop(columns="stage"))


# What is measured.


def test_every_recording_gives_a_row_and_what_fails_is_told(crows, tmp_path):
    text = crows[0].with_name("text.wav")
    text.write_text("no sound", "utf-8")
    told = []
    paths = [*crows[:2], text, crows[0].with_name("nowhere.wav"), crows[2]]
    found = measure_files("crow", paths, tell=lambda done, of: told.append((done, of)))
    assert told == [(done, 5) for done in range(1, 6)]
    assert found.table["file"].tolist() == [path.name for path in crows]
    assert found.table["crow_hz"].tolist() == pytest.approx(list(PITCHES.values()), abs=0.2)
    assert list(found.table) == ["file", "crow_hz", "crow_cents", "sentence", "caution"]
    one = crow(crows[0])
    row = found.table.iloc[0]
    assert (row["sentence"], row["caution"]) == (one.sentence, " ".join(one.cautions))
    assert found.left_out["file"].tolist() == ["text.wav", "nowhere.wav"]
    assert found.left_out["fault"].str.contains("cannot be read as sound|There is no file").all()
    assert found.cautions == tuple(found.left_out["fault"])
    assert found.sentence == (
        "3 recordings measured, 2 left out: crow pitch 320 to 345 Hz; crow against target −51.4 to "
        "0 cents."
    )
    details = found.details[found.details["file"] == crows[0].name].drop(columns="file")
    pd.testing.assert_frame_equal(details.reset_index(drop=True), one.table)


def test_recordings_are_only_read(crows):
    def state():
        return [
            (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
            for path in crows
        ]

    before, beside = state(), sorted(crows[0].parent.iterdir())
    measure_files("crow", crows)
    assert state() == before
    assert sorted(crows[0].parent.iterdir()) == beside


class Slow(ThreadingBackend):
    """A backend that hands over nothing before all is done, as those of clusters do."""

    supports_return_generator = False


register_parallel_backend("handed over at the end", Slow)


@pytest.mark.parametrize(
    ("backend", "workers"),
    [("threading", 1), ("threading", 2), ("loky", 2), ("handed over at the end", 2)],
)
def test_how_the_work_is_spread_changes_nothing(crows, backend, workers):
    paths = [*crows, crows[0].with_name("nowhere.wav")]
    alone = measure_files("crow", paths)
    told = []
    with parallel_config(backend=backend, n_jobs=workers):
        found = measure_files("crow", paths, tell=lambda done, of: told.append((done, of)))
    pd.testing.assert_frame_equal(found.table, alone.table, check_exact=True)
    pd.testing.assert_frame_equal(found.details, alone.details, check_exact=True)
    pd.testing.assert_frame_equal(found.left_out, alone.left_out)
    assert told == [(done, 4) for done in range(1, 5)]


def test_recordings_of_the_same_name_are_told_apart_by_their_folders(tmp_path, sounds):
    for month, reed in (("may", "001"), ("june", "003")):
        (tmp_path / month).mkdir()
        sounds[reed].write(tmp_path / month / "crow.wav")
    found = measure_files("crow", str(tmp_path / "*" / "*.wav"))
    assert found.table["file"].tolist() == ["june/crow.wav", "may/crow.wav"]
    assert found.table["crow_hz"].tolist() == pytest.approx([320, 335], abs=0.2)


def test_a_whole_test_in_which_nothing_can_be_measured_is_refused(tmp_path) -> None:
    noise = 0.1 * np.random.default_rng(1).standard_normal(3 * 44_100)
    quiet = np.random.default_rng(2).standard_normal(44_100) * 1e-4
    path = wav(np.concatenate([quiet, noise, quiet]), 44_100, tmp_path / "hiss.wav")
    with pytest.raises(RecordError, match=r"hiss\.wav holds no(ne| step)"):
        whole_test(path)


def test_a_whole_test_gives_all_numbers_and_its_steps(whole):
    found, one = measure_files("test", whole), whole_test(whole)
    names = [name for name in one.table if name != "file"]
    assert found.table[names].iloc[0].tolist() == one.table[names].iloc[0].tolist()
    pd.testing.assert_frame_equal(found.details.drop(columns="file"), one.steps)


def test_a_calibrator_is_listened_to_once(tmp_path, monkeypatch):
    rate_hz = 44_100
    tone = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(5 * rate_hz) / rate_hz)
    path = hairpin_sound().write(tmp_path / "a.wav")
    other = hairpin_sound(seed=2).write(tmp_path / "b.wav")
    given = (wav(tone, rate_hz, tmp_path / "calibrator.wav"), 94.0)
    heard = []
    monkeypatch.setattr(
        files, "offset", lambda asked, real=files.offset: heard.append(asked) or real(asked)
    )
    found = measure_files("hairpin", [path, other], calibration=given).table
    assert heard == [given]
    # A sine of amplitude 0.1 lies 20 dB below full scale, so 114 dB are added.
    bare = measure_files("hairpin", [path, other]).table
    assert (found["soft_db"] - bare["soft_db"]).tolist() == pytest.approx([114, 114], abs=0.02)
    with pytest.raises(RecordError, match=r"There is no file .*nix\.wav"):
        measure_files("hairpin", [path], calibration=(tmp_path / "nix.wav", 94.0))


@pytest.mark.parametrize(
    ("kind", "asked", "message"),
    [
        ("crown", {}, "There is no kind of recording 'crown'. Nearest: crow."),
        ("hairpin", {"a4_hz": 440}, "There is no setting for 'hairpin' 'a4_hz'. Present: calib"),
        ("slur", {"note": "C3"}, "There is no setting for 'slur' 'note'. Nearest: notes."),
        ("crow", {"a4_hz": 44}, "a4_hz is 44; a tuning of A4 lies between 300 and 600 Hz."),
        ("crow", {"target": "H3"}, "crow_target: 'H3' is not a note; write letter"),
    ],
)
def test_a_call_that_cannot_be_is_one_error_and_no_list(crows, kind, asked, message):
    with pytest.raises(CallError) as raised:
        measure_files(kind, crows, **asked)
    assert str(raised.value).startswith(message)


def test_what_nobody_thought_of_costs_one_file_only(crows, monkeypatch):
    def fails(kind, file, **asked):
        if file == crows[1]:
            raise ZeroDivisionError("float division by zero")
        return crow(file, **asked)

    monkeypatch.setattr(files, "measured", fails)
    found = measure_files("crow", crows)
    assert len(found.table) == 2
    assert found.left_out["fault"].item() == (
        f"{crows[1].name} could not be measured (ZeroDivisionError: float division by zero)."
    )


def test_nothing_measured_is_an_answer_too(tmp_path):
    found = measure_files("slur", [tmp_path / "a.wav"])
    assert found.sentence == "0 recordings measured, 1 left out."
    assert found.details.empty
    assert found.table["slur_gap_ms"].dtype == float


def test_the_picture_shows_every_file(crows):
    found = measure_files("crow", crows)
    ax = found.plot()
    assert ax.get_xlabel() == "crow pitch, Hz"
    assert [label.get_text() for label in ax.get_yticklabels()] == [path.name for path in crows]
    assert ax.lines[0].get_xdata().tolist() == found.table["crow_hz"].tolist()


# What is recorded in a study.


def test_numbers_go_into_the_tests_by_id_and_by_code(crows, study):
    found = measure_files("crow", crows, study)
    tests = found.study.tables["tests"].iloc[16:]
    assert tests["reed_id"].tolist() == ["001", "002", "003"]
    assert tests["stage"].tolist() == ["day 2"] * 3
    assert tests["recording"].tolist() == [path.name for path in crows]
    assert tests["crow_hz"].tolist() == pytest.approx(found.table["crow_hz"].tolist(), rel=1e-5)
    assert found.table["reed_id"].tolist() == list(PITCHES)
    assert found.sentence.endswith("Recorded in A planned batch.")
    assert found.study.check().table.empty


def test_measured_twice_nothing_changes(crows, study):
    once = measure_files("crow", crows, study)
    before = contents(study.folder)
    measure_files("crow", crows[0].parent, once.study)
    assert contents(study.folder) == before


def test_a_mapping_says_where_they_belong(crows, study, tmp_path):
    lines = [f"{path.name},00{place},S2,day 9,{place}" for place, path in enumerate(crows, 4)]
    mapping = tmp_path / "mapping.csv"
    mapping.write_text("\n".join([HEADER, *lines]), "utf-8")
    found = measure_files("crow", crows, study, mapping)
    new = found.study.tables["tests"].iloc[16:]
    assert new["reed_id"].tolist() == ["004", "005", "006"]
    assert new["trial"].tolist() == [4, 5, 6]
    bare = measure_files("crow", crows, mapping=mapping)
    assert bare.table["reed_id"].tolist() == ["004", "005", "006"]
    assert bare.study is None


def test_where_nothing_belongs_is_told_before_anything_is_measured(crows, study, monkeypatch):
    monkeypatch.setattr(files, "measured", lambda *_, **__: pytest.fail("it was measured"))
    names = ["01_S1_day 2_1.wav", "001_S9_day 2_1.wav", "001_S1_Day1_1.wav"]
    before = contents(study.folder)
    with pytest.raises(RecordError) as raised:
        measure_files(
            "crow",
            [path.rename(path.with_name(name)) for path, name in zip(crows, names, strict=True)],
            study,
        )
    assert str(raised.value).split("\n") == [
        "The measurements cannot be recorded; nothing was written:",
        "- 01_S1_day 2_1.wav, column 'reed_id', '01': reeds.csv has no such reed; write '001' as "
        "in reeds.csv, if that is meant.",
        "- 001_S9_day 2_1.wav, column 'session_id', 'S9': sessions.csv has no such session; add it "
        "to sessions.csv, or mend the id.",
        "- 001_S1_Day1_1.wav, column 'stage', 'Day1': tests.csv has the stage 'day 1'; write "
        "'day 1' if that is meant, or another word.",
    ]
    assert contents(study.folder) == before


def test_a_number_recorded_already_and_different_refuses_them_all(crows, study):
    there = crows[1].rename(crows[1].with_name("001_S1_day 1_1.wav"))  # 331 Hz in tests.csv
    before = contents(study.folder)
    with pytest.raises(RecordError) as raised:
        measure_files("crow", [crows[0], there], study)
    assert str(raised.value).split("\n")[1:] == [
        "- tests.csv, row 2, column 'crow_hz', '331': this is recorded already, but "
        "001_S1_day 1_1.wav measures 344.993; keep one: empty this cell, or give the recording "
        "another trial."
    ]
    assert contents(study.folder) == before


def test_what_fails_is_not_recorded_and_the_rest_is(crows, study):
    crows[1].write_bytes(b"")
    found = measure_files("crow", crows, study)
    assert found.study.tables["tests"]["reed_id"].tolist()[16:] == ["001", "003"]
    for path in crows:
        path.write_bytes(b"")
    before = contents(study.folder)
    assert measure_files("crow", crows, study).table.empty
    assert contents(study.folder) == before


def settled(folder, **settings):
    """Write a study with two sessions, the second tuned to 415 Hz."""
    tables = {
        "reeds": pd.DataFrame({"reed_id": ["001", "Q", "003"]}),
        "sessions": pd.DataFrame({"session_id": ["S1", "S2"], "a4_hz": [None, 415.0]}),
    }
    return write_study(folder, tables, Settings(**settings))


def test_tuning_and_target_are_those_of_the_session_and_the_study(crows, tmp_path):
    study = settled(tmp_path / "study", a4_hz=442, crow_target="E4")
    second = crows[1].rename(crows[1].with_name("Q_S2_day 2_1.wav"))
    found = measure_files("crow", [crows[0], second], study)
    hz = found.table["crow_hz"]
    truth = [cents(hz[0], note_hz("E4", 442)), cents(hz[1], note_hz("E4", 415))]
    assert found.table["crow_cents"].tolist() == pytest.approx(truth)
    assert found.study.check().table.empty
    asked = measure_files("crow", crows[:1], settled(tmp_path / "other", a4_hz=442), a4_hz=415)
    assert asked.table["crow_cents"][0] == pytest.approx(cents(hz[0], note_hz("F4", 415)), abs=0.1)


def test_the_instrument_is_that_of_the_study(tmp_path):
    path = crow_sound(pitch_hz=500.0, air_s=0.4, hold_s=0.8).write(tmp_path / "001_S1_new_1.wav")
    found = measure_files("crow", path, settled(tmp_path / "study", instrument="oboe"))
    # The oboe's crow is B4 to C5: 500 Hz lie inside.
    assert found.table["crow_cents"].item() == 0


def test_the_protocol_is_that_of_the_study(whole, tmp_path):
    kept = [
        step for step in default_protocol("bassoon") if step.name in ("hairpin", "low register")
    ]
    first = Step("my crow", "Blow.", ("crow_hz",))
    study = settled(tmp_path / "study", protocol=[first, *kept])
    found = measure_files("test", whole, study)
    assert found.details["step"].tolist() == ["my crow", "hairpin", "low register"]
    row = found.study.tables["tests"].iloc[0]
    assert row["crow_hz"] == pytest.approx(341, abs=1)
    assert "slur_gap_ms" not in row or np.isnan(row["slur_gap_ms"])


def test_a_sealed_batch_stays_sealed(tmp_path, sounds):
    study = sealed(tmp_path / "study")
    codes = study.tables["reeds"].query("batch_id == 'B2'")["blind_code"].tolist()
    paths = [
        sound.write(tmp_path / f"{code}_S1_new_1.wav")
        for code, sound in zip(codes, sounds.values(), strict=False)
    ]
    key = study.folder / "keys" / "B2.csv"
    key.write_bytes(b"\xff no key")
    found = measure_files("crow", paths, study)
    assert found.study.tables["tests"]["reed_id"].tolist()[-3:] == codes[:3]
    assert key.read_bytes() == b"\xff no key"
    shown = found.sentence + found.table.to_string() + found.details.to_string()
    recipe = ("loose", "tight", "narrow", "wide", "wire", "gouge", "cutter", "tube", "piece")
    assert not any(word in shown for word in recipe)
