"""Central composite and Box-Behnken designs against what is published of them."""

from itertools import combinations

import numpy as np
import pytest
from pydoe import ccdesign

from reedlab.errors import CallError
from reedlab.plan.classical.surfaces import box_behnken, central_composite
from reedlab.schema import Factor


def numbers(count):
    return [Factor(f"x{i}", (-1, 1)) for i in range(1, count + 1)]


def coded(design):
    return design.table[[factor.name for factor in design.factors]].to_numpy(dtype=float)


def quadratic(X):
    squares = [X[:, i] * X[:, j] for i in range(X.shape[1]) for j in range(i, X.shape[1])]
    return np.column_stack([np.ones(len(X)), X, *squares])


def as_set(X):
    return sorted(map(tuple, np.round(X, 6) + 0.0))


class TestCentralComposite:
    #: NIST/SEMATECH e-Handbook 5.3.3.6.1, rotatable distance by number of factors; from five
    #: on with a fraction as corners (from memory).
    DISTANCE = ((2, 4, 1.414), (3, 8, 1.682), (4, 16, 2.000), (5, 16, 2.000), (6, 32, 2.378))

    @pytest.mark.parametrize(("count", "corners", "distance"), DISTANCE)
    def test_rotatable_distance(self, count, corners, distance):
        design = central_composite(numbers(count), rotatable=True)
        assert design.axial_distance == pytest.approx(distance, abs=5e-4)
        assert len(design.table) == corners + 2 * count + 4

    @pytest.mark.parametrize("count", range(2, 9))
    def test_rotatable_designs_are(self, count):
        # Box & Hunter (1957): sum x_i^4 = 3 sum x_i^2 x_j^2, all odd moments zero; levels are
        # written with ten digits.
        X = coded(central_composite(numbers(count), rotatable=True))
        fourth = (X**4).sum(axis=0)
        for i, j in combinations(range(count), 2):
            assert fourth[i] == pytest.approx(3 * (X[:, i] ** 2 * X[:, j] ** 2).sum())
            assert (X[:, i] * X[:, j]).sum() == pytest.approx(0)

    @pytest.mark.parametrize("rotatable", [False, True])
    @pytest.mark.parametrize("count", range(2, 9))
    def test_limits_hold_and_all_can_be_estimated(self, count, rotatable):
        X = coded(central_composite(numbers(count), rotatable=rotatable))
        assert np.abs(X).max() == 1
        model = quadratic(X)
        assert np.linalg.matrix_rank(model) == model.shape[1]

    @pytest.mark.parametrize("count", [2, 3, 4])
    def test_full_corners_are_pydoes(self, count):
        faces = ccdesign(count, center=(0, 4), face="ccf")
        drawn_in = ccdesign(count, center=(0, 4), alpha="rotatable", face="cci")
        assert as_set(coded(central_composite(numbers(count)))) == as_set(faces)
        assert as_set(coded(central_composite(numbers(count), rotatable=True))) == as_set(drawn_in)

    def test_levels_are_the_makers_and_the_middle_is_said(self):
        gouge = Factor("gouge", (1.35, 1.25, 1.32), unit="mm")
        design = central_composite([gouge, Factor("bevel", (2, 4))], centres=2)
        assert design.table["gouge"].tolist()[-3:] == [1.3, 1.3, 1.3]
        assert sorted(set(design.table["bevel"])) == [2, 3, 4]
        assert design.cautions == (
            "gouge: the ends 1.25 and 1.35 and their middle 1.3 are used; 1.32 is not.",
        )
        assert design.sentence == (
            "10 recipes for 2 factors: every main effect, interaction of two factors and bend can "
            "be estimated (4 corners, 4 axial recipes, 2 at the middle)."
        )

    def test_mistakes(self):
        with pytest.raises(CallError, match=r"centres is 0; at least 1 recipe .* shape has levels"):
            central_composite([Factor("shape", ("a", "b")), *numbers(2)], centres=0)
        with pytest.raises(CallError, match="is for 2 to 8 factors, not 9: find the few"):
            central_composite(numbers(9))
        with pytest.raises(CallError, match=r"is for 2 to 8 factors, not 1\."):
            central_composite(numbers(1))


class TestBoxBehnken:
    #: Box & Behnken (1960), Technometrics 2, 455-475: recipes without and with the middle.
    SIZES = ((3, 12, 3), (4, 24, 3), (5, 40, 6), (6, 48, 6), (7, 56, 6))

    @pytest.mark.parametrize(("count", "edges", "middle"), SIZES)
    def test_sizes(self, count, edges, middle):
        X = coded(box_behnken(numbers(count)))
        assert ((X == 0).all(axis=1)).sum() == middle
        assert len(X) == edges + middle
        assert set(np.unique(X)) == {-1, 0, 1}

    @pytest.mark.parametrize(("count", "edges", "middle"), SIZES)
    def test_balance(self, count, edges, middle):
        X = coded(box_behnken(numbers(count)))[:edges]
        moving = 2 if count < 6 else 3
        assert ((X != 0).sum(axis=1) == moving).all()
        # Every factor moves in the same number of recipes, half of them up.
        assert ((X != 0).sum(axis=0) == edges * moving / count).all()
        assert (X.sum(axis=0) == 0).all()
        assert len(np.unique(X, axis=0)) == edges
        model = quadratic(np.vstack([X, np.zeros((1, count))]))
        assert np.linalg.matrix_rank(model) == model.shape[1]
        # Interactions are orthogonal to the main effects and, but for the squares, to all.
        gram = X.T @ X
        assert (gram == np.diag(np.diag(gram))).all()

    def test_three_factors_as_published(self):
        edges = [(a, b, 0) for a in (-1, 1) for b in (-1, 1)]
        edges += [(a, 0, b) for a in (-1, 1) for b in (-1, 1)]
        edges += [(0, a, b) for a in (-1, 1) for b in (-1, 1)]
        assert as_set(coded(box_behnken(numbers(3)))[:12]) == as_set(np.array(edges, dtype=float))

    def test_seven_factors_move_by_triples_that_meet_every_pair_once(self):
        # Box & Behnken (1960), the balanced incomplete block design of seven in threes.
        X = coded(box_behnken(numbers(7)))[:56]
        together = (X != 0).T.astype(int) @ (X != 0)
        assert (together[~np.eye(7, dtype=bool)] == 8).all()

    def test_six_factors_move_by_triples_that_meet_three_pairs_twice(self):
        # Box & Behnken (1960), partially balanced: pairs 1 4, 2 5 and 3 6 twice, the rest once.
        X = coded(box_behnken(numbers(6)))[:48]
        together = (X != 0).T.astype(int) @ (X != 0) // 8
        twice = {(i, j) for i, j in combinations(range(6), 2) if together[i, j] == 2}
        assert twice == {(0, 3), (1, 4), (2, 5)}
        assert {together[i, j] for i, j in combinations(range(6), 2)} == {1, 2}

    def test_mistakes(self):
        with pytest.raises(CallError, match="is for 3 to 7 factors, not 8: use central_composite"):
            box_behnken(numbers(8))
        with pytest.raises(CallError, match="shape has levels in words"):
            box_behnken([Factor("shape", ("a", "b")), *numbers(2)])
        with pytest.raises(CallError, match="centres is -1"):
            box_behnken(numbers(3), centres=-1)


def test_five_levels_have_five_marks():
    ax = central_composite(numbers(2), rotatable=True).plot()
    assert ax.get_xticklabels()[0].get_text().count("\n") == 5
    assert len(ax.lines) == 12 * 2
