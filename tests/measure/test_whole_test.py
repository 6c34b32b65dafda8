"""A whole test in one recording: its steps found, measured, told, drawn; from worse copies too."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reedlab.answer import Answer, number_text
from reedlab.demo.sound import (
    Playing,
    Sound,
    Transition,
    crow_sound,
    hairpin_sound,
    register_sound,
    slur_sound,
    whole_test_sound,
)
from reedlab.errors import CallError, RecordError
from reedlab.measure.notes import note_list
from reedlab.measure.recording import Recording
from reedlab.measure.whole_test import WholeTest, whole_test
from reedlab.schema import Step
from tests.measure import degrade, odd_sounds

PAUSE_S = 1.0
NAMES = ["crow", "hairpin", "arpeggio", "low register"]
PLAYED = Playing(vibrato_cents=4, wobble_cents=2, wobble_db=0.2)
LINE = note_list("F2 C3 F3 A3 C4 F4 C4 A3 F3 C3 F2")
FAULTS = [Transition()] * 3 + [Transition(gap_ms=60, dip_db=20)] + [Transition()] * 6
#: What the parts below are made of; the low notes have these errors in cents.
ERRORS = [4.0, 0.0, -9.0, 6.0, 14.0, -12.0]
TRUTH = {
    "crow_hz": 345.0,
    "dynamic_range_db": 20.0,
    "attack_ms": 60.0,
    "slur_gap_ms": 60.0,
    "low_evenness_cents": float(np.std(ERRORS, ddof=1)),
}
NEAR = {
    "crow_hz": 0.2,
    "dynamic_range_db": 0.6,
    "attack_ms": 6.0,
    "slur_gap_ms": 4.0,
    "low_evenness_cents": 1.0,
}


@pytest.fixture(scope="module")
def parts() -> dict[str, Sound]:
    return {
        "crow": crow_sound(1, pitch_hz=345.0, hold_s=1.5, room=None),
        "hairpin": hairpin_sound(1, rise_s=1.5, fall_s=1.5, playing=PLAYED, room=None),
        "arpeggio": slur_sound(
            1, notes=LINE, note_s=0.35, transitions=FAULTS, playing=PLAYED, room=None
        ),
        "low register": register_sound(
            1, note_s=0.7, error_cents=ERRORS, playing=PLAYED, room=None
        ),
    }


@pytest.fixture(scope="module")
def found(parts) -> WholeTest:
    return whole_test(_recording(parts))


def _recording(parts: dict[str, Sound], pause_s: float = PAUSE_S) -> Recording:
    sound = whole_test_sound(1, parts=parts, pause_s=pause_s)
    return Recording(Path("test.wav"), sound.samples, sound.rate_hz)


def _assert_true(found: WholeTest, but: tuple[str, ...] = ()) -> None:
    row = found.table.iloc[0]
    for name, truth in TRUTH.items():
        if name in but:
            assert np.isnan(row[name]), name
        else:
            assert row[name] == pytest.approx(truth, abs=NEAR[name]), name


def _noise(length_s: float = 0.4) -> Sound:
    """A cough: noise that swells and dies away."""
    count = round(length_s * 44_100)
    drawn = np.random.default_rng(2).normal(size=count)
    return Sound(0.06 * drawn * np.hanning(count), 44_100, None, -np.inf)


def _word(seed: int) -> Sound:
    spoken = odd_sounds.speech(seed)[round(0.3 * 44_100) : round(1.3 * 44_100)]
    return Sound(np.pad(spoken, 8000), 44_100, None, -np.inf)


def test_every_step_is_found_where_it_was_played_and_measured(parts, found) -> None:
    truth = whole_test_sound(1, parts=parts, pause_s=PAUSE_S, room=None).truth
    assert isinstance(found, Answer)
    _assert_true(found)
    steps = found.steps
    assert steps["step"].tolist() == NAMES
    assert steps["kind"].tolist() == ["crow", "hairpin", "slur", "register"]
    assert steps["fault"].eq("").all()
    for row, part in zip(steps.to_dict("records"), truth.parts, strict=True):
        # Each part begins and ends with half a second in which nobody plays.
        assert row["start_s"] == pytest.approx(part.start_s + 0.5, abs=0.1)
        assert row["end_s"] == pytest.approx(part.end_s - 0.5, abs=0.2)
        assert row["start_s"] - 1.0 <= row["part_s"] <= row["start_s"]
    assert list(found.parts) == NAMES
    assert found.left_out.empty
    assert found.rows_used == 4
    assert found.question == "What does the test in test.wav say?"


def test_the_table_is_one_row_of_the_tests_table(found) -> None:
    assert found.table.columns.tolist() == [
        "file",
        "crow_hz",
        "crow_cents",
        "soft_db",
        "loud_db",
        "dynamic_range_db",
        "attack_ms",
        "slur_gap_ms",
        "low_evenness_cents",
    ]
    row = found.table.iloc[0]
    assert row["file"] == "test.wav"
    assert row["crow_hz"] == found.parts["crow"].table["crow_hz"][0]
    assert row["slur_gap_ms"] == found.parts["arpeggio"].table["slur_gap_ms"].max()
    assert row["dynamic_range_db"] == found.parts["hairpin"].table["dynamic_range_db"][0]


def test_the_sentence_and_the_cautions_name_the_steps(parts) -> None:
    found = whole_test(_recording({name: parts[name] for name in NAMES if name != "hairpin"}))
    row = found.table.iloc[0]
    gap, spread = row["slur_gap_ms"], row["low_evenness_cents"]
    assert found.sentence == (
        f"3 of 4 steps found: crow 345 Hz, longest slur gap {number_text(gap)} ms, low-register "
        f"spread {number_text(spread)} cents. Not found: hairpin."
    )
    assert found.cautions[0] == "The step 'hairpin' was not found."
    assert found.left_out.to_dict("records") == [
        {"file": "test.wav", "step": "hairpin", "fault": "it was not found"}
    ]


FILLED = {
    "crow": ("crow_hz",),
    "hairpin": ("dynamic_range_db", "attack_ms"),
    "arpeggio": ("slur_gap_ms",),
    "low register": ("low_evenness_cents",),
}


@pytest.mark.parametrize("missing", NAMES)
def test_a_step_that_is_missing_moves_no_other(parts, missing) -> None:
    found = whole_test(_recording({name: parts[name] for name in NAMES if name != missing}))
    _assert_true(found, but=FILLED[missing])
    assert found.steps.loc[found.steps["start_s"].isna(), "step"].tolist() == [missing]


@pytest.mark.parametrize("only", NAMES)
def test_one_step_alone_is_known_for_what_it_is(parts, only) -> None:
    found = whole_test(_recording({only: parts[only]}))
    others = tuple(name for step in NAMES if step != only for name in FILLED[step])
    _assert_true(found, but=others)
    assert found.rows_used == 1


def test_quiet_of_half_a_second_is_enough_between_steps(parts) -> None:
    cut = {
        name: Sound(sound.samples[11_025:-11_025], sound.rate_hz, sound.truth, -np.inf)
        for name, sound in parts.items()
    }
    _assert_true(whole_test(_recording(cut, pause_s=0.0)))


def test_a_cough_and_a_word_between_the_steps_are_left_out_and_told(parts) -> None:
    spoken = {"word": _word(2), "crow": parts["crow"], "cough": _noise(), "more": _word(1)}
    rest = {name: parts[name] for name in NAMES[1:3]}
    last = {"last": _word(3), "low register": parts["low register"]}
    found = whole_test(_recording(spoken | rest | last))
    _assert_true(found)
    told = [text for text in found.cautions if text.startswith("No step was seen")]
    assert len(told) == 1
    assert told[0].endswith("the steps are looked for in the order of the protocol.")
    assert told[0].count(" s,") == 3


def test_two_crows_and_two_hairpins_are_attempts_of_their_steps(parts) -> None:
    again = {
        "crow": parts["crow"],
        "crow again": crow_sound(5, pitch_hz=352.0, hold_s=1.5, room=None),
        "hairpin": parts["hairpin"],
        "hairpin again": hairpin_sound(7, rise_s=1.5, fall_s=1.5, loud_db=-10.0, room=None),
        "arpeggio": parts["arpeggio"],
        "low register": parts["low register"],
    }
    found = whole_test(_recording(again))
    assert len(found.parts["crow"].table) == 2
    assert len(found.parts["hairpin"].table) == 2
    # The lower of two counts.
    _assert_true(found)
    without = {name: sound for name, sound in again.items() if not name.startswith("hairpin")}
    missing = whole_test(_recording(without))
    assert len(missing.parts["crow"].table) == 2
    assert missing.cautions[0] == "The step 'hairpin' was not found."


def test_steps_out_of_their_order_are_not_found_and_never_mistaken(parts) -> None:
    order = ["crow", "hairpin", "low register", "arpeggio"]
    found = whole_test(_recording({name: parts[name] for name in order}))
    _assert_true(found, but=("low_evenness_cents",))
    assert "No step was seen in what sounds at 1" in " ".join(found.cautions)
    protocol = [
        Step("bottom", "", ("low_evenness_cents",), ("B♭1",)),
        Step("crow", "", ("crow_hz",)),
        Step("line", "", ("slur_gap_ms",), LINE),
        Step("swell", "", ("dynamic_range_db", "attack_ms"), ("C3",)),
    ]
    order = ["low register", "crow", "arpeggio", "hairpin"]
    turned = whole_test(_recording({name: parts[name] for name in order}), protocol=protocol)
    _assert_true(turned)
    assert turned.steps["step"].tolist() == ["bottom", "crow", "line", "swell"]


def test_the_notes_of_the_protocol_name_the_line(parts) -> None:
    steps = [
        Step("opening", "", ("tip_opening_mm",)),
        Step("swell", "", ("dynamic_range_db",), ("F3",)),
        Step("line", "", ("slur_gap_ms",), LINE),
        Step("bottom", "", ("low_evenness_cents",), note_list("F2 E2 E♭2 D2 C2 B♭1")),
    ]
    played = {"swell": hairpin_sound(3, note="F3", rise_s=1.5, fall_s=1.5, room=None)}
    played |= {name: parts[name] for name in NAMES[2:]}
    found = whole_test(_recording(played), protocol=steps)
    assert found.parts["line"].table["to_note"].tolist() == list(LINE[1:])
    assert found.parts["bottom"].table["note"].tolist() == list(steps[-1].notes)
    assert found.steps["step"].tolist() == ["swell", "line", "bottom"]
    wrong = [*steps[:2], Step("line", "", ("slur_gap_ms",), ("D3", "E3", "G3", "B3")), steps[3]]
    refused = whole_test(_recording(played), protocol=wrong)
    assert np.isnan(refused.table["slur_gap_ms"][0])
    assert refused.steps["fault"][1].startswith("test.wav holds F2 C3 F3 A3 C4 F4")
    assert refused.cautions[0].startswith("The step 'line' was not measured: test.wav holds F2")
    assert refused.steps["start_s"].notna().all()


def test_tuning_target_and_instrument_of_the_study_are_used(parts) -> None:
    sharp = {"crow": crow_sound(1, pitch_hz=360.0, hold_s=1.5, room=None)}
    usual = whole_test(_recording(sharp)).table["crow_cents"][0]
    assert usual == pytest.approx(1200 * np.log2(360 / 349.228), abs=1)
    high = whole_test(_recording(sharp), target="F4").table["crow_cents"][0]
    assert high == pytest.approx(usual, abs=1)
    tuned = whole_test(_recording(sharp), target="F4", a4_hz=430.0).table["crow_cents"][0]
    assert tuned == pytest.approx(usual + 1200 * np.log2(440 / 430), abs=1)
    oboe = {
        "crow": crow_sound(1, pitch_hz=523.3, hold_s=1.5, room=None),
        "hairpin": hairpin_sound(1, note="G4", rise_s=1.5, fall_s=1.5, room=None),
        "arpeggio": slur_sound(
            1, notes=note_list("C4 G4 C5 E5 G5 C6 G5 E5 C5"), note_s=0.35, room=None
        ),
        "low register": register_sound(
            1, notes=note_list("F4 E4 D4 C4 B3 B♭3"), note_s=0.6, room=None
        ),
    }
    found = whole_test(_recording(oboe), instrument="oboe")
    assert found.rows_used == 4
    assert abs(found.table["crow_cents"][0]) < 2
    assert found.parts["arpeggio"].table["to_note"].tolist()[-4:] == ["C6", "G5", "E5", "C5"]


WORSE = ["M4A", "noise", "Opus", "MP3", "8 kHz", "hum", "one channel"]


@pytest.mark.parametrize(
    "copy", [*WORSE[:2], *(pytest.param(copy, marks=pytest.mark.slow) for copy in WORSE[2:])]
)
def test_worse_copies_give_the_same_numbers(parts, copy, tmp_path) -> None:
    sound = _recording(parts)
    asked = (sound.samples, int(sound.rate_hz))
    path = {
        "M4A": lambda: degrade.m4a(*asked, tmp_path / "test.m4a", 64_000),
        "MP3": lambda: degrade.mp3(*asked, tmp_path / "test.mp3", 64_000),
        "Opus": lambda: degrade.ogg(*asked, tmp_path / "test.ogg", 48_000),
        "8 kHz": lambda: degrade.wav_8_khz(*asked, tmp_path / "test.wav"),
        "hum": lambda: degrade.humming(*asked, tmp_path / "test.wav"),
        "noise": lambda: degrade.noisy(*asked, tmp_path / "test.wav", 25.0),
        "one channel": lambda: degrade.one_dead_channel(*asked, tmp_path / "test.wav"),
    }[copy]()
    found = whole_test(path)
    assert found.steps["fault"].eq("").all()
    _assert_true(found)


def test_a_clipped_copy_keeps_what_is_pitch_and_says_why_the_rest_is_missing(
    parts, tmp_path
) -> None:
    sound = _recording(parts)
    path = degrade.clipped(sound.samples, int(sound.rate_hz), tmp_path / "test.wav", 6.0)
    found = whole_test(path)
    assert found.table["crow_hz"][0] == pytest.approx(345.0, abs=0.2)
    assert found.table[["soft_db", "dynamic_range_db", "attack_ms"]].isna().all(axis=None)
    fault = found.steps.set_index("step")["fault"]["hairpin"]
    assert "of its samples are clipped" in fault
    assert f"The step 'hairpin' was not measured: {fault}" in found.cautions
    assert "hairpin" in found.left_out["step"].tolist()


def test_gain_that_changes_is_told_and_makes_no_gap(parts, tmp_path) -> None:
    sound = _recording(parts)
    path = degrade.automatic_gain(sound.samples, int(sound.rate_hz), tmp_path / "test.wav")
    found = whole_test(path)
    row = found.table.iloc[0]
    assert row["crow_hz"] == pytest.approx(345.0, abs=0.3)
    assert "Automatic gain is likely" in " ".join(found.cautions)
    assert np.isnan(row["slur_gap_ms"]) or row["slur_gap_ms"] < 100


def test_what_is_no_test_is_refused(parts, tmp_path) -> None:
    silence = degrade.wav(np.zeros(44_100), 44_100, tmp_path / "silence.wav")
    with pytest.raises(RecordError, match="has no sound in it"):
        whole_test(silence)
    for samples in (
        odd_sounds.coloured(1),
        odd_sounds.between_quiet(odd_sounds.coloured(0, 0.6)),
        odd_sounds.between_quiet(odd_sounds.speech(4)),
    ):
        with pytest.raises(RecordError, match=r"^test\.wav holds no"):
            whole_test(Recording(Path("test.wav"), samples, odd_sounds.RATE_HZ))
    spoken = Recording(
        Path("test.wav"), odd_sounds.between_quiet(odd_sounds.speech(4)), odd_sounds.RATE_HZ
    )
    with pytest.raises(RecordError) as refused:
        whole_test(spoken)
    assert str(refused.value) == (
        "test.wav holds none of the steps crow, hairpin, arpeggio, low register; play them in "
        "this order, with a second of quiet between."
    )
    with pytest.raises(CallError) as unplayed:
        whole_test(_recording(parts), protocol=[Step("rating", "", ("rating_overall",))])
    assert str(unplayed.value).startswith(
        "The protocol has no step that a recording fills; such a step fills one of crow_hz, "
    )
    with pytest.raises(CallError, match="There is no instrument 'basoon'"):
        whole_test(_recording(parts), instrument="basoon")


def test_the_picture_names_the_steps_and_marks_what_was_not_measured(parts) -> None:
    lines = {name: parts[name] for name in NAMES if name != "hairpin"}
    wrong = [
        Step("crow", "", ("crow_hz",)),
        Step("line", "", ("slur_gap_ms",), ("D3", "E3", "G3", "B3")),
        Step("bottom", "", ("low_evenness_cents",), ("B♭1",)),
    ]
    found = whole_test(_recording(lines), protocol=wrong)
    ax = found.plot()
    words = {text.get_text() for text in ax.texts}
    assert words == {"crow", "line:\nnot measured", "bottom"}
    spans = pd.DataFrame([patch.get_extents().intervalx for patch in ax.patches])
    assert len(spans) == 3
    names = [text.get_text() for text in ax.get_yticklabels()]
    assert names == ["F1", "C2", "F2", "C3", "F3", "C4", "F4"]
    assert ax.get_xlabel() == "time, s"
    assert ax.get_ylabel() == "pitch"
    assert ax.figure.axes[1].get_ylabel() == "level, dB (A)"
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["pitch", "level"]
