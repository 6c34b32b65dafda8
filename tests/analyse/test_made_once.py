"""A batch without a repeat: the filtration rate, a half fraction, and what is refused."""

import numpy as np
import pytest

from reedlab import Factor, Response
from reedlab.analyse.made_once import made_once
from reedlab.answer import VOCABULARY
from reedlab.errors import ModelError
from tests.analyse.build import SHAPE, batch, reeds_of

RATE = [45, 71, 48, 65, 68, 60, 80, 65, 43, 100, 45, 104, 75, 86, 70, 96]
GOAL = Response("rate", table="reeds", unit="gal/h")


def factorial(names, rate):
    places = np.arange(len(rate))
    levels = {n: np.where(places >> i & 1, "high", "low") for i, n in enumerate(names)}
    return reeds_of(len(rate), 1).assign(rate=rate, **levels)


def two_level(names):
    return [Factor(name, ("low", "high")) for name in names]


def test_the_filtration_rate(study):
    found = made_once(study(factorial("ABCD", RATE), two_level("ABCD"), [GOAL]), "rate")
    effects = found.table.set_index("term")["estimate"]
    # Montgomery: the published effects; by Lenth's margin of 13.6990 A, AC, AD, D stand out.
    assert effects[["A", "B", "C", "D"]].tolist() == [21.625, 3.125, 9.875, 14.625]
    assert effects[["A:C", "A:D", "A:B:C:D"]].tolist() == [-18.125, 16.625, 1.375]
    assert found.table.loc[found.table["beyond"], "term"].tolist() == ["A", "A:C", "A:D", "D"]
    assert (found.table["std_error"] == 2.625).all()
    assert found.sentence == (
        "Of 15 effects of 16 recipes made once, 4 stand out of the noise: A 21.6 gal/h (95 % 14.9 "
        "to 28.4; exploratory); A with C −18.1 gal/h (95 % −24.9 to −11.4; exploratory); A with D "
        "16.6 gal/h (95 % 9.88 to 23.4; exploratory); D 14.6 gal/h (95 % 7.88 to 21.4; "
        "exploratory)."
    )
    assert set(found.table.columns) <= set(VOCABULARY)


def test_the_half_fraction_names_what_is_mixed(study):
    half = [45, 100, 45, 65, 75, 60, 80, 96]
    rows = factorial("ABC", half)
    sign = [np.where(rows[name] == "high", 1, -1) for name in "ABC"]
    rows["D"] = np.where(np.prod(sign, axis=0) > 0, "high", "low")
    found = made_once(study(rows, two_level("ABCD"), [GOAL]), "rate").table.set_index("term")
    # Montgomery, the half fraction D = ABC: A 19, B 1.5, C 14, D 16.5, AB -1, AC -18.5, AD 19.
    assert found["estimate"][["A", "B", "C", "D", "A:B", "A:C", "A:D"]].tolist() == [
        *(19.0, 1.5, 14.0, 16.5),
        *(-1.0, -18.5, 19.0),
    ]
    assert found["mixed_with"]["A:B"] == "C:D"
    assert found["mixed_with"]["A"] == "B:C:D"


def test_noise_alone_stands_out_of_nothing(study):
    rate = np.random.default_rng(2).normal(50, 5, 16).round(1)
    found = made_once(study(factorial("ABCD", rate), two_level("ABCD"), [GOAL]), "rate")
    assert found.sentence.startswith(
        "Of 15 effects of 16 recipes made once, none stands out of the noise; the largest: "
    )


def test_the_picture_has_a_row_for_each_effect(study):
    import matplotlib.pyplot as plt

    ax = made_once(study(factorial("ABCD", RATE), two_level("ABCD"), [GOAL]), "rate").plot()
    assert [text.get_text() for text in ax.get_yticklabels()][:2] == ["A", "A with C"]
    assert ax.get_xlabel().startswith("effect on rate, gal/h")
    plt.close("all")


def test_a_recipe_that_was_made_twice(study):
    with pytest.raises(ModelError) as error:
        made_once(study(batch(), [SHAPE]), "crow")
    assert str(error.value) == (
        "22 rows of 24 repeat a recipe, so there is an error to judge by: ask drivers instead."
    )


def test_a_factor_of_three_levels(study):
    rows = reeds_of(3, 1).assign(shape=["a", "b", "c"], rate=[1.0, 2, 4])
    with pytest.raises(ModelError, match=r"^shape has 3 levels; effects of a batch made once"):
        made_once(study(rows, [Factor("shape")], [GOAL]), "rate")


def test_recipes_that_are_no_design(study):
    rows = factorial("ABCD", RATE).iloc[:11]
    with pytest.raises(ModelError) as error:
        made_once(study(rows, two_level("ABCD"), [GOAL]), "rate")
    assert str(error.value) == (
        "The 11 recipes are no two-level design: the effect of A overlaps with others; ask drivers "
        "instead."
    )


def test_factors_of_two_strata(study):
    rows = batch(8, 2)
    gouge = Factor("gouge", stratum="tube", kind="numeric", unit="mm")
    with pytest.raises(ModelError, match=r"^Factors of tubes and factors of reeds have different"):
        made_once(study(rows, [gouge, SHAPE]), "crow")
