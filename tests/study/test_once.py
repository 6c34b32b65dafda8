"""What is worked out of a study is kept as long as the study, and never for another record."""

import gc
import weakref

import pytest

from reedlab.errors import ModelError
from reedlab.study import open_study
from reedlab.study.once import once_a_study
from tests.study.build import opened


@pytest.fixture
def rows():
    """Count the rows of a table, and note each time that they are really counted."""
    asked = []

    @once_a_study
    def count(study, table, *, least=0):
        asked.append(table)
        if len(study.tables[table]) < least:
            raise ModelError("too few")
        return len(study.tables[table])

    count.asked = asked
    return count


def test_a_question_is_worked_out_once_for_each_study_and_argument(rows, tmp_path):
    study = opened(tmp_path, reeds="reed_id\n1\n2\n", tubes="tube_id\nT1\n")
    assert [rows(study, "reeds"), rows(study, "reeds"), rows(study, "tubes")] == [2, 2, 1]
    assert rows.asked == ["reeds", "tubes"]
    assert rows(study, "reeds", least=1) == 2
    assert rows.asked == ["reeds", "tubes", "reeds"]


def test_after_a_write_the_study_is_another_and_is_asked_anew(rows, tmp_path):
    study = opened(tmp_path, reeds="reed_id\n1\n2\n")
    assert rows(study, "reeds") == 2
    (tmp_path / "reeds.csv").write_text("reed_id\n1\n2\n3\n")
    assert rows(open_study(tmp_path), "reeds") == 3
    assert rows(study, "reeds") == len(study.tables["reeds"]) == 2


def test_what_is_raised_is_not_kept(rows, tmp_path):
    study = opened(tmp_path, reeds="reed_id\n1\n")
    for _ in range(2):
        with pytest.raises(ModelError, match="too few"):
            rows(study, "reeds", least=2)
    assert rows.asked == ["reeds", "reeds"]


def test_what_is_kept_goes_with_the_study(tmp_path):
    class Found:
        pass

    @once_a_study
    def ask(study):
        return Found()

    study = opened(tmp_path, reeds="reed_id\n1\n")
    kept = weakref.ref(ask(study))
    assert kept() is ask(study)
    del study
    gc.collect()
    assert kept() is None
