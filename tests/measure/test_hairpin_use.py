"""A hairpin as it is used: calibration, several attempts, refusals, words and pictures."""

from pathlib import Path

import numpy as np
import pytest

from reedlab.answer import Answer
from reedlab.demo.sound import Playing, Room, Sound, hairpin_sound, register_sound
from reedlab.errors import CallError, RecordError
from reedlab.measure.calibration import offset
from reedlab.measure.hairpin import Hairpin, hairpin
from reedlab.measure.recording import Recording
from tests.measure import degrade

RATE = 44_100


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("hairpins")


@pytest.fixture(scope="module")
def one(folder) -> Hairpin:
    return hairpin(hairpin_sound(1, cents_per_10_db=-6.0).write(folder / "c3.wav"))


@pytest.fixture(scope="module")
def three(folder) -> Hairpin:
    """Two hairpins, and between them a short tone."""
    sounds = [hairpin_sound(1, note="C3"), _short(), hairpin_sound(2, note="F3", soft_db=-30)]
    return hairpin(_joined(sounds).write(folder / "three.wav"))


def _short() -> Sound:
    return register_sound(1, notes=["C3"], note_s=0.4)


def _joined(sounds: list[Sound]) -> Sound:
    quiet = 1e-5 * np.random.default_rng(1).standard_normal(RATE // 2)
    pieces = [piece for sound in sounds for piece in (sound.samples, quiet)]
    return Sound(np.concatenate(pieces), RATE, sounds[0].truth, -100.0)


def _tone(level_db: float, hz: float = 1000.0, length_s: float = 5.0) -> np.ndarray:
    t = np.arange(round(length_s * RATE)) / RATE
    return 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * t)


def test_the_answer_is_an_answer(one) -> None:
    assert isinstance(one, Answer)
    assert one.rows_used == 1
    assert one.left_out.empty


def test_the_sentence_speaks_of_the_range_in_bench_words(one) -> None:
    row = one.table.iloc[0]
    assert one.sentence == (
        f"C3: {row['dynamic_range_db']:.1f} dB from the softest to the loudest (A-weighted "
        f"{row['dynamic_range_dba']:.1f}), speaks after {row['delay_ms']:.0f} ms, attack "
        f"{row['attack_ms']:.0f} ms; goes flat 6 cents (6 to 6) per 10 dB as it gets louder; "
        "gets brighter by 20 Hz per 10 dB."
    )


def test_without_a_calibration_loudness_is_not_claimed(one) -> None:
    assert "−34" not in one.sentence
    assert any("relative to the recorder's full scale" in text for text in one.cautions)


def test_a_calibrator_of_94_db_makes_levels_sound_pressure(folder) -> None:
    calibrator = degrade.wav(_tone(-26.0), RATE, folder / "calibrator.wav")
    path = hairpin_sound(1, soft_db=-40, loud_db=-26, centroid_rise_hz=0).write(folder / "h.wav")
    found = hairpin(path, calibration=(calibrator, 94))
    assert found.table["loud_db"].item() == pytest.approx(94.0, abs=0.15)
    assert found.table["soft_db"].item() == pytest.approx(80.0, abs=0.15)
    assert found.table["dynamic_range_db"].item() == pytest.approx(14.0, abs=0.3)
    soft, loud, spanned = (found.table[f"{n}_db"].item() for n in ("soft", "loud", "dynamic_range"))
    assert found.sentence.startswith(
        f"C3: {soft:.1f} to {loud:.1f} dB, {spanned:.1f} dB from the softest to the loudest"
    )
    assert "keeps its pitch (to 1 cent per 10 dB)" in found.sentence
    assert not any("full scale" in text for text in found.cautions)


def test_a_calibrator_reads_its_own_level(folder) -> None:
    """To 0.05 dB, the tone of a 1 kHz calibrator in a little noise and silence around it."""
    hiss = 1e-4 * np.random.default_rng(1).standard_normal(7 * RATE)
    sound = hiss + np.pad(_tone(-17.3), RATE)
    recording = Recording(Path("c.wav"), sound, RATE)
    add_db = offset((degrade.wav(sound, RATE, folder / "c.wav"), 94.0)).add_db
    inside = recording.part(2, 5)
    heard = 10 * np.log10(2 * np.mean(inside**2))
    assert heard + add_db == pytest.approx(94.0, abs=0.05)
    assert add_db == pytest.approx(94 + 17.3, abs=0.05)


def test_a_meter_reading_is_added_to_every_level(folder, one) -> None:
    found = hairpin(folder / "c3.wav", calibration=112.5)
    for column in ("soft_db", "loud_db", "soft_dba", "loud_dba"):
        assert found.table[column].item() == pytest.approx(one.table[column].item() + 112.5)
    for column in ("dynamic_range_db", "soft_above_noise_db"):
        assert found.table[column].item() == pytest.approx(one.table[column].item())


