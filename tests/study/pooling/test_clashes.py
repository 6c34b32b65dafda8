"""Whatever contradicts is told at once, with the line that settles it; and that line does."""

import tomllib

import pytest

from reedlab import pool
from reedlab.analyse import drivers
from reedlab.errors import CallError, RecordError
from reedlab.schema import Factor, Response, cents_from_band, note_hz
from tests.study.pooling.build import CROW, GOUGE, RATING, SHAPE


def refused(studies, mapping=None):
    with pytest.raises(RecordError) as told:
        pool(studies, mapping)
    return str(told.value)


@pytest.fixture
def inches(maker):
    """A maker who gouges in inches, and declares it."""

    def change(tables):
        tables["reeds"]["gouge_centre_mm"] = (tables["reeds"]["gouge_centre_mm"] / 25.4).round(5)
        tables["reeds"] = tables["reeds"].rename(columns={"gouge_centre_mm": "gouge"})

    gouge = Factor("gouge", stratum="reed", kind="numeric", unit="in", step=0.002)
    return maker("Beech", 2, change, factors=(gouge, SHAPE))


@pytest.fixture
def millimetres(maker):
    def change(tables):
        tables["reeds"] = tables["reeds"].rename(columns={"gouge_centre_mm": "gouge"})

    gouge = Factor("gouge", stratum="reed", kind="numeric", unit="mm", step=0.05)
    return maker("Ash", 1, change, factors=(gouge, SHAPE))


def test_units_that_differ_are_told_and_turned(millimetres, inches, maker):
    studies = [millimetres, inches]
    text = refused(studies)
    assert text.splitlines() == [
        "The studies cannot be pooled yet; 1 thing to settle:",
        "- reeds.gouge: its unit differs: mm (Ash), in (Beech); "
        'write units."reeds.gouge" = the unit to have.',
    ]
    pooled = pool(studies, {"units": {"reeds.gouge": "mm"}})
    same = maker("Cedar", 2).tables["reeds"]["gouge_centre_mm"]
    assert pooled.of("Beech").tables["reeds"]["gouge"].tolist() == pytest.approx(same, abs=2e-4)
    assert pooled.of("Ash").tables["reeds"]["gouge"].tolist() == (
        millimetres.tables["reeds"]["gouge"].tolist()
    )
    assert pooled.schema["reeds"].column("gouge").unit == "mm"
    assert pool([inches, millimetres], {"units": {"reeds.gouge": "mm"}}).settings.factors[
        0
    ].step == pytest.approx(0.0508)


def test_units_that_cannot_be_turned_stay_out(maker):
    def hard(tables):
        tables["reeds"]["pull"] = 3.0

    def of(unit):
        return {"factors": (Factor("pull", kind="numeric", unit=unit),)}

    studies = [maker("Ash", 1, hard, **of("N")), maker("Beech", 2, hard, **of("g"))]
    assert "these cannot be turned into one another; write leave_out" in refused(studies)
    assert "pull" not in pool(studies, {"leave_out": ["reeds.pull"]}).tables["reeds"]


def test_a_unit_that_nobody_declared_is_asked_for(millimetres, maker):
    def change(tables):
        tables["reeds"] = tables["reeds"].rename(columns={"gouge_centre_mm": "gouge"})
        tables["reeds"]["gouge"] = (tables["reeds"]["gouge"] / 0.0254).round(1)

    bare = Factor("gouge", stratum="reed", kind="numeric")
    studies = [millimetres, maker("Beech", 2, change, factors=(bare, SHAPE))]
    assert 'write of."Beech".units."reeds.gouge" = what is meant' in refused(studies)
    said = {"of": {"Beech": {"units": {"reeds.gouge": "thou"}}}, "units": {"reeds.gouge": "mm"}}
    assert pool(studies, said).tables["reeds"]["gouge"].between(1.1, 1.5).all()


