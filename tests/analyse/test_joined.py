"""Rows are joined once for all questions, and each question gets its own."""

import pandas as pd
import pytest

from reedlab.analyse import drivers
from reedlab.analyse.frame import gather
from reedlab.study import open_study
from tests.analyse.build import batch


def test_what_one_question_changes_another_does_not_see(study):
    opened = study(batch())
    first = gather(opened, "crow")
    before = first.data.copy()
    first.data.loc[first.data.index[0], "crow"] = 999.0
    first.data["shape"] = "other"
    first.left_out.loc[0] = ["reeds.csv", 2, "made up"]
    again = gather(opened, "crow")
    pd.testing.assert_frame_equal(again.data, before)
    assert again.left_out.empty
    other = gather(opened, "crow", ["shape"])
    assert other.data["crow"].tolist() == before["crow"].tolist()
    assert opened.tables["reeds"]["crow"].max() < 999


def test_factors_are_joined_to_the_response_asked_for(study):
    rows = batch()
    opened = study(rows)
    by_crow = gather(opened, "crow", ["shape"])
    without = gather(opened, "crow", [])
    assert "shape" in by_crow.data
    assert "shape" not in without.data
    assert by_crow.data["crow"].tolist() == without.data["crow"].tolist() == rows["crow"].tolist()


def test_a_study_opened_after_a_write_is_joined_anew(study):
    opened = study(batch())
    shift = drivers(opened, "crow").frame.data["crow"]
    path = opened.folder / "reeds.csv"
    table = pd.read_csv(path)
    path.write_text(table.assign(crow=table["crow"] + 100).to_csv(index=False))
    again = open_study(opened.folder)
    assert drivers(again, "crow").frame.data["crow"].to_numpy() == pytest.approx(
        shift.to_numpy() + 100
    )
    assert gather(opened, "crow").data["crow"].tolist() == shift.tolist()
