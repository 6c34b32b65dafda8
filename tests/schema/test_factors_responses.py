import pytest

from reedlab.errors import CallError
from reedlab.schema import Factor, Response


def test_numbers_as_levels_make_a_numeric_factor():
    assert Factor("gouge_centre_mm", levels=(1.25, 1.3)).kind == "numeric"
    assert Factor("shape", levels=("narrow", "wide"), stratum="tube").table == "tubes"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: Factor("a", stratum="batch"),
            "Factor 'a' has the stratum 'batch'; a level can be given to a lot, a tube, a reed "
            "or a session.",
        ),
        (lambda: Factor("a", levels=(1, "b")), "Factor 'a' mixes numbers and words"),
        (lambda: Factor("a", levels=("b", "b")), "Factor 'a' lists a level twice"),
        (lambda: Factor("a", kind="nominal"), "say numeric or categorical"),
        (lambda: Factor("a", levels=("b",), kind="numeric"), "has levels in words"),
        (lambda: Factor("a", kind="numeric", step=0), "has the step 0; it must be above 0"),
        (lambda: Response("y", kind="normal"), "it can be continuous, binary, ordinal, time"),
        (lambda: Response("y", direction="up"), "it can be higher, lower, target or left empty"),
        (lambda: Response("y", direction="target"), "aims at a target; say which value"),
        (lambda: Response("y", kind="ordinal"), "list its levels from lowest to highest"),
    ],
)
def test_a_declaration_that_does_not_fit_is_told_what_would(call, message):
    with pytest.raises(CallError) as told:
        call()
    assert message in str(told.value)
