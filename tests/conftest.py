"""Shared by all tests: no picture stays open; a cluster for those that ask for it."""

from collections.abc import Iterator

import matplotlib as mpl
import pytest

mpl.use("Agg")


@pytest.fixture(autouse=True)
def _closed_pictures() -> Iterator[None]:
    yield
    from matplotlib import pyplot as plt

    plt.close("all")


@pytest.fixture(scope="module")
def cluster() -> Iterator[object]:
    """Return two processes of Dask; joblib finds their client."""
    import distributed

    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as two,
        distributed.Client(two),
    ):
        yield two
