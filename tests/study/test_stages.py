"""Stages of testing with their minutes: kept in the descriptor, checked when read or made."""

import json

import pandas as pd
import pytest

from reedlab import open_study
from reedlab.errors import CallError, RecordError
from reedlab.study import Settings, Stage, new_study, write_study
from reedlab.study.settings_json import settings_to_json

STAGES = (Stage("day 1", 70), Stage("day 7", 190.0))


def test_stages_come_back_from_the_descriptor(tmp_path):
    settings = Settings("bassoon", stages=STAGES, cane_minutes=12.5)
    reeds = pd.DataFrame({"reed_id": ["R1"]})
    study = write_study(tmp_path / "s", {"reeds": reeds}, settings)
    assert open_study(study.folder).settings.stages == STAGES
    assert open_study(study.folder).settings.cane_minutes == 12.5


def test_without_them_the_descriptor_says_nothing(tmp_path):
    assert not {"stages", "cane_minutes"} & set(settings_to_json(Settings("bassoon")))
    assert new_study(tmp_path / "n").settings.stages == ()


@pytest.mark.parametrize(
    ("settings", "match"),
    [
        ({"cane_minutes": -1}, r"^cane_minutes: -1 is no number of minutes from 0 upwards\.$"),
        (
            {"stages": [Stage("day 1", float("nan"))]},
            r"^minutes of the stage 'day 1': nan is no number of minutes from 0 upwards\.$",
        ),
        (
            {"stages": STAGES[::-1]},
            r"^The stage 'day 1' comes after 'day 7' and must have more minutes than 190;",
        ),
        (
            {"stages": [Stage("day 1", 5), Stage("day 1", 9)]},
            r"^The stage 'day 1' is declared twice\.$",
        ),
    ],
)
def test_settings_that_cannot_be(settings, match):
    with pytest.raises(CallError, match=match):
        Settings("bassoon", **settings)


@pytest.mark.parametrize(
    ("block", "match"),
    [
        ({"stages": {"day 1": 70}}, r"reedlab.stages must be a list in square brackets"),
        ({"stages": [{"name": "day 1"}]}, r"reedlab.stages, entry 1 lacks 'minutes'"),
        (
            {"stages": [{"name": "day 1", "minutes": "70"}]},
            r"reedlab.stages, entry 1: 'minutes' must be a number, not \"70\"",
        ),
        ({"cane_minutes": "ten"}, r"reedlab: 'cane_minutes' must be a number, not \"ten\""),
    ],
)
def test_a_descriptor_that_cannot_be(tmp_path, block, match):
    folder = new_study(tmp_path / "n").folder
    package = json.loads((folder / "datapackage.json").read_text("utf-8"))
    package["reedlab"] |= block
    (folder / "datapackage.json").write_text(json.dumps(package), "utf-8")
    with pytest.raises(RecordError, match=match):
        open_study(folder)
