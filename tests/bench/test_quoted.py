"""Every figure of speed that the texts quote is one that the benchmark printed."""

import re

import pytest

from tests.bench.quoted import HOME, QUOTING, between_marks, for_makers, kept, outside_marks

#: A time, or how much faster something is. What recordings last, and periods, are no claims.
_CLAIM = re.compile(
    r"\d[\d.,]* (ms|µs|milliseconds) (a|per|each)|\d[\d.,]* times (faster|slower|as fast|as long)"
    r"|(takes?|cost|within|under) \d[\d.,]* (s|ms|µs|seconds)\b"
)


@pytest.mark.parametrize("file", QUOTING)
def test_figures_are_those_of_the_last_run(file):
    text = (HOME / file).read_text(encoding="utf-8")
    assert between_marks(text) == QUOTING[file](kept())


@pytest.mark.parametrize("file", QUOTING)
def test_no_other_figure_of_speed_is_quoted(file):
    rest = outside_marks((HOME / file).read_text(encoding="utf-8"))
    assert [found[0] for found in _CLAIM.finditer(rest)] == []


def test_a_figure_is_recognised():
    assert _CLAIM.search("It is 4,000 times faster.")
    assert _CLAIM.search("A crow takes 0.1 s.")
    assert not _CLAIM.search("0.1 s early, and a recording of 10 s")


def test_a_row_that_was_not_measured_is_not_quoted():
    assert len(for_makers([]).splitlines()) == 2


def test_marks_that_are_missing_are_told():
    with pytest.raises(ValueError, match="must stand there once"):
        between_marks("no figures")
