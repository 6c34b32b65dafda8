"""Makers' studies to order."""

import pytest

from tests.study.pooling.build import study_of


@pytest.fixture
def maker(tmp_path):
    """Make one study; names and seeds must differ."""

    def make(name, seed, change=None, **more):
        return study_of(tmp_path, name, seed, change, **more)

    return make
