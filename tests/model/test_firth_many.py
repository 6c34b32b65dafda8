"""Many penalised fits at once are those of fit_firth, which the tests beside this one judge."""

import numpy as np
import pandas as pd
import pytest

from reedlab.model import fit_firth
from reedlab.model.firth_many import FirthMany


def _rows(seed: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "gouge": np.resize([-0.5, 0.5], 24),
            "shape": np.repeat([1.0, -1, 1, -1], 6),
            "wall": rng.normal(size=24).round(1),
        }
    )


@pytest.mark.parametrize("names", [["gouge"], ["gouge", "shape"], ["gouge", "shape", "wall"]])
def test_as_one_by_one(names):
    rows, rng = _rows(4), np.random.default_rng(5)
    Y = (rng.random((12, 24)) < 0.25).astype(float)
    Y[0] = rows["gouge"] > 0  # separated
    X = np.column_stack([np.ones(24), rows[names]])
    cells, cell = np.unique(X, axis=0, return_inverse=True)
    design = FirthMany(cells, np.bincount(cell.ravel()))
    kept = np.array([np.bincount(cell.ravel(), weights=y, minlength=len(cells)) for y in Y])
    estimates = design.fit(kept)
    ratios = [design.ratios(kept, [column + 1]) for column in range(len(names))]
    for b, y in enumerate(Y):
        fit = fit_firth(f"kept ~ {' + '.join(names)}", rows.assign(kept=y))
        np.testing.assert_allclose(estimates[b], fit.estimates, rtol=1e-5, atol=1e-6)
        tests = fit.anova()["statistic"].to_numpy()
        np.testing.assert_allclose([r[b] for r in ratios], tests, rtol=1e-6, atol=1e-8)


def test_two_groups_in_closed_form():
    # Saturated, the penalised share is (k + 1/2) / (n + 1) (Firth 1993, section 3.3, from memory).
    design = FirthMany(np.array([[1.0, 0], [1, 1]]), np.array([12, 10]))
    kept = np.array([[3, 0], [12, 4], [0, 0]])
    estimates = design.fit(kept)
    low, high = (kept[:, 0] + 0.5) / 13, (kept[:, 1] + 0.5) / 11
    expected = np.column_stack([np.log(low / (1 - low)), np.log(high / (1 - high))])
    expected[:, 1] -= expected[:, 0]
    np.testing.assert_allclose(estimates, expected, atol=1e-5)
