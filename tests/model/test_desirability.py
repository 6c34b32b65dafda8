"""Desirability against the formulas of Derringer & Suich (1980) and a published example."""

import itertools

import numpy as np
import pytest

from reedlab.errors import CallError
from reedlab.model.desirability import (
    higher_is_better,
    higher_on_average,
    lower_is_better,
    nearer_is_better,
    nearer_on_average,
    overall,
)


def test_one_sided_ramps_by_hand():
    values = np.array([100.0, 120.0, 135.0, 170.0, 180.0])
    # (y - low) / (high - low) between 120 and 170, eq. 1 of Derringer & Suich (1980).
    assert higher_is_better(values, 120, 170) == pytest.approx([0, 0, 0.3, 1, 1])
    assert higher_is_better(values, 120, 170, exponent=2)[2] == pytest.approx(0.09)
    assert lower_is_better(values, 120, 170) == pytest.approx([1, 1, 0.7, 0, 0])


def test_two_sided_ramp_by_hand():
    values = np.array([390.0, 400, 425, 500, 575, 600, 610])
    # Rising from 400 to 500, falling to 600, eq. 2.
    assert nearer_is_better(values, 400, 500, 600) == pytest.approx([0, 0, 0.25, 1, 0.25, 0, 0])
    bent = nearer_is_better(values, 400, 500, 600, exponents=(0.5, 2.0))
    assert bent == pytest.approx([0, 0, 0.5, 1, 0.0625, 0, 0])


def test_the_geometric_mean_and_its_weights_by_hand():
    parts = [np.array([0.25, 0.0, 1.0]), np.array([1.0, 1.0, 1.0]), np.array([0.25, 0.5, 1.0])]
    assert overall(parts, [1, 1, 1]) == pytest.approx([0.0625 ** (1 / 3), 0, 1])
    assert overall(parts, [2, 0, 0]) == pytest.approx([0.25, 0, 1])
    assert overall(parts, [1, 0, 3]) == pytest.approx([0.25, 0, 1])


def test_the_floor_tells_values_of_no_use_apart_and_changes_no_other():
    values = np.array([-20.0, -10.0, 0.0, 5.0, 50.0, 120.0])
    plain, floored = higher_is_better(values, 0, 100), higher_is_better(values, 0, 100, floor=0.01)
    assert (np.diff(floored) > 0).all()
    assert floored[3:] == pytest.approx(plain[3:])
    assert (floored[:3] < 0.01).all()
    assert (floored >= 0.005).all()


# Conversion and activity of a chemical process over time, temperature and catalyst, coded:
# second-order equations of Myers & Montgomery (1995), Response surface methodology, as they
# stand in public documentation of desirability; limits 80 to 97, and 55, 57.5, 60.
def conversion(x):
    a, b, c = x
    linear = 81.09 + 1.0284 * a + 4.043 * b + 6.2037 * c
    curved = -1.8366 * a**2 + 2.9382 * b**2 - 5.1915 * c**2
    return linear + curved + 2.2150 * a * b + 11.375 * a * c - 3.875 * b * c


def activity(x):
    a, b, c = x
    linear = 59.85 + 3.583 * a + 0.2546 * b + 2.2298 * c
    curved = 0.83479 * a**2 + 0.07484 * b**2 + 0.05716 * c**2
    return linear + curved - 0.3875 * a * b - 0.375 * a * c + 0.3125 * b * c


def process(x):
    parts = [
        higher_is_better(conversion(x), 80, 97),
        nearer_is_better(activity(x), 55, 57.5, 60),
    ]
    return overall(parts, [1, 1])


def test_the_centre_of_the_process_by_hand():
    # (81.09 - 80) / 17 and (60 - 59.85) / 2.5, and the root of their product.
    expected = (1.09 / 17 * 0.15 / 2.5) ** 0.5
    assert process(np.zeros(3)) == pytest.approx(expected)


def test_the_best_of_the_process_within_the_cube():
    # Published (from memory): about -0.51, 1.68, -0.59 with conversion 95, activity 57.5 and
    # desirability 0.94.
    axis = np.linspace(-1.682, 1.682, 81)
    grid = np.array(np.meshgrid(axis, axis, axis, indexing="ij")).reshape(3, -1)
    worth = process(grid)
    best = grid[:, np.argmax(worth)]
    assert best == pytest.approx([-0.51, 1.68, -0.59], abs=0.06)
    assert conversion(best) == pytest.approx(95.1, abs=0.3)
    assert activity(best) == pytest.approx(57.5, abs=0.05)
    assert worth.max() == pytest.approx(0.942, abs=0.005)


@pytest.mark.parametrize("weights", [[-1, 2], [0, 0], [np.nan, 1]])
def test_weights_that_are_none(weights):
    with pytest.raises(CallError, match=r"^Weights are 0 or more, and one of them is above 0\.$"):
        overall([np.ones(2), np.ones(2)], weights)


def test_limits_that_are_none():
    message = r"^A desirability runs between two limits; 3 and 3 are none\.$"
    with pytest.raises(CallError, match=message):
        higher_is_better(np.ones(2), 3, 3)


@pytest.mark.parametrize("spread", [0.3, 4.0, 30.0])
def test_what_scatters_is_as_good_as_the_integral_over_it_says(spread):
    from scipy.integrate import quad
    from scipy.stats import norm

    def average(ramp, mean):
        edges = [mean - 9 * spread, *(e for e in (-10, 0, 20) if abs(e - mean) < 9 * spread)]
        edges = sorted([*edges, mean + 9 * spread])
        pieces = [
            quad(lambda x: float(ramp(np.array(x))) * norm.pdf(x, mean, spread), a, b)[0]
            for a, b in itertools.pairwise(edges)
        ]
        return sum(pieces)

    means = np.array([-25.0, -10, -1, 0, 12, 20, 31])
    rising = higher_on_average(means, -10, 20, spread)
    nearer = nearer_on_average(means, -10, 0, 20, spread)
    for mean, one, other in zip(means, rising, nearer, strict=True):
        assert one == pytest.approx(average(lambda x: higher_is_better(x, -10, 20), mean), abs=1e-8)
        assert other == pytest.approx(
            average(lambda x: nearer_is_better(x, -10, 0, 20), mean), abs=1e-8
        )


def test_without_scatter_the_average_is_the_ramp_itself():
    means = np.array([-12.0, -3, 0, 7, 25])
    near = nearer_on_average(means, -10, 0, 20, 1e-9)
    assert near == pytest.approx(nearer_is_better(means, -10, 0, 20), abs=1e-8)
    assert higher_on_average(means, -10, 20, 1e-9) == pytest.approx(
        higher_is_better(means, -10, 20), abs=1e-8
    )


def test_the_tail_tells_means_of_no_use_apart():
    far = higher_on_average(np.array([-900.0, -800.0, 20.0]), -10, 20, 1.0, floor=0.01)
    assert 0 < far[0] < far[1] < 1e-4
    near = nearer_on_average(np.array([-900.0, -800.0, 0.0]), -10, 0, 20, 1.0, floor=0.01)
    assert 0 < near[0] < near[1] < 1e-4
