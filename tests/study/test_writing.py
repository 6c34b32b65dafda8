import json
from pathlib import Path

import frictionless
import pandas as pd
import pytest

from reedlab.errors import CallError, RecordError
from reedlab.schema import INSTRUMENTS
from reedlab.study import Settings, new_study, open_study, write_study
from reedlab.study.files import replace_file
from tests.study.build import planned_batch


def outside_verdict(folder):
    report = frictionless.validate(str(folder / "datapackage.json"))
    return report.valid, report.flatten(["path", "rowNumber", "fieldName", "type", "message"])


@pytest.mark.parametrize("known", INSTRUMENTS, ids=lambda known: known.name)
def test_a_new_study_is_sound_and_valid_by_an_outside_validator(tmp_path, known):
    study = new_study(tmp_path / "new", instrument=known.name, title="Autumn ♭")
    assert study.check().sentence == "No fault found in 0 rows of 8 tables."
    assert study.title == "Autumn ♭"
    assert study.settings.instrument == known.name
    assert ("staple" in study.tables["reeds"]) == known.uses_staple
    assert outside_verdict(study.folder) == (True, [])


def test_a_written_study_is_valid_by_an_outside_validator_and_reads_back(tmp_path):
    study = planned_batch(tmp_path / "planned")
    assert outside_verdict(study.folder) == (True, [])
    reeds = study.tables["reeds"]
    assert reeds["reed_id"].tolist()[:2] == ["001", "002"]
    assert reeds["spared"].tolist()[:4] == [pd.NA, True, False, pd.NA]
    assert reeds["Soak time (h)"].tolist()[:2] == [2.0, 3.0]
    assert reeds["kept"].tolist() == [True, False, False, pd.NA, True, pd.NA, pd.NA, True]
    assert study.tables["sessions"]["started_at"].tolist() == [
        pd.Timestamp("2026-02-01 19:30"),
        pd.Timestamp("2026-02-04 10:00:30"),
    ]
    assert study.factor("shape").levels == ("narrow", "wide")
    assert study.settings.batches[0].randomised == ("gouge_centre_mm", "shape")
    assert "Soak time (h)" in [factor.name for factor in study.factors]


def test_the_outside_validator_finds_the_same_faults(tmp_path):
    folder = planned_batch(tmp_path / "planned").folder
    text = (folder / "reeds.csv").read_text("utf-8-sig").replace("1.25", '"0,62"', 1)
    text = text.replace("002,", "001,").replace("T4", "T9")
    (folder / "reeds.csv").write_text(text, "utf-8-sig")
    valid, faults = outside_verdict(folder)
    assert not valid
    kinds = {"type-error", "primary-key", "foreign-key"}
    assert {kind for _, _, _, kind, _ in faults} == kinds
    ours = "\n".join(open_study(folder).check().errors["fault"])
    for words in ("decimal comma", "'001' is kept in row 2 and discarded", "'T9' does not exist"):
        assert words in ours


def test_a_study_written_twice_is_the_same_to_the_byte(tmp_path):
    first = planned_batch(tmp_path / "one" / "planned")
    again = write_study(tmp_path / "two" / "planned", first.tables, first.settings, first.title)
    for file in sorted(path.name for path in first.folder.iterdir()):
        assert (first.folder / file).read_bytes() == (again.folder / file).read_bytes(), file


def test_files_open_well_in_a_spreadsheet(tmp_path):
    study = new_study(tmp_path / "new")
    content = (study.folder / "reeds.csv").read_bytes()
    assert content.startswith(b"\xef\xbb\xbfreed_id,blind_code,")
    assert content.endswith(b",spared\n")


def test_invented_data_are_labelled_so(tmp_path):
    package = json.loads((planned_batch(tmp_path / "p").folder / "datapackage.json").read_text())
    assert package["reedlab"]["invented"] is True
    assert package["description"].startswith("Invented data")


def test_a_folder_that_holds_something_is_refused(tmp_path):
    study = new_study(tmp_path / "new")
    before = (study.folder / "datapackage.json").read_bytes()
    with pytest.raises(RecordError, match=r"new holds a study already; choose another folder\."):
        new_study(study.folder)
    assert (study.folder / "datapackage.json").read_bytes() == before
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "note.txt").write_text("x")
    with pytest.raises(RecordError, match=r"full is not empty \(it holds note\.txt\)"):
        new_study(tmp_path / "full")
    with pytest.raises(RecordError, match=r"note\.txt is a file; a study needs a folder\."):
        new_study(tmp_path / "full" / "note.txt")


def test_a_folder_under_version_control_may_be_used(tmp_path):
    (tmp_path / ".git").mkdir()
    assert new_study(tmp_path).check().ok


def test_an_unknown_instrument_leaves_no_folder_behind(tmp_path):
    with pytest.raises(CallError, match=r"There is no instrument 'fagott'\."):
        new_study(tmp_path / "new", instrument="fagott")
    assert not (tmp_path / "new").exists()


def test_a_failed_write_leaves_the_old_file_whole(tmp_path, monkeypatch):
    file = tmp_path / "reeds.csv"
    replace_file(file, b"old")

    def full_disk(*_args):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full_disk)
    with pytest.raises(RecordError, match=r"reeds\.csv cannot be written: No space left"):
        replace_file(file, b"new")
    assert file.read_bytes() == b"old"
    assert [path.name for path in tmp_path.iterdir()] == ["reeds.csv"]


def test_values_that_a_column_cannot_hold_are_all_told_and_nothing_is_written(tmp_path):
    reeds = pd.DataFrame({"reed_id": ["1", "2"], "bevel_mm": [3.0, "0,62"], "spared": ["x", True]})
    with pytest.raises(CallError) as raised:
        write_study(tmp_path / "s", {"reeds": reeds, "lots": pd.DataFrame({"x": []})}, Settings())
    assert str(raised.value).split("\n") == [
        "The table 'lots' lacks the column 'lot_id'.",
        "reeds.csv, column 'bevel_mm', record 2: 0,62 looks like a decimal comma; "
        "this sheet uses points.",
        "reeds.csv, column 'spared', record 1: 'x' is neither true nor false.",
    ]
    assert not (tmp_path / "s").exists()
    with pytest.raises(CallError, match=r"There is no table 'reed'\. Nearest: reeds"):
        write_study(tmp_path / "s", {"reed": reeds}, Settings())


def test_columns_that_nothing_declares_keep_the_type_of_their_values(tmp_path):
    reeds = pd.DataFrame(
        {"reed_id": ["1"], "oil": [True], "weight": [1.5], "seen": [pd.Timestamp("2026-03-04")]}
    )
    study = write_study(tmp_path / "s", {"reeds": reeds}, Settings())
    types = {column.name: column.type for column in study.schema["reeds"].columns}
    assert types == {"reed_id": "text", "oil": "boolean", "weight": "number", "seen": "datetime"}
    assert study.check().table.empty
    assert outside_verdict(study.folder) == (True, [])


def test_a_key_may_lack_columns_that_are_not_recorded(tmp_path):
    tests = pd.DataFrame({"reed_id": ["1", "1"], "trial": [1, 2], "crow_hz": [340.0, 341.0]})
    study = write_study(tmp_path / "s", {"tests": tests}, Settings())
    assert study.schema["tests"].key == ("reed_id", "trial")
    assert study.check().table.empty
