"""An import is wholly there or wholly absent wherever its process was killed."""

import os
import random
from pathlib import Path

import pytest

from reedlab.study import bring_in, new_study, open_study, rebuild
from reedlab.study.intent import PENDING
from tests.study.killed import killed_after

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="kills forks of this process")
ROWS = 200


def a_sheet(folder: Path, number: int) -> Path:
    """Write a sheet of so many new reeds, each numbered."""
    path = folder / f"sheet{number}.csv"
    rows = "".join(f"R{number:04}-{row:03};1,3{row % 9}\n" for row in range(ROWS))
    path.write_text(f"reed;gouge mm\n{rows}", "utf-8")
    return path


def imports(study: Path) -> list[int]:
    """Return the numbers of the imports that are there; each must be whole, with its report."""
    opened = open_study(study)
    assert opened.check().ok
    assert not (study / PENDING).exists()
    counts = opened.tables["reeds"]["reed_id"].str[1:5].astype("int").value_counts()
    assert set(counts) <= {ROWS}
    reports = list((study / "bring").glob("*.csv"))
    assert len(reports) == len(counts)
    return sorted(counts.index)


def killed_often(home: Path, times: int, seed: int) -> tuple[int, int]:
    """Kill a process that brings sheets in, again and again; return those told safe and there."""
    draw, folder, safe = random.Random(seed), home / "study", 0
    bring_in(new_study(folder), a_sheet(home, 0), confirmed=True)
    for _ in range(times):
        start = len(imports(folder))

        def works(start=start):
            for number in range(start, start + 5):
                yield bring_in(open_study(folder), a_sheet(home, number))

        told = killed_after(draw.randrange(2), draw.uniform(0, 0.3), works)
        there = imports(folder)
        assert there == list(range(len(there)))
        assert start + told <= len(there)
        safe += told
    rebuilt = rebuild(folder)
    assert rebuilt.agrees, rebuilt.sentence
    there = imports(folder)
    # What the killed had written aside goes with the next save.
    bring_in(open_study(folder), a_sheet(home, len(there)))
    assert not list((folder / "bring").glob(".*"))
    return safe, len(there) - 1


def test_killed_at_random_an_import_is_whole_or_absent(tmp_path):
    killed_often(tmp_path, 4, 1)


@pytest.mark.slow
def test_fifty_imports_killed_at_random(tmp_path):
    safe, there = killed_often(tmp_path, 50, 2)
    print(f"50 processes killed while bringing {ROWS} rows in: {safe} told safe, {there} there")
    assert safe > 10
