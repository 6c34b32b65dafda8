"""The invented workshop: the same from the same seed, its truth hidden, nothing for nothing."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from reedlab.demo.workshop import KINDS, SeasonOverError, Workshop, open_workshop
from reedlab.demo.workshop.assumed import (
    CANE_MINUTES,
    DESK_MINUTES,
    FACTORS,
    MAKE_MINUTES,
    MEASURING_MINUTES,
    STAGE_MINUTES,
    TEST_MINUTES,
    USUAL,
)
from reedlab.demo.workshop.playing import rating
from reedlab.errors import CallError
from reedlab.study import write_study

FULL = MAKE_MINUTES + sum(STAGE_MINUTES) + 3 * MEASURING_MINUTES


def first_tube(shop):
    return shop.cane["tube_id"].iloc[0]


def made(shop, recipe=None):
    reed = None
    while reed is None:
        reed = shop.make(first_tube(shop), recipe or {})
    return reed


def some_work(shop):
    reeds = [made(shop, {"shape": "wide"}) for _ in range(4)]
    seen = [shop.test(reed) for reed in reeds]
    shop.stop(reeds[0])
    return seen, [shop.finish(reed) for reed in reeds[1:]]


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_seed_gives_the_same_world(kind):
    one, other, third = (open_workshop(kind, seed) for seed in (4, 4, 5))
    assert some_work(one[0]) == some_work(other[0])
    for name, table in one[0].record.tables().items():
        pd.testing.assert_frame_equal(table, other[0].record.tables()[name])
    pd.testing.assert_frame_equal(one[1].table, other[1].table)
    assert one[1].best == other[1].best
    assert some_work(third[0]) != some_work(open_workshop(kind, 4)[0])


def test_the_same_piece_by_the_same_recipe_is_the_same_reed_whatever_was_done_before():
    busy, calm = open_workshop("ordinary", 2)[0], open_workshop("ordinary", 2)[0]
    busy.sit_down()
    tube = busy.cane["tube_id"].iloc[3]
    shops = (busy, calm)
    reeds = [shop.make(tube, {"bevel_mm": 5.0}) for shop in shops]
    for _ in range(3):
        shops[1].make(first_tube(calm), {})
    tests = [shop.test(reed) for shop, reed in zip(shops, reeds, strict=True)]
    assert busy._reeds[reeds[0]].worth == calm._reeds[reeds[1]].worth
    assert tests[0]["dynamic_range_db"] == pytest.approx(tests[1]["dynamic_range_db"], abs=4)


def test_what_a_maker_can_reach_holds_nothing_of_the_truth():
    shop, hidden = open_workshop("ordinary", 3)
    some_work(shop)
    public = [name for name in dir(shop) if not name.startswith("_")]
    shown = [getattr(shop, name) for name in public if not callable(getattr(shop, name))]
    plain = (int, float, tuple, dict, pd.DataFrame, type(shop.record))
    assert all(isinstance(value, plain) for value in shown)
    secret = {"worth", "good", "stiffness", "crow", "span", "taste"}
    tables = [shop.cane, *shop.record.tables().values()]
    assert not secret & {column for table in tables for column in table}
    assert not any("hidden" in name for name in public)
    assert hidden.table["good"].notna().all()


def test_every_minute_is_accounted_for():
    shop, hidden = open_workshop("ordinary", 6)
    spent = 0.0
    for tube in shop.cane["tube_id"].head(8):
        reed = shop.make(tube, {})
        spent += CANE_MINUTES if reed is None else MAKE_MINUTES
        if reed is None:
            continue
        shop.test(reed)
        shop.retest(reed)
        spent += STAGE_MINUTES[0] + TEST_MINUTES + 2 * MEASURING_MINUTES
        shop.finish(reed, measure=False)
        spent += sum(STAGE_MINUTES[1:])
    shop.sit_down()
    assert shop.minutes_spent == spent + DESK_MINUTES
    assert shop.minutes_left == shop.season_minutes - shop.minutes_spent
    lost = CANE_MINUTES * (8 - len(hidden.table))
    assert hidden.work["minutes"].sum() == pytest.approx(spent - lost)


def test_a_piece_of_cane_is_used_once_and_the_shelf_empties():
    shop, hidden = open_workshop("hopeless", 2)
    before = shop.cane["pieces"].sum()
    tube = first_tube(shop)
    pieces = int(shop.cane["pieces"].iloc[0])
    reeds = [shop.make(tube, {}) for _ in range(pieces)]
    assert tube not in set(shop.cane["tube_id"])
    assert shop.cane["pieces"].sum() == before - pieces == before - shop.pieces_used
    assert len(hidden.table) == sum(reed is not None for reed in reeds)
    with pytest.raises(CallError, match="tube on the shelf"):
        shop.make(tube, {})


def test_cane_comes_lot_by_lot():
    shop, _ = open_workshop("hopeless", 2, hours=10)
    assert shop.cane["lot_id"].nunique() == 2
    while shop.minutes_left > DESK_MINUTES:
        shop.sit_down()
    assert shop.cane["lot_id"].nunique() == 10


def test_when_the_season_is_over_nothing_is_done():
    shop, hidden = open_workshop("ordinary", 2, hours=(MAKE_MINUTES + 20) / 60)
    reed = made(shop)
    spent = shop.minutes_spent
    with pytest.raises(SeasonOverError, match=r"minutes left; this takes 142\."):
        shop.finish(reed)
    with pytest.raises(SeasonOverError):
        shop.make(first_tube(shop), {})
    assert shop.minutes_spent == spent
    assert hidden.table["ended"].tolist() == [""]


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        (lambda shop, reed: shop.test("R999"), "no reed"),
        (lambda shop, reed: shop.make(first_tube(shop), {"shapes": "wide"}), "shape"),
        (lambda shop, reed: shop.make(first_tube(shop), {"shape": "round"}), "wide"),
        (lambda shop, reed: shop.make(first_tube(shop), {"bevel_mm": 20}), "between 4 and 9"),
        (lambda shop, reed: shop.retest(reed), "not played yet"),
        (lambda shop, reed: (shop.stop(reed), shop.test(reed)), "stopped already"),
        (lambda shop, reed: [shop.test(reed) for _ in range(3)], "finish it, or stop"),
        (lambda shop, reed: open_workshop("odd"), "kind of workshop"),
    ],
)
def test_what_cannot_be_done_is_said(wrong, message):
    shop, _ = open_workshop("ordinary", 2)
    reed = made(shop)
    with pytest.raises(CallError, match=message):
        wrong(shop, reed)


def test_in_a_hopeless_world_no_factor_does_anything():
    rng = np.random.default_rng(1)
    for seed in range(1, 6):
        _, hidden = open_workshop("hopeless", seed)
        recipes = [
            {f.name: f.levels[rng.integers(len(f.levels))] for f in FACTORS} for _ in range(20)
        ]
        assert hidden.matters == frozenset()
        assert hidden.nature.good_share(recipes) == pytest.approx(0.25, abs=1e-3)
        assert hidden.best == USUAL


@pytest.mark.parametrize("kind", ["easy", "ordinary"])
def test_the_best_recipe_makes_the_share_of_good_reeds_that_the_kind_says(kind):
    for seed in range(1, 6):
        _, hidden = open_workshop(kind, seed)
        assert hidden.good_share(hidden.best) == pytest.approx(KINDS[kind].best_good, abs=0.01)
        assert hidden.good_share(USUAL) == pytest.approx(0.25, abs=1e-3)
        assert len(hidden.matters) == KINDS[kind].active
        nothing = [f for f in FACTORS if f.name not in hidden.matters]
        for factor in nothing:
            changed = {**hidden.best, factor.name: factor.levels[-1]}
            assert hidden.good_share(changed) == hidden.good_share(hidden.best)


@pytest.mark.parametrize("agreement", [0.3, 0.55, 0.8])
def test_ratings_repeat_as_well_as_asked(agreement):
    _, hidden = open_workshop("ordinary", 3, agreement=agreement)
    rng = np.random.default_rng(2)
    worths = rng.choice(hidden.nature.usual_worth, 2500)
    said = np.array([[rating(hidden.nature, w, rng) for _ in range(2)] for w in worths])
    between, within = said.mean(axis=1).var(ddof=1), said.var(axis=1, ddof=1).mean()
    agreed = (2 * between - within) / (2 * between + within)  # ICC(1,1), Shrout & Fleiss 1979
    assert agreed == pytest.approx(agreement, abs=0.06)


@pytest.mark.parametrize("share", [0.1, 0.4, 0.7])
def test_tubes_make_the_asked_share_of_what_reeds_of_a_lot_differ_by(share):
    between = []
    for seed in range(1, 13):
        _, hidden = open_workshop("hopeless", seed, tube_share=share)
        cane = hidden.cane
        own = (
            cane.shifts[:, 2]
            - pd.Series(cane.shifts[:, 2])
            .groupby(cane.readings["lot_id"])
            .transform("mean")
            .to_numpy()
        )
        pieces = cane.pieces[:, :, 2, 0]
        tube = own.var() * 10 / 9
        between.append(tube / (tube + pieces.var()))
    assert np.mean(between) == pytest.approx(share, abs=0.04)


def test_a_first_test_foretells_the_end_only_in_part():
    _, hidden = open_workshop("ordinary", 3)
    seen = hidden.foretold(USUAL, 1500, seed=1)
    told = seen["dynamic_range_db"].corr(seen["good"].astype(float))
    assert 0.2 < told < 0.6


def test_half_the_year_is_more_humid_than_the_other():
    shop, _ = open_workshop("hopeless", 5, hours=300)
    while shop.minutes_left > FULL:
        shop.finish(made(shop))
    held = shop.record.tables()["sessions"]
    months = held.groupby(held["started_at"].dt.month)["relative_humidity_pct"].mean()
    assert months.loc[6:8].mean() > 50 > 42 > months.loc[[1, 2, 12]].mean()


def test_the_record_is_a_sound_study(tmp_path):
    shop, _ = open_workshop("ordinary", 8)
    some_work(shop)
    study = write_study(tmp_path / "study", shop.record.tables(), shop.record.settings())
    assert study.settings.invented
    assert len(study.check().table) == 0
    assert [stage.minutes for stage in study.settings.stages][-1] + CANE_MINUTES == FULL


def test_a_kind_may_be_changed_for_a_sensitivity():
    assert replace(KINDS["ordinary"], tube_share=0.7).tube_share == 0.7
    assert isinstance(open_workshop("ordinary", 1, tube_share=0.7)[0], Workshop)
