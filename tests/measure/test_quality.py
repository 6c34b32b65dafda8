"""Bad recordings are told from good ones: each fault in both directions.

The faulty copies are made by scipy and PyAV of invented sounds and of real notes.
"""

from itertools import product
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import fftconvolve

from reedlab.demo.sound import (
    RATTLE_HZ,
    Playing,
    Sound,
    crow_sound,
    hairpin_sound,
    register_sound,
    slur_sound,
    whole_test_sound,
)
from reedlab.errors import CallError
from reedlab.measure.attempts import find_attempts
from reedlab.measure.clipping import clipped_share
from reedlab.measure.quality import Quality, quality
from reedlab.measure.recording import Recording, read_recording
from tests.measure import degrade
from tests.measure.real_notes import real_notes

RATE = 22_050
PLAYED = Playing(vibrato_cents=4.0, wobble_cents=2.0, wobble_db=0.2)


def _recording(samples: np.ndarray, rate_hz: float = RATE) -> Recording:
    return Recording(Path("x.wav"), samples, rate_hz)


def _of(sound: Sound) -> Recording:
    return _recording(sound.samples, sound.rate_hz)


def _first(recording: Recording) -> Quality:
    return quality(recording, *find_attempts(recording)[0])


def _tone(level_db: np.ndarray, noise_db: float | np.ndarray = -70.0, seed: int = 1) -> np.ndarray:
    """A rich tone of C3 with a level for each sample, and white noise."""
    t = np.arange(len(level_db)) / RATE
    tone = sum(np.sin(2 * np.pi * 130.8 * k * t + k**2) / (1 + abs(k - 4)) for k in range(1, 30))
    tone *= 10 ** (level_db / 20) / np.std(tone) / np.sqrt(2)
    noise = np.random.default_rng(seed).normal(size=len(t)) / np.sqrt(2)
    return tone + noise * 10 ** (noise_db / 20)


def _level(*corners: tuple[float, float]) -> np.ndarray:
    """Straight lines in dB between corners (seconds, dB)."""
    time_s, level_db = zip(*corners, strict=True)
    return np.interp(np.arange(round(time_s[-1] * RATE)) / RATE, time_s, level_db)


GONE = -200.0
HAIRPIN = _level((0, GONE), (1, GONE), (1.05, -34), (3.5, -14), (6, -34), (6.05, GONE), (8, GONE))


# Good recordings are left alone


@pytest.mark.parametrize(
    "sound",
    [
        lambda: crow_sound(1, playing=PLAYED),
        lambda: crow_sound(2, rattle_hz=RATTLE_HZ),
        lambda: hairpin_sound(1, playing=PLAYED),
        lambda: hairpin_sound(2, soft_db=-44, loud_db=-14),
        lambda: slur_sound(1, playing=PLAYED),
        lambda: register_sound(1, playing=PLAYED),
    ],
    ids=["crow", "rattle", "hairpin", "wide hairpin", "slurs", "register"],
)
def test_a_good_recording_has_no_caution(sound) -> None:
    assert _first(_of(sound())).cautions == ()


def test_a_whole_test_has_no_caution_also_from_a_phone(tmp_path) -> None:
    sound = whole_test_sound(2)
    phone = read_recording(degrade.m4a(sound.samples, sound.rate_hz, tmp_path / "x.m4a"))
    for span in find_attempts(phone):
        assert quality(phone, *span).cautions == ()


def test_real_notes_only_lack_their_quiet_and_their_ends() -> None:
    for path in real_notes().values():
        found = _first(read_recording(path))
        assert [caution.split(",")[0] for caution in found.cautions] == [
            "There is no quiet near the attempt",
            "The attempt begins with the file",
            "The attempt ends with the file",
        ]
        assert np.isnan(found.noise_db)


# Clipping