@pytest.mark.parametrize(
    ("calibration", "said"),
    [
        ("calibrator.wav", "write the dB to add, or the recording of a calibrator with its level"),
        (("calibrator.wav",), "write the dB to add"),
        (("calibrator.wav", "94 dB"), "The calibrator's level is '94 dB'; write it in dB"),
        (("calibrator.wav", 9.4), "The calibrator's level is 9.4"),
        (float("nan"), "calibration is nan; write how many dB are to be added"),
        (True, "calibration is True"),
        ((94, "calibrator.wav"), "The calibrator's level is 'calibrator.wav'"),
        ((3, 94), "The calibrator's recording is 3"),
    ],
)
def test_a_calibration_that_is_none_is_refused(calibration, said) -> None:
    with pytest.raises(CallError) as refused:
        offset(calibration)
    assert said in str(refused.value)


def test_a_calibration_may_be_any_number_or_pair(folder) -> None:
    assert offset(np.int64(112)).add_db == 112
    path = degrade.wav(_tone(-20), RATE, folder / "pair.wav")
    assert offset([path, np.float64(94)]).add_db == pytest.approx(114, abs=0.01)


@pytest.mark.parametrize(
    ("samples", "said"),
    [
        (_tone(-20, length_s=1.0), "holds no steady tone of 1.4 s"),
        (0.1 * np.random.default_rng(1).standard_normal(4 * RATE), "is no calibrator's tone"),
        (np.clip(3 * _tone(0), -1, 1), "is clipped, so its level is not known"),
    ],
    ids=["short", "noise", "clipped"],
)
def test_a_bad_recording_of_a_calibrator_is_refused(samples, said, folder) -> None:
    with pytest.raises(RecordError, match=said):
        offset((degrade.wav(samples, RATE, folder / "bad.wav"), 94))


def test_attempts_keep_their_numbers_and_the_one_left_out_is_named(three) -> None:
    assert three.table["attempt"].tolist() == [1, 3]
    assert three.table["note"].tolist() == ["C3", "F3"]
    assert three.left_out["attempt"].tolist() == [2]
    assert "The tone stands for 0." in three.left_out["fault"].item()
    assert any(text.startswith("Attempt 2 is left out: The tone") for text in three.cautions)
    assert three.sentence.startswith("Attempt 1, C3: ")
    assert " Attempt 3, F3: " in three.sentence
    assert "The range of 2 attempts is " in three.sentence


@pytest.mark.parametrize(
    ("make", "seed"), [(degrade.automatic_gain, 1), (degrade.automatic_gain, 2), (degrade.gated, 1)]
)
def test_a_recorder_that_changes_its_gain_is_not_believed(make, seed, folder) -> None:
    sound = hairpin_sound(seed, room=Room(50), playing=Playing(wobble_db=0.3))
    found = hairpin(make(sound.samples, RATE, folder / "agc.wav"))
    assert found.table["gain_suspected"].item()
    assert "Do not believe the range" in found.sentence
    assert any("is not to be believed, for the gain changed" in text for text in found.cautions)


def test_a_plain_recording_is_not_suspected(one) -> None:
    assert not one.table["gain_suspected"].item()


def test_a_tone_that_only_rises_has_no_fade(folder) -> None:
    sound = hairpin_sound(1, fall_s=0.1)
    found = hairpin(sound.write(folder / "up.wav"))
    row = found.table.iloc[0]
    assert np.isnan([row["fade_evenness_db"], row["symmetry"]]).all()
    assert row["dynamic_range_db"] == pytest.approx(20, abs=0.5)
    assert any("only rises or only falls" in text for text in found.cautions)


@pytest.mark.parametrize(
    ("samples", "said"),
    [
        (np.zeros(2 * RATE), r"h.wav has no sound in it"),
        (
            np.pad(0.1 * np.random.default_rng(1).standard_normal(2 * RATE), RATE),
            r"h.wav holds no hairpin. From 1.0 to 3.0 s there is sound, but no tone in it.",
        ),
        (
            register_sound(1, notes=["C3"], note_s=3.0).samples,
            r"h.wav holds no hairpin. The tone stays within 0.\d dB; a hairpin goes from",
        ),
        (_short().samples, r"h.wav holds no hairpin. The tone stands for 0.\d s; take two"),
        (
            register_sound(1).samples,
            r"h.wav holds no hairpin. From 0.5 to 7.5 s the pitch moves from note to note; a hair",
        ),
        (
            np.clip(8 * hairpin_sound(1).samples, -1, 1),
            r"h.wav holds no hairpin. .*% of its samples are clipped, so its loudest is cut off",
        ),
    ],
    ids=["silence", "noise", "no swell", "too short", "line", "clipped"],
)
def test_what_is_no_hairpin_is_refused_in_a_sentence(samples, said, folder) -> None:
    with pytest.raises(RecordError, match=said):
        hairpin(degrade.wav(samples, RATE, folder / "h.wav"))


