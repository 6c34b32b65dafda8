"""Every answer on the two invented studies: table, sentence, cautions and counts agree."""

import html
import re
from dataclasses import FrozenInstanceError

import numpy as np
import pandas as pd
import pytest

from reedlab.analyse import drivers, keep_rate, sources
from reedlab.answer import number_text, percent_text
from reedlab.schema import Factor, Response
from reedlab.study import BatchRecord
from tests.analyse.build import CROW, KEPT, batch, flat_study

BOTH = pytest.mark.parametrize("which", ["batch", "season"])


@pytest.fixture
def pair(which, request):
    return tuple(request.getfixturevalue(f"{part}_{which}") for part in ("demo", "found"))


def holm(p):
    """Holm (1979) by hand: the smallest times m, the next times m - 1, never falling, at most 1."""
    order = np.argsort(p)
    adjusted = np.empty(len(p))
    highest = 0.0
    for rank, place in enumerate(order):
        highest = max(highest, min(1.0, (len(p) - rank) * p[place]))
        adjusted[place] = highest
    return adjusted


@BOTH
def test_p_values_are_corrected_over_the_factors_looked_at(pair):
    _, found = pair
    assert len(found.drivers) >= 5
    for answer in found.drivers.values():
        terms = answer.table.drop_duplicates("term")
        expected = holm(terms["p_value"].to_numpy())
        assert terms["p_adjusted"].to_numpy() == pytest.approx(expected, rel=1e-12)


def test_a_category_of_three_levels_counts_once_for_the_correction(study):
    rows = batch().assign(profile=np.resize(["A", "B", "C"], 24))
    table = drivers(study(rows, [Factor("profile"), Factor("shape")]), "crow").table
    assert table["term"].tolist() == ["profile", "profile", "shape"]
    terms = table.drop_duplicates("term")
    assert terms["p_adjusted"].to_numpy() == pytest.approx(holm(terms["p_value"].to_numpy()))


@BOTH
def test_every_row_of_the_file_is_used_or_left_out_with_a_reason(pair):
    study, found = pair
    for name, answer in [*found.drivers.items(), *found.sources.items(), ("kept", found.kept)]:
        table = study.response(name).table
        rows = study.tables[table].index
        assert answer.rows_used + len(answer.left_out) == len(rows)
        left = answer.left_out["row"]
        assert left.is_unique
        assert set(left) <= set(rows)
        assert set(answer.left_out["file"]) <= {f"{table}.csv"}
        assert answer.left_out["fault"].str.len().gt(5).all()


def test_gaps_are_left_out_by_name_and_no_row_beside_them(demo_season):
    found = drivers(demo_season, "crow_cents", ["gouge_centre_mm", "relative_humidity_pct"])
    tests, sessions = demo_season.tables["tests"], demo_season.tables["sessions"]
    dry = sessions.loc[sessions["relative_humidity_pct"].isna(), "session_id"]
    silent = tests["crow_cents"].isna()
    expected = pd.concat(
        [
            pd.Series("crow_cents not recorded", tests.index[silent]),
            pd.Series(
                "relative_humidity_pct not recorded",
                tests.index[tests["session_id"].isin(dry) & ~silent],
            ),
        ]
    ).sort_index()
    assert found.left_out.set_index("row")["fault"].to_dict() == expected.to_dict()
    assert found.fit.n == found.rows_used == len(tests) - len(expected)


@BOTH
def test_units_are_counted_at_the_stratum_of_the_factor(pair):
    study, found = pair
    for name, answer in found.drivers.items():
        rows = study.tables[study.response(name).table].drop(index=answer.left_out["row"])
        tubes = study.tables["tubes"].set_index("tube_id")
        reeds = study.tables["reeds"].set_index("reed_id").loc[rows["reed_id"].unique()]
        units = {
            "reed": len(reeds),
            "tube": reeds["tube_id"].nunique(),
            "lot": tubes.loc[reeds["tube_id"], "lot_id"].nunique(),
            "session": rows["session_id"].nunique() if "session_id" in rows else 0,
        }
        for row in answer.table.to_dict("records"):
            assert row["stratum"] == study.factor(row["term"]).stratum
            assert row["n_units"] == units[row["stratum"]]
            assert (row["n_tubes"], row["n_reeds"]) == (units["tube"], units["reed"])


def test_a_planned_batch_is_randomised_and_a_season_observed(found_batch, found_season):
    for found, grade in ((found_batch, "randomised"), (found_season, "observed")):
        grades = {g for answer in found.drivers.values() for g in answer.table["evidence"]}
        assert grades == {grade}
    assert any("association" in text for text in found_season.cautions)
    assert not any("association" in text for text in found_batch.cautions)