@pytest.fixture
def german(maker):
    def change(tables):
        words = {"narrow": "schmal", "wide": "Wide"}
        tables["reeds"]["shape"] = tables["reeds"]["shape"].map(words)

    return maker("Beech", 2, change, factors=(GOUGE, Factor("shape", ("schmal", "Wide"))))


def test_words_that_differ_are_told_and_put_into_one(maker, german):
    studies = [maker("Ash", 1), german]
    text = refused(studies)
    assert "'schmal' is a word of Beech alone" in text
    assert "'narrow' is a word of Ash alone" in text
    assert "differs from 'wide' only by case or space" in text
    words = {"schmal": "narrow", "Wide": "wide"}
    pooled = pool(studies, {"words": {"reeds.shape": words}})
    assert set(pooled.tables["reeds"]["shape"]) == {"narrow", "wide"}
    assert pooled.factor("shape").levels == ("narrow", "wide")
    assert pooled.schema["reeds"].column("shape").levels == ("narrow", "wide")


def test_a_word_may_be_kept_as_a_level_of_its_own(maker):
    def other(tables):
        tables["reeds"].loc[0, "shape"] = "flared"

    levels = Factor("shape", ("narrow", "wide", "flared"))
    studies = [maker("Ash", 1), maker("Beech", 2, other, factors=(GOUGE, levels))]
    assert "'flared' is a word of Beech alone" in refused(studies)
    kept = pool(studies, {"words": {"reeds.shape": {"flared": "flared"}}})
    assert kept.factor("shape").levels == ("narrow", "wide", "flared")
    assert pool(studies, {"words": {"reeds.shape": "as they are"}}).settings == kept.settings


def test_stages_called_differently_are_told(maker):
    def stage(tables):
        tables["tests"]["stage"] = "first day"

    studies = [maker("Ash", 1), maker("Beech", 2, stage)]
    assert "tests.stage: 'first day' is a word of Beech alone" in refused(studies)
    pooled = pool(studies, {"words": {"tests.stage": {"first day": "day 1"}}})
    assert set(pooled.tables["tests"]["stage"]) == {"day 1"}


@pytest.fixture
def tuned(maker):
    """A maker who plays at 443 Hz: the same cents are another pitch."""

    def change(tables):
        tables["sessions"]["a4_hz"] = 443.0
        cents = [
            cents_from_band(hz, *[note_hz("F4", 443)] * 2) for hz in tables["tests"]["crow_hz"]
        ]
        tables["tests"]["crow_cents"] = [round(value, 1) for value in cents]

    return maker("Tuned", 4, change)


def test_cents_against_different_tunings_are_never_mixed(maker, tuned):
    studies = [maker("Ash", 1), tuned]
    text = refused(studies)
    assert "(Ash F4 at A4 = 440 Hz; Tuned F4 at A4 = 443 Hz)" in text
    assert "write crow.target" in text
    pooled = pool(studies, {"crow": {"target": "F4", "a4_hz": 440}})
    assert pooled.settings.crow_band_hz == (note_hz("F4"), note_hz("F4"))
    own = pooled.of("Tuned").tables["tests"]
    expected = [cents_from_band(hz, note_hz("F4"), note_hz("F4")) for hz in own["crow_hz"]]
    assert own["crow_cents"].tolist() == pytest.approx(expected)


def test_cents_against_another_target_are_reckoned_anew_where_there_is_a_pitch(maker):
    def some(tables):
        tables["tests"].loc[:3, "crow_hz"] = None

    other = maker("Beech", 2, some, crow_target=("E4", "F4"))
    assert "E4-F4 at A4 = 440 Hz" in refused([maker("Ash", 1), other])
    pooled = pool([maker("Cedar", 3), other], {"crow": {"target": "E4-F4", "a4_hz": 440}})
    assert pooled.of("Beech").tables["tests"]["crow_cents"].isna().sum() == 4
    assert any(text.startswith("Beech: 4 tests without crow_hz") for text in pooled.told)
    out = pool([maker("Dora", 4), other], {"leave_out": ["tests.crow_cents"]})
    assert "crow_cents" not in out.tables["tests"]
    with pytest.raises(CallError, match="There is no response 'crow_cents'"):
        drivers(out, "crow_cents")


