"""Sides that a row compares do the same: each at its smallest size, where that is quick."""

import pytest

from tests.bench.rows import (
    BATCH,
    BRING,
    COMPONENTS,
    CROW,
    DRIVERS,
    MIXED,
    POOLED,
    POWER,
    ROWS,
    SHUFFLES,
    UNEVEN,
)
from tests.bench.timing import agreed


def _at_their_smallest(row):
    return [side.prepare(side.sizes[0])() for side in row.sides]


@pytest.mark.parametrize(
    "row", [POWER, COMPONENTS, UNEVEN, MIXED, DRIVERS, SHUFFLES, BATCH], ids=lambda row: row.name
)
def test_sides_agree(row):
    agreed(row, _at_their_smallest(row))


@pytest.mark.slow
@pytest.mark.parametrize("row", [CROW, BRING, POOLED], ids=lambda row: row.name)
def test_sides_that_take_long_agree(row):
    agreed(row, _at_their_smallest(row))


def test_every_row_that_can_compare_answers_is_compared():
    compared = {POWER, COMPONENTS, UNEVEN, MIXED, DRIVERS, SHUFFLES, BATCH, CROW, BRING, POOLED}
    assert {row.name for row in ROWS if row.agree} == {row.name for row in compared}
