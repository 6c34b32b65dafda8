"""Work in pieces: the same to the last bit wherever it is done, and when a worker dies."""

import os
import signal
from functools import partial
from pathlib import Path

import joblib
import numpy as np
import pytest

from reedlab.errors import InestimableTermError, ModelError
from reedlab.pieces import in_pieces, workers

PIECES = [5, 1, 7, 3, 5, 2]


def _drawn(count, seed):
    return np.random.default_rng(seed).normal(size=count).tobytes()


def _dying_once(marks, count, seed):
    """Kill the own process in the piece of seven, unless a mark says that this was done."""
    mark = Path(marks) / "died"
    if count == 7 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return _drawn(count, seed)


def _dying(count, seed):
    os.kill(os.getpid(), signal.SIGKILL)


def _refusing_seven(count, seed):
    if count == 7:
        raise InestimableTermError("Nothing tells 7 from the others.", "7")


def _process(count, seed):
    return os.getpid()


def test_each_piece_has_a_seed_of_its_own():
    found = in_pieces(_drawn, PIECES, seed=4)
    assert found == in_pieces(_drawn, PIECES, seed=4)
    assert found != in_pieces(_drawn, PIECES, seed=5)
    assert found[0] != found[4]
    # More pieces leave those before them as they were.
    assert in_pieces(_drawn, [*PIECES, 9], seed=4)[:-1] == found


def test_nothing_to_do_gives_nothing():
    assert in_pieces(_drawn, [], seed=1) == []


@pytest.mark.parametrize(
    ("backend", "workers"),
    [("threading", 2), ("threading", 20), ("loky", 2), ("multiprocessing", 2)],
)
def test_results_do_not_depend_on_who_does_the_work(backend, workers):
    alone = in_pieces(_drawn, PIECES, seed=4)
    with joblib.parallel_config(backend=backend, n_jobs=workers):
        assert in_pieces(_drawn, PIECES, seed=4) == alone


def test_a_piece_whose_worker_died_is_done_again(tmp_path):
    with joblib.parallel_config(backend="loky", n_jobs=2):
        found = in_pieces(partial(_dying_once, str(tmp_path)), PIECES, seed=4)
    assert (tmp_path / "died").exists()
    assert found == in_pieces(_drawn, PIECES, seed=4)


@pytest.mark.slow
def test_workers_that_always_die_are_told():
    with (
        joblib.parallel_config(backend="loky", n_jobs=2),
        pytest.raises(ModelError, match=r"died again and again, most likely for want of memory"),
    ):
        in_pieces(_dying, PIECES, seed=4)


def test_an_error_of_a_piece_comes_back_as_it_was():
    with (
        joblib.parallel_config(backend="loky", n_jobs=2),
        pytest.raises(InestimableTermError, match=r"^Nothing tells 7 from the others\.$") as caught,
    ):
        in_pieces(_refusing_seven, PIECES)
    assert caught.value.term == "7"


@pytest.mark.parametrize("processes", [1, 2])
def test_progress_is_told_in_the_order_of_the_pieces(processes):
    told = []
    with joblib.parallel_config(backend="threading", n_jobs=processes):
        in_pieces(_drawn, PIECES, tell=lambda done, of: told.append((done, of)))
    assert told == [(done, 6) for done in range(1, 7)]


def test_a_seed_may_be_several_numbers():
    assert in_pieces(_drawn, PIECES, [4, 1]) == in_pieces(_drawn, PIECES, [4, 1])
    assert in_pieces(_drawn, PIECES, [4, 1]) != in_pieces(_drawn, PIECES, [4, 2])


def test_without_a_word_of_the_caller_all_is_done_here_unless_the_work_asks_for_more():
    here = os.getpid()
    assert workers() == 1
    assert set(in_pieces(_process, PIECES)) == {here}
    assert here not in in_pieces(_process, PIECES, unasked=2)
    # What the caller says goes first, and one piece is not worth sending.
    with joblib.parallel_config(n_jobs=1):
        assert set(in_pieces(_process, PIECES, unasked=2)) == {here}
    with joblib.parallel_config(n_jobs=2):
        assert workers() == 2
        assert in_pieces(_process, PIECES[:1]) == [here]


def test_a_cluster_does_the_same_even_if_a_worker_dies(cluster, tmp_path):
    alone = [
        _drawn(*piece) for piece in zip(PIECES, np.random.SeedSequence(4).spawn(6), strict=True)
    ]
    with joblib.parallel_config(backend="dask"):
        assert os.getpid() not in in_pieces(_process, PIECES)
        assert in_pieces(_drawn, PIECES, seed=4) == alone
        assert in_pieces(partial(_dying_once, str(tmp_path)), PIECES, seed=4) == alone
    assert (tmp_path / "died").exists()


@pytest.mark.slow
def test_workers_of_a_cluster_that_always_die_are_told(cluster):
    with (
        joblib.parallel_config(backend="dask"),
        pytest.raises(ModelError, match=r"died again and again, most likely for want of memory"),
    ):
        in_pieces(_dying, PIECES, seed=4)
