"""The benchmark's frame: what it times, how it compares and what it tells, on tiny tasks."""

import csv
import time

import numpy as np
import pytest

from tests.bench.frame import Row, Side
from tests.bench.memory import peak_mb
from tests.bench.report import COLUMNS, lines_of, printed, written
from tests.bench.rows import ROWS, row_named
from tests.bench.timing import Timed, compared, exponent, growth

SIZES = (1, 2, 4, 8)


def _sleeping(seconds):
    def prepare(size):
        def run():
            time.sleep(seconds * size)
            return size

        return run

    return prepare


def _row(**more):
    ours, other = Side("quick", _sleeping(1e-3), SIZES, 4), Side("slow", _sleeping(3e-3), SIZES, 4)
    return Row("nap", "sleep", "naps", ours, (other,), **more)


def test_the_ratio_is_that_of_the_rounds():
    quick, slow = compared(_row(), rounds=3)
    low, middle, high = quick.times_faster(slow)
    assert low <= middle <= high
    assert 1.2 < middle < 8  # three, had nothing else to be done


def test_pieces_are_timed_one_by_one():
    quick, _ = compared(_row(each=True), rounds=3)
    assert 0.9e-3 < quick.quartiles[1] < 1e-2


def test_growth_in_proportion_has_an_exponent_of_one():
    row = _row()
    assert exponent(growth(row, row.ours, rounds=1), row.each) == pytest.approx(1, abs=0.3)


@pytest.mark.parametrize("power", [0.0, 1.0, 2.5])
@pytest.mark.parametrize("each", [False, True])
def test_the_exponent_is_that_of_the_whole(power, each):
    grown = [
        Timed("x", size, np.array([0.01 * size**power / (size if each else 1)])) for size in SIZES
    ]
    assert exponent(grown, each) == pytest.approx(power)


def test_sides_that_differ_are_no_comparison():
    def same(ours, other):
        assert ours == other

    assert len(compared(_row(agree=same), rounds=1)) == 2
    other = Side("wrong", lambda size: lambda: -size, SIZES, 4)
    row = Row("nap", "sleep", "naps", _row().ours, (other,), agree=same)
    with pytest.raises(AssertionError):
        compared(row, rounds=1)


def test_a_side_whose_library_is_missing_is_left_out():
    ours = Side("quick", _sleeping(1e-3), SIZES, 4)
    lost = Side("lost", _sleeping(1e-3), SIZES, 4, ("no_such_library",))
    row = Row("nap", "sleep", "naps", ours, (lost,))
    assert row.sides == (ours,)
    assert lost.missing == ("no_such_library",)


def test_what_is_printed_is_what_is_written(tmp_path):
    row = _row()
    both = compared(row, rounds=3)
    grown = {side.name: growth(row, side, rounds=1) for side in row.sides}
    lines = lines_of(row, both, grown, {"quick": 10.0, "slow": 20.0})
    written(lines, tmp_path / "bench.csv")
    with (tmp_path / "bench.csv").open(encoding="utf-8") as file:
        found = list(csv.DictReader(file))
    assert tuple(found[0]) == COLUMNS
    assert len(found) == 2 * (1 + len(SIZES))
    text = printed(lines)
    assert len(text.splitlines()) == 3
    assert f"{float(found[1]['times']):.3g}" in text.splitlines()[2]


def test_rows_have_names_of_their_own_and_four_growing_sizes():
    assert len({row.name for row in ROWS}) == len(ROWS)
    for row in ROWS:
        assert len({side.name for side in (row.ours, *row.others)}) == 1 + len(row.others)
        for side in (row.ours, *row.others):
            assert list(side.sizes) == sorted(set(side.sizes))
            assert side.at in side.sizes


def test_a_row_that_does_not_exist_is_told():
    with pytest.raises(ValueError, match=r"no row 'powr'; there are power, three variances"):
        row_named("powr")


def test_memory_is_that_of_the_side_alone():
    held = np.ones(40_000_000)  # 320 MB that the child must not be charged for
    assert held.sum() > 0
    assert 10 < peak_mb("re-randomisation", "reedlab") < 300
