"""Pitch is right to a fraction of a cent, absent without a tone, and never halved unsaid."""

from pathlib import Path

import numpy as np
import pytest

from reedlab.demo.sound import hairpin_sound
from reedlab.errors import CallError
from reedlab.measure.pitches import pitch_track
from reedlab.measure.recording import Recording, read_recording
from reedlab.schema import note_hz
from tests.measure import degrade
from tests.measure.real_notes import real_notes

#: 440 Hz: CRC Handbook, table of the equally tempered scale.
NOTES = {"Bb1": 58.2705, "F2": 87.3071, "F3": 174.6141, "Bb3": 233.0819, "E4": 329.6276}


def _recording(samples: np.ndarray, rate_hz: float = 44_100) -> Recording:
    return Recording(Path("x.wav"), samples, rate_hz)


def _tone(hz: float, rate_hz: float = 44_100, seconds: float = 0.6, formant_hz: float = 500):
    """A tone whose strongest partial lies near 500 Hz, as a bassoon's does; 0: a sine."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    count = int(min(0.45 * rate_hz, 8000) // hz) if formant_hz else 1
    tone = sum(
        10 ** (-15 * abs(np.log2(k * hz / (formant_hz or hz))) / 20)
        * np.sin(2 * np.pi * k * hz * t + k**2)
        for k in range(1, count + 1)
    )
    return _recording(0.4 * tone / np.abs(tone).max(), rate_hz)


def _cents(found_hz, hz: float) -> np.ndarray:
    return 1200 * np.log2(np.asarray(found_hz) / hz)


@pytest.mark.parametrize("rate_hz", [8000, 11_025, 22_050, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("formant_hz", [0, 500])
def test_every_window_is_within_a_cent_at_every_rate(rate_hz, formant_hz) -> None:
    for hz in (*NOTES.values(), 698.4565, 932.33, 1200.0):
        track = pitch_track(_tone(hz, rate_hz, formant_hz=formant_hz))
        assert track.voiced_share == 1
        assert np.abs(_cents(track.hz, hz)).max() < (0.05 if formant_hz else 0.8), hz
        assert track.strength.min() > 0.95
        assert track.strength.max() <= 1
        assert track.cautions == ()


def test_a_glide_is_followed_at_its_time() -> None:
    rate_hz = 44_100
    for hz_per_s in (100, -100):
        t = np.arange(rate_hz) / rate_hz
        tone = np.sin(2 * np.pi * (400 * t + hz_per_s * t**2 / 2))
        track = pitch_track(_recording(tone, rate_hz), floor_hz=150)
        # 0.1 Hz here is 1 ms.
        assert np.abs(track.hz - (400 + hz_per_s * track.time_s)).max() < 0.05


@pytest.mark.parametrize(("name", "path"), real_notes().items())
def test_real_notes_have_the_pitch_of_their_name(name, path) -> None:
    track = pitch_track(read_recording(path))
    # Within what a note was tuned to by its makers; Praat itself is good to 0.01 cents.
    assert abs(_cents(np.nanmedian(track.hz), note_hz(name))) < 2
    assert track.voiced_share > 0.98
    assert track.cautions == ()


@pytest.mark.parametrize("write", [degrade.noisy, degrade.humming, degrade.clipped, degrade.mp3])
def test_worse_recordings_keep_the_pitch(write, tmp_path) -> None:
    clean = read_recording(real_notes()["A3"])
    name = "x.mp3" if write is degrade.mp3 else "x.wav"
    worse = read_recording(write(clean.samples, 44_100, tmp_path / name))
    shift = _cents(np.nanmedian(pitch_track(worse).hz), np.nanmedian(pitch_track(clean).hz))
    assert abs(shift) < 1


# Silence and noise have no pitch (trap of librosa 1063 and 1990, aubio 7)


def test_only_the_tone_between_two_silences_has_a_pitch() -> None:
    silence = np.zeros(22_050)
    tone = _tone(440, seconds=0.5, formant_hz=0).samples
    track = pitch_track(_recording(np.concatenate([silence, tone, silence])))
    heard = np.isfinite(track.hz)
    assert np.nanmedian(track.hz) == pytest.approx(440, abs=0.01)
    # A window that is half silence is still near.
    assert np.abs(_cents(track.hz[heard], 440)).max() < 30
    assert track.time_s[heard].min() == pytest.approx(0.5, abs=0.03)
    assert track.time_s[heard].max() == pytest.approx(1.0, abs=0.03)
    assert track.voiced_share == pytest.approx(0.5 / 1.44, abs=0.04)
    assert (track.strength[~heard] == 0).all()


@pytest.mark.parametrize("slope", [0.0, 0.5, 1.0])
def test_noise_has_no_pitch(slope) -> None:
    rng = np.random.default_rng(5)
    hz = np.fft.rfftfreq(4 * 44_100, 1 / 44_100)
    drawn = np.fft.rfft(rng.normal(size=4 * 44_100)) / np.maximum(hz, 20) ** slope
    noise = np.fft.irfft(drawn)
    assert pitch_track(_recording(noise / np.abs(noise).max())).voiced_share < 0.05


def test_a_soft_end_is_heard_beside_a_knock() -> None:
    tone = _tone(130.81, seconds=1.0).samples * 0.01
    knock = np.zeros(4410)
    knock[100:140] = 0.9
    track = pitch_track(_recording(np.concatenate([knock, tone])))
    assert np.isfinite(track.hz[track.time_s > 0.2]).all()


def test_a_hairpin_is_heard_over_its_whole_range() -> None:
    sound = hairpin_sound(1, soft_db=-44, loud_db=-14)
    track = pitch_track(_recording(sound.samples, sound.rate_hz))
    inside = (track.time_s > sound.truth.spoken_s + 0.03) & (track.time_s < sound.truth.end_s - 0.1)
    assert np.isfinite(track.hz[inside]).all()
    assert np.abs(_cents(track.hz[inside], sound.truth.hz)).max() < 5


# Limits (trap of Parselmouth 55 and 147)


@pytest.mark.parametrize("hz", [698.46, 932.33, 1200.0])
def test_a_tone_above_the_ceiling_is_told(hz) -> None:
    low = pitch_track(_tone(hz, formant_hz=0), ceiling_hz=600)
    assert np.nanmedian(low.hz) < 600
    assert low.cautions[-1] == (
        f"100 % of the tone seems to lie above the ceiling of 600 Hz, near {hz:.0f} Hz, and is "
        "heard too low; raise ceiling_hz."
    )
    assert np.nanmedian(pitch_track(_tone(hz, formant_hz=0)).hz) == pytest.approx(hz, abs=0.1)


@pytest.mark.parametrize("hz", [320, 440, 590])
@pytest.mark.parametrize("formant_hz", [0, 500, 1500])
def test_a_tone_below_the_ceiling_is_not_taken_for_one_above(hz, formant_hz) -> None:
    assert pitch_track(_tone(hz, formant_hz=formant_hz), ceiling_hz=620).cautions == ()


def test_a_pitch_at_a_limit_is_told() -> None:
    at_floor = pitch_track(_tone(100.5, formant_hz=0), floor_hz=100)
    assert at_floor.cautions == ("100 % of the tone sits at the floor of 100 Hz; lower floor_hz.",)
    at_ceiling = pitch_track(_tone(598, formant_hz=0), ceiling_hz=600)
    assert at_ceiling.cautions == (
        "100 % of the tone sits at the ceiling of 600 Hz; raise ceiling_hz.",
    )


@pytest.mark.parametrize(
    ("limits", "message"),
    [
        ({"floor_hz": 500, "ceiling_hz": 100}, "floor_hz is 500 and ceiling_hz 100; write the low"),
        ({"floor_hz": 0}, "floor_hz is 0 and ceiling_hz 1400; write the lower one first, both abo"),
        (
            {"floor_hz": 4},
            r"0\.60 s long, and a floor of 4 Hz needs more than 0\.75 s; raise floor",
        ),
        ({"ceiling_hz": 30_000}, "ceiling_hz is 30000, but nothing above 22050 Hz is in a record"),
        ({"step_s": 0}, r"step_s is 0; it must be a time above 0 s\."),
    ],
)
def test_limits_that_do_not_fit_are_refused(limits, message) -> None:
    with pytest.raises(CallError, match=message):
        pitch_track(_tone(440), **limits)


def test_all_faults_of_the_limits_are_told_at_once() -> None:
    with pytest.raises(CallError) as caught:
        pitch_track(_tone(440), floor_hz=-1, ceiling_hz=50_000, step_s=-1)
    assert len(str(caught.value).splitlines()) == 3
