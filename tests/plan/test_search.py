"""The search reaches what is known to be attainable: published maxima, enumeration, theory."""

from itertools import product

import numpy as np
import pandas as pd
import pytest
from joblib import parallel_config

import reedlab
from reedlab import Factor
from reedlab.plan.layout import Layout, task_for
from reedlab.plan.request import Allowed, Forbidden
from reedlab.plan.search import _climbed, _random_levels, default_starts, search
from reedlab.plan.shuffle import shuffled
from reedlab.plan.terms import Model, terms_for

#: Largest determinant of a matrix of 1 and -1 of each order: OEIS A003433.
MAXIMAL = {
    4: 16,
    5: 48,
    6: 160,
    7: 576,
    8: 4096,
    9: 14336,
    10: 73728,
    11: 327680,
    12: 2985984,
}


def two_levels(count, stratum="reed"):
    return [Factor(f"f{i}", levels=(-1, 1), stratum=stratum) for i in range(count)]


def task_of(factors, tube, *, interactions="none", shares=(0.4,), forbidden=(), predict=False):
    tube = np.asarray(tube)
    model = Model(tuple(factors), terms_for(factors, interactions, ()))
    none = np.zeros(len(tube), dtype=int)
    layout = Layout(tube, none, none, pd.DataFrame(index=range(len(tube))))
    fixed = np.full((len(tube), len(factors)), -1)
    allowed = Allowed(model.settable, forbidden)
    rng = np.random.default_rng(0)
    return task_for(model, layout, shares, allowed, fixed, rng, predict=predict)


@pytest.mark.parametrize(("reeds", "largest"), MAXIMAL.items())
@pytest.mark.parametrize("seed", [1, 3])
def test_saturated_designs_reach_the_published_determinants(reeds, largest, seed):
    batch = reedlab.plan.design_batch(
        two_levels(reeds - 1), cane=None, reeds=reeds, interactions="none", seed=seed
    )
    levels = batch.table[[f"f{i}" for i in range(reeds - 1)]]
    matrix = np.column_stack([np.ones(reeds), levels.to_numpy()])
    assert round(abs(np.linalg.det(matrix))) == largest


def best_of_all(task):
    """The best value over every assignment of levels to units."""
    counts = [len(factor.levels) for factor in task.model.settable]
    spaces = [
        list(product(range(count), repeat=int(unit.max()) + 1))
        for count, unit in zip(counts, task.units, strict=True)
    ]
    best = -np.inf
    for given in product(*spaces):
        columns = [np.array(level)[unit] for level, unit in zip(given, task.units, strict=True)]
        levels = np.column_stack(columns)
        if task.allowed(levels).all():
            best = max(best, float(task.value(levels[None])[0]))
    return best


THREE = Factor("soak", levels=(60, 120, 180))
TUBE = Factor("gouge", levels=(1.25, 1.30), stratum="tube")
REED = Factor("shape", levels=("narrow", "wide"))
WORDS = Factor("profile", levels=("a", "b", "c"))


@pytest.mark.parametrize(
    ("factors", "tube", "asked"),
    [
        ([REED, Factor("wire", levels=("loose", "tight"))], range(5), {}),
        ([REED, Factor("wire", levels=("loose", "tight"))], range(5), {"interactions": "two-way"}),
        ([WORDS, REED], range(5), {"predict": True}),
        ([TUBE, REED], [0, 0, 1, 1, 2, 2], {}),
        ([TUBE, REED], [0, 0, 1, 1, 2, 2], {"interactions": "two-way", "shares": (0.1, 0.7)}),
        ([TUBE, REED], [0, 0, 0, 1, 1, 2], {"predict": True}),
        ([TUBE, WORDS], [0, 0, 1, 1, 2], {"shares": (0.7,)}),
        (
            [TUBE, REED],
            [0, 0, 1, 1, 2, 2],
            {"forbidden": [Forbidden("", lambda r: r["gouge"] == 1.25 and r["shape"] == "wide")]},
        ),
    ],
)
def test_tiny_cases_equal_enumeration(factors, tube, asked):
    task = task_of(factors, list(tube), **asked)
    levels, value = search(task, default_starts(task), np.random.default_rng(2))
    assert value == pytest.approx(best_of_all(task), abs=1e-9)
    assert task.allowed(levels).all()


def test_a_blocked_cube_reaches_the_orthogonal_optimum():
    # Three factors on four tubes of two reeds: with a fold-over pair in every tube each main
    # effect lies wholly within tubes, and no design can have more information on it.
    share = 0.4
    task = task_of(two_levels(3), np.repeat(range(4), 2), shares=(share,))
    levels, _ = search(task, default_starts(task), np.random.default_rng(1))
    within = 8 / (1 - share)
    mean = 8 / (1 - share + 2 * share)
    expected = np.diag([mean, within, within, within])
    np.testing.assert_allclose(task.information(levels)[0], expected, atol=1e-9)


def test_a_split_plot_reaches_the_orthogonal_optimum():
    share = 0.7
    factors = [TUBE, REED]
    task = task_of(factors, np.repeat(range(4), 2), interactions="two-way", shares=(share,))
    levels, _ = search(task, default_starts(task), np.random.default_rng(1))
    between, within = 8 / (1 + share), 8 / (1 - share)
    expected = np.diag([between, between, within, within])
    np.testing.assert_allclose(task.information(levels)[0], expected, atol=1e-9)


