"""Plackett-Burman and definitive screening designs against what is published of them."""

from itertools import combinations

import numpy as np
import pytest

from reedlab.errors import CallError
from reedlab.plan.classical.screening import definitive_screening, plackett_burman
from reedlab.schema import Factor


def numbers(count):
    return [Factor(f"x{i}", (-1, 1)) for i in range(1, count + 1)]


def coded(design):
    return design.table[[factor.name for factor in design.factors]].to_numpy(dtype=float)


class TestPlackettBurman:
    @pytest.mark.parametrize("runs", [8, 12, 16, 20, 24])
    def test_main_effects_are_orthogonal(self, runs):
        signs = coded(plackett_burman(numbers(runs - 1)))
        assert signs.shape == (runs, runs - 1)
        assert (signs.T @ signs == runs * np.eye(runs - 1)).all()
        assert (signs.sum(axis=0) == 0).all()

    def test_the_published_twelve(self):
        # Plackett & Burman (1946), Biometrika 33, 305-325: first row, shifted, then all minus.
        first = [1, 1, -1, 1, 1, 1, -1, -1, -1, 1, -1]
        signs = coded(plackett_burman(numbers(11)))
        assert signs[0].tolist() == first
        assert all(signs[i].tolist() == np.roll(first, i).tolist() for i in range(11))
        assert (signs[-1] == -1).all()

    @pytest.mark.parametrize("runs", [12, 20, 24])
    def test_rows_are_the_quadratic_residues(self, runs):
        # An independent construction (Paley 1933): + where the place is a square modulo n - 1.
        prime = runs - 1
        squares = {i * i % prime for i in range(prime)}
        expected = [1 if i in squares else -1 for i in range(prime)]
        assert coded(plackett_burman(numbers(prime)))[0].tolist() == expected

    def test_twelve_recipes_show_any_three_factors_in_full(self):
        # Box, Hunter & Hunter; Lin & Draper (1992), Technometrics 34, 423-428: projection on
        # any three factors is a 2^3 and a half of it.
        signs = coded(plackett_burman(numbers(11)))
        for three in combinations(range(11), 3):
            rows, counts = np.unique(signs[:, three], axis=0, return_counts=True)
            assert len(rows) == 8
            assert sorted(counts) == [1] * 4 + [2] * 4

    @pytest.mark.parametrize(("runs", "largest"), [(12, 1 / 3), (20, 3 / 5), (24, 1 / 3)])
    def test_no_main_effect_is_wholly_mixed_up(self, runs, largest):
        # Published largest correlations of a main effect with an interaction of two: Lin &
        # Draper (1992) and Wu & Hamada (from memory). pydoe's 24 recipes give 1.
        found = plackett_burman(numbers(runs - 1)).aliases.table
        mains = found[~found["term"].str.contains(":")]
        assert mains["correlation"].abs().max() == pytest.approx(largest)
        assert mains["mixed_with"].str.contains(":").all()

    def test_the_smallest_that_fits_is_taken(self):
        sizes = {count: len(plackett_burman(numbers(count)).table) for count in (7, 8, 11, 12, 19)}
        assert sizes == {7: 8, 8: 12, 11: 12, 12: 16, 19: 20}
        assert plackett_burman(numbers(5), runs=12).sentence == (
            "12 recipes for 5 factors, resolution III: no main effect is mixed up with another, "
            "but they are mixed up with interactions of two factors, in part."
        )

    def test_mistakes(self):
        with pytest.raises(CallError, match="24 factors are more than 24 recipes hold"):
            plackett_burman(numbers(24))
        with pytest.raises(CallError, match="for 11 factors has 12, 16, 20, 24 recipes, not 8"):
            plackett_burman(numbers(11), runs=8)
        three = Factor("gouge", (1, 2, 3))
        with pytest.raises(
            CallError, match=r"gouge has 3 levels .* a Plackett-Burman design takes"
        ):
            plackett_burman([three])


class TestDefinitiveScreening:
    """Each property that Jones & Nachtsheim (2011), J. Quality Technology 43, 1-15, prove."""

    @pytest.mark.parametrize("count", range(3, 13))
    def test_size(self, count):
        design = definitive_screening(numbers(count))
        assert len(design.table) == 2 * (count + count % 2) + 1

    @pytest.mark.parametrize("count", range(3, 13))
    def test_main_effects_are_clear(self, count):
        X = coded(definitive_screening(numbers(count)))
        second = np.column_stack([X[:, i] * X[:, j] for i in range(count) for j in range(i, count)])
        gram = X.T @ X
        assert (gram == np.diag(np.diag(gram))).all()
        assert (X.sum(axis=0) == 0).all()
        assert (X.T @ second == 0).all()

    @pytest.mark.parametrize("count", range(3, 13))
    def test_recipes_come_in_mirrored_pairs_and_one_middle(self, count):
        X = coded(definitive_screening(numbers(count)))
        assert (X[-1] == 0).all()
        assert (X[:-1:2] == -X[1:-1:2]).all()
        # Three of each factor's recipes are at its middle; no recipe but the last has two.
        assert ((X == 0).sum(axis=0) == 3).all()
        assert ((X[:-1] == 0).sum(axis=1) <= 1).all()

    @pytest.mark.parametrize("count", range(4, 13))
    def test_all_bends_can_be_estimated_with_the_main_effects(self, count):
        X = coded(definitive_screening(numbers(count)))
        model = np.column_stack([np.ones(len(X)), X, X**2])
        assert np.linalg.matrix_rank(model) == 2 * count + 1

    def test_no_second_order_terms_are_wholly_mixed_up(self):
        found = definitive_screening(numbers(6)).aliases.table
        assert found["correlation"].abs().max() == pytest.approx(0.5)
        bends = found[found["term"].map(lambda t: len(set(t.split(":"))) == 1)]
        # Squares of two factors: r = 1/3 - 1/(m - 1), the formula of Jones & Nachtsheim (2011).
        assert bends["correlation"].to_numpy() == pytest.approx(1 / 3 - 1 / 5)

    def test_levels_are_the_makers(self):
        table = definitive_screening([Factor(n, (1.25, 1.35)) for n in "abcd"]).table
        assert set(table["a"]) == {1.25, 1.3, 1.35}
        assert list(table) == ["recipe", "a", "b", "c", "d"]

    def test_mistakes(self):
        words = [Factor("shape", ("narrow", "wide")), *numbers(4)]
        with pytest.raises(CallError, match=r"shape has levels in words .narrow, wide., and a mid"):
            definitive_screening(words)
        with pytest.raises(CallError, match="is for 3 to 12 factors, not 2: use central_composite"):
            definitive_screening(numbers(2))
        with pytest.raises(CallError, match="is for 3 to 12 factors, not 13: leave the least"):
            definitive_screening(numbers(13))