@pytest.fixture
def by_tube(maker):
    """A maker who gives the shape to whole tubes."""

    def change(tables):
        tables["tubes"]["shape"] = ["narrow", "wide"] * 2
        tables["reeds"] = tables["reeds"].drop(columns="shape")

    return maker("Beech", 2, change, factors=(GOUGE, Factor("shape", ("narrow", "wide"), "tube")))


def test_strata_that_differ_are_told_and_a_tubes_level_is_told_of_its_reeds(maker, by_tube):
    studies = [maker("Ash", 1), by_tube]
    text = refused(studies)
    assert 'shape: its stratum differs: reed (Ash), tube (Beech); write declared."shape"' in text
    pooled = pool(studies, {"declared": {"shape": "Ash"}})
    assert pooled.factor("shape").stratum == "reed"
    shapes = pooled.of("Beech").tables["reeds"].groupby("tube_id")["shape"].nunique()
    assert (shapes == 1).all()
    with pytest.raises(CallError, match="given to a reed in Ash, so it cannot be told of each"):
        pool(studies, {"declared": {"shape": "Beech"}})


def test_a_kind_that_differs_is_told(maker):
    named = Factor("gouge_centre_mm", kind="categorical", unit="mm")
    studies = [maker("Ash", 1), maker("Beech", 2, factors=(named, SHAPE))]
    assert "its kind differs: numeric (Ash), categorical (Beech)" in refused(studies)
    pooled = pool(studies, {"declared": {"gouge_centre_mm": "Ash"}})
    assert pooled.factor("gouge_centre_mm").kind == "numeric"


