"""Whole studies through `drivers`: its test is the one that the engine's calibration measures."""

import numpy as np
import pytest

from reedlab.analyse import drivers
from tests.analyse.build import CROW, GOUGE, SHAPE, flat_study, reeds_of
from tests.model.test_calibration import (
    LAYOUTS,
    SHARES,
    _batches,
    _kenward_roger,
    _two_levels,
)

#: Studies of each layout and share of the variance between tubes: 300 in all.
STUDIES = 25
TRIED = ("8 x 3", "6 x 4", "9, 1-4")


def _rows(design):
    """The engine's layout as reeds: its columns of -1 and 1 are the two gouges and shapes."""
    rows = reeds_of(design.tube.max() + 1, np.bincount(design.tube))
    rows["gouge"] = np.where(design.X[:, 1] > 0, 1.3, 1.25)
    rows["shape"] = np.where(design.X[:, 2] > 0, "wide", "narrow")
    return rows


@pytest.mark.slow
def test_300_null_studies_through_drivers_are_tested_as_the_calibration_tests(tmp_path):
    ours, theirs = [], []
    for layout in TRIED:
        design = _two_levels(LAYOUTS[layout])
        rows = _rows(design)
        for share in SHARES:
            Y = _batches(design, share, STUDIES, seed=11)
            together = _kenward_roger(design, Y, bounded=False)
            theirs.append(np.array([together["tube"].p_values, together["reed"].p_values]))
            for number, y in enumerate(Y.T):
                folder = tmp_path / f"{layout} {share} {number}"
                study = flat_study(folder, rows.assign(crow=y), [GOUGE, SHAPE], [CROW])
                table = drivers(study, "crow").table.set_index("term")
                ours.append(table.loc[["gouge", "shape"], "p_value"])
    p_values, expected = np.array(ours), np.hstack(theirs).T
    assert len(p_values) == 300
    np.testing.assert_allclose(p_values, expected, rtol=1e-7)
    level = (p_values < 0.05).mean(axis=0)
    print(f"\n300 null studies at p < 0.05: gouge {level[0]:.3f}, shape {level[1]:.3f}")
    # Three standard errors of a rate of 5 % in 300 studies.
    assert (np.abs(level - 0.05) <= 3 * np.sqrt(0.05 * 0.95 / 300)).all()
