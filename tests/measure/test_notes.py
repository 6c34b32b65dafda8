"""The real notes are in tune, and worse copies are worse in the way that they say."""

import numpy as np
import parselmouth
import pytest

from reedlab.demo.sound import hairpin_sound
from reedlab.schema import note_hz
from tests.demo.hearing import cents, lines, peak, rms_db
from tests.measure import degrade
from tests.measure.real_notes import decoded, real_notes

NOTES = real_notes()


def _pitch_hz(samples: np.ndarray, rate_hz: int) -> float:
    track = parselmouth.Sound(samples, rate_hz).to_pitch_ac(pitch_floor=50, pitch_ceiling=1400)
    hz = track.selected_array["frequency"]
    return float(np.median(hz[hz > 0]))


def _note(name: str) -> tuple[np.ndarray, int]:
    samples, rate_hz = decoded(NOTES[name])
    return samples[:, 0], rate_hz


@pytest.mark.parametrize("name", NOTES)
def test_a_real_note_has_the_pitch_of_its_name(name: str) -> None:
    assert abs(cents(_pitch_hz(*_note(name)), note_hz(name))) < 5


@pytest.mark.parametrize("name", ["G2", "A2", "C3", "G3", "A3"])
def test_the_strongest_partial_of_a_low_real_note_is_not_its_fundamental(name: str) -> None:
    samples, rate_hz = _note(name)
    heard = lines(samples[rate_hz : 3 * rate_hz], rate_hz, note_hz(name), 2000)
    # SHARC archive (Sandell 1991, from memory): 294 to 698 Hz on every bassoon note from B♭1 to F4.
    assert 290 <= heard[heard[:, 1].argmax(), 0] <= 700


@pytest.mark.parametrize(
    ("make", "name", "rate_hz", "within_cents"),
    [
        (degrade.wav, "x.wav", 44_100, 0.01),
        (degrade.m4a, "x.m4a", 44_100, 0.1),
        (degrade.mp3, "x.mp3", 44_100, 0.1),
        (degrade.ogg, "x.ogg", 48_000, 0.1),
        (degrade.wav_8_khz, "x.wav", 8_000, 0.2),
        (degrade.noisy, "x.wav", 44_100, 1.0),
        (degrade.humming, "x.wav", 44_100, 1.0),
        (degrade.clipped, "x.wav", 44_100, 0.2),
    ],
)
def test_a_worse_copy_keeps_the_pitch(make, name, rate_hz, within_cents, tmp_path) -> None:
    samples, native_hz = _note("A3")
    copy, found_hz = decoded(make(samples, native_hz, tmp_path / name))
    assert (copy.shape[1], found_hz) == (1, rate_hz)
    assert len(copy) / found_hz == pytest.approx(len(samples) / native_hz, abs=0.06)
    before = _pitch_hz(samples, native_hz)
    assert abs(cents(_pitch_hz(copy[:, 0], found_hz), before)) < within_cents


@pytest.mark.parametrize("shift", [-100.0, -7.5, 23.0, 700.0])
def test_a_transposed_copy_moves_by_exactly_so_much(shift, tmp_path) -> None:
    rate_hz = 44_100
    tone = 0.5 * np.sin(2 * np.pi * 300 * np.arange(2 * rate_hz) / rate_hz)
    copy, _ = decoded(degrade.transposed(tone, rate_hz, tmp_path / "x.wav", cents=shift))
    found, level = peak(copy[4000:-4000, 0], rate_hz, 200, 600)
    assert cents(found, 300) == pytest.approx(shift, abs=0.005)
    assert level == pytest.approx(20 * np.log10(0.5), abs=0.05)


def test_a_dead_channel_is_dead_and_the_other_not(tmp_path) -> None:
    copy, rate_hz = decoded(degrade.one_dead_channel(*_note("A3"), tmp_path / "x.wav", dead=0))
    assert rate_hz == 48_000
    assert np.all(copy[:, 0] == 0)
    assert np.std(copy[:, 1]) > 0.05


def test_opposed_channels_cancel(tmp_path) -> None:
    copy, _ = decoded(degrade.opposed_channels(*_note("A3"), tmp_path / "x.wav"))
    assert np.all(copy.sum(axis=1) == 0)
    assert np.std(copy[:, 0]) > 0.05


@pytest.mark.parametrize("make", [degrade.noisy, degrade.humming])
def test_what_is_added_lies_as_far_below_as_it_says(make, tmp_path) -> None:
    samples, rate_hz = _note("C3")
    copy, _ = decoded(make(samples, rate_hz, tmp_path / "x.wav", snr_db=15))
    added = copy[:, 0] - samples
    assert 10 * np.log10(np.mean(samples**2) / np.mean(added**2)) == pytest.approx(15, abs=0.02)


def test_a_clipped_copy_lies_at_full_scale(tmp_path) -> None:
    copy, _ = decoded(degrade.clipped(*_note("C3"), tmp_path / "x.wav", over_db=12))
    at_full_scale = np.abs(copy) > 0.9999
    assert 0.02 < at_full_scale.mean() < 0.5


def test_an_offset_is_the_mean_that_it_says(tmp_path) -> None:
    samples, rate_hz = _note("C3")
    copy, _ = decoded(degrade.offset(samples, rate_hz, tmp_path / "x.wav", dc=0.03))
    assert copy.mean() - samples.mean() == pytest.approx(0.03, abs=1e-4)


def test_automatic_gain_flattens_a_hairpin(tmp_path) -> None:
    hairpin = hairpin_sound()
    truth, rate_hz = hairpin.truth, hairpin.rate_hz
    copy, _ = decoded(degrade.automatic_gain(hairpin.samples, rate_hz, tmp_path / "x.wav"))
    levels = [
        rms_db(copy[round(at * rate_hz) : round((at + 0.1) * rate_hz), 0])
        for at in (truth.peak_s, truth.fallen_s - 0.1)
    ]
    assert truth.loud_db - truth.soft_db == 20
    assert levels[0] - levels[1] < 10


def test_a_gate_leaves_nothing_of_the_silence(tmp_path) -> None:
    hairpin = hairpin_sound()
    copy, rate_hz = decoded(degrade.gated(hairpin.samples, hairpin.rate_hz, tmp_path / "x.wav"))
    assert np.std(hairpin.samples[: rate_hz // 3]) > 0
    assert np.all(copy[: rate_hz // 3] == 0)
    loudest = round(hairpin.truth.peak_s * rate_hz)
    heard = copy[loudest : loudest + 4410, 0] - hairpin.samples[loudest : loudest + 4410]
    assert np.abs(heard).max() < 1e-4
