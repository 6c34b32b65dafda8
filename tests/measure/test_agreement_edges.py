"""What agreement says of odd records: gaps, words, constant raters, studies, mistakes."""

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

from reedlab.errors import CallError, ModelError, RecordError
from reedlab.measure.agreement import agreement
from reedlab.model import agreement_limits, cohen_kappa, fleiss_kappa, repeatability
from tests.study.build import opened


@pytest.fixture
def readings():
    rng = np.random.default_rng(3)
    reed = rng.normal(0, 20, 8)
    rows = [
        (f"R{i}", who, round(340 + reed[i] + shift + rng.normal(0, 3), 1))
        for who, shift in (("P1", 0), ("P2", 4))
        for i in range(8)
        for _ in range(2)
    ]
    return pd.DataFrame(rows, columns=["reed_id", "player_id", "crow_hz"])


@pytest.fixture
def ratings():
    rng = np.random.default_rng(5)
    truth = rng.integers(1, 6, 15)
    rows = [
        (f"R{i:02}", who, int(np.clip(truth[i] + rng.integers(-1, 2), 1, 5)))
        for who in ("P1", "P2", "P3")
        for i in range(15)
        for _ in range(2)
    ]
    return pd.DataFrame(rows, columns=["reed_id", "player_id", "rating"])


def test_the_sentence_comes_from_the_table(readings):
    found = agreement(readings, "crow_hz")
    own, other = (found.figure(f"{which} limit") for which in ("repeatability", "reproducibility"))
    assert own["unit"] == "Hz"
    assert found.sentence.startswith(
        f"Two readings of one reed differ by less than {own['estimate']:.3g} Hz in 95 of 100 if "
        f"the same player took them, and by less than {other['estimate']:.3g} Hz if two"
    )
    assert "The difference P1 − P2 lies between" in found.sentence
    assert found.rows_used == 32


def test_order_of_rows_and_names_changes_nothing(readings):
    found = agreement(readings, "crow_hz").table
    again = agreement(readings.sample(frac=1, random_state=4), "crow_hz").table
    same = found[found["rater"] == "all"].merge(again, on=["term", "rater"])
    assert same["estimate_x"].to_list() == pytest.approx(same["estimate_y"].to_list())
    assert len(same) == (found["rater"] == "all").sum()
    moved = agreement(readings.assign(crow_hz=readings["crow_hz"] * 10 + 5), "crow_hz")
    limit = moved.figure("repeatability limit")["estimate"]
    assert limit == pytest.approx(10 * found["estimate"].iloc[1])


def test_a_gap_is_named_and_the_rest_is_used(readings):
    gap = readings.assign(crow_hz=readings["crow_hz"].where(readings.index != 5))
    found = agreement(gap, "crow_hz")
    assert found.left_out.to_dict("records") == [
        {"file": "the table", "row": 5, "fault": "crow_hz missing"}
    ]
    assert "Left out: 1 of 32 rows: 1 × crow_hz missing." in found.cautions
    assert found.rows_used == 31
    assert found.method == "restricted likelihood"
    absent = agreement(readings.drop(5), "crow_hz")
    assert absent.table["estimate"].to_list() == pytest.approx(found.table["estimate"].to_list())


def test_one_player_is_told_how_often_to_try():
    # One way: readings 1 3 | 4 4 | 2 5 | 9 8 by hand: within MS (2 + 0 + 4.5 + .5) / 4 = 1.75,
    # between MS 2 x 23.5 / 3 = 15.667; component 6.9583; share 1.75 / 8.7083.
    data = pd.DataFrame({"reed_id": list("aabbccdd"), "rating": [1, 3, 4, 4, 2, 5, 9, 8]})
    found = agreement(data, "rating", rater=None, enough=0.05)
    assert found.figure("repeatability SD")["estimate"] == pytest.approx(1.75**0.5)
    assert found.figure("repeat share")["estimate"] == pytest.approx(1.75 / 8.708333)
    # (1.75 / n) / (6.9583 + 1.75 / n) <= .05 from n = 4.78 on.
    assert found.figure("tries to average")["estimate"] == 5
    assert "average 5 tries to come within 5 %" in found.sentence