@pytest.mark.parametrize("period", [6, 12, 25, 40, 48, 49, 147, 200])
@pytest.mark.parametrize("phase", [0.0, 0.5, 1.0])
def test_a_tone_that_repeats_itself_exactly_is_not_clipped(period, phase) -> None:
    angle = 2 * np.pi * (np.arange(44_100) + phase / 2) / period
    for top, steps in product((0.01, 0.6, 1.0), (None, 2**15 - 1, 2**23 - 1)):
        tone = top * np.cos(angle)
        assert clipped_share(tone if steps is None else np.round(steps * tone) / steps) == 0


@pytest.mark.parametrize("period", [12, 48, 147, 200])
def test_such_a_tone_is_clipped_where_it_was_cut_at_full_scale(period) -> None:
    tone = 2 * np.cos(2 * np.pi * np.arange(44_100) / period)
    cut = np.mean(np.abs(tone) > 1)
    assert clipped_share(np.clip(tone, -1, 1)) == pytest.approx(cut, rel=0.1, abs=2 / period)


@pytest.mark.parametrize("over_db", [1, 3, 6, 12])
@pytest.mark.parametrize("gain", [1.0, 0.3])
def test_the_clipped_share_is_exact_without_loss_at_any_height(over_db, gain) -> None:
    for path in real_notes().values():
        samples = read_recording(path).samples
        louder = samples / np.abs(samples).max() * 10 ** (over_db / 20)
        truth = (np.abs(louder) >= 1).mean()
        found = clipped_share(gain * np.clip(louder, -1, 1))
        # Less than eight samples on one side are no crowd; those in the top 0.1 % count too.
        assert truth - 8 / len(samples) < found <= 1.02 * truth + 3e-4


@pytest.mark.parametrize("full", [1.0, 0.5, 0.01])
@pytest.mark.parametrize("bits", [8, 16, 24])
@pytest.mark.parametrize("hz", [58.27, 349.2])
def test_whole_peaks_are_not_clipped(full, bits, hz) -> None:
    steps = 2 ** (bits - 1)
    tone = full * np.sin(2 * np.pi * hz * np.arange(3 * RATE) / RATE)
    assert clipped_share(np.clip(np.round(tone * steps), -steps, steps) / steps) == 0
    noise = np.random.default_rng(1).normal(size=3 * RATE) * full / 5
    assert clipped_share(noise) == 0


def test_a_sine_of_six_times_full_scale_is_clipped_for_the_most_part() -> None:
    # Share beyond full scale: 1 - 2 / pi * asin(1 / 6), by integral; 89 %.
    sine = 6 * np.sin(2 * np.pi * 330 * np.arange(RATE) / RATE)
    truth = 1 - 2 / np.pi * np.arcsin(1 / 6)
    assert clipped_share(np.clip(sine, -1, 1)) == pytest.approx(truth, abs=0.002)


@pytest.mark.parametrize(
    ("write", "name"), [(degrade.mp3, "x.mp3"), (degrade.m4a, "x.m4a"), (degrade.ogg, "x.ogg")]
)
def test_clipping_is_seen_through_a_lossy_coder(write, name, tmp_path) -> None:
    samples = read_recording(real_notes()["C4"]).samples
    clipped = np.clip(samples / np.abs(samples).max() * 2, -1, 1)
    whole = samples / np.abs(samples).max() * 0.9
    assert clipped_share(read_recording(write(clipped, 44_100, tmp_path / name)).samples) > 0.1
    assert clipped_share(read_recording(write(whole, 44_100, tmp_path / name)).samples) == 0


def test_clipping_is_a_caution_by_its_share() -> None:
    sound = hairpin_sound(1)
    louder = sound.samples / np.abs(sound.samples).max()
    much = _first(_recording(np.clip(4 * louder, -1, 1), sound.rate_hz))
    assert much.clipped_share > 0.02
    assert (
        "of the samples are clipped, so levels and tone are not to be used; tu" in much.cautions[0]
    )
    little = _first(_recording(np.clip(1.05 * louder, -1, 1), sound.rate_hz))
    assert 0 < little.clipped_share < 0.001
    assert little.cautions[0].endswith("are clipped; turn the recorder down a little.")


