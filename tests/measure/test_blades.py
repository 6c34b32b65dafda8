"""Blades against hand-computed examples, invented truth, and odd sheets."""

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from scipy.stats import t

from reedlab.errors import CallError, ModelError, RecordError
from reedlab.measure.blades import blades, blades_by_reed
from tests.study.build import opened

TIPS = (2.0, 5.0, 10.0, 15.0, 20.0, 25.0)
ACROSS = (-6.0, -3.0, 0.0, 3.0, 6.0)


def readings(rng, sd=0.006, trials=2, bumps=(), reed="R1", tips=TIPS, across=ACROSS):
    """Invented blades, equal but for the bumps {place: mm}, read by a gauge with that SD."""
    bumps = dict(bumps)
    rows = [
        (reed, "S1", blade, tip, x, mm + rng.normal(0, sd), trial)
        for blade in ("up", "down")
        for tip in tips
        for x in across
        for mm in [0.12 + 0.028 * tip - 0.0013 * tip * abs(x) + bumps.get((blade, tip, x), 0)]
        for trial in range(1, trials + 1)
    ]
    columns = ["reed_id", "session_id", "blade", "from_tip_mm", "across_mm", "thickness_mm"]
    return pd.DataFrame(rows, columns=[*columns, "trial"])


@pytest.fixture
def bumped():
    return readings(np.random.default_rng(2), bumps={("up", 10.0, -3.0): 0.06}.items())


def at(found, contrast, blade, tip, across):
    rows = found.table
    rows = rows[(rows["contrast"] == contrast) & (rows["blade"] == blade)]
    return rows[(rows["from_tip_mm"] == tip) & (rows["across_mm"] == across)].iloc[0]


def test_by_hand():
    # One row of places, two readings each; repeats differ by 2, 0, 4, 2, 2, 0 hundredths, so
    # the pooled variance is (2 + 0 + 8 + 2 + 2 + 0) / 6 = 14/6 in squares of 0.01 mm.
    values = {
        ("up", -3): (50, 52), ("up", 0): (60, 60), ("up", 3): (40, 44),
        ("down", -3): (45, 47), ("down", 0): (62, 60), ("down", 3): (49, 49),
    }  # fmt: skip
    rows = [
        ("R1", "S1", blade, 10, x, mm / 100, trial)
        for (blade, x), both in values.items()
        for trial, mm in enumerate(both, 1)
    ]
    columns = ["reed_id", "session_id", "blade", "from_tip_mm", "across_mm", "thickness_mm"]
    found = blades(pd.DataFrame(rows, columns=[*columns, "trial"]))
    sd = (14 / 6) ** 0.5 / 100
    assert found.gauge["estimate"].to_list() == pytest.approx([sd, 2.8 * sd])
    assert found.gauge["df"].to_list() == [6, 6]
    expected = {
        ("left − right", "up", -3): 0.51 - 0.42,
        ("left − right", "down", -3): 0.46 - 0.49,
        # The left of the up blade faces the right of the down blade.
        ("up − down", "up", -3): 0.51 - 0.49,
        ("up − down", "up", 0): 0.60 - 0.61,
        ("up − down", "up", 3): 0.42 - 0.46,
    }
    assert len(found.table) == len(expected)
    least = t.ppf(0.975, 6) * sd  # two means of two: root(1/2 + 1/2)
    for (contrast, blade, across), difference in expected.items():
        row = at(found, contrast, blade, 10, across)
        assert row["estimate"] == pytest.approx(difference)
        assert row["other_across_mm"] == -across
        assert row["other_blade"] == (blade if contrast == "left − right" else "down")
        limits = [difference - least, difference + least]
        assert [row["conf_low"], row["conf_high"]] == pytest.approx(limits)
        assert row["least"] == pytest.approx(least)
        assert row["beyond"] == (abs(difference) > least)
    assert found.thickness["estimate"].to_list() == pytest.approx(
        [0.51, 0.60, 0.42, 0.46, 0.61, 0.49]
    )