def test_your_own_repeat_is_told_of_ratings(ratings):
    mine = ratings[ratings["player_id"] == "P1"]
    found = agreement(mine, "rating", kind="ordered")
    share = found.figure("repeat share")["estimate"]
    opening = f"Your own repeat explains {100 * share:.0f} % (95 % "
    assert found.sentence.startswith(opening)
    assert found.figure("kappa, squared weights", "P1")["n_units"] == 15
    assert any("only if it was blind" in text for text in found.cautions)


def test_ordered_ratings_of_several_players(ratings):
    found = agreement(ratings, "rating", kind="ordered")
    own = found.figure("kappa, linear weights", "P2")
    p2 = ratings[ratings["player_id"] == "P2"].reset_index()
    first, second = (p2[p2.index % 2 == k].set_index("reed_id")["rating"] for k in (0, 1))
    assert own["estimate"] == pytest.approx(cohen_kappa(first, second, (), "linear").estimate)
    assert found.figure("Fleiss's kappa")["n_units"] == 15
    between = found.figure("kappa, squared weights", "P1 and P3")["estimate"]
    firsts = ratings[ratings.groupby(["reed_id", "player_id"]).cumcount() == 0]
    wide = firsts.set_index(["reed_id", "player_id"])["rating"].unstack()  # noqa: PD010
    assert between == pytest.approx(cohen_kappa(wide["P1"], wide["P3"], (), "squared").estimate)
    assert "Kappa between players is that of their first ratings." in found.cautions
    assert "all players" in found.sentence


def test_levels_that_nobody_used_change_nothing_for_numbers():
    first, second = pd.Series([1, 2, 4, 4, 2, 1]), pd.Series([1, 4, 4, 2, 2, 1])
    bare = cohen_kappa(first, second, (), "squared")
    full = cohen_kappa(first, second, (1, 2, 3, 4, 5), "squared")
    assert bare.estimate == pytest.approx(full.estimate)
    assert bare.std_error == pytest.approx(full.std_error)


def test_words_are_never_put_in_order_by_the_alphabet(ratings):
    # known trap A11: "1", "10", "2" are words until someone says their order.
    words = ratings.assign(rating=ratings["rating"].map({1: "1", 2: "2", 3: "10", 4: "11", 5: "x"}))
    with pytest.raises(CallError, match=r"'rating' holds words \(1, 10, 11, 2, x\)\. Say levels="):
        agreement(words, "rating")
    with pytest.raises(CallError, match="no order of their own: say levels="):
        agreement(words, "rating", kind="ordered")
    with pytest.raises(CallError, match="are words, and words have no order of their own"):
        cohen_kappa(pd.Series(["1", "10"]), pd.Series(["2", "10"]), weights="linear")
    right = agreement(words, "rating", levels=["1", "2", "10", "11", "x"])
    numbers = agreement(ratings, "rating", kind="ordered")
    assert right.table["estimate"].to_list() == pytest.approx(numbers.table["estimate"].to_list())
    ordered = pd.CategoricalDtype(["1", "2", "10", "11", "x"], ordered=True)
    typed = agreement(words.astype({"rating": ordered}), "rating")
    assert typed.table["estimate"].to_list() == pytest.approx(right.table["estimate"].to_list())
    with pytest.raises(RecordError, match="not among the levels: 11, x"):
        agreement(words, "rating", levels=["1", "2", "10"])


def test_constant_raters_are_told_in_words():
    ones, mixed = pd.Series([3, 3, 3, 3]), pd.Series([3, 2, 3, 1])
    same = cohen_kappa(ones, ones)
    assert np.isnan(same.estimate)
    assert same.cautions == (
        "Both gave every thing the same category: kappa is undefined, for chance alone would agree "
        "as well.",
    )
    for weights in ("none", "linear", "squared"):
        one = cohen_kappa(ones, mixed, (), weights)
        assert one.estimate == pytest.approx(0)
        assert np.isnan(one.conf_low)
        assert "One of the two uses a single category" in one.cautions[0]
    assert cohen_kappa(mixed, mixed).estimate == 1
    assert "no interval" in cohen_kappa(mixed, mixed).cautions[0]
    data = pd.DataFrame({"reed_id": [1, 1, 2, 2], "fate": "kept"})
    assert (
        "All ratings are 'kept': kappa is undefined"
        in (fleiss_kappa(data, "reed_id", "fate").cautions[0])
    )
    both = data.assign(player_id=["P", "Q"] * 2)
    found = agreement(both, "fate", kind="category")
    assert np.isnan(found.figure("kappa", "P and Q")["estimate"])
    assert "P and Q undefined" in found.sentence


