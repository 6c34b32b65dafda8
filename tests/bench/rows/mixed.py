"""One mixed model: 30 tubes x 4 reeds x 5 tests, a factor of tubes and one of reeds.

Ours fits tube and reed and tests both factors by Kenward and Roger's method, as lme4 and pbkrtest
of R do: variances, F and its degrees of freedom must be the same. statsmodels has no such tests,
so its side fits and makes Wald's; the variances must be the same.
"""

import warnings
from typing import Any

import numpy as np

from tests.bench.frame import Row, Run, Side, home
from tests.bench.r import NEEDS, asked

REEDS, TESTS = 4, 5
TUBES = (8, 15, 30, 60)
_R = """
table <- read.csv("{path}", stringsAsFactors = TRUE)
for (name in c("tube", "reed")) table[[name]] <- factor(table[[name]])
contrasts(table$shape) <- contr.sum(2)
answer <- function(number) {{
  fit <- lmer(y ~ density + shape + (1 | tube) + (1 | reed), table)
  parts <- as.data.frame(VarCorr(fit))
  parts <- setNames(parts$vcov, parts$grp)
  tested <- function(without) {{
    test <- KRmodcomp(fit, update(fit, without))$test["Ftest", ]
    c(test$stat, test$ddf)
  }}
  c(parts[["tube"]], parts[["reed"]], parts[["Residual"]],
    tested(. ~ . - density), tested(. ~ . - shape))
}}
"""


def table_of(tubes: int) -> Any:
    """Invented: so many tubes, their reeds and the reeds' tests."""
    import pandas as pd

    rng = np.random.default_rng(7)
    reed = np.repeat(np.arange(tubes * REEDS), TESTS)
    tube = reed // REEDS
    density, shape = rng.normal(size=tubes), rng.integers(2, size=tubes * REEDS)
    y = (
        0.5 * density[tube]
        + 0.4 * shape[reed]
        + 0.6 * rng.normal(size=tubes)[tube]
        + 0.7 * rng.normal(size=tubes * REEDS)[reed]
        + 0.8 * rng.normal(size=len(reed))
    )
    names = {"tube": tube.astype(str), "reed": reed.astype(str)}
    return pd.DataFrame(
        {**names, "density": density[tube], "shape": np.array(["a", "b"])[shape[reed]], "y": y}
    )


def _ours(tubes: int) -> Run:
    from reedlab.model import fit_mixed

    table = table_of(tubes)

    def run() -> object:
        fit = fit_mixed("y ~ density + shape", table, ["tube", "reed"])
        tests = fit.anova()[["statistic", "den_df"]].to_numpy()
        variances = [fit.variances[name] for name in ("tube", "reed", "residual")]
        return [*variances, *tests.ravel()]

    return run


def _statsmodels(tubes: int) -> Run:
    import statsmodels.formula.api as smf

    table = table_of(tubes)

    def run() -> object:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fit = smf.mixedlm(
                "y ~ density + C(shape, Sum)",
                table,
                groups="tube",
                re_formula="1",
                vc_formula={"reed": "0 + C(reed)"},
            ).fit(reml=True)
        fit.wald_test_terms(scalar=True)
        return [float(fit.cov_re.iloc[0, 0]), float(fit.vcomp[0]), float(fit.scale)]

    return run


def _r(tubes: int) -> Run:
    path = home("mixed") / f"{tubes}.csv"
    table_of(tubes).to_csv(path, index=False)
    return asked(_R.format(path=path), tubes)


def _same(ours: Any, other: Any) -> None:
    # The others' optimisers end a little before the maximum; statsmodels tells no tests.
    np.testing.assert_allclose(np.array(ours[: len(other)]), np.array(other), rtol=5e-3)


MIXED = Row(
    "mixed model",
    "120 reeds of 30 tubes, 600 tests: fit and tests of two factors",
    "tubes",
    Side("reedlab, Kenward-Roger", _ours, TUBES, 30),
    (
        Side("R lme4 and pbkrtest", _r, TUBES, 30, NEEDS),
        Side("statsmodels MixedLM, Wald", _statsmodels, TUBES, 30, ("statsmodels",)),
    ),
    agree=_same,
)
