"""The makers, each a way of working of sixty lines at most, by name.

All see the same shelf, pay the same minutes and read the same tests. The oracle alone is
given the other side of the workshop.
"""

from tests.bench.workshop.makers.habit import Habit
from tests.bench.workshop.makers.one_at_a_time import OneAtATime
from tests.bench.workshop.makers.oracle import Oracle
from tests.bench.workshop.makers.plain_anova import PlainAnova
from tests.bench.workshop.makers.with_reedlab import WithReedlab

MAKERS = {
    "habit": Habit,
    "one at a time": OneAtATime,
    "plain ANOVA": PlainAnova,
    "reedlab": WithReedlab,
    "oracle": Oracle,
}
