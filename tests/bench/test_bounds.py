"""What must stay fast: small forms of the benchmark's rows, held to bounds.

Ratios are of processor times, medians of alternating runs, so that a busy machine slows both sides.
Seconds are processor time, the least of a few runs; the bounds are those of an idle machine with
two cores, times `BUSY`, for beside other work the same instructions took up to twice as long.
"""

import time
from dataclasses import replace
from shutil import which

import numpy as np
import pytest

from tests.bench.memory import peak_mb
from tests.bench.rows import CHECK, COMPONENTS, DRIVERS, HELP, POOLED, POWER, SEASON
from tests.bench.timing import compared, of_children

pytestmark = pytest.mark.slow
BUSY = 2.0
#: Ours against others, in times; and ours against the drawing of the random numbers alone.
STATSMODELS, R, THREE_VARIANCES, NUMBERS = 3_000, 5_000, 100, 20
#: In s, and MB.
DRIVERS_S, POOLED_S, POOLED_MB = 0.5, 10.0, 1_500
STARTS_S = {"start: help": 0.3, "start: check": 1.2, "start: season": 8.0}


def _only(row, *names, at=None):
    """Return a row with some of its other sides, these at a size of their own."""
    sides = [side for side in row.others if side.name in names]
    assert len(sides) == len(names)
    return replace(row, others=tuple(replace(side, at=at or side.at) for side in sides))


def _times(row, clock=time.process_time):
    """How many times longer each other side takes than ours: the median."""
    ours, *others = compared(row, rounds=5, clock=clock)
    return [ours.times_faster(other)[1] for other in others]


def test_power_is_thousands_of_times_faster_than_a_loop():
    row = _only(POWER, "statsmodels formula, Wald", "random numbers alone")
    loop, numbers = _times(row)
    print(f"power: statsmodels {loop:,.0f} times as long, ours {1 / numbers:.1f} times the numbers")
    assert loop > STATSMODELS
    assert 1 / numbers < NUMBERS


@pytest.mark.skipif(not which("Rscript"), reason="Rscript is not here, so R is not timed")
def test_power_is_thousands_of_times_faster_than_r():
    row = _only(POWER, "R lme4 and pbkrtest")
    if row.others[0].missing:
        pytest.skip(f"R lacks {', '.join(row.others[0].missing)}")
    # R is another process, so both are timed by the clock.
    (loop,) = _times(row, time.perf_counter)
    print(f"power: R {loop:,.0f} times as long")
    assert loop > R


def test_three_variances_are_a_hundred_times_faster():
    (loop,) = _times(COMPONENTS)
    print(f"three variances: statsmodels {loop:,.0f} times as long")
    assert loop > THREE_VARIANCES


@pytest.mark.parametrize(
    ("row", "bound_s", "runs"), [(DRIVERS, DRIVERS_S, 5), (POOLED, POOLED_S, 2)]
)
def test_what_drives_the_crow_is_found_in_time(row, bound_s, runs):
    run = row.ours.prepare(row.ours.at)
    seconds = [_seconds(run, time.process_time) for _ in range(runs)]
    print(f"{row.name}: {min(seconds):.2f} s")
    assert min(seconds) < bound_s * BUSY


def test_a_pooled_record_stays_within_its_memory():
    held_mb = peak_mb(POOLED.name, POOLED.ours.name)
    print(f"{POOLED.name}: {held_mb:.0f} MB")
    assert held_mb < POOLED_MB


@pytest.mark.parametrize("row", [HELP, CHECK, SEASON], ids=lambda row: row.name)
def test_commands_answer_in_time(row):
    run = row.ours.prepare(row.ours.at)
    run()  # the first one compiles and finds files that the system then remembers
    seconds = [_seconds(run, of_children) for _ in range(1 if row is SEASON else 3)]
    print(f"{row.name}: {np.min(seconds):.2f} s of the processor")
    assert min(seconds) < STARTS_S[row.name] * BUSY


def _seconds(run, clock):
    """How far a clock goes on during a run."""
    began = clock()
    run()
    return clock() - began