# Noise, hum and a constant


@pytest.mark.parametrize("noise_db", [-90, -70, -50])
def test_noise_and_its_distance_are_measured(noise_db) -> None:
    level = _level((0, GONE), (1, GONE), (1.01, -20), (3, -20), (3.01, GONE), (4, GONE))
    found = _first(_recording(_tone(level, noise_db)))
    assert found.noise_db == pytest.approx(noise_db, abs=0.2)
    # The edges of the attempt hold a little of the quiet.
    assert found.snr_db == pytest.approx(-20 - noise_db, abs=0.4)
    told = f"The sound is only {found.snr_db:.0f} dB above the noise, so its soft parts are lost in"
    assert any(told in caution for caution in found.cautions) == (noise_db > -55)


@pytest.mark.parametrize("hum_hz", [50.0, 60.0])
def test_hum_is_told_from_noise(hum_hz, tmp_path) -> None:
    samples = _tone(HAIRPIN)
    humming = degrade.humming(samples, RATE, tmp_path / "x.wav", hum_hz, snr_db=25)
    found = _first(read_recording(humming))
    assert found.hum_share > 0.9
    assert any("of the noise is hum of the mains; move" in caution for caution in found.cautions)
    assert _first(_recording(samples)).hum_share < 0.1


def test_a_constant_is_told_and_changes_nothing_else(tmp_path) -> None:
    clean = _first(_recording(_tone(HAIRPIN)))
    found = _first(read_recording(degrade.offset(_tone(HAIRPIN), RATE, tmp_path / "x.wav")))
    assert found.dc == pytest.approx(0.05, abs=1e-4)
    assert found.noise_db == pytest.approx(clean.noise_db, abs=0.01)
    assert found.cautions == (
        "The samples hold a constant of 0.050 of full scale, which is taken off; the input of the "
        "recorder is faulty and clips on one side first.",
    )
    assert abs(clean.dc) < 1e-4


# Automatic gain


@pytest.mark.parametrize(
    ("make", "seed"), [(crow_sound, 1), (hairpin_sound, 1), (hairpin_sound, 2), (slur_sound, 1)]
)
def test_a_recorder_that_turns_itself_up_and_down_is_suspected(make, seed, tmp_path) -> None:
    sound = make(seed, playing=PLAYED)
    turned = degrade.automatic_gain(sound.samples, sound.rate_hz, tmp_path / "x.wav")
    found = _first(read_recording(turned))
    assert found.gain_suspected
    (told,) = [caution for caution in found.cautions if "gain" in caution]
    assert told.startswith("Automatic gain is likely: ")
    assert told.endswith(
        "Levels may not be compared; switch it off in the recorder, or use one that has none."
    )


def _told(level: np.ndarray, noise_db: float | np.ndarray = -70.0) -> str:
    return " ".join(_first(_recording(_tone(level, noise_db))).cautions)


def test_noise_that_comes_up_after_a_tone_is_told() -> None:
    after = np.maximum(np.arange(len(HAIRPIN)) / RATE - 6.1, 0)
    assert "after a tone the noise comes up by" in _told(HAIRPIN, -70 + 15 * (1 - np.exp(-after)))


def test_noise_that_is_lower_after_a_tone_is_told() -> None:
    lower = np.where(np.arange(len(HAIRPIN)) / RATE < 3, -60.0, -72.0)
    told = _told(HAIRPIN, lower)
    assert "the noise is 12 dB lower after the first tones than before them" in told