def test_two_attempts_without_a_pause_are_told_of(folder) -> None:
    samples = hairpin_sound(1).samples
    joined = np.concatenate([samples[: round(5.9 * RATE)], samples[round(0.4 * RATE) :]])
    found = hairpin(degrade.wav(joined, RATE, folder / "close.wav"))
    assert found.rows_used == 1
    assert any(text.startswith("Only the tone from 0.7 to 5.") for text in found.cautions)


def test_a_tone_whose_beginning_is_cut_off_has_no_attack(folder) -> None:
    """0.72 s is 10 ms after the tone stands."""
    cut = hairpin_sound(1).samples[round(0.72 * RATE) :]
    found = hairpin(degrade.wav(cut, RATE, folder / "cut.wav"))
    assert np.isnan(found.table[["attack_ms", "delay_ms"]]).all(axis=None)
    assert "attack" not in found.sentence
    assert found.table["dynamic_range_db"].item() == pytest.approx(20, abs=0.5)


@pytest.mark.parametrize("way", ["up", "down", "up and down"])
@pytest.mark.parametrize("hz", [98.0, 392.0])
def test_a_swell_of_30_db_in_a_straight_line_reads_30_db(way, hz, folder) -> None:
    """From -40 to -10 dB in six seconds; the ends are ramps of 10 ms."""
    t = np.arange(6 * RATE) / RATE
    way_up = {"up": t / 6, "down": 1 - t / 6, "up and down": 1 - np.abs(t / 3 - 1)}[way]
    tone = sum(np.sin(2 * np.pi * k * hz * t + k * k) / k for k in range(1, 7))
    tone *= 10 ** ((30 * way_up - 40) / 20) / np.sqrt(np.sum(1 / np.arange(1, 7) ** 2))
    tone *= np.minimum(1, 100 * np.minimum(t, 6 - t))
    room = 1e-4 * np.random.default_rng(1).standard_normal(8 * RATE)
    found = hairpin(degrade.wav(np.pad(tone, RATE) + room, RATE, folder / "line.wav"))
    assert found.table["dynamic_range_db"].item() == pytest.approx(30.0, abs=0.3)
    assert found.table["loud_db"].item() == pytest.approx(-10.0, abs=0.15)


@pytest.mark.parametrize(("depth", "told"), [(0.1, False), (0.6, True)])
def test_a_hairpin_that_trembles_is_told(depth, told, folder) -> None:
    samples = hairpin_sound(1).samples
    swell = 1 + depth * np.sin(2 * np.pi * 6 * np.arange(len(samples)) / RATE)
    found = hairpin(degrade.wav(samples * swell, RATE, folder / "t.wav"))
    assert told == any("goes up and down on the way" in text for text in found.cautions)


@pytest.mark.parametrize("note", ["B♭0", "A5"])
def test_the_lowest_and_the_highest_instruments_are_heard(note, folder) -> None:
    found = hairpin(hairpin_sound(1, note=note, centroid_rise_hz=0).write(folder / "far.wav"))
    assert found.table["note"].item() == note
    assert found.table["dynamic_range_db"].item() == pytest.approx(20, abs=0.5)


def test_the_picture_over_time_marks_softest_and_loudest(three) -> None:
    ax = three.plot()
    marks = [line for line in ax.get_lines() if line.get_marker() == "D"]
    for mark, row in zip(marks, three.table.to_dict("records"), strict=True):
        assert mark.get_ydata() == pytest.approx([row["soft_db"], row["loud_db"]])
    assert ax.get_ylabel() == "level, dB re full scale"
    labels = [text.get_text() for text in ax.get_legend().get_texts()]
    assert labels == ["level", "softest and loudest", "pitch (right)"]


def test_the_calibrated_picture_is_drawn_in_sound_pressure(folder, one) -> None:
    del one
    found = hairpin(folder / "c3.wav", calibration=110)
    ax = found.plot()
    assert ax.get_ylabel() == "level, dB (sound pressure)"
    level = ax.get_lines()[0].get_ydata()
    assert np.nanmax(level) == pytest.approx(found.table["loud_db"].item(), abs=0.2)


def test_the_picture_of_pitch_draws_the_line_of_each_attempt(three) -> None:
    ax = three.plot_pitch()
    lines = [line for line in ax.get_lines() if line.get_linestyle() == "-"]
    for line, row in zip(lines, three.table.to_dict("records"), strict=True):
        (x0, x1), (y0, y1) = line.get_data()
        assert 10 * (y1 - y0) / (x1 - x0) == pytest.approx(row["drift_cents_per_10_db"])
        assert f"attempt {row['attempt']}, {row['note']}: " in line.get_label()
