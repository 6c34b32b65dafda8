"""Whole studies through `drivers`: its test is the one that the engine's calibration measures."""

import numpy as np
import pytest

from reedlab.analyse import drivers
from reedlab.model import fit_mixed
from tests.analyse.build import CROW, GOUGE, SHAPE, flat_study, reeds_of

STUDIES = 300
#: Three standard errors of a rate of 5 % in that many studies.
ROOM = 3 * np.sqrt(0.05 * 0.95 / STUDIES)


def _null_rows(seed: int):
    """Invented: 8 tubes x 3 reeds, two fifths of the variance between tubes, no effect at all."""
    rng = np.random.default_rng(seed)
    rows = reeds_of(8, 3)
    tube = np.repeat(np.arange(8), 3)
    rows["gouge"] = rng.permutation([1.25, 1.3] * 4)[tube]
    rows["shape"] = np.where((tube + np.tile(np.arange(3), 8)) % 2, "wide", "narrow")
    crow = np.sqrt(0.4) * rng.normal(size=8)[tube] + np.sqrt(0.6) * rng.normal(size=24)
    rows["crow"] = np.round(20 * crow, 4)
    return rows


@pytest.mark.slow
def test_300_null_studies_through_drivers(tmp_path):
    called = {"gouge": 0, "shape": 0}
    for seed in range(STUDIES):
        rows = _null_rows(seed)
        study = flat_study(tmp_path / str(seed), rows, [GOUGE, SHAPE], [CROW])
        found = drivers(study, "crow").table.set_index("term")
        fit = fit_mixed("crow ~ gouge + shape", rows, ["tube_id"], bounded=False)
        engine = fit.anova().set_index("term")
        for term in called:
            assert found.loc[term, "p_value"] == pytest.approx(engine.loc[term, "p_value"])
            called[term] += found.loc[term, "p_value"] < 0.05
    rates = {term: count / STUDIES for term, count in called.items()}
    print(f"\n{STUDIES} null studies through drivers, called an effect at p < 0.05: {rates}")
    assert all(abs(rate - 0.05) <= ROOM for rate in rates.values()), rates