def test_one_reed_outside_the_plan_makes_the_whole_comparison_observed(tmp_path):
    rows = batch().assign(batch_id="B1")
    planned = [BatchRecord("B1", ("shape",))]
    shape = Factor("shape", ("narrow", "wide"))
    inside = flat_study(tmp_path / "in", rows, [shape], [CROW], batches=planned)
    assert drivers(inside, "crow").table["evidence"].tolist() == ["randomised"]
    rows.loc[5, "batch_id"] = None
    outside = flat_study(tmp_path / "out", rows, [shape], [CROW], batches=planned)
    assert drivers(outside, "crow").table["evidence"].tolist() == ["observed"]


def test_many_looks_at_few_tubes_are_exploratory(study):
    rows = batch().assign(wall=np.repeat([2.1, 2.3, 2.2, 2.6, 2.4, 2.2, 2.5, 2.3], 3))
    gouge, wall = (Factor(n, stratum="tube", kind="numeric") for n in ("gouge", "wall"))
    table = drivers(study(rows, [gouge, wall, Factor("shape")]), "crow").table
    # 8 tubes for two factors of tubes, 24 reeds for one of reeds; five for each are asked.
    assert table["evidence"].tolist() == ["exploratory", "exploratory", "observed"]


@BOTH
def test_stored_numbers_are_never_rounded(pair):
    _, found = pair
    for answer in found.drivers.values():
        fit = answer.fit
        numbers = answer.table.set_index("term")
        for term, row in numbers[numbers["df"].notna()].iterrows():
            factor = next(f for f in answer.frame.factors if f.name == term)
            part = fit.fixed.terms[term]
            slope = fit.coefficients[part][0]
            scale = 100 if answer.response.kind == "binary" else 1
            step = factor.step if factor.kind == "numeric" else -2  # sum-to-zero, two levels
            assert row["estimate"] == pytest.approx(scale * step * slope, rel=1e-12)
            assert row["estimate"] != round(row["estimate"], 3)


@BOTH
def test_the_sentence_says_what_the_table_says(pair):
    _, found = pair
    for answer in found.drivers.values():
        shown = answer.table[answer.table["term"].isin(answer.strong)]
        if shown.empty:
            assert answer.sentence.startswith("None of ")
            shown = answer.table.nsmallest(1, "p_value")
        else:
            count = f"Of {answer.table['term'].nunique()} factors looked at, {len(answer.strong)} "
            assert answer.sentence.startswith(count)
        assert answer.sentence.count("95 %") == len(shown)
        for row in shown.to_dict("records"):
            unit = f" {row['unit']}" if row["unit"] else ""
            low, high = number_text(row["conf_low"]), number_text(row["conf_high"])
            assert (
                f": {number_text(row['estimate'])}{unit} (95 % {low} to {high}; "
                f"{row['evidence']}, {row['n_units']} {row['stratum']}s" in answer.sentence
            )
    for answer in found.sources.values():
        for row in answer.table.to_dict("records"):
            share, low, high = (percent_text(row[c]) for c in ("share", "conf_low", "conf_high"))
            assert f"{row['source']} {share} (95 % {low} to {high})" in answer.sentence
            assert f", {row['n_units']} of them" in answer.sentence


def strong_batch(shape=0.0, gouge=0.0, **more):
    rows = batch()
    rows["crow"] += shape * (rows["shape"] == "wide") + gouge * (rows["gouge"] == 1.3)
    return rows.assign(**more)


def test_the_sentence_for_one_none_and_several(study):
    one = drivers(study(strong_batch(shape=40), name="one"), "crow")
    assert one.sentence.startswith(
        "Of 2 factors looked at, 1 goes with crow beyond chance: shape wide"
    )
    assert one.strong == ("shape",)
    both = drivers(study(strong_batch(shape=40, gouge=90), name="both"), "crow")
    assert both.sentence.startswith("Of 2 factors looked at, 2 go with crow beyond chance: gouge ")
    assert "; shape wide − narrow: " in both.sentence
    assert "observed, 8 tubes, 24 reeds)" in both.sentence
    none = drivers(study(strong_batch(), name="none"), "crow")
    assert none.sentence.startswith(
        "None of 2 factors looked at goes with crow beyond chance; the str"
    )
    alone = drivers(study(strong_batch(), name="alone"), "crow", ["shape"])
    assert alone.sentence.startswith(
        "The one factor looked at does not go with crow beyond chance: s"
    )


def test_the_sentence_for_kept_is_in_percentage_points(study):
    kept = np.where(batch()["shape"] == "wide", "kept", "discarded")
    kept[[0, 3]] = ["kept", "discarded"]
    found = drivers(study(batch().assign(fate=kept), responses=[KEPT]), "kept", ["shape"])
    assert found.sentence.startswith(
        "Of 1 factor looked at, 1 goes with the share of reeds kept beyond chance: shape "
        "wide − narrow"
    )
    assert " percentage points (95 % " in found.sentence
    assert 60 < found.table["estimate"].iloc[0] < 90


def test_a_response_without_a_unit_has_no_gap_in_its_words(study):
    rows = batch().assign(mark=np.resize([1, 2, 3, 2, 1], 24))
    mark = Response("mark", "ordinal", levels=(1, 2, 3), table="reeds")
    found = drivers(study(rows, responses=[mark]), "mark")
    assert " (95 %" in found.sentence
    assert "  " not in found.sentence
    assert found.plot().get_xlabel() == "effect on mark\nbar: 95 % interval"
    assert any("mark is a scale of ordered levels" in text for text in found.cautions)