def test_missing_ratings_are_left_out_and_named():
    first = pd.Series({"R1": 1, "R2": 2, "R3": 3, "R4": None})
    second = pd.Series({"R1": 1, "R2": 2, "R3": 1, "R4": 2})
    found = cohen_kappa(first, second)
    assert (found.n_units, found.left_out) == (3, ("R4",))
    data = pd.DataFrame(
        {"reed_id": list("aabbccd"), "player_id": list("PQPQPQP"), "fate": list("kkkdddk")}
    )
    answer = agreement(data, "fate", kind="category")
    assert answer.figure("Fleiss's kappa")["n_units"] == 3
    assert "all: 1 left out, not rated by both or all: d." in answer.cautions
    assert "P and Q: 1 left out, not rated by both or all: d." in answer.cautions


def test_a_gauge_with_coarse_steps_is_pointed_out():
    values = [0.5, 0.5, 0.6, 0.6, 0.7, 0.7]
    data = pd.DataFrame({"place": list("aabbcc"), "thickness_mm": values})
    found = agreement(data, "thickness_mm", unit="place", rater=None)
    assert any("same to the last digit" in text for text in found.cautions)
    assert np.isnan(found.figure("distinct classes")["estimate"])
    nearly = data.assign(thickness_mm=[0.5, 0.5, 0.6, 0.6, 0.7, 0.7]).reindex(range(6))
    nearly = pd.concat([nearly, nearly, nearly.assign(thickness_mm=nearly["thickness_mm"])])
    nearly.iloc[0, 1] = 0.6
    found = agreement(nearly, "thickness_mm", unit="place", rater=None)
    assert any(text.startswith("Readings come in steps of 0.1 mm") for text in found.cautions)


def test_differences_that_grow_are_pointed_out():
    size = np.array([10.0, 20, 30, 40, 50, 60])
    data = pd.DataFrame(
        {
            "reed": list("abcdef") * 2,
            "phone": ["P"] * 6 + ["Q"] * 6,
            "level": [*(size * 1.1 + [0.2, -0.1, 0.1, -0.2, 0.1, -0.1]), *size],
        }
    )
    found = agreement_limits(data, "reed", "phone", "level", "P", "Q")
    assert "one pair of limits does not fit all sizes" in found.cautions[0]
    flipped = agreement_limits(data, "reed", "phone", "level", "Q", "P").table
    assert flipped["estimate"].to_list() == pytest.approx((-found.table["estimate"])[[0, 2, 1]])


def test_what_cannot_be_answered_is_said(readings):
    with pytest.raises(CallError, match=r"no column 'player'.*rater=None if one alone"):
        agreement(readings, "crow_hz", rater="player")
    with pytest.raises(CallError, match="There is no kind 'number'"):
        agreement(readings, "crow_hz", kind="number")
    with pytest.raises(CallError, match="enough is 20"):
        agreement(readings, "crow_hz", enough=20)
    with pytest.raises(ModelError, match="Nothing is read twice"):
        agreement(readings.drop_duplicates("reed_id"), "crow_hz")
    with pytest.raises(ModelError, match="All 32 readings are 340"):
        agreement(readings.assign(crow_hz=340), "crow_hz")
    with pytest.raises(RecordError, match=r"in every row: '340,5' in row 0 and 31 more"):
        agreement(readings.assign(crow_hz="340,5"), "crow_hz", kind="crossed")
    with pytest.raises(RecordError, match="infinite in rows 0"):
        agreement(
            readings.assign(crow_hz=readings["crow_hz"].where(readings.index > 0, np.inf)),
            "crow_hz",
        )
    with pytest.raises(RecordError, match=r"player_id: 'P1' and 'P1 '"):
        agreement(readings.assign(player_id=["P1", "P1 "] * 16), "crow_hz")
    with pytest.raises(ModelError, match=r"no row can be used\. Left out: 32 of 32 rows"):
        agreement(readings.assign(player_id=None), "crow_hz")
    with pytest.raises(CallError, match="There is no figure 'kappa"):
        agreement(readings, "crow_hz").figure("kappa")
    with pytest.raises(ModelError, match="No unit is read twice by its rater"):
        repeatability(
            readings.drop_duplicates("reed_id").assign(player_id=list("aabbccdd")),
            "reed_id",
            "player_id",
            "crow_hz",
            nested=True,
        )