def test_scales_of_ratings_that_differ_are_told_and_settled_word_by_word(maker):
    def out_of_ten(tables):
        tables["tests"]["rating_overall"] *= 2

    ten = Response("rating_overall", "ordinal", levels=tuple(range(1, 11)))
    studies = [maker("Ash", 1), maker("Beech", 2, out_of_ten, responses=(CROW, ten))]
    assert "rating_overall: its scale differs: 1 < 2 < 3 < 4 < 5 (Ash)" in refused(studies)
    said = {"declared": {"rating_overall": "Ash"}}
    assert 'of."Beech".words."tests.rating_overall"."10"' in refused(studies, said)
    words = {str(value): str((value + 1) // 2) for value in range(1, 11)}
    said["of"] = {"Beech": {"words": {"tests.rating_overall": words}}}
    pooled = pool(studies, said)
    assert pooled.of("Beech").tables["tests"]["rating_overall"].tolist() == (
        (studies[1].tables["tests"]["rating_overall"] // 2).tolist()
    )
    assert pooled.response("rating_overall").levels == RATING.levels


def test_the_same_person_in_two_studies_is_asked_about(maker):
    def self_played(tables):
        tables["sessions"]["player_id"] = "M"

    studies = [maker("Ash", 1, self_played), maker("Beech", 2, self_played)]
    assert "'M' plays in Ash, Beech: say whether it is the same person" in refused(studies)
    for said, players in (
        ({"M": "same"}, ["M", "M"]),
        ({"M": "different"}, ["Ash/M", "Beech/M"]),
        ({"Ash/M": "Max", "Beech/M": "Mia"}, ["Max", "Mia"]),
    ):
        found = pool(studies, {"players": said}).tables["sessions"]["player_id"]
        assert found.tolist() == players


def test_what_nothing_can_settle_is_told(maker):
    studies = [maker("Ash", 1), maker("Beech", 2, invented=False)]
    text = refused(studies)
    assert (
        "invented (Ash), real (Beech): invented data are not pooled with real ones; leave" in text
    )


def test_everything_is_told_at_once(maker, german, tuned):
    def change(tables):
        tables["sessions"]["player_id"] = "P2"

    text = refused([maker("Ash", 1, change), german, tuned])
    for part in ("'schmal'", "crow_cents", "player_id"):
        assert part in text


def test_a_file_that_is_not_there_is_proposed_and_settles_once_answered(
    maker, german, tuned, tmp_path
):
    studies = [maker("Ash", 1), german, maker("Cedar", 3), tuned]
    path = tmp_path / "pool.toml"
    assert "(each has a line in pool.toml now)" in refused(studies, path)
    proposed = path.read_text(encoding="utf-8")
    assert 'words."reeds.shape"."schmal" = "?"' in proposed
    assert "# reeds.shape: 'schmal' is a word of Beech alone." in proposed
    assert tomllib.loads(proposed)["crow"] == {"target": "?", "a4_hz": "?"}
    # A line that still holds "?" settles nothing.
    assert refused(studies, path).count("\n") == proposed.count("\n# ") - 1
    answered = (
        proposed.replace('"schmal" = "?"', '"schmal" = "narrow"')
        .replace('"Wide" = "?"', '"Wide" = "wide"')
        .replace('crow.target = "?"', 'crow.target = "F4"')
        .replace('crow.a4_hz = "?"', "crow.a4_hz = 440")
    )
    path.write_text(answered, encoding="utf-8")
    assert set(pool(studies, path).tables["reeds"]["shape"]) == {"narrow", "wide"}


@pytest.mark.parametrize(
    ("mapping", "message"),
    [
        ({"unit": {}}, "There is no part of a pool's mapping 'unit'. Nearest: units"),
        ({"units": "mm"}, "'units' of the mapping is 'mm'; it must be a table of answers."),
        ({"leave_out": "tests.crow_hz"}, "leave_out is a list of columns"),
        ({"leave_out": ["tests.crow"]}, "The mapping speaks of tests.crow, which no study has."),
        ({"words": {"reeds.shap": {}}}, "The mapping speaks of reeds.shap, which no study has."),
        ({"of": {"Asch": {}}}, "There is no study of the pool 'Asch'. Nearest: Ash."),
        ({"of": {"Ash": {"unit": {}}}}, "There is no part of the mapping of Ash 'unit'"),
        ({"of": {"Ash": {"rename": {"reeds.x": "y"}}}}, "There is no column of Ash 'reeds.x'"),
        ({"of": {"Ash": {"units": {"reeds.x": "mm"}}}}, "There is no column of Ash 'reeds.x'"),
        ({"of": {"Ash": {"words": {"reeds.x": {}}}}}, "There is no column of Ash 'reeds.x'"),
        (
            {"of": {"Ash": {"rename": {"reeds.shape": "fate"}}}},
            "Ash: reeds.shape cannot be called 'fate', for reeds has a column of that name",
        ),
        ({"players": {"M": "maybe"}}, "of 'M' the mapping says 'maybe'; say same or different"),
        ({"crow": {"target": "F4"}}, "crow needs both target and a4_hz"),
        ({"crow": {"target": "H4", "a4_hz": 440}}, "'H4' is not a note"),
        ({"declared": {"shap": "Ash"}}, "declared: Ash has no factor or response 'shap'."),
        (
            {"words": {"tests.rating_overall": {"5": "best"}}},
            "Ash: tests.rating_overall holds numbers, so its words must become numbers too.",
        ),
    ],
)
def test_a_mapping_that_does_not_fit_is_told(maker, mapping, message):
    with pytest.raises(CallError, match=message):
        pool([maker("Ash", 1), maker("Beech", 2)], mapping)


def test_a_file_that_is_no_toml_is_told(maker, tmp_path):
    path = tmp_path / "pool.toml"
    path.write_text("units = mm", encoding="utf-8")
    with pytest.raises(RecordError, match=r"pool.toml cannot be read as TOML"):
        pool([maker("Ash", 1), maker("Beech", 2)], path)
