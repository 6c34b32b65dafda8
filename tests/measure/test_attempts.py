"""Attempts are found where invented sounds have them, in quiet, noise and hum."""

from pathlib import Path

import numpy as np
import pytest

from reedlab.demo.sound import (
    Room,
    Sound,
    crow_sound,
    hairpin_sound,
    register_sound,
    slur_sound,
    whole_test_sound,
)
from reedlab.errors import RecordError
from reedlab.measure.attempts import find_attempts
from reedlab.measure.quiet import find_quiet
from reedlab.measure.recording import Recording, read_recording
from tests.measure import degrade
from tests.measure.real_notes import real_notes

RATE = 22_050


def _recording(samples: np.ndarray, rate_hz: float = RATE) -> Recording:
    return Recording(Path("x.wav"), samples, rate_hz)


def _of(sound: Sound) -> Recording:
    return _recording(sound.samples, sound.rate_hz)


def _take(*pieces: tuple[float, float], noise_db: float = -70.0, hum_db: float = -160.0):
    """Tones (level in dB; -inf is quiet) and their seconds, over noise and hum."""
    level = np.concatenate([np.full(round(s * RATE), 10 ** (db / 20)) for db, s in pieces])
    t = np.arange(len(level)) / RATE
    tone = sum(np.sin(2 * np.pi * 174.6 * k * t + k**2) / k for k in range(1, 12)) / 1.8
    noise = np.random.default_rng(1).normal(size=len(t)) * 10 ** (noise_db / 20) / np.sqrt(2)
    hum = np.sin(2 * np.pi * 100 * t) * 10 ** (hum_db / 20)
    return _recording(level * tone + noise + hum)


QUIET = -np.inf


def test_several_attempts_are_found_at_their_places() -> None:
    found = find_attempts(_take((QUIET, 1), (-20, 2), (QUIET, 0.6), (-26, 1), (QUIET, 1)))
    assert found.spans == (
        (pytest.approx(1, abs=0.04), pytest.approx(3, abs=0.04)),
        (pytest.approx(3.6, abs=0.04), pytest.approx(4.6, abs=0.04)),
    )
    assert (len(found), found[1], list(found)) == (2, found.spans[1], list(found.spans))
    assert found.cautions == ()


@pytest.mark.parametrize(("gap_s", "count"), [(0.1, 1), (0.3, 1), (0.55, 2)])
def test_a_short_gap_does_not_part(gap_s, count) -> None:
    found = find_attempts(_take((QUIET, 1), (-20, 1), (QUIET, gap_s), (-20, 1), (QUIET, 1)))
    assert len(found) == count
    assert found[-1][1] == pytest.approx(3 + gap_s, abs=0.04)


@pytest.mark.parametrize("make", [crow_sound, hairpin_sound, slur_sound, register_sound])
def test_a_step_of_the_test_is_one_attempt(make) -> None:
    sound = make(1)
    truth = sound.truth
    starts = {"crow_sound": "air_s", "hairpin_sound": "breath_s"}
    notes = getattr(truth, "notes", ())
    start = notes[0].start_s if notes else getattr(truth, starts[make.__name__])
    end = notes[-1].end_s if notes else truth.end_s
    assert find_attempts(_of(sound)).spans == (
        (pytest.approx(start, abs=0.04), pytest.approx(end, abs=0.04)),
    )


def test_a_whole_test_from_a_phone_is_four_attempts(tmp_path) -> None:
    sound = whole_test_sound(3)
    phone = read_recording(degrade.m4a(sound.samples, sound.rate_hz, tmp_path / "x.m4a"))
    for (start_s, end_s), part in zip(find_attempts(phone), sound.truth.parts, strict=True):
        assert part.start_s < start_s < end_s < part.end_s + 0.05


@pytest.mark.parametrize("hum_hz", [50, 60])
def test_hum_is_not_a_tone(hum_hz) -> None:
    room = Room(hum_db=-45, hum_hz=hum_hz)
    sound = hairpin_sound(2, soft_db=-30, loud_db=-12, room=room)
    found = find_attempts(_of(sound))
    ((start_s, end_s),) = found
    # The breath may be lost in the hum.
    assert sound.truth.breath_s - 0.05 < start_s < sound.truth.tone_s + 0.1
    assert end_s == pytest.approx(sound.truth.end_s, abs=0.05)
    assert found.cautions == ()


def test_the_quiet_is_told_by_its_level() -> None:
    found = find_quiet(_take((QUIET, 1), (-20, 2), (QUIET, 1), noise_db=-70))
    # White noise up to 11 kHz loses 0.6 dB by the A weighting (summed over its formula).
    from reedlab.measure.levels import a_weighting_db

    weights = 10 ** (a_weighting_db(np.arange(1, 11_025)) / 10)
    assert found.floor_db == pytest.approx(-70 + 10 * np.log10(weights.mean()), abs=0.7)
    assert found.time_s[found.quiet].max() > 3.9
    assert not found.quiet[(found.time_s > 1.1) & (found.time_s < 2.9)].any()


def test_knocks_are_left_out_and_counted() -> None:
    found = find_attempts(
        _take((QUIET, 1), (-6, 0.02), (QUIET, 1), (-20, 1), (QUIET, 0.2), (-20, 0.05), (QUIET, 1))
    )
    assert found.spans == ((pytest.approx(2.02, abs=0.04), pytest.approx(3.02, abs=0.04)),)
    assert found.cautions == ("2 sounds shorter than 0.15 s are left out as knocks.",)


def test_a_faint_sound_is_left_out_and_counted() -> None:
    found = find_attempts(
        _take((QUIET, 1), (-54, 0.5), (QUIET, 1), (-20, 1), (QUIET, 1), noise_db=-80)
    )
    assert len(found) == 1
    assert found.cautions == ("1 sound more than 30 dB below the loudest attempt is left out.",)


def test_digital_silence_is_a_quiet_too() -> None:
    found = find_attempts(_take((QUIET, 1), (-40, 1), (QUIET, 1), noise_db=-200))
    assert found.spans == ((pytest.approx(1, abs=0.05), pytest.approx(2, abs=0.05)),)


def test_without_any_quiet_the_whole_is_one_attempt() -> None:
    recording = read_recording(real_notes()["C3"])
    found = find_attempts(recording)
    assert found.spans == ((0, recording.duration_s),)
    assert found.cautions == (
        "There is no quiet in C3.mp3, so it counts as one attempt; leave a second of quiet before "
        "and after each.",
    )


def test_a_swell_that_fills_the_file_is_not_cut() -> None:
    t = np.arange(5 * RATE) / RATE
    swell = np.sin(2 * np.pi * 130.8 * t) * 10 ** ((-50 + 12 * np.minimum(t, 5 - t)) / 20)
    found = find_attempts(_recording(swell))
    assert found.spans == ((0, 5),)


def test_nothing_but_noise_is_refused() -> None:
    with pytest.raises(RecordError) as caught:
        find_attempts(_take((QUIET, 3)))
    assert str(caught.value) == (
        "x.wav holds no sound longer than 0.15 s that rises 10 dB above its quiet; record nearer "
        "to the reed."
    )


def test_short_recordings_are_searched_too() -> None:
    assert len(find_attempts(_take((-20, 0.1)))) == 1