STUDY = {
    "reeds": "reed_id\nR1\nR2\nR3\nR4\n",
    "sessions": "session_id,player_id\nS1,P1\nS2,P2\n",
}


def csv_of_tests(extra=""):
    rows = ["reed_id,session_id,stage,trial,crow_hz,rating_overall"]
    values = {"R1": 331, "R2": 345, "R3": 352, "R4": 339}
    for session, shift in (("S1", 0), ("S2", 3)):
        for place, (reed, hz) in enumerate(values.items()):
            for trial in (2, 1):
                rows.append(
                    f"{reed},{session},day 4,{trial},"
                    f"{hz + shift + trial + place % 2 * trial + (shift > 0 and place == 2)},"
                    f"{1 + place + (trial == 2 and place == 1)}"
                )
    return "\n".join(rows) + "\n" + extra


def test_a_study_knows_who_played_and_which_trial(tmp_path):
    study = opened(
        tmp_path / "study",
        {
            "responses": [
                {"name": "crow_hz", "kind": "continuous", "unit": "Hz", "label": "crow pitch"},
                {"name": "rating_overall", "kind": "ordinal", "levels": [1, 2, 3, 4, 5]},
            ]
        },
        tests=csv_of_tests(),
        **STUDY,
    )
    found = agreement(study, "crow_hz")
    assert found.question.startswith("How well does crow pitch repeat")
    assert found.sources["source"].to_list() == ["reed", "player", "reed by player", "repeat"]
    # Repeats differ by 1 or 2 Hz: within MS (4 x .5 + 4 x 2) / 8.
    assert found.figure("repeatability SD")["estimate"] == pytest.approx(1.25**0.5)
    assert found.figure("mean difference", "P1 − P2")["estimate"] == pytest.approx(-3.25)
    rated = agreement(study, "rating_overall")
    # First ratings are trial 1, although trial 2 stands above it in the file.
    assert rated.figure("kappa", "P1 and P2")["estimate"] == 1
    assert rated.figure("kappa", "P1")["estimate"] < 1


def test_a_reed_counts_once_a_stage_and_impossible_cells_are_set_aside(tmp_path):
    extra = "R1,S1,day 9,1,336,2\nR1,S1,day 9,2,337,2\nR2,S1,day 9,1,-5,2\nR2,S1,day 9,2,350,2\n"
    study = opened(
        tmp_path / "study",
        {"responses": [{"name": "crow_hz", "unit": "Hz"}]},
        tests=csv_of_tests(extra),
        **STUDY,
    )
    found = agreement(study, "crow_hz")
    assert (
        "Each reed counts once for each stage: it changes from one to the next." in found.cautions
    )
    assert any(text.startswith("Set aside: tests.csv row 20, crow_hz") for text in found.cautions)
    assert found.left_out["row"].to_list() == [20]
    assert found.figure("repeatability SD")["n_units"] == 6


def test_any_number_of_the_tests_can_be_asked_about(tmp_path):
    cells = "R1,S1,new,1,0.90,x\nR1,S1,new,2,0.94,x\nR2,S1,new,1,1.1,x\nR2,S1,new,2,1.2,x\n"
    study = opened(
        tmp_path / "study",
        tests=f"reed_id,session_id,stage,trial,tip_opening_mm,recording\n{cells}",
        **STUDY,
    )
    found = agreement(study, "tip_opening_mm")
    # By hand: within MS (0.04 ** 2 / 2 + 0.1 ** 2 / 2) / 2 = 0.0029.
    sd = found.figure("repeatability SD")
    assert (sd["estimate"], sd["unit"]) == (pytest.approx(0.0029**0.5), "mm")
    assert found.question.startswith("How well does tip opening repeat")
    with pytest.raises(CallError, match="'recording' holds no numbers and is not declared as a"):
        agreement(study, "recording")
    with pytest.raises(CallError, match="There is no response 'tip'"):
        agreement(study, "tip")


def test_players_who_share_no_reed_are_told_so(tmp_path):
    data = pd.DataFrame(
        [("a", "P", 1.0), ("a", "P", 1.2), ("b", "P", 3.0), ("b", "Q", 3.3), ("c", "Q", 4.0)],
        columns=["reed_id", "player_id", "y"],
    )
    found = agreement(data, "y")
    assert (
        "No intraclass correlation: 1 reed was read by every player; it needs two at least."
        in found.cautions
    )