def test_the_sentence_says_where_and_not_how_much_to_take_off(bumped):
    found = blades(bumped)
    largest = found.shown.iloc[0]
    assert (largest["blade"], largest["from_tip_mm"], largest["across_mm"]) == ("up", 10, -3)
    assert "up blade, 10 mm from the tip, 3 mm left, 0.0" in found.sentence
    assert "mm thicker than its mirror place (95 % 0.0" in found.sentence
    assert found.sentence.endswith("How much to take off it does not say.")
    row = at(found, "left − right", "up", 10, -3)
    assert row["conf_low"] < 0.06 < row["conf_high"]
    assert "about 2.7 would be by chance, were the blades equal" in found.sentence
    assert found.cautions[0].startswith("The map shows where to look, never how much to take off")
    assert any("Knives and reamers are sharp" in text for text in found.cautions)


def test_swapped_blades_and_mirrored_sides_swap_signs(bumped):
    found = blades(bumped)
    turned = blades(bumped.assign(blade=bumped["blade"].map({"up": "down", "down": "up"})))
    mirrored = blades(bumped.assign(across_mm=-bumped["across_mm"]))
    for row in found.table.to_dict("records"):
        place = row["from_tip_mm"], row["across_mm"]
        if row["contrast"] == "up − down":
            # Turned over, the place that faced it has its name.
            other = at(turned, "up − down", "up", place[0], -place[1])
            assert other["estimate"] == pytest.approx(-row["estimate"])
            same = at(mirrored, "up − down", "up", place[0], -place[1])
            assert same["estimate"] == pytest.approx(row["estimate"])
        else:
            blade = "down" if row["blade"] == "up" else "up"
            same = at(turned, "left − right", blade, *place)
            assert same["estimate"] == pytest.approx(row["estimate"])
            other = at(mirrored, "left − right", row["blade"], *place)
            assert other["estimate"] == pytest.approx(-row["estimate"])
    shuffled = blades(bumped.sample(frac=1, random_state=1))
    pd.testing.assert_frame_equal(shuffled.table, found.table)


def judged_places(rng, reeds, **how):
    return pd.concat([blades(readings(rng, **how)).table for _ in range(reeds)])


def test_equal_blades_show_a_difference_in_one_place_of_twenty():
    # Quick: 60 equal reeds, 3,240 comparisons; the slow test has 2,000 reeds.
    table = judged_places(np.random.default_rng(11), 60)
    assert table["beyond"].mean() == pytest.approx(0.05, abs=0.015)


@pytest.mark.slow
def test_share_of_false_differences_and_power_over_2000_reeds():
    rng = np.random.default_rng(12)
    sd, step, trials = 0.012, 0.03, 2
    few = {"tips": (5.0, 10.0, 20.0), "across": (-4.0, 0.0, 4.0), "sd": sd, "trials": trials}
    false = judged_places(rng, 2000, **few)["beyond"].mean()
    table = judged_places(rng, 2000, bumps={("up", 10.0, -4.0): step}.items(), **few)
    real = table[(table["from_tip_mm"] == 10) & (table["blade"] == "up")]
    real = real[(real["across_mm"] == -4) & (real["contrast"] == "left − right")]
    df = 18 * (trials - 1)
    shift = step / (sd * (2 / trials) ** 0.5)
    from scipy.stats import nct

    power = nct.sf(t.ppf(0.975, df), df, shift) + nct.cdf(-t.ppf(0.975, df), df, shift)
    inside = ((real["conf_low"] < step) & (step < real["conf_high"])).mean()
    print(false, real["beyond"].mean(), power, inside)
    assert false == pytest.approx(0.05, abs=0.004)
    assert real["beyond"].mean() == pytest.approx(power, abs=0.02)
    assert inside == pytest.approx(0.95, abs=0.015)


def test_without_repeats_there_is_no_yardstick(bumped):
    once = bumped[bumped["trial"] == 1]
    found = blades(once)
    assert not found.table["beyond"].any()
    assert found.table[["std_error", "conf_low", "least"]].isna().all(axis=None)
    assert found.gauge.empty
    assert found.sentence.startswith("Without repeats the gauge has no yardstick")
    assert any("No place was read twice" in text for text in found.cautions)
    stepped = blades(once, resolution_mm=0.02)
    assert (stepped.table["least"] == 0.02).all()
    assert stepped.table["beyond"].equals(stepped.table["estimate"].abs() > 0.02)
    assert "by chance" not in stepped.sentence
    with pytest.raises(
        CallError, match=r"resolution_mm is '0\.01'; a step of the gauge is above 0"
    ):
        blades(bumped, resolution_mm="0.01")
    with pytest.raises(CallError, match="resolution_mm is 0"):
        blades(once, resolution_mm=0)


