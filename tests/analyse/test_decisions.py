"""What is asked of a season, of which response it is told."""

from types import SimpleNamespace

import pandas as pd
import pytest

from reedlab.analyse import decisions
from reedlab.schema import Response

NONE, ONE, TWO = (Response(name, unit="mm", direction="higher") for name in ("none", "one", "two"))
P_VALUES = {"none": [None, None], "one": [0.4, None], "two": [0.02, 0.9]}


@pytest.mark.parametrize(
    ("asked", "told"), [((NONE, ONE), "one"), ((NONE, ONE, TWO), "two"), ((NONE,), "none")]
)
def test_adjusting_is_told_of_the_response_that_it_moves_most_and_could_be_tested(
    monkeypatch, asked, told
):
    def answer(study, name):
        table = pd.DataFrame({"p_value": pd.Series(P_VALUES[name], dtype="float")})
        return SimpleNamespace(table=table, name=name)

    monkeypatch.setattr(decisions, "adjusting", answer)
    assert decisions._adjusting(None, asked).name == told
