"""Re-randomisation: two levels on 24 reeds, the difference of means over drawn arrangements.

scipy's permutation test is given its vectorised statistic and chunks that fit the memory.
Both say a p value, known to a few tenths of a percent, so the two must agree as draws do.
"""

import numpy as np

from tests.bench.frame import Row, Run, Side

REEDS = 24
DRAWS = (5_000, 10_000, 20_000, 40_000)
AT = 20_000


def _data() -> tuple[np.ndarray, np.ndarray]:
    level = np.arange(REEDS) % 2
    return level, np.random.default_rng(3).normal(size=REEDS) + 0.7 * level


def _ours(draws: int) -> Run:
    from reedlab.model.randomisation import randomisation
    from reedlab.model.shuffles import Shuffles

    level, y = _data()
    drawn = Shuffles(np.arange(REEDS), np.zeros(REEDS, dtype=int))

    def run() -> object:
        found = randomisation(y, {"level": level - 0.5}, drawn, draws=draws, most=0)
        return float(found.table["p_value"].iloc[0])

    return run


def _scipy(draws: int) -> Run:
    from scipy.stats import permutation_test

    level, y = _data()

    def difference(a: np.ndarray, b: np.ndarray, axis: int) -> np.ndarray:
        return np.mean(a, axis=axis) - np.mean(b, axis=axis)

    def run() -> object:
        found = permutation_test(
            (y[level == 1], y[level == 0]),
            difference,
            vectorized=True,
            n_resamples=draws,
            batch=5_000,
            rng=np.random.default_rng(1),
        )
        return float(found.pvalue)

    return run


def _same(ours: object, other: object) -> None:
    # Five standard errors of the difference of two shares of the fewest draws.
    np.testing.assert_allclose(ours, other, atol=5 * np.sqrt(2 * 0.25 / DRAWS[0]))


SHUFFLES = Row(
    "re-randomisation",
    "two levels on 24 reeds, 20,000 arrangements drawn",
    "draws",
    Side("reedlab", _ours, DRAWS, AT),
    (Side("scipy permutation_test", _scipy, DRAWS, AT),),
    agree=_same,
)
