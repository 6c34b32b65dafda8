"""What all measures share: a recording is heard once, in a light copy, near each attempt."""

from pathlib import Path

import numpy as np
import pytest
from scipy.signal import resample_poly

from reedlab.measure.edges import find_edges
from reedlab.measure.levels import level_track
from reedlab.measure.pitches import pitch_track
from reedlab.measure.quiet import find_quiet
from reedlab.measure.recording import Recording, read_recording
from reedlab.measure.thinned import thinned
from tests.measure.real_notes import real_notes

RATE = 44_100
AT = np.arange(2 * RATE) / RATE


def _recording(samples: np.ndarray, rate_hz: float = RATE) -> Recording:
    return Recording(Path("x.wav"), samples, rate_hz)


def test_what_was_heard_is_not_heard_again_and_nobody_can_spoil_it() -> None:
    tone = _recording(np.sin(2 * np.pi * 330 * AT))
    first = level_track(tone)[1]
    first += 10
    track = pitch_track(tone)
    track.hz[:] = 0
    kept = len(tone.heard)
    assert level_track(tone, "Z", step_s=0.005)[1].max() == pytest.approx(0, abs=0.01)
    assert np.median(pitch_track(tone, 50.0).hz) == pytest.approx(330, abs=0.01)
    assert len(tone.heard) == kept
    assert len(level_track(tone, step_s=0.01)[1]) == 200


def test_the_quiet_of_a_part_is_judged_by_that_part() -> None:
    noise = np.random.default_rng(1).normal(size=len(AT)) * np.where(AT < 1, 1e-4, 1e-2)
    quiet = find_quiet(_recording(noise))
    first, second = quiet.part(0, 0.95), quiet.part(1.05, 2)
    assert second.floor_db - first.floor_db == pytest.approx(40, abs=1)
    assert quiet.floor_db == pytest.approx(first.floor_db, abs=0.5)
    assert second.time_s[0] == pytest.approx(1.05, abs=0.005)


@pytest.mark.parametrize(("rate_hz", "light_hz"), [(44_100, 11_025), (48_000, 9600), (8000, 8000)])
def test_a_light_copy_keeps_times_levels_and_the_constant(rate_hz, light_hz) -> None:
    at = np.arange(rate_hz) / rate_hz
    light = thinned(_recording(0.3 + 0.2 * np.sin(2 * np.pi * 1000 * at + 1), rate_hz))
    assert light.rate_hz == light_hz
    at = np.arange(len(light.samples)) / light_hz
    away = light.samples - 0.3 - 0.2 * np.sin(2 * np.pi * 1000 * at + 1)
    inside = slice(20, -20)
    assert np.abs(away[inside]).max() < 0.002
    assert np.abs(away).max() < 0.2


def test_a_light_copy_holds_what_a_resampler_leaves() -> None:
    for path in real_notes().values():
        whole = read_recording(path)
        light = thinned(whole)
        other = resample_poly(whole.samples, 1, round(whole.rate_hz / light.rate_hz))
        off = light.samples - other[: len(light.samples)]
        assert np.std(off) < 0.01 * np.std(other)


@pytest.mark.parametrize("end_s", [1.4, 1.5, 1.52])
def test_edges_are_found_and_lie_in_the_recording(end_s) -> None:
    rise = np.clip((AT - 0.5) / 0.06, 0, 1) * np.clip((1.5 - AT) / 0.08, 0, 1)
    noise = np.random.default_rng(1).normal(size=len(AT)) * 1e-5
    tone = (rise * np.sin(2 * np.pi * 262 * AT) / 4 + noise)[: round(end_s * RATE)]
    begins, ends = find_edges(_recording(tone), 262, 0.51, min(end_s, 1.49) - 0.01, -100)
    assert begins.silent_s == pytest.approx(0.5, abs=0.003)
    assert begins.length_ms == pytest.approx(60, abs=4)
    assert ends.stands_s <= ends.silent_s <= end_s
    if end_s > 1.5:
        assert ends.length_ms == pytest.approx(80, abs=5)


def test_the_edges_of_notes_that_the_file_cuts_off_lie_in_the_file() -> None:
    for path in real_notes().values():
        whole = read_recording(path)
        begins, ends = find_edges(whole, 262, 0.1, whole.duration_s - 0.01, -100)
        times = [begins.silent_s, begins.stands_s, ends.stands_s, ends.silent_s]
        assert min(times) >= 0
        assert max(times) <= whole.duration_s
