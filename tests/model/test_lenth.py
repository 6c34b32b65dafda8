"""Lenth's pseudo standard error against published values."""

import numpy as np
import pytest

from reedlab.errors import ModelError
from reedlab.model.lenth import pseudo_standard_error

# Montgomery, filtration rate, 2^4: A, B, C, D, AB, AC, AD, BC, BD, CD, ABC, ABD, ACD, BCD, ABCD.
FILTRATION = [21.625, 3.125, 9.875, 14.625, 0.125, -18.125, 16.625, 2.375, -0.375, -1.125]
FILTRATION += [1.875, 4.125, -1.625, -2.625, 1.375]


def test_the_filtration_rate():
    found = pseudo_standard_error(np.array(FILTRATION))
    # Published with the data: s0 3.9375, PSE 2.625, margins 6.7478 and 13.6990.
    assert (found.s0, found.pse, found.df) == (3.9375, 2.625, 5)
    assert found.margin == pytest.approx(6.7478, abs=5e-4)
    assert found.simultaneous_margin == pytest.approx(13.6990, abs=2e-3)


def test_one_huge_effect_does_not_move_it():
    larger = np.array([216.25, *FILTRATION[1:]])
    assert pseudo_standard_error(larger).pse == 2.625


def test_too_few_effects():
    with pytest.raises(ModelError) as error:
        pseudo_standard_error(np.array([1.0, 2, 3]))
    assert str(error.value) == (
        "3 effects are too few to tell noise from effects; 7 or more are needed."
    )


def test_effects_that_are_exactly_none():
    with pytest.raises(ModelError, match=r"^Half of the effects are exactly 0"):
        pseudo_standard_error(np.array([0.0] * 5 + [1, 2]))
