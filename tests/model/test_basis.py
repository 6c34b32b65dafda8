"""When do groups share a basis? By the definition: all products of Z Z' the same either way."""

import numpy as np
import pytest

from reedlab.model.basis import Basis, commute, diagonal_together

TUBE = np.repeat(np.arange(8), 3)
LAYOUTS = {
    "none": [],
    "one": [np.array([0, 0, 1, 2, 2, 2])],
    "crossed, each once": [TUBE, np.tile(np.arange(3), 8)],
    "crossed, one lost": [TUBE[1:], np.tile(np.arange(3), 8)[1:]],
    "nested evenly": [TUBE // 4, TUBE],
    "nested, tubes of one lot unlike": [np.array([0, 0, 0, 1, 1]), np.array([0, 0, 1, 2, 3])],
    "at random": [TUBE, np.random.default_rng(1).integers(5, size=24)],
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_groups_commute_where_their_products_do(layout):
    codes = LAYOUTS[layout]
    squares = [(code[:, None] == code).astype(int) for code in codes]
    alike = all(np.array_equal(a @ b, b @ a) for a in squares for b in squares)
    assert commute(codes) == alike
    basis = Basis.of(codes, len(codes[0]) if codes else 3)
    assert (diagonal_together(basis.matrices) is not None) == alike