def test_ordered_words_are_ranked_as_declared(study):
    rows = batch().assign(mark=np.resize(["fair", "good", "bad", "good", "bad"], 24))
    levels = ("bad", "fair", "good")
    words = study(rows, responses=[Response("mark", "ordinal", levels=levels, table="reeds")])
    ranks = rows["mark"].map({"bad": 1.0, "fair": 2.0, "good": 3.0})
    numbers = study(
        rows.assign(mark=ranks), responses=[Response("mark", table="reeds")], name="numbers"
    )
    one, other = drivers(words, "mark").table, drivers(numbers, "mark").table
    pd.testing.assert_frame_equal(one, other)


def test_the_keep_rate_counts_decided_reeds_only(tmp_path):
    fate = ["kept"] * 5 + ["discarded"] * 12 + ["unfinished", "lost"] + [None] * 5
    found = keep_rate(flat_study(tmp_path / "s", batch().assign(fate=fate), [], [KEPT]))
    row = found.table.iloc[0]
    assert (row["share"], row["n_units"], row["n_tubes"]) == (5 / 17, 17, 6)
    # Wilson (1927) by hand.
    z, p, n = 1.959963985, 5 / 17, 17
    middle, half = p + z * z / 2 / n, z * np.sqrt(p * (1 - p) / n + z * z / 4 / n / n)
    limits = np.array([middle - half, middle + half]) / (1 + z * z / n)
    assert [row["conf_low"], row["conf_high"]] == pytest.approx(limits.tolist(), rel=1e-8)
    assert found.sentence == "5 of 17 decided reeds kept: 29 % (95 % 13 % to 53 %)."
    assert found.rows_used == 17
    assert found.left_out["row"].tolist() == list(range(19, 26))


@BOTH
def test_shares_of_variance_add_up_and_lie_in_their_intervals(pair):
    _, found = pair
    for answer in found.sources.values():
        table = answer.table
        assert table["share"].sum() == pytest.approx(1)
        assert (table["conf_low"] <= table["share"] + 1e-9).all()
        assert (table["share"] <= table["conf_high"] + 1e-9).all()
        assert table["variance"].to_numpy() == pytest.approx(
            (table["share"] * table["variance"].sum()).to_numpy()
        )


def test_few_players_are_named_in_the_sources(demo_season):
    found = sources(demo_season, "crow_cents")
    assert found.table["source"].tolist() == ["lot", "tube", "reed", "session", "player", "test"]
    assert "Only 3 players: that share is hardly known." in found.cautions


@BOTH
def test_an_answer_cannot_be_changed(pair):
    _, found = pair
    for answer in found.answers.values():
        with pytest.raises(FrozenInstanceError):
            answer.cautions = ()
        assert answer.sentence == answer.sentence.strip() != ""
        assert answer.question.endswith("?")


def test_words_of_the_record_are_text_and_not_markup(study):
    rows = batch().assign(**{"<b>wire</b>": np.resize(["a<1>", "b&2"], 24)})
    crow = Response("crow", unit="<u>cents</u>", table="reeds")
    shown = drivers(study(rows, [Factor("<b>wire</b>")], [crow]), "crow")._repr_html_()
    for markup in ("<b>wire", "<1>", "b&2", "<u>"):
        assert markup not in shown
    assert "&lt;b&gt;wire&lt;/b&gt;" in shown
    assert "b&amp;2 - a&lt;1&gt;" in shown
    assert "&lt;u&gt;cents" in shown


@BOTH
def test_a_reader_sees_short_numbers_and_p_never_as_zero(pair):
    _, found = pair
    answer = found.drivers["dynamic_range_db"]
    cells = [html.unescape(cell) for cell in re.findall(r"<td>(.*?)</td>", answer._repr_html_())]
    shown = pd.DataFrame(
        np.reshape(cells, (len(answer.table), -1)), columns=answer.table.columns
    ).set_index("term")
    assert shown.index.tolist() == answer.table["term"].tolist()
    assert shown["estimate"].tolist() == [number_text(v) for v in answer.table["estimate"]]
    small = answer.table["p_value"] < 0.001
    assert (shown["p_value"] == "< 0.001").tolist() == small.tolist()
    assert [float(p) for p in shown["p_value"][~small.to_numpy()]] == pytest.approx(
        answer.table.loc[~small, "p_value"].tolist(), abs=0.0005
    )


@BOTH
def test_a_season_counts_what_is_recorded(pair):
    study, found = pair
    for name in ("lots", "tubes", "reeds", "sessions", "tests"):
        assert found.counts[name] == len(study.tables[name])
    assert found.counts["players"] == study.tables["sessions"]["player_id"].nunique()
    assert found.invented
    assert found.cautions[0] == "These data are invented."
    assert len(set(found.cautions)) == len(found.cautions)
