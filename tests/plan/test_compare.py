"""Two batches side by side, and classical recipes laid on cane."""

import numpy as np
import pandas as pd
import pytest

from reedlab import Factor
from reedlab.errors import CallError
from reedlab.plan import (
    central_composite,
    design_batch,
    fractional_factorial,
    full_factorial,
    lay_out,
    plackett_burman,
    resolution_of,
)

GOUGE = Factor("gouge", levels=(0.8, 1.0), stratum="tube", unit="mm")
SHAPE = Factor("shape", levels=("narrow", "wide"))
WIRE = Factor("wire", levels=("loose", "tight"))
SOAK = Factor("soak", levels=(60, 180), unit="minutes")


def cane(tubes=8, pieces=4, lots=1):
    return pd.DataFrame(
        {
            "tube_id": [f"T{i + 1}" for i in range(tubes)],
            "lot_id": [f"L{i * lots // tubes + 1}" for i in range(tubes)],
            "pieces": pieces,
        }
    )


def test_twice_the_reeds_have_twice_the_information():
    # Two balanced batches on the same number of reeds a tube: variances go with 1/n.
    small = design_batch([GOUGE, SHAPE], cane(8), 16, seed=1)
    large = design_batch([GOUGE, SHAPE], cane(16), 32, seed=1, batch_id="B2")
    found = large.compare(small)
    assert found.table["relative_efficiency"].tolist() == pytest.approx([2.0, 2.0])
    # Standard error of a difference between halves, averaged (geometrically) over tube
    # shares 0.1, 0.4, 0.7: tubes 2 sqrt((s + (1 - s)/2)/8), reeds 2 sqrt((1 - s)/16).
    s = np.array([0.1, 0.4, 0.7])
    by_hand = [2 * np.sqrt((s + (1 - s) / 2) / 8), 2 * np.sqrt((1 - s) / 16)]
    geometric = [np.exp(np.log(one).mean()) for one in by_hand]
    assert found.table["std_error_other"].tolist() == pytest.approx(geometric)
    assert (found.table["power"] > found.table["power_other"]).all()
    assert found.sentence.startswith(
        "B2 beside B1: over the 2 terms in common it has 2 times the information; gouge 2 times, "
        "found in "
    )
    turned = small.compare(large)
    assert turned.table["relative_efficiency"].tolist() == pytest.approx([0.5, 0.5])


def test_what_is_mixed_up_stands_side_by_side():
    full = lay_out(full_factorial([SHAPE, WIRE, SOAK]), seed=1)
    half = lay_out(fractional_factorial([SHAPE, WIRE, SOAK], runs=4), seed=1, batch_id="B2")
    found = half.compare(full).table.set_index("term")
    assert found.loc["shape", "mixed_with"] == "wire:soak"
    assert abs(found.loc["shape", "correlation"]) == pytest.approx(1)
    assert found["mixed_with_other"].isna().all()
    cautions = half.compare(full).cautions
    assert "B2: shape cannot be told from wire × soak." in cautions
    assert len(cautions) == 3


def test_the_picture_has_a_mark_for_each_batch_and_term():
    one = design_batch([SHAPE, WIRE], cane(), 16, seed=1)
    two = design_batch([SHAPE, WIRE], cane(), 24, seed=1)
    found = one.compare(two)
    ax = found.plot()
    drawn = [len(points.get_offsets()) for points in ax.collections]
    assert drawn == [2, 2]
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["the first", "the second"]
    offsets = np.concatenate([points.get_offsets()[:, 0] for points in ax.collections])
    expected = np.concatenate([found.table["power"], found.table["power_other"]])
    np.testing.assert_allclose(offsets, expected)


def test_batches_without_a_common_factor_cannot_be_compared():
    one, two = (design_batch([factor], cane(), 16, seed=1) for factor in (SHAPE, WIRE))
    with pytest.raises(CallError, match="B1 and B1 have no factor in common: there is nothing"):
        one.compare(two)


def test_recipes_are_all_made_once():
    recipes = fractional_factorial([SHAPE, WIRE, SOAK, Factor("bevel", (4, 6))], runs=8)
    batch = lay_out(recipes, cane(4), seed=3)
    names = [factor.name for factor in recipes.factors]
    made = batch.table[names].sort_values(names, ignore_index=True)
    wanted = recipes.table[names].sort_values(names, ignore_index=True)
    pd.testing.assert_frame_equal(made, wanted, check_dtype=False)
    assert (batch.table.groupby("tube_id").size() == 2).all()
    assert resolution_of(batch.table, recipes.factors) == "IV"
    assert batch.terms == tuple(names)  # two-factor interactions cannot be told apart


def test_a_block_has_a_tube_to_itself():
    recipes = full_factorial([SHAPE, WIRE, SOAK])
    blocked = fractional_factorial(list(recipes.factors), runs=8, blocks=2)
    batch = lay_out(blocked, cane(8, pieces=6, lots=2), seed=2)
    assert batch.table.groupby("tube_id").size().tolist() == [4, 4]
    assert batch.table["lot_id"].nunique() == 2
    # The interaction of all three is given up to the tubes: constant within each.
    high = {"shape": "wide", "wire": "tight", "soak": 180}
    product = np.prod([np.where(batch.table[n] == v, 1, -1) for n, v in high.items()], axis=0)
    assert batch.table.assign(product=product).groupby("tube_id")["product"].nunique().eq(1).all()


def test_a_surface_brings_its_own_levels():
    bevel = Factor("bevel", levels=(4, 8), unit="mm")
    batch = lay_out(central_composite([SOAK, bevel]), seed=1)
    factor = next(f for f in batch.factors if f.name == "bevel")
    assert factor.levels == (4, 6, 8)
    assert batch.terms == ("soak", "bevel", "soak:bevel", "soak:soak", "bevel:bevel")
    assert batch.estimates["den_df"].min() > 0


@pytest.mark.parametrize(
    ("recipes", "table", "message"),
    [
        (
            full_factorial([GOUGE, SHAPE]),
            cane(),
            "A classical design gives levels to reeds, and gouge is set for something larger: use "
            "design_batch, which knows tubes.",
        ),
        (
            fractional_factorial([SHAPE, WIRE, SOAK], runs=8, blocks=2),
            cane(pieces=3),
            "2 blocks of 4 recipes need 2 tubes of 4 pieces or more; 0 of these tubes yield as "
            "many: ask for smaller blocks, or add tubes.",
        ),
        (
            plackett_burman([SHAPE, WIRE, SOAK]),
            cane(tubes=2, pieces=1),
            "8 reeds need 8 pieces of cane; these 2 tubes yield 2: make 2 reeds, or add tubes.",
        ),
        (
            full_factorial([SHAPE, WIRE]),
            cane().drop(columns="pieces"),
            "The cane has no column 'pieces'; it needs tube_id and pieces (how many each tube "
            "still yields).",
        ),
    ],
)
def test_what_cannot_be_laid_out_is_refused(recipes, table, message):
    with pytest.raises(CallError) as raised:
        lay_out(recipes, table, seed=1)
    assert str(raised.value) == message
