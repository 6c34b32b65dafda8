"""The order of making and of playing: chance where it is promised, balance where it is."""

from collections.abc import Callable
from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from reedlab.errors import CallError
from reedlab.plan import design_batch, order
from reedlab.schema import Factor, draw_codes

SIZES = [(24, 2), (24, 3), (24, 4), (24, 6), (23, 2), (10, 3), (7, 4), (3, 2), (2, 5), (1, 3)]


def _places(orders: np.ndarray) -> np.ndarray:
    """Return the place, from 1, at which each reed is played: sessions by reeds."""
    return np.argsort(orders, axis=1) + 1


@pytest.mark.parametrize(("n", "sessions"), SIZES)
def test_every_reed_is_played_once_in_every_session(n: int, sessions: int) -> None:
    orders = order.testing_order(n, sessions, np.random.default_rng(3))
    assert orders.shape == (sessions, n)
    assert (np.sort(orders, axis=1) == np.arange(n)).all()


@pytest.mark.parametrize("sessions", [3, 4, 5, 6, 8])
def test_over_a_full_cycle_each_reed_comes_once_in_each_part_of_the_session(sessions: int) -> None:
    n = 3 * sessions
    for seed in range(50):
        places = _places(order.testing_order(n, sessions, np.random.default_rng(seed)))
        part = (places - 1) // 3
        assert (np.sort(part, axis=0) == np.arange(sessions)[:, None]).all()


