"""Shared by all tests: no picture stays open."""

from collections.abc import Iterator

import matplotlib as mpl
import pytest

mpl.use("Agg")


@pytest.fixture(autouse=True)
def _closed_pictures() -> Iterator[None]:
    yield
    from matplotlib import pyplot as plt

    plt.close("all")