def test_repeats_that_never_differ_are_no_yardstick(bumped):
    coarse = bumped.assign(thickness_mm=(bumped["thickness_mm"] / 0.1).round() * 0.1)
    coarse["thickness_mm"] = coarse.groupby(["blade", "from_tip_mm", "across_mm"])[
        "thickness_mm"
    ].transform("first")
    coarse.loc[(coarse["blade"] == "up") & (coarse["from_tip_mm"] == 2), "thickness_mm"] += 0.1
    found = blades(coarse)
    assert not found.table["beyond"].any()
    assert found.sentence.startswith("No repeat differs from its first reading")
    assert any("the steps of the gauge hide" in text for text in found.cautions)
    # With its step stated, one step is no difference yet.
    stepped = blades(coarse, resolution_mm=0.1)
    one_step = stepped.table["estimate"].abs().between(0.09, 0.11)
    assert one_step.any()
    assert not stepped.table.loc[one_step, "beyond"].any()


def test_places_read_more_often_have_a_finer_yardstick(bumped):
    more = bumped[(bumped["from_tip_mm"] == 10) & (bumped["across_mm"].abs() == 3)]
    found = blades(pd.concat([bumped, more.assign(trial=more["trial"] + 2)], ignore_index=True))
    fine, plain = (at(found, "left − right", "up", tip, -3)["least"] for tip in (10, 15))
    assert fine / plain == pytest.approx((1 / 4 + 1 / 4) ** 0.5)


def test_missing_partners_are_named(bumped):
    hole = (bumped["blade"] == "up") & (bumped["from_tip_mm"] == 5) & (bumped["across_mm"] == 6)
    found = blades(bumped[~hole])
    said = next(text for text in found.cautions if text.startswith("Not compared"))
    assert "up blade, 5 mm from the tip, 6 mm left has no mirror place" in said
    assert "down blade, 5 mm from the tip, 6 mm left has no place that faces it" in said
    assert len(found.table) == len(blades(bumped).table) - 2
    with pytest.raises(ModelError, match=r"No place has a mirror place .* left negative"):
        blades(
            bumped[bumped["across_mm"] != 0]
            .assign(across_mm=lambda d: d["across_mm"].abs() + (d["blade"] == "up"))
            .drop_duplicates(["blade", "from_tip_mm", "across_mm", "trial"])
        )


def test_a_missing_thickness_is_counted(bumped):
    gap = bumped.assign(thickness_mm=bumped["thickness_mm"].where(bumped.index != 7))
    found = blades(gap)
    assert found.left_out.to_dict("records") == [
        {"file": "the table", "row": 7, "fault": "thickness_mm missing"}
    ]
    assert "Left out, thickness_mm missing: rows 7." in found.cautions
    assert found.rows_used == len(bumped) - 1


def test_every_fault_of_a_sheet_is_named_at_once(bumped):
    wrong = bumped.astype({"thickness_mm": object, "blade": object})
    wrong.loc[0, "thickness_mm"] = 45.0
    wrong.loc[3, "thickness_mm"] = "0,45"
    wrong.loc[5, "blade"] = "top"
    wrong.loc[8, "across_mm"] = np.nan
    wrong.loc[11, "trial"] = 1
    with pytest.raises(RecordError) as error:
        blades(wrong)
    lines = str(error.value).splitlines()
    assert lines[0] == "the table, row 0: thickness_mm is 45; possible is 0.01 to 10 mm."
    assert lines[1] == "the table, row 3: thickness_mm is '0,45', which is no number."
    assert lines[2] == "the table, row 5: blade is 'top'; write up or down."
    assert lines[3].startswith("the table, row 8: across_mm is missing")
    assert lines[4].startswith("the table, rows 10, 11: up blade, 5.0 mm from the tip, -6.0 mm")
    assert "stands more than once" in lines[4]
    assert len(lines) == 5


