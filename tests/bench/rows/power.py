"""Power by simulation: batches drawn, fitted and tested; times are of one simulated batch.

The alternative is the loop that one writes: with R, lme4 and pbkrtest's Kenward-Roger test, as
ours makes it; with statsmodels, MixedLM by a formula (or quicker, by arrays) and Wald's p value,
which is too small in small batches. The floor is drawing the random numbers and nothing else.
"""

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.bench.frame import Row, Run, Side
from tests.bench.r import NEEDS, asked

TUBES, REEDS, SESSIONS = 8, 3, 2
#: Variances of tubes, of reeds, and with sessions of those and of single tests.
SHARES = {"tube": 0.4, "reed": 0.6}
PARTS = {"tube": 0.3, "session": 0.1, "reed": 0.3, "residual": 0.3}
EFFECT = 1.0
#: Batches that we simulate, and the others, who take longer.
MANY = (2_500, 5_000, 10_000, 20_000)
FEW = (2, 4, 8, 16)
_R = f"""
tube <- factor(rep(1:{TUBES}, each = {REEDS}))
level <- ifelse((rep(seq({TUBES}), each = {REEDS}) + rep(seq({REEDS}), {TUBES})) %% 2, 0.5, -0.5)
set.seed(1)
one <- function(number) {{
  y <- {EFFECT} * level + sqrt({SHARES["tube"]}) * rnorm({TUBES})[tube] +
    sqrt({SHARES["reed"]}) * rnorm(length(level))
  fit <- lmer(y ~ level + (1 | tube))
  KRmodcomp(fit, update(fit, . ~ . - level))$test["Ftest", "p.value"] < 0.05
}}
answer <- function(number) mean(vapply(seq_len(number), one, TRUE))
"""


def _ours(size: int) -> Run:
    from reedlab.plan import power

    def run() -> object:
        found = power(
            tubes=TUBES,
            reeds_per_tube=REEDS,
            effect=EFFECT,
            variance=SHARES,
            simulations=size,
        )
        return [float(found.table["power"].iloc[0])]

    return run


def _r(size: int) -> Run:
    return asked(_R, size)


def _batch() -> tuple[np.ndarray, np.ndarray]:
    """Tube of each reed, and the columns: levels dealt to the reeds of a tube in turn."""
    tube = np.repeat(np.arange(TUBES), REEDS)
    level = np.where((tube + np.tile(np.arange(REEDS), TUBES)) % 2, 0.5, -0.5)
    return tube, np.column_stack([np.ones(len(tube)), level])


def _loop(size: int, p_value: Callable[[np.ndarray], float]) -> Run:
    """Draw a batch, fit it, look at its p value, and the next one."""
    tube, X = _batch()
    rng = np.random.default_rng(1)

    def run() -> object:
        found = 0
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # it warns whenever a variance is near zero
            for _ in range(size):
                between = np.sqrt(SHARES["tube"]) * rng.normal(size=TUBES)[tube]
                y = EFFECT * X[:, 1] + between + np.sqrt(SHARES["reed"]) * rng.normal(size=len(X))
                found += p_value(y) < 0.05
        return [found / size]

    return run


def _statsmodels(size: int) -> Run:
    from statsmodels.regression.mixed_linear_model import MixedLM

    tube, X = _batch()
    return _loop(size, lambda y: MixedLM(y, X, groups=tube).fit(reml=True).pvalues[1])


def _statsmodels_formula(size: int) -> Run:
    import pandas as pd
    import statsmodels.formula.api as smf

    tube, X = _batch()
    table = pd.DataFrame({"tube": tube, "shape": np.where(X[:, 1] > 0, "wide", "narrow")})

    def p_value(y: np.ndarray) -> float:
        fit = smf.mixedlm("y ~ shape", table.assign(y=y), groups="tube").fit()
        return float(fit.pvalues["shape[T.wide]"])

    return _loop(size, p_value)


def _numbers(size: int) -> Run:
    rng = np.random.default_rng(1)

    def run() -> object:
        rng.normal(size=(TUBES, size))
        rng.normal(size=(TUBES * REEDS, size))
        return None

    return run


def _as_often(ours: Any, other: Any) -> None:
    # Five standard errors of a share of the fewest batches that any side looks at.
    np.testing.assert_allclose(ours, other, atol=5 * np.sqrt(0.25 / FEW[-1]))


