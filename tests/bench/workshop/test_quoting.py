"""What the texts quote of the race is what the kept race says."""

import pandas as pd
import pytest

from tests.bench import quoted
from tests.bench.quoted import HOME, between_marks
from tests.bench.workshop import quoting
from tests.bench.workshop.outcomes import read
from tests.bench.workshop.quoting import COMMAND, PICTURE, QUOTING
from tests.bench.workshop.settings import setting
from tests.bench.workshop.test_judge import outcomes


@pytest.mark.parametrize("file", QUOTING)
def test_figures_are_those_of_the_kept_race(file):
    text = (HOME / file).read_text(encoding="utf-8")
    assert between_marks(text, COMMAND) == QUOTING[file](read())


def test_the_picture_of_the_race_is_small_and_stands_in_the_readme():
    assert "](.docs/race.png)" in (HOME / "README.md").read_text(encoding="utf-8")
    assert PICTURE.stat().st_size < 100_000


def test_tables_and_picture_are_put_where_the_texts_have_their_marks(tmp_path, monkeypatch):
    for file in QUOTING:
        marks = f"<!-- measured: {COMMAND} -->\nold\n<!-- end of measured -->"
        (tmp_path / file).write_text(f"Before.\n{marks}\nAfter.\n", encoding="utf-8")
    monkeypatch.setattr(quoted, "HOME", tmp_path)
    monkeypatch.setattr(quoting, "PICTURE", tmp_path / "race.png")
    both = pd.concat([outcomes(), outcomes(setting("hopeless"))])
    quoting.quote(both)
    for file, of in QUOTING.items():
        text = (tmp_path / file).read_text(encoding="utf-8")
        assert between_marks(text, COMMAND) == of(both)
        assert text.startswith("Before.\n")
        assert text.endswith("\nAfter.\n")
    assert (tmp_path / "race.png").read_bytes().startswith(b"\x89PNG")
