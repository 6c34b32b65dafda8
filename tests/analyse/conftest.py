"""The two invented studies, written once for all tests of this room, and small ones to order."""

import pytest

from reedlab.analyse import season
from reedlab.demo import simulate_batch, simulate_season
from tests.analyse.build import CROW, GOUGE, SHAPE, flat_study


@pytest.fixture(scope="session")
def demo_batch(tmp_path_factory):
    return simulate_batch().write(tmp_path_factory.mktemp("invented") / "batch")


@pytest.fixture(scope="session")
def demo_season(tmp_path_factory):
    return simulate_season().write(tmp_path_factory.mktemp("invented") / "season")


@pytest.fixture
def study(tmp_path):
    """Make a study out of rows; a name is enough if several are needed."""

    def make(rows, factors=(GOUGE, SHAPE), responses=(CROW,), name="study", **more):
        return flat_study(tmp_path / name, rows, [*factors], [*responses], **more)

    return make


@pytest.fixture(scope="session")
def found_batch(demo_batch):
    return season(demo_batch)


@pytest.fixture(scope="session")
def found_season(demo_season):
    return season(demo_season)
