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
from tests.measure.odd_sounds import RATE_HZ, between_quiet, clock, coloured, tone


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


def test_a_vibrato_in_a_room_that_rings_is_one_pitch() -> None:
    # Cello F4: its lowest partial rings on near the top of the vibrato, 17 cents above the rest.
    t = clock(3.0)
    wave = 349.23 * 2 ** (18 / 1200 * np.sin(2 * np.pi * 5.5 * t))
    turn = 2 * np.pi * np.cumsum(wave) / RATE_HZ
    upper = sum(np.sin(k * turn + k) / k for k in range(2, 9))
    sharp = np.sin(2 * np.pi * np.cumsum(wave * 2 ** (17 / 1200)) / RATE_HZ)
    row = heard(between_quiet(0.03 * (upper + 0.9 * sharp))).table.iloc[0]
    assert row["single_pitch"]
    assert row["crow_note"] == "F4"
