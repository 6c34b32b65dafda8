"""Every public question that works in pieces: the same to the last bit wherever that is done.

Answers are compared as text that keeps every bit of a number. That the pieces are really given
away is counted, for an answer made here would be the same too.
"""

import os
import re
import signal
from pathlib import Path

import joblib
import numpy as np
import pandas as pd
import psutil
import pytest

import reedlab
from reedlab import pieces
from reedlab.analyse import across_makers, drivers, influence, stopping_rule
from reedlab.demo import example_studio, example_study
from reedlab.demo.sound import crow_sound
from reedlab.measure import measure_files
from reedlab.plan import power
from reedlab.schema import Factor
from tests.analyse.planned import GOUGE, SHAPE, batch_of, opened

README = Path(__file__).parents[1] / "README.md"
CANE = pd.DataFrame({"tube_id": [f"T{i}" for i in range(8)], "pieces": 4})


def _keep_rates(_):
    return power(tubes=8, reeds_per_tube=3, keep_rates=(0.25, 0.5)).table


def _power(_):
    return power(tubes=8, reeds_per_tube=3, effect=1.0, simulations=12_000).table


def _optimal_batch(_):
    factors = [Factor(f"f{i}", levels=(-1, 1), stratum="reed") for i in range(4)]
    return reedlab.plan.design_batch(factors, CANE, 24, interactions="two-way", seed=1).table


def _drawn_again(folder):
    """Kept or discarded of a batch with a covariate: draws that lose too much are drawn again."""
    wide = Factor("outer_diameter_mm", (), "tube", "mm", kind="numeric", label="diameter")
    batch = batch_of([GOUGE, SHAPE, wide], 12, 2)
    fates = np.where(np.random.default_rng(1).random(24) < 0.4, "kept", "discarded")
    return drivers(opened(folder / "study", batch, {"fate": fates}), "kept").table


def _bootstrap(_):
    found = stopping_rule(example_study("season"))
    return pd.concat([found.table, found.by_cut])


def _without_each_tube(_):
    return influence(example_study("season"), "kept").table


def _each_maker(_):
    return across_makers(reedlab.pool(example_studio()), "crow_cents").makers


def _recordings(folder):
    paths = _crows(folder, 4)
    return measure_files("crow", [*paths, folder / "nowhere.wav"]).table


def _crows(folder, count):
    sound = crow_sound(3, air_s=0.4, hold_s=0.8)
    return [sound.write(folder / f"{number}.wav") for number in range(count)]


QUESTIONS = [
    *(_keep_rates, _power, _optimal_batch, _drawn_again, _bootstrap),
    *(_without_each_tube, _each_maker, _recordings),
]
SLOW = [
    question if question is _keep_rates else pytest.param(question, marks=pytest.mark.slow)
    for question in QUESTIONS
]


@pytest.fixture
def given_away(monkeypatch):
    """Count the pieces that are given to others."""
    counts = []
    for name in ("_until_done", "_on_dask"):
        real = getattr(pieces, name)

        def counted(calls, *rest, real=real):
            counts.append(len(calls))
            return real(calls, *rest)

        monkeypatch.setattr(pieces, name, counted)
    return counts


def _asked(question, folder, name):
    folder = folder / name
    folder.mkdir()
    return question(folder).to_csv()


@pytest.mark.parametrize("question", SLOW)
def test_two_processes_say_the_same_to_the_last_bit(question, tmp_path, given_away):
    alone = _asked(question, tmp_path, "alone")
    assert not given_away
    with joblib.parallel_config(backend="loky", n_jobs=2):
        assert _asked(question, tmp_path, "two") == alone
    assert max(given_away, default=0) > 1


@pytest.mark.slow
@pytest.mark.parametrize("question", QUESTIONS)
def test_a_cluster_says_the_same_to_the_last_bit(question, tmp_path, given_away, cluster):
    alone = _asked(question, tmp_path, "alone")
    with joblib.parallel_config(backend="dask"):
        assert _asked(question, tmp_path, "cluster") == alone
    assert max(given_away, default=0) > 1


@pytest.mark.slow
def test_the_readme_says_how(cluster):
    said = re.search(r"```python\n(import joblib\n.*?)```", README.read_text("utf-8"), re.DOTALL)
    said = said[1].replace("tcp://scheduler:8786", cluster.scheduler_address)
    names = {"reedlab": reedlab}
    exec(said, names)
    assert names["found"].table.to_csv() == _keep_rates(None).to_csv()


@pytest.mark.slow
def test_a_process_that_is_killed_costs_nothing(tmp_path):
    crows, killed = _crows(tmp_path, 12), []

    def kill_one(done, of):
        if not killed and done < of:
            killed.append(_processes()[0])
            killed[0].kill()

    alone = measure_files("crow", crows).table.to_csv()
    with joblib.parallel_config(backend="loky", n_jobs=2):
        assert measure_files("crow", crows, tell=kill_one).table.to_csv() == alone
    assert killed


def _processes():
    """Those that joblib started."""
    children = psutil.Process().children()
    return [one for one in children if "popen_loky" in " ".join(one.cmdline())]


@pytest.mark.slow
def test_a_worker_of_a_cluster_that_is_killed_costs_nothing(tmp_path, cluster):
    crows, killed = _crows(tmp_path, 12), []

    def kill_one(done, of):
        if not killed and done < of:
            killed.append(next(iter(cluster.workers.values())).pid)
            os.kill(killed[0], signal.SIGKILL)

    alone = measure_files("crow", crows).table.to_csv()
    with joblib.parallel_config(backend="dask"):
        assert measure_files("crow", crows, tell=kill_one).table.to_csv() == alone
    assert killed
