"""Simulated batches: the same on any number of workers, the bar, and how many are enough."""

from types import SimpleNamespace

import joblib
import numpy as np
import pytest
from scipy.stats import f

from reedlab.plan.strength import counted
from reedlab.plan.strength.counted import READ_FROM, _bar, count
from reedlab.plan.strength.design import design_of
from reedlab.plan.strength.judging import fewest
from reedlab.plan.strength.power import power
from reedlab.plan.strength.rows import AIM, Layout, rows_of
from tests.plan.power_batches import two_factors

PARTS = ("a", "b", "c", "bar")


def _bytes(found):
    return {name: [getattr(test, part).tobytes() for part in PARTS] for name, test in found.items()}


@pytest.mark.parametrize(
    ("rows", "piece"),
    [
        (Layout(8, 3, "reed", 2, 1, 1).rows(), "PIECE"),
        (rows_of(two_factors([3, 2, 4, 3, 2, 4], [0, 1, 2, 3, 4, 4])), "PIECE_UNEVEN"),
    ],
    ids=["strata", "crossing unevenly"],
)
def test_the_draws_do_not_depend_on_the_workers(rows, piece, monkeypatch):
    design, variance = design_of(rows), {"lot": 0.1, "tube": 0.4, "reed": 0.5}
    monkeypatch.setattr(counted, piece, 60)
    alone = _bytes(count(design, variance, 200, 1))
    assert alone == _bytes(count(design, variance, 200, 1))
    assert alone != _bytes(count(design, variance, 200, 2))
    for backend in ("loky", "threading"):
        with joblib.parallel_config(backend=backend, n_jobs=2):
            assert _bytes(count(design, variance, 200, 1)) == alone


@pytest.mark.slow
def test_a_cluster_counts_the_same(monkeypatch):
    import distributed

    design, variance = design_of(Layout(6, 3, "reed", 2, 1, 1).rows()), {"tube": 0.4, "reed": 0.5}
    monkeypatch.setattr(counted, "PIECE", 60)
    alone = _bytes(count(design, variance, 200, 1))
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as cluster,
        distributed.Client(cluster),
        joblib.parallel_config(backend="dask"),
    ):
        assert _bytes(count(design, variance, 200, 1)) == alone


def test_the_first_piece_is_the_same_however_many_follow():
    design, variance = design_of(Layout(6, 3, "reed", 2, 1, 1).rows()), {"tube": 0.4, "reed": 0.5}
    few, many = (count(design, variance, size, 1)["factor"].a for size in (5000, 12_000))
    assert len(many) == 12_000
    np.testing.assert_array_equal(many[:5000], few)


@pytest.mark.parametrize("num_df", [1, 2, 5])
@pytest.mark.parametrize("highest", [2.5, 40.0, 1e6])
def test_the_bar_is_that_of_the_f_distribution(num_df, highest):
    den_df = np.geomspace(0.6, highest, 300)
    assert (den_df < READ_FROM).any()
    wanted = f.isf(0.05, num_df, den_df)
    np.testing.assert_allclose(_bar(num_df, den_df), wanted, rtol=1e-9)
    np.testing.assert_allclose(_bar(num_df, den_df[-3:]), wanted[-3:], rtol=1e-11)
    same = np.full(100, den_df[-1])
    np.testing.assert_allclose(_bar(num_df, same), wanted[-1], rtol=1e-11)


@pytest.mark.parametrize("enough", [1, 2, 5, 8, 21, 40])
@pytest.mark.parametrize("near", [-3, 1, 5, 20, 60])
def test_the_fewest_do_not_depend_on_the_guess(enough, near):
    asked = []

    def power_of(size):
        asked.append(size)
        return AIM if size >= enough else 0.0

    assert fewest(power_of, 1, 40, near) == enough
    assert min(asked) >= 1
    assert max(asked) <= 40
    assert len(asked) == len(set(asked)) <= 12


def test_a_good_guess_asks_twice_and_what_is_out_of_reach_is_missing():
    asked = []

    def power_of(size):
        asked.append(size)
        return AIM if size >= 21 else 0.0

    fewest(power_of, 2, 320, 21)
    assert asked == [21, 20]
    assert np.isnan(fewest(lambda size: 0.0, 2, 320, 21))


def test_a_batch_in_which_groups_cross_unevenly():
    # Five lots or more are random, and here their tubes have reeds of different numbers.
    batch = two_factors([3, 2, 4, 3, 2, 4, 3, 3, 2, 4], [0, 0, 1, 1, 2, 2, 3, 3, 4, 4])
    answer = power(batch, effect=1.5, variance={"lot": 0.1, "tube": 0.3, "reed": 0.6})
    assert answer.table["method"].tolist() == ["simulation", "simulation"]
    reckoned = SimpleNamespace(**answer.table.set_index("term")["power"].to_dict())
    assert 0.3 < reckoned.gouge < reckoned.shape < 1
    for term in ("gouge", "shape"):
        level = answer.tests[term].power(0.0)
        assert abs(level - 0.05) < 0.02