POWER = Row(
    "power",
    "8 tubes x 3 reeds simulated, fitted and tested, Kenward-Roger; one batch",
    "batches",
    Side("reedlab", _ours, MANY, MANY[-1]),
    (
        Side("R lme4 and pbkrtest", _r, FEW, FEW[-1], NEEDS),
        Side("statsmodels formula, Wald", _statsmodels_formula, FEW, FEW[-1], ("statsmodels",)),
        Side("statsmodels arrays, Wald", _statsmodels, FEW, FEW[-1], ("statsmodels",)),
        Side("random numbers alone", _numbers, MANY, MANY[-1]),
    ),
    each=True,
    agree=_as_often,
)


#: Tests of the planned 48 that are lost where the row says so.
LOST = (3, 17, 30, 41)


@dataclass(frozen=True)
class _Tests:
    """Reeds tried in two sessions: the groups of each test, and its columns."""

    lost: tuple[int, ...] = ()

    @property
    def groups(self) -> dict[str, np.ndarray]:
        reed = np.delete(np.repeat(np.arange(TUBES * REEDS), SESSIONS), self.lost)
        session = np.delete(np.tile(np.arange(SESSIONS), TUBES * REEDS), self.lost)
        return {"tube": reed // REEDS, "session": session, "reed": reed}

    @property
    def columns(self) -> np.ndarray:
        """The mean, and a factor whose levels are dealt to the reeds of a tube in turn."""
        reed = self.groups["reed"]
        level = np.where((reed // REEDS + reed % REEDS) % 2, 0.5, -0.5)
        return np.column_stack([np.ones(len(reed)), level])

    def responses(self, size: int) -> np.ndarray:
        """Invented responses without effects, one column a batch."""
        # Each part has its stream, so that the first batches are the same however many there are.
        Y = np.sqrt(PARTS["residual"]) * _drawn(0, size, len(self.columns))
        for stream, (name, code) in enumerate(self.groups.items(), start=1):
            Y += np.sqrt(PARTS[name]) * _drawn(stream, size, code.max() + 1)[code]
        return Y

    def ours(self, size: int) -> Run:
        from reedlab.model.inference import METHODS, basis
        from reedlab.model.kernel import build_kernel
        from reedlab.model.reml import fit_reml

        Q, R = np.linalg.qr(self.columns)
        L = np.linalg.solve(R.T, np.eye(2)[:, 1:]).T
        Y, codes = self.responses(size), [*self.groups.values()]

        def run() -> object:
            fits = fit_reml(build_kernel(Q, codes), Y - Q @ (Q.T @ Y))
            basis(fits, METHODS[0], bounded=False).test(L)
            return fits.theta

        return run

    def statsmodels(self, size: int) -> Run:
        import pandas as pd
        from statsmodels.regression.mixed_linear_model import MixedLM

        table = pd.DataFrame({**self.groups, "level": self.columns[:, 1]})
        parts = {name: f"0 + C({name})" for name in self.groups}
        Y, one = self.responses(size), np.zeros(len(table))

        def fitted(y: np.ndarray) -> list[float]:
            # Groups that cross are written as components of a single group of all rows.
            model = MixedLM.from_formula(
                "y ~ level", table.assign(y=y), groups=one, vc_formula=parts
            )
            fit = model.fit(reml=True)
            found = dict(zip(model.exog_vc.names, fit.vcomp, strict=True))
            return [float(fit.scale), *(found[name] for name in self.groups)]

        def run() -> object:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                return [fitted(y) for y in Y.T]

        return run


def _drawn(stream: int, size: int, rows: int) -> np.ndarray:
    return np.random.default_rng([1, stream]).normal(size=(size, rows)).T


def _same_variances(ours: Any, other: Any) -> None:
    """Compare the first batches, those with no variance at zero.

    statsmodels stops early in some where a variance is small, so half of them must agree.
    """
    ours, other = ours[: len(other)], np.array(other)
    inside = (ours > 0).all(axis=1)
    apart = np.abs(ours - other).max(axis=1)[inside]
    assert len(apart)
    assert np.median(apart) < 1e-3


def _components(name: str, task: str, tests: _Tests, many: tuple[int, int, int, int]) -> Row:
    return Row(
        name,
        task,
        "batches",
        Side("reedlab", tests.ours, many, many[-1]),
        (
            Side(
                "statsmodels MixedLM, Wald",
                tests.statsmodels,
                (2, 4, 8, 16),
                8,
                ("statsmodels",),
            ),
        ),
        each=True,
        agree=_same_variances,
    )


COMPONENTS = _components(
    "three variances",
    "8 tubes x 3 reeds x 2 sessions, variances of tubes, sessions and reeds; one batch",
    _Tests(),
    (500, 1_000, 2_000, 4_000),
)
UNEVEN = _components(
    "three, tests lost",
    "the same with 4 of the 48 tests lost; one batch",
    _Tests(LOST),
    (25, 50, 100, 200),
)