def test_runs_are_repeated_where_that_is_best():
    # A straight line is known best from its two ends, a bend from three places equally often
    # (D-optimality, Atkinson & Donev 1992); ten or nine different levels would be worse.
    levels = tuple(np.round(np.linspace(-1, 1, 11), 1).tolist())
    line = Factor("x", levels=levels)
    batch = reedlab.plan.design_batch([line], cane=None, reeds=10, seed=1)
    assert batch.table["x"].value_counts().to_dict() == {-1.0: 5, 1.0: 5}
    batch = reedlab.plan.design_batch([line], cane=None, reeds=9, curved=["x"], seed=1)
    assert batch.table["x"].value_counts().to_dict() == {-1.0: 3, 0.0: 3, 1.0: 3}


def test_the_best_prediction_of_a_bend_looks_most_at_the_middle():
    # Weights 1/4, 1/2, 1/4 at -1, 0, 1 have the least mean variance of prediction over
    # [-1, 1] for a quadratic (from memory; Studden 1977 has the general case).
    line = Factor("x", levels=tuple(np.round(np.linspace(-1, 1, 21), 1).tolist()))
    batch = reedlab.plan.design_batch(
        [line], cane=None, reeds=8, curved=["x"], criterion="I", seed=1
    )
    assert batch.table["x"].value_counts().to_dict() == {-1.0: 2, 0.0: 4, 1.0: 2}


def test_the_gain_of_a_change_is_the_change_of_the_criterion():
    # The low-rank update beside computing everything anew, for both criteria.
    from reedlab.plan.search import RIDGE, _Change

    for predict in (False, True):
        task = task_of(
            [TUBE, THREE, REED],
            np.repeat([0, 1, 2, 3], [5, 4, 4, 5]),
            interactions="two-way",
            shares=(0.1, 0.7),
            predict=predict,
        )
        rng = np.random.default_rng(5)
        levels = np.column_stack(
            [
                np.array([0, 1, 0, 1])[task.units[0]],
                rng.integers(3, size=18),
                rng.integers(2, size=18),
            ]
        )
        rows = np.flatnonzero(task.units[0] == 1)
        M = task.information(levels)[None]
        A = np.linalg.inv(M + RIDGE * np.eye(M.shape[-1]))
        other = levels.copy()
        other[rows, 0] = 1 - other[rows, 0]
        change = _Change.of(task, task.rows(levels)[None], A, rows, other[None, None, rows])
        before, after = task.value(np.stack([levels, other]))
        assert np.isfinite([before, after]).all()
        assert change.gain(task, A)[0, 0] == pytest.approx(after - before, abs=1e-5)


@pytest.mark.parametrize("predict", [False, True])
def test_reeds_of_a_tube_change_places_without_loss(predict):
    # What lets a batch be shuffled inside its tubes, whatever covariates are asked about.
    tube = np.repeat([0, 1, 2, 3], [5, 4, 4, 5])
    task = task_of(
        [TUBE, THREE, REED], tube, interactions="two-way", shares=(0.1, 0.7), predict=predict
    )
    levels, value = search(task, 20, np.random.default_rng(3))
    rng = np.random.default_rng(4)
    for _ in range(20):
        places = shuffled(tube, [f"tube {one} alone" for one in tube], rng)
        assert task.value(levels[places][None])[0] == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize(
    ("reeds", "count", "tubes", "limit"),
    [(24, 6, 10, 5.0), pytest.param(96, 10, 24, 60.0, marks=pytest.mark.slow)],
)
def test_the_search_takes_seconds(reeds, count, tubes, limit):
    from time import process_time

    cane = pd.DataFrame({"tube_id": [f"T{i + 1}" for i in range(tubes)], "pieces": 6})
    heard = []
    start = process_time()
    batch = reedlab.plan.design_batch(
        [*two_levels(1, "tube"), *two_levels(count)[1:]],
        cane,
        reeds,
        interactions="two-way",
        seed=1,
        tell=lambda done, of: heard.append((done, of)),
    )
    taken = process_time() - start
    print(f"\n{reeds} reeds, {count} factors, {tubes} tubes: {taken:.1f} s")
    assert len(batch.table) == reeds
    assert taken < limit
    done, of = heard[-1]
    assert done == of > 1
    assert [d for d, _ in heard] == sorted(d for d, _ in heard)


@pytest.mark.parametrize("predict", [False, True])
def test_a_start_goes_its_own_way_whatever_starts_are_beside_it(predict):
    factors = [*two_levels(1, "tube"), *two_levels(4)[1:]]
    tube = np.repeat(np.arange(8), 3)
    task = task_of(factors, tube, interactions="two-way", shares=(0.1, 0.4, 0.7), predict=predict)
    rng = np.random.default_rng(1)
    starts = np.stack([_random_levels(task, rng) for _ in range(30)])
    together = _climbed(task, starts)
    for parts in (2, 30):
        divided = [_climbed(task, part) for part in np.array_split(starts, parts)]
        assert np.concatenate(divided).tobytes() == together.tobytes()


def test_a_search_on_two_workers_finds_the_same_and_tells_of_it():
    factors = [*two_levels(1, "tube"), *two_levels(6)[1:]]
    task = task_of(factors, np.repeat(np.arange(8), 3), interactions="two-way")
    told = []
    levels, value = search(task, 200, np.random.default_rng(2))
    with parallel_config(backend="threading", n_jobs=2):
        found = search(task, 200, np.random.default_rng(2), lambda *one: told.append(one))
    assert found[0].tobytes() == levels.tobytes()
    assert found[1] == value
    assert told == [(1, 2), (2, 2)]
