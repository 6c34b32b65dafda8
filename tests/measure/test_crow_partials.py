"""What real notes of other instruments taught: attacks, rumble, vibrato, very high and low tones.

The sounds are made of formulas after notes of the packages tonejs-instrument-…-mp3 (trombone,
violin, cello, organ, piano), on which each was first seen; none of those is kept here.
"""

from pathlib import Path

import numpy as np
import pytest

from reedlab.measure.crow import Crow, crow
from reedlab.measure.recording import Recording
from tests.demo.hearing import cents
from tests.measure.odd_sounds import RATE_HZ, between_quiet, clock, coloured, struck, tone


def heard(samples: np.ndarray) -> Crow:
    return crow(Recording(Path("x.wav"), samples, RATE_HZ))


def test_a_knock_on_another_pitch_is_no_second_pitch() -> None:
    # Trombone F2: for its first 60 ms other lines are louder than the tone.
    t = clock(3.0)
    knock = 0.1 * np.exp(-np.abs(t - 1.5) / 0.03) * np.sin(2 * np.pi * 475 * t)
    row = heard(tone(87.31) + knock).table.iloc[0]
    assert row["single_pitch"]
    assert row["confidence"] > 0.9
    assert cents(row["crow_hz"], 87.31) == pytest.approx(0, abs=1)


def test_rumble_below_the_floor_is_no_second_pitch() -> None:
    # Trombone B♭2: the room rumbles at 29 Hz, about a quarter of the pitch.
    rumble = 0.008 * np.sin(2 * np.pi * 28.6 * clock(3.0))
    row = heard(between_quiet(tone(116.54) + rumble)).table.iloc[0]
    assert row["single_pitch"]
    assert cents(row["crow_hz"], 116.54) == pytest.approx(0, abs=1)


@pytest.mark.parametrize("hz", [1480.0, 1760.0, 2093.0])
def test_a_high_vibrato_in_noise_below_it_keeps_its_octave(hz: float) -> None:
    # Violin A6: noise of the bow about half the pitch passed for a partial there.
    from scipy.signal import butter, sosfilt

    wave = hz * 2 ** (25 / 1200 * np.sin(2 * np.pi * 6 * clock(3.0)))
    skewed = butter(2, [hz / 1.98, hz / 1.85], "bandpass", fs=RATE_HZ, output="sos")
    noise = sosfilt(skewed, coloured(0))
    sound = tone(wave)
    noise *= 0.045 * sound.std() / noise.std()
    row = heard(between_quiet(sound + noise)).table.iloc[0]
    assert row["crow_hz"] == pytest.approx(hz, rel=0.002)


@pytest.mark.parametrize("hz", [2637.0, 3136.0, 3520.0, 3951.0])
def test_a_whistle_has_its_octave_or_is_doubted(hz: float) -> None:
    # Piano B7: there is no room for a second partial at 11 kHz, and once an IndexError.
    row = heard(between_quiet(tone(hz))).table.iloc[0]
    assert cents(row["crow_hz"], hz) == pytest.approx(0, abs=5)
    assert hz < 3300 or not row["single_pitch"]


@pytest.mark.parametrize("hz", [34.65, 38.89, 43.65, 49.0])
def test_a_tone_below_the_floor_has_its_octave_or_is_doubted(hz: float) -> None:
    # Organ E♭1, tuba F1: heard at twice their pitch.
    row = heard(between_quiet(tone(hz, partials=20))).table.iloc[0]
    assert not row["single_pitch"] or cents(row["crow_hz"], hz) == pytest.approx(0, abs=2)


@pytest.mark.parametrize("hz", [196.0, 341.0, 700.0])
@pytest.mark.parametrize("softer_db", [0.0, 6.0])
@pytest.mark.parametrize("apart", [35.0, 100.0])
def test_two_near_pitches_are_no_single_one(hz: float, softer_db: float, apart: float) -> None:
    # Bassoon E4 beside itself: the running pitch stands between them, as steady as one.
    other = tone(hz * 2 ** (apart / 1200)) * 10 ** (-softer_db / 20)
    found = heard(between_quiet(tone(hz) + other))
    assert not found.table["single_pitch"].any()
    assert found.table["confidence"].max() <= 0.2


@pytest.mark.parametrize("apart", [35.0, 100.0])
def test_how_far_two_near_pitches_lie_apart(apart: float) -> None:
    found = heard(between_quiet(tone(341.0) + tone(341.0 * 2 ** (apart / 1200))))
    partials = found.attempts[0].partials
    assert partials is not None
    assert partials.apart_cents == pytest.approx(apart, abs=2)


@pytest.mark.parametrize("partials", [1, 7])
@pytest.mark.parametrize("depth", [0.9])
@pytest.mark.parametrize("times", [3.0, 6.0, 9.0])
def test_a_tone_that_trembles_is_not_two(times: float, depth: float, partials: int) -> None:
    swell = 1 + depth * np.sin(2 * np.pi * times * clock(3.0))
    assert heard(between_quiet(tone(341.0, 3.0, partials) * swell)).table["single_pitch"].all()


def test_a_knock_about_the_missing_root_does_not_make_a_fifth_one_note() -> None:
    # Piano C4 with G4: its soundboard is loud near C3, which has no partial there.
    from scipy.signal import butter, sosfilt

    board = sosfilt(butter(2, [112, 124], "bandpass", fs=RATE_HZ, output="sos"), coloured(0))
    fifth = struck(261.63, 392.44)
    board *= 0.1 * fifth.std() / board.std()
    found = heard(between_quiet(fifth + board))
    assert not found.table["single_pitch"].any()


@pytest.mark.parametrize(
    "chord", [(350.0, 440.0), (262.0, 393.0), (523.0, 588.4), (400.0, 500.0, 600.0)]
)
def test_two_or_three_whistles_are_no_low_note(chord: tuple[float, ...]) -> None:
    # A dial tone, 350 and 440 Hz, was once heard as 87.8 Hz.
    found = heard(between_quiet(sum(tone(hz, partials=1) for hz in chord)))
    assert not found.table["single_pitch"].any()
    assert found.table["confidence"].max() <= 0.2


def test_a_pure_tone_has_no_hum() -> None:
    # The rounding to 16 bits has lines of its own, 90 dB below.
    rounded = np.round(32767 * 0.1 * np.sin(2 * np.pi * 440 * clock(3.0))) / 32767
    assert not any("Hum" in text for text in heard(rounded).cautions)
