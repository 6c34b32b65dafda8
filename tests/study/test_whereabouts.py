"""Where a study is found again is told from where one stands, and never names the machine."""

import os
from pathlib import Path

import pytest

from reedlab.demo import example_studio, example_study, simulate_batch
from reedlab.errors import CallError
from reedlab.study import open_study, pool
from reedlab.study.whereabouts import EXAMPLES, data_hash, whereabouts


@pytest.fixture
def study(tmp_path, monkeypatch):
    (tmp_path / "notebooks").mkdir()
    monkeypatch.chdir(tmp_path / "notebooks")
    return simulate_batch().write(tmp_path / "reeds")


def test_a_folder_is_told_by_its_way_from_here(study, monkeypatch):
    assert whereabouts(study)["folder"] == "../reeds"
    monkeypatch.chdir(study.folder.parent)
    assert whereabouts(study)["folder"] == "reeds"
    monkeypatch.chdir(study.folder)
    assert whereabouts(study)["folder"] == "."


def test_a_temporary_folder_elsewhere_is_not_told(study, monkeypatch):
    monkeypatch.chdir(Path(__file__).parent)
    assert whereabouts(study) == {"title": study.title}


def test_examples_are_told_by_name():
    for name in EXAMPLES:
        study = example_study(name)
        assert whereabouts(study) | {"data_hash": ""} == {
            "title": study.title,
            "example": name,
            "data_hash": "",
        }
    with pytest.raises(CallError, match="Present: batch, season"):
        example_study("other")


def test_a_pool_cannot_be_found_again_but_has_a_hash():
    pooled = pool(example_studio())
    assert whereabouts(pooled) == {"title": pooled.title}
    assert len(data_hash(pooled)) == 64


def test_the_hash_changes_with_any_file_and_with_nothing_else(study):
    before = data_hash(study)
    os.utime(study.folder / "reeds.csv", (0, 0))
    assert data_hash(open_study(study.folder)) == before
    with (study.folder / "reeds.csv").open("ab") as file:
        file.write(b"\n")
    assert data_hash(study) != before


def test_a_study_whose_files_are_gone_cannot_be_found_again(study):
    (study.folder / "reeds.csv").unlink()
    assert whereabouts(study) == {"title": study.title}