def test_a_swell_that_stops_is_told_and_one_that_turns_is_not() -> None:
    stopped = np.minimum(HAIRPIN, -22)
    assert "the swell stops and stands at one level for 2." in _told(stopped)
    assert _told(HAIRPIN) == ""
    # A player who holds the top does not hold it so still.
    rng = np.random.default_rng(4)
    knots = np.arange(0, 8.01, 0.2)
    wavering = np.interp(np.arange(len(HAIRPIN)) / RATE, knots, rng.normal(size=len(knots)) * 0.8)
    assert _told(stopped + wavering) == ""


def test_a_tone_that_sinks_and_is_held_is_told_and_one_that_dies_away_is_not() -> None:
    t = np.arange(5 * RATE) / RATE
    sounding = (t > 1) & (t < 4)
    sinking = np.where(sounding, -20 + 10 * np.exp(-(t - 1) / 0.25), GONE)
    dying = np.where(sounding, -10 - 8 * (t - 1), GONE)
    accent = np.where(sounding, -20 + 3 * np.exp(-(t - 1) / 0.25), GONE)
    assert "dB to a level that it then holds" in _told(sinking)
    assert _told(dying) == ""
    assert _told(accent) == ""


def test_a_room_that_rings_is_no_gain() -> None:
    rng = np.random.default_rng(7)
    dry = _tone(HAIRPIN, -200.0)
    decay = rng.normal(size=RATE) * np.exp(-6.9 * np.arange(RATE) / RATE / 0.8)
    wet = dry + 0.02 * fftconvolve(dry, decay)[: len(dry)]
    wet += rng.normal(size=len(wet)) * 10 ** (-70 / 20)
    found = _first(_recording(wet / np.abs(wet).max() / 2))
    assert not found.gain_suspected


# Noise gates


@pytest.mark.parametrize("make", [crow_sound, hairpin_sound, register_sound])
def test_a_gate_that_gives_digital_silence_is_told(make, tmp_path) -> None:
    sound = make(1, playing=PLAYED)
    found = _first(read_recording(degrade.gated(sound.samples, sound.rate_hz, tmp_path / "x.wav")))
    assert found.gain_suspected
    (told,) = found.cautions
    assert told.startswith("A noise gate is likely: ")
    assert told.endswith(
        "s are digital silence. Soft beginnings and ends may be cut off; switch noise suppression "
        "off in the recorder."
    )


def test_a_gate_that_leaves_some_noise_is_told() -> None:
    t = np.arange(len(HAIRPIN)) / RATE
    closing = np.where((t > 0.9) & (t < 6.5), -60.0, -80.0)
    assert "A noise gate is likely: the noise between the sounds drops in one step." in _told(
        HAIRPIN, closing
    )
    fan_turned_off = np.interp(t, [0, 6.3, 7.3, 8], [-60, -60, -63, -63])
    assert _told(HAIRPIN, fan_turned_off) == ""


# The attempt itself


def test_a_short_attempt_and_one_at_the_edge_are_told() -> None:
    level = _level((0, -20), (0.3, -20), (0.31, GONE), (1.3, GONE))
    found = quality(_recording(_tone(level)), 0.0, 0.3)
    assert found.cautions == (
        "The attempt is only 0.30 s long; play for a second or more.",
        "The attempt begins with the file, so its beginning may be missing.",
    )


def test_one_attempt_is_judged_by_its_own_neighbourhood() -> None:
    soft = _tone(HAIRPIN)
    bad = np.clip(8 * soft, -0.9, 0.9)
    both = _recording(np.concatenate([soft, soft, bad]))
    spans = find_attempts(both)
    assert len(spans) == 3
    assert quality(both, *spans[0]).cautions == ()
    assert quality(both, *spans[1]).clipped_share == 0
    assert quality(both, *spans[2]).clipped_share > 0.05


@pytest.mark.parametrize("span", [(2, 1), (-1, 1), (0, 99)])
def test_a_part_that_does_not_exist_is_refused(span) -> None:
    with pytest.raises(CallError, match=r"There is no attempt from .* the recording is 8\.00 s lo"):
        quality(_recording(_tone(HAIRPIN)), *span)
