"""The race's figures are what they say, in tables that a terminal of 100 columns shows."""

from dataclasses import replace

import pandas as pd
import pytest

from reedlab.demo.workshop import open_workshop
from tests.bench.workshop.handiwork import make_one
from tests.bench.workshop.judge import figures
from tests.bench.workshop.makers import MAKERS
from tests.bench.workshop.picture import draw_race, draw_seasons
from tests.bench.workshop.settings import ORDINARY, SENSITIVITY, Setting, setting
from tests.bench.workshop.telling import WORDS, for_developers, for_makers, report, table

RATES = {"habit": 4.0, "one at a time": 4.0, "plain ANOVA": 5.0, "reedlab": 7.0, "oracle": 9.0}


def outcomes(one: Setting = ORDINARY) -> pd.DataFrame:
    """Forty worlds in which it is plain what comes out."""
    return pd.DataFrame(
        [
            one.columns
            | {
                "seed": seed,
                "maker": maker,
                "rate": rate + seed % 2,
                "late_rate": rate - 0.5 * (maker == "reedlab") * (seed % 4),
                "good_made": 30,
                "good_stopped": 3 * (maker == "reedlab"),
                "false_beliefs": int(maker == "plain ANOVA" and seed <= 10),
                "true_beliefs": 1,
                "pieces": 110,
            }
            for seed in range(1, 41)
            for maker, rate in RATES.items()
        ]
    )


def test_the_figures_are_what_they_say():
    found = figures(outcomes()).set_index(["maker", "figure"])
    share = found.loc[("reedlab", "share of the oracle's gain")]
    assert tuple(share) == pytest.approx((0.6, 0.6, 0.6))
    late = found.loc[("reedlab", "late share of the oracle's gain")]
    assert late["estimate"] == pytest.approx((3 - 0.75) / 5)
    assert late["conf_low"] < late["estimate"] < late["conf_high"]
    assert found.loc[("habit", "share of the oracle's gain"), "estimate"] == 0
    assert found.loc[("plain ANOVA", "rate against habit's"), "estimate"] == pytest.approx(
        5.5 / 4.5
    )
    assert found.loc[("plain ANOVA", "false beliefs"), "estimate"] == 0.25
    assert found.loc[("reedlab", "good thrown away early"), "estimate"] == pytest.approx(0.1)
    assert found.loc[("reedlab", "beats plain ANOVA"), "estimate"] == 1
    assert ("plain ANOVA", "beats plain ANOVA") not in found.index


def test_a_share_of_worlds_that_is_all_or_none_has_an_interval():
    """Wilson's interval of 40 of 40 reaches down to n / (n + z²)."""
    found = figures(outcomes()).set_index(["maker", "figure"])
    every = found.loc[("reedlab", "beats plain ANOVA")]
    assert tuple(every) == pytest.approx((1, 40 / (40 + 1.959964**2), 1))
    none = found.loc[("reedlab", "worlds with a false belief")]
    assert tuple(none) == pytest.approx((0, 0, 1.959964**2 / (40 + 1.959964**2)))


def test_worlds_that_not_every_maker_worked_are_not_counted():
    broken = outcomes().iloc[:-2]
    assert "ordinary worlds: 39 worlds" in report(broken)
    with pytest.raises(ValueError, match="no world that every maker worked"):
        figures(outcomes().query("(maker == 'habit') == (seed < 20)"))


def test_a_share_of_a_gain_that_may_be_none_is_not_told():
    alike = outcomes()
    alike.loc[alike["maker"] == "oracle", "late_rate"] = 4.0 + 3.0 * (-1.0) ** alike["seed"]
    found = figures(alike).set_index(["maker", "figure"])["estimate"]
    assert pd.isna(found[("reedlab", "late share of the oracle's gain")])
    assert found[("reedlab", "share of the oracle's gain")] == pytest.approx(0.6)
    assert table(alike).count("% of the oracle's gain") == 1


def test_makers_and_figures_stand_in_their_order():
    found = figures(outcomes().sample(frac=1, random_state=1))
    assert [*found["maker"].unique()] == [*MAKERS]
    assert {*found["figure"]} == {*WORDS}


@pytest.mark.parametrize("away", ["oracle", "plain ANOVA", "habit"])
def test_nobody_is_set_beside_a_maker_who_is_not_there(away):
    found = figures(outcomes().query("maker != @away"))
    assert not found["figure"].str.contains(away).any()
    assert away not in set(found["maker"])


def test_a_table_is_read_in_a_terminal():
    lines = table(outcomes()).splitlines()
    assert max(map(len, lines)) <= 100
    assert lines[0].split("  ")[-1].strip() == "oracle"
    beats = next(place for place, line in enumerate(lines) if "worlds better than" in line)
    assert lines[beats].split()[-2:] == ["100", "100"]
    assert lines[beats + 1].endswith("91 to 100")


def test_minus_signs_are_real_and_nothing_is_minus_nothing():
    worse = outcomes()
    worse.loc[worse["maker"] == "one at a time", ["rate", "late_rate"]] -= 1.0
    assert "−20" in table(worse)
    assert "-" not in table(worse)
    assert "−0 " not in table(worse)


def test_a_report_has_a_table_a_kind_and_a_line_a_changed_setting():
    every = [setting("hopeless"), *dict.fromkeys(one for _, one in SENSITIVITY)]
    told = report(pd.concat(map(outcomes, every)))
    assert "hopeless worlds: 40 worlds" in told
    assert "ordinary worlds: 40 worlds" in told
    assert max(map(len, told.splitlines())) <= 100
    for words, _ in SENSITIVITY:
        assert sum(line.startswith(f"{words} ") for line in told.splitlines()) == 1


def test_a_changed_setting_by_itself_has_its_whole_table():
    told = report(outcomes(replace(ORDINARY, batch=12)))
    assert told.startswith("ordinary worlds, batch 12: 40 worlds")
    assert "good reeds in 100 hours" in told


def test_the_texts_are_told_what_was_measured():
    both = pd.concat([outcomes(), outcomes(setting("hopeless"))])
    rows = for_makers(both).splitlines()
    assert [cell.strip() for cell in rows[0].split("|")[2:-1]] == [*MAKERS]
    assert len({row.count("|") for row in rows}) == 1
    assert rows[2].startswith("| good reeds in 100 hours, last third | 4.0 |")
    assert rows[-1].startswith("| where the recipe does nothing: ")
    assert len(for_developers(outcomes()).splitlines()) == 2 + 3


def test_the_picture_shows_every_world_and_the_means():
    ax = draw_race(outcomes())
    shown = ax.lines[0].get_xydata()
    assert len(shown) == 40 * len(MAKERS)
    assert [tick.get_text() for tick in ax.get_xticklabels()] == [*MAKERS]
    means = ax.containers[0].lines[0].get_ydata()
    assert [*means] == pytest.approx([4, 4, 5, 6.25, 9])
    assert "40 invented workshops" in ax.get_xlabel()


def test_a_season_is_drawn_as_good_reeds_by_the_hour():
    shop, hidden = open_workshop("easy", 3, hours=40)
    for _ in range(8):
        shop.finish(make_one(shop, {}))
    good = hidden.table.query("good")
    ax = draw_seasons({"as usual": hidden})
    line = ax.lines[0].get_xydata()
    assert line[-1].tolist() == pytest.approx([good["minute"].max() / 60, len(good)])
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["as usual"]