def test_one_blade_or_mixed_reeds_are_refused(bumped):
    with pytest.raises(ModelError, match="Reed R1 has no reading of the down blade"):
        blades(bumped[bumped["blade"] == "up"])
    two = pd.concat([bumped, bumped.assign(reed_id="R2")], ignore_index=True)
    with pytest.raises(RecordError, match=r'2 reeds \(R1, R2\).*choose one, reed_id="R1"'):
        blades(two)
    assert blades(two, "R2").question == "Where are the blades of reed R2 unequal?"
    with pytest.raises(CallError, match="There is no reed 'R3'"):
        blades(two, "R3")
    later = pd.concat([bumped, bumped.assign(session_id="S2")], ignore_index=True)
    with pytest.raises(RecordError, match=r"2 sessions .* scraping in between"):
        blades(later)
    with pytest.raises(CallError, match="no column thickness_mm, trial"):
        blades(bumped.drop(columns=["thickness_mm", "trial"]))
    found = blades_by_reed(pd.concat([two, later[later["session_id"] == "S2"]]))
    assert list(found) == [("R1", "S1"), ("R2", "S1"), ("R1", "S2")]
    broken = two[(two["reed_id"] == "R1") | (two["blade"] == "up")]
    with pytest.raises(ModelError, match="Reed R2 has no reading of the down blade"):
        blades_by_reed(broken)


def test_what_is_no_table_of_readings_is_refused(bumped):
    with pytest.raises(CallError, match="data is a dict; give a study, or a table"):
        blades(bumped.to_dict("list"))
    with pytest.raises(RecordError, match="More than one column is named blade; name them apart"):
        blades(pd.concat([bumped, bumped[["blade"]]], axis=1))


def test_a_reed_called_by_a_number_is_found_by_number_and_text(bumped):
    numbered = pd.concat([bumped.assign(reed_id=7), bumped.assign(reed_id=8)], ignore_index=True)
    assert blades(numbered, "7").table.equals(blades(numbered, 7).table)


def test_a_study_has_its_blades(tmp_path, bumped):
    csv = bumped.round(3).to_csv(index=False)
    sheets = {"reeds": "reed_id\nR1\n", "sessions": "session_id\nS1\n"}
    study = opened(tmp_path / "study", blades=csv, **sheets)
    found = blades(study)
    assert found.rows_used == len(bumped)
    assert found.table["estimate"].to_list() == pytest.approx(
        blades(bumped.round(3)).table["estimate"].to_list()
    )
    bare = opened(tmp_path / "bare", **sheets)
    with pytest.raises(CallError, match="no table blades"):
        blades(bare)


def test_the_smooth_follows_the_spine(bumped):
    found = blades(bumped)
    up = found.profile[found.profile["blade"] == "up"]
    assert up["fitted"].to_numpy() == pytest.approx(0.12 + 0.028 * up["from_tip_mm"], abs=0.012)
    short = blades(bumped[bumped["from_tip_mm"] < 20])
    assert short.profile.empty
    assert "Only 4 places were read on the spine of the up blade" in " ".join(short.cautions)
    no_spine = blades(bumped[bumped["across_mm"] != 0])
    with pytest.raises(ModelError, match="No reading lies on the spine"):
        no_spine.plot_profile()


def test_the_map_prints_what_is_beyond_the_yardstick(bumped):
    found = blades(bumped)
    ax = found.plot()
    texts = [text.get_text() for text in ax.texts]
    thickness = [f"{value:.2f}" for value in found.thickness["estimate"]]
    assert texts[: len(thickness) // 2] == thickness[: len(thickness) // 2]
    beyond = found.table["beyond"]
    both_sides = (beyond & (found.table["contrast"] == "left − right")).sum()
    facing = (beyond & (found.table["contrast"] == "up − down")).sum()
    signed = [text for text in texts if text[0] in "+−"]
    assert len(signed) == 2 * both_sides + facing
    # The tip is up.
    low, high = ax.get_ylim()
    assert low > high
    # Blank cells are white.
    blank = sum(patch.get_facecolor() == (1, 1, 1, 1) for patch in ax.patches)
    assert blank == len(ax.patches) - len(thickness) - len(signed)
    ax = found.plot_profile()
    points = sum(len(line.get_xdata()) for line in ax.lines if line.get_linestyle() == "None")
    assert points == (bumped["across_mm"] == 0).sum()
    plt.close("all")


def test_narrow_cells_are_written_in_hundredths():
    table = readings(np.random.default_rng(4), across=tuple(np.arange(-5.0, 6.0)))
    ax = blades(table).plot()
    texts = [text.get_text() for text in ax.texts]
    assert "up blade,\nthickness, 0.01 mm" in texts
    assert any(text.isdigit() for text in texts)
    plt.close("all")
