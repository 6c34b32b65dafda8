"""R at hand: it answers line after line, and is left out where it or its libraries are not."""

import pytest

from tests.bench.frame import Side
from tests.bench.r import NEEDS, asked

HERE = not Side("R", lambda size: lambda: size, (1, 2, 3, 4), 1, NEEDS).missing
with_r = pytest.mark.skipif(not HERE, reason="R with lme4 and pbkrtest is not here")


@with_r
def test_r_answers_again_and_again():
    run = asked("answer <- function(number) c(number, number^2)", 7)
    first, again = run(), run()
    assert first.answer == again.answer == [7.0, 49.0]
    assert 20 < first.held_mb < 1_000


@with_r
def test_a_fault_in_r_is_told():
    run = asked("answer <- function(number) stop('no such thing')", 7)
    with pytest.raises(RuntimeError, match="R gave no answer"):
        run()


def test_a_package_of_r_that_is_not_here_is_named():
    side = Side("R", lambda size: lambda: size, (1, 2, 3, 4), 1, ("R package nosuchpackage",))
    assert side.missing == ("R package nosuchpackage",)