def test_sources_are_named_as_the_maker_names_them(readings):
    found = agreement(readings.rename(columns={"player_id": "phone"}), "crow_hz", rater="phone")
    for table in (found.sources, found.anova):
        assert table["source"].tolist() == ["reed", "phone", "reed by phone", "repeat"]


def test_tests_recorded_twice_are_refused(tmp_path):
    study = opened(
        tmp_path / "study",
        {"responses": [{"name": "crow_hz", "unit": "Hz"}]},
        tests=csv_of_tests("R1,S1,day 4,1,336,2\n"),
        **STUDY,
    )
    with pytest.raises(RecordError, match=r"tests\.csv, rows 3, 18: the same reed_id, session_id"):
        agreement(study, "crow_hz")


def test_pictures_show_every_reading(readings, ratings):
    ax = agreement(readings, "crow_hz").plot()
    drawn = np.concatenate([line.get_ydata() for line in ax.lines])
    assert sorted(drawn) == pytest.approx(sorted(readings["crow_hz"]))
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["P1", "P2"]
    assert ax.get_ylabel() == "crow, Hz"
    found = agreement(readings, "crow_hz")
    ax = found.plot_difference()
    low = found.figure("lower limit", "P1 − P2")["estimate"]
    assert any(np.allclose(line.get_ydata(), low) for line in ax.lines)
    with pytest.raises(CallError, match="There is no player 'P9'"):
        found.plot_difference("P1", "P9")
    words = ratings.assign(rating=ratings["rating"].map(dict(enumerate("_abcde"))))
    ax = agreement(words, "rating", kind="category").plot()
    assert [label.get_text() for label in ax.get_yticklabels()] == list("abcde")
    with pytest.raises(CallError, match="Limits of agreement are for numbers"):
        agreement(words, "rating", kind="category").plot_difference()
    plt.close("all")


def test_any_layout_gives_an_answer_or_a_reason():
    """Random layouts with gaps: intervals hold their estimate, and every refusal is in words."""
    rng = np.random.default_rng(0)
    answered, refused = 0, []
    for _ in range(50):
        units, raters, repeats = rng.integers(1, 6), rng.integers(1, 4), rng.integers(1, 4)
        cells = pd.MultiIndex.from_product([range(units), range(raters), range(repeats)])
        data = cells.to_frame(index=False, name=["reed_id", "player_id", "trial"])
        data["y"] = rng.integers(1, 4, len(data)) + (data["reed_id"] == 1) * rng.normal()
        data = data.sample(frac=rng.uniform(0.6, 1), random_state=int(rng.integers(1_000_000)))
        kind = rng.choice(["auto", "ordered", "category", "nested", "crossed"])
        try:
            found = agreement(data, "y", kind=kind)
        except ModelError as error:
            refused.append(str(error))
            continue
        answered += 1
        known = found.table.dropna()
        assert (known["conf_low"] <= known["estimate"] + 1e-9).all()
        assert (known["conf_high"] >= known["estimate"] - 1e-9).all()
        assert len(found.sentence) > 20
    assert answered > 25
    assert all(len(text) > 20 for text in refused)


def test_long_lists_of_what_is_left_out_are_counted():
    rng = np.random.default_rng(1)
    rows = [
        (f"R{i:02}", who, rng.normal()) for i in range(20) for who in "PQ" if i < 5 or who == "P"
    ]
    data = pd.DataFrame(rows, columns=["reed_id", "player_id", "crow_hz"])
    said = " ".join(agreement(data, "crow_hz").cautions)
    names = ", ".join(f"R{i:02}" for i in range(5, 13))
    assert f"P and Q: 15 left out, read by one of them only: {names} and 7 more." in said
    assert f"rest on the 5 reeds that every player read; 15 left out: {names} and 7 more." in said


def test_five_readings_whose_likelihood_is_flat_give_a_share_with_limits():
    data = pd.DataFrame(
        [("b", "P", 1.13), ("a", "Q", 2), ("a", "P", 2), ("b", "Q", 1.13), ("b", "R", 3.13)],
        columns=["reed_id", "player_id", "y"],
    )
    found = agreement(data, "y")
    assert found.method == "restricted likelihood"
    share = found.figure("gauge share of variance")
    assert 0 <= share["conf_low"] <= share["estimate"] <= share["conf_high"] <= 1