@pytest.mark.parametrize(("n", "sessions"), [(24, 2), (24, 4), (24, 6), (7, 4), (5, 8), (12, 2)])
def test_pairs_of_sessions_mirror_each_other(n: int, sessions: int) -> None:
    size = -(-n // order._group_count(n, sessions))
    for seed in range(50):
        places = _places(order.testing_order(n, sessions, np.random.default_rng(seed)))
        for first in range(0, sessions, 2):
            middle = places[first : first + 2].mean(axis=0)
            # The slack of one group is for reeds that do not split into equal groups.
            slack = (size - 1) / 2 if n % order._group_count(n, sessions) == 0 else size
            assert (abs(middle - (n + 1) / 2) <= slack).all()


@pytest.mark.parametrize("count", [2, 4, 6, 8])
def test_in_squares_of_even_size_each_group_follows_each_other_once(count: int) -> None:
    """The property that Williams (1949) made these squares for."""
    square = order._shuffled_rows(count, np.random.default_rng(1))
    assert (np.sort(square, axis=0) == np.arange(count)[:, None]).all()
    pairs = {(row[k], row[k + 1]) for row in square for k in range(count - 1)}
    assert pairs == {(a, b) for a, b in product(range(count), repeat=2) if a != b}


def test_the_square_of_four_is_williams_own() -> None:
    """Rows 1 2 4 3, 2 3 1 4, 3 4 2 1, 4 1 3 2: the square as handbooks print it (from memory)."""
    square = order._shuffled_rows(4, np.random.default_rng(1)) + 1
    assert {tuple(row) for row in square.tolist()} == {
        (1, 2, 4, 3),
        (2, 3, 1, 4),
        (3, 4, 2, 1),
        (4, 1, 3, 2),
    }


@pytest.mark.parametrize(("sessions", "ratio"), [(2, 0.30), (3, 0.40), (4, 0.30), (6, 0.20)])
def test_mean_places_spread_far_less_than_under_free_order(sessions: int, ratio: float) -> None:
    n, draws = 24, 200
    rng = np.random.default_rng(11)
    means = [_places(order.testing_order(n, sessions, rng)).mean(axis=0) for _ in range(draws)]
    # Variance of a uniform place (n^2 - 1) / 12, of the mean of free sessions that over their
    # number.
    free = np.sqrt((n**2 - 1) / 12 / sessions)
    assert np.std(means) < ratio * free


@pytest.mark.parametrize(("n", "sessions"), [(12, 2), (10, 3), (7, 4), (5, 1)])
def test_in_every_session_each_reed_is_as_likely_at_each_place(n: int, sessions: int) -> None:
    rng = np.random.default_rng(5)
    places = np.array([_places(order.testing_order(n, sessions, rng)) for _ in range(2000)])
    for session, reed in product(range(sessions), (0, n // 2, n - 1)):
        counts = np.bincount(places[:, session, reed] - 1, minlength=n)
        assert stats.chisquare(counts).pvalue > 0.0005


def test_inside_a_group_the_order_is_drawn_anew() -> None:
    """With one order kept, two reeds of a group would always come in the same order."""
    rng = np.random.default_rng(6)
    same = []
    for _ in range(400):
        first, second = _places(order.testing_order(12, 2, rng))
        group = np.argsort(first)[:3]
        same.append((first[group[0]] < first[group[1]]) == (second[group[0]] < second[group[1]]))
    assert stats.binomtest(sum(same), 400).pvalue > 0.001


def test_every_making_order_is_equally_likely() -> None:
    rng = np.random.default_rng(7)
    drawn = [tuple(order.making_order(4, rng).tolist()) for _ in range(4800)]
    counts = list({item: drawn.count(item) for item in set(drawn)}.values())
    assert len(counts) == 24
    assert stats.chisquare(counts).pvalue > 0.001


def test_the_same_seed_gives_the_same_orders() -> None:
    def draw(seed: int) -> tuple[list, list]:
        rng = np.random.default_rng(seed)
        return order.making_order(24, rng).tolist(), order.testing_order(24, 2, rng).tolist()

    assert draw(1) == draw(1)
    assert draw(1) != draw(2)


def test_nothing_to_order_is_refused() -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(CallError, match=r"The number of reeds is 0; it must be at least 1\."):
        order.making_order(0, rng)
    with pytest.raises(CallError, match=r"The number of reeds is -2; it must be at least 1\."):
        order.testing_order(-2, 2, rng)
    with pytest.raises(CallError, match=r"The number of sessions is 0; it must be at least 1\."):
        order.testing_order(3, 0, rng)


# Blindness: can anything that is written on a reed, or when it is played, tell its level?

Blinded = tuple[list[str], np.ndarray, np.ndarray]
N, SESSIONS = 24, 2


def one_batch(rng: np.random.Generator) -> Blinded:
    """Return the codes, places of playing (sessions by reeds) and levels (0 or 1) of a batch."""
    levels = rng.permutation([0, 1] * (N // 2))[order.making_order(N, rng)]
    codes = draw_codes(N, rng)
    return list(codes), _places(order.testing_order(N, SESSIONS, rng)), levels


def one_planned_batch(rng: np.random.Generator) -> Blinded:
    """Return the same of a batch from :func:`reedlab.plan.design_batch`."""
    factors = [Factor("shape", ("narrow", "wide")), Factor("wire_tension", ("slack", "tight"))]
    tubes = pd.DataFrame({"tube_id": [f"T{k}" for k in range(6)], "pieces": 4})
    batch = design_batch(factors, tubes, N, seed=int(rng.integers(2**31)), sessions=SESSIONS)
    reeds = batch.table.merge(batch.key, on="place").set_index("blind_code")
    places = batch.testing.pivot_table(index="blind_code", columns="session", values="place")
    levels = (reeds["shape"] == "wide").astype(int)
    return list(reeds.index), places.loc[reeds.index].to_numpy(dtype=int).T, levels.to_numpy()


def codes_in_order(rng: np.random.Generator) -> Blinded:
    """Leaky: the codes are sorted, and the reeds of one level get theirs first."""
    codes, places, levels = one_batch(rng)
    return sorted(codes), places, np.sort(levels)


def played_by_level(rng: np.random.Generator) -> Blinded:
    """Leaky: the first session takes one level a little more often first."""
    codes, places, levels = one_batch(rng)
    places[0] = np.argsort(np.argsort(levels + rng.normal(0, 2, N))) + 1
    return codes, places, levels


def told_apart(make: Callable[[np.random.Generator], Blinded], batches: int) -> float:
    """Return the p value of a classifier's hits, learnt on half of the batches, on the rest."""
    from sklearn.ensemble import RandomForestClassifier

    rng = np.random.default_rng(2026)
    seen, levels = [], []
    for _ in range(batches):
        codes, places, truth = make(rng)
        letters = np.array([[ord(character) for character in code] for code in codes])
        seen.append(np.column_stack([letters, places.T]))
        levels.append(truth)
    half = batches // 2
    forest = RandomForestClassifier(100, max_depth=8, random_state=1)
    forest.fit(np.concatenate(seen[:half]), np.concatenate(levels[:half]))
    truth = np.concatenate(levels[half:])
    hits = int((forest.predict(np.concatenate(seen[half:])) == truth).sum())
    return float(stats.binomtest(hits, len(truth), 0.5, alternative="greater").pvalue)


@pytest.mark.slow
@pytest.mark.parametrize("make", [one_batch, one_planned_batch])
def test_codes_and_places_tell_nothing_of_a_level(make: Callable) -> None:
    assert told_apart(make, 1000) > 0.001


@pytest.mark.parametrize("leaky", [codes_in_order, played_by_level])
def test_the_same_look_finds_a_leak(leaky: Callable) -> None:
    assert told_apart(leaky, 100) < 1e-6
