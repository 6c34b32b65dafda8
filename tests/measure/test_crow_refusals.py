"""What is no single pitch is never called one with confidence."""

from pathlib import Path

import numpy as np
import pytest

from reedlab.demo.sound import RATTLE_HZ, crow_sound
from reedlab.errors import ModelError, RecordError
from reedlab.measure.crow import Crow, crow
from reedlab.measure.recording import Recording
from tests.measure import degrade
from tests.measure.odd_sounds import (
    RATE_HZ,
    between_quiet,
    clock,
    coloured,
    hum,
    speech,
    struck,
    tone,
)


def heard(samples: np.ndarray) -> Crow:
    return crow(Recording(Path("x.wav"), samples, RATE_HZ))


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("colour", [0, 1, 2])
@pytest.mark.parametrize("within", [False, True])
def test_noise_holds_no_tone(colour: float, seed: int, within: bool) -> None:
    noise = coloured(colour, seed=seed)
    with pytest.raises(ModelError, match=r"x\.wav holds no tone that stands for 0\.15 s"):
        heard(between_quiet(noise) if within else noise)


def test_air_alone_holds_no_tone() -> None:
    sound = crow_sound(2, air_s=2.0)
    hiss = sound.samples[: round((sound.truth.tone_s - 0.05) * RATE_HZ)]
    assert np.std(hiss[-RATE_HZ // 2 :]) > 20 * np.std(hiss[: RATE_HZ // 4])
    with pytest.raises(ModelError, match="holds no tone"):
        heard(hiss)


@pytest.mark.parametrize("mains_hz", [49.97, 50.0, 60.0, 60.02])
@pytest.mark.parametrize("noise", [0.0, 0.02])
def test_hum_alone_is_named(mains_hz: float, noise: float) -> None:
    sound = hum(mains_hz) + noise * np.random.default_rng(1).standard_normal(len(clock()))
    with pytest.raises(ModelError, match=f"no tone but the hum of the mains at {mains_hz:.0f} Hz"):
        heard(sound)


@pytest.mark.parametrize("mains_hz", [100.0, 120.0])
def test_what_may_be_hum_is_not_trusted(mains_hz: float) -> None:
    found = heard(tone(mains_hz, partials=2))
    assert found.table["confidence"].iloc[0] <= 0.2
    assert any("may be hum of the mains" in text for text in found.cautions)
    # The same that begins later is a note.
    assert heard(between_quiet(tone(mains_hz, partials=2))).table["confidence"].iloc[0] > 0.9


@pytest.mark.parametrize("seed", range(1, 6))
def test_speech_is_no_crow(seed: int) -> None:
    found = heard(speech(seed))
    assert not found.table["single_pitch"].any()
    assert found.table["confidence"].max() <= 0.2
    assert any("This is no single pitch" in text for text in found.cautions)


@pytest.mark.parametrize(
    "chord",
    [
        (261.63, 329.63, 392.0),
        (261.63, 311.13, 392.0),
        (196.0, 246.94, 349.23),
        (98.0, 123.47, 146.83),
        (523.25, 659.26, 783.99),
        (261.63, 293.66),
        (261.63, 392.0),
        (261.63, 369.99),
    ],
)
def test_a_chord_is_no_crow(chord: tuple[float, ...]) -> None:
    found = heard(between_quiet(struck(*chord)))
    assert not found.table["single_pitch"].any()
    assert found.table["confidence"].max() <= 0.2


def test_a_chord_that_does_not_repeat_itself_is_told_note_by_note() -> None:
    found = heard(between_quiet(struck(98.0, 123.47, 146.83)))
    assert found.sentence == (
        "Crow 1: several pitches at once (98, 124 and 147 Hz) from 0.5 s, no single one."
    )


@pytest.mark.parametrize(("octaves", "words"), [(0.25, "slides all the time"), (2.0, "stands for")])
def test_a_slide_is_no_crow(octaves: float, words: str) -> None:
    found = heard(between_quiet(tone(300.0 * 2 ** (octaves * clock() / 3))))
    assert not found.table["single_pitch"].any()
    assert any(words in text for text in found.cautions)


def test_a_scale_is_no_crow() -> None:
    found = heard(between_quiet(tone(262.0 * 2 ** (np.floor(clock() / 0.39) / 6))))
    assert not found.table["single_pitch"].any()


def test_a_rattle_alone_is_told() -> None:
    sound = crow_sound(hold_s=0.05, rattle_s=2.0, rattle_hz=RATTLE_HZ)
    found = heard(sound.samples)
    row = found.table.iloc[0]
    assert not row["single_pitch"]
    assert row["rattle_hz"] == "193, 341, 427, 563"
    assert "no single one" in found.sentence


def test_a_short_tone_is_no_crow() -> None:
    found = heard(between_quiet(tone(341.0, 0.3)))
    assert not found.table["single_pitch"].any()
    assert any("it stands for 0.3" in text for text in found.cautions)


@pytest.mark.parametrize(
    ("samples", "message"),
    [
        (np.zeros(RATE_HZ), "has no sound in it"),
        (np.ones(RATE_HZ) * 0.2, "has no sound in it"),
        (np.array([0.5]), r"holds 2\.27e-05 s of sound"),
    ],
)
def test_a_file_without_sound_is_refused(samples, message, tmp_path) -> None:
    with pytest.raises(RecordError, match=message):
        crow(degrade.wav(samples, RATE_HZ, tmp_path / "x.wav"))


def test_samples_that_are_no_numbers_are_refused(tmp_path) -> None:
    from scipy.io import wavfile

    sound = tone(341.0).astype(np.float32)
    sound[22_050] = np.nan
    wavfile.write(tmp_path / "x.wav", RATE_HZ, sound)
    with pytest.raises(RecordError, match="1 samples that are not numbers"):
        crow(tmp_path / "x.wav")


@pytest.mark.parametrize("length_s", [0.11, 0.2, 0.3])
def test_a_very_short_file_is_refused_or_doubted(length_s: float) -> None:
    sound = tone(341.0, length_s)
    try:
        found = heard(sound)
    except ModelError as error:
        assert "holds no tone" in str(error)  # noqa: PT017
    else:
        assert not found.table["single_pitch"].any()
