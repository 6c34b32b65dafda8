"""Levels agree with the printed A weighting, with a calibrator and with known slopes."""

from pathlib import Path

import numpy as np
import pytest

from reedlab.errors import CallError
from reedlab.measure.levels import a_weighting_db, level_track, mean_level_db
from reedlab.measure.recording import Recording

#: IEC 61672-1:2013, table 3, A weighting at the third octaves 10 Hz to 20 kHz, in dB.
TABLE = [
    *(-70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1),
    *(-13.4, -10.9, -8.6, -6.6, -4.8, -3.2, -1.9, -0.8, 0.0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0),
    *(0.5, -0.1, -1.1, -2.5, -4.3, -6.6, -9.3),
]
#: The table is for the exact frequencies, not for the rounded ones printed beside it.
EXACT_HZ = 1000 * 10 ** (np.arange(-20, 14) / 10)


def _recording(samples: np.ndarray, rate_hz: float = 44_100) -> Recording:
    return Recording(Path("x.wav"), samples, rate_hz)


def _sine(hz: float, level_db: float = 0.0, rate_hz: float = 44_100, seconds: float = 1.0):
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return _recording(10 ** (level_db / 20) * np.sin(2 * np.pi * hz * t), rate_hz)


def test_the_formula_gives_the_printed_table() -> None:
    assert np.abs(a_weighting_db(EXACT_HZ) - TABLE).max() < 0.051
    assert a_weighting_db(0) == -np.inf
    # At the rounded frequency the formula differs from what is printed beside it.
    assert a_weighting_db(31.5) == pytest.approx(-39.53, abs=0.006)


@pytest.mark.parametrize("rate_hz", [8000, 11_025, 44_100, 48_000, 96_000])
def test_a_weighted_sines_have_the_printed_levels_up_to_near_half_the_rate(rate_hz) -> None:
    inside = (EXACT_HZ > 19) & (EXACT_HZ / rate_hz < 0.47)
    for hz, printed in zip(EXACT_HZ[inside], np.array(TABLE)[inside], strict=True):
        found = mean_level_db(_sine(hz, -10, rate_hz, 2.0), 0.5, 1.5, "A")
        assert found == pytest.approx(printed - 10, abs=0.1), hz


def test_a_calibrator_of_94_db_reads_94_by_difference() -> None:
    # A tone of 200 Hz 11 dB softer than the calibrator is at 83 dB, and at 72.1 dB(A).
    rate_hz = 48_000
    calibrator, tone = _sine(1000, -23.4, rate_hz), _sine(EXACT_HZ[13], -34.4, rate_hz)
    joined = _recording(np.concatenate([calibrator.samples, tone.samples]), rate_hz)
    for weighting, expected in (("Z", 83.0), ("A", 83.0 - 10.9)):
        offset = 94 - mean_level_db(joined, 0.2, 0.8, weighting)
        assert mean_level_db(joined, 0.2, 0.8, weighting) + offset == 94
        assert mean_level_db(joined, 0.2, 0.8, weighting) == pytest.approx(-23.4, abs=0.02)
        assert mean_level_db(joined, 1.2, 1.8, weighting) + offset == pytest.approx(
            expected, abs=0.06
        )


@pytest.mark.parametrize("weighting", ["Z", "A"])
def test_a_swell_of_30_db_reads_30_db(weighting) -> None:
    t = np.arange(5 * 44_100) / 44_100
    slope_db = np.where(t < 2.5, -40 + 12 * t, -10 - 12 * (t - 2.5))
    tone = np.sin(2 * np.pi * 130.81 * t) * 10 ** (slope_db / 20)
    time_s, level_db = level_track(_recording(tone), weighting)
    offset = float(a_weighting_db(130.81)) if weighting == "A" else 0.0
    inside = (time_s > 0.05) & (time_s < 4.95) & (np.abs(time_s - 2.5) > 0.05)
    truth = np.interp(time_s, t, slope_db) + offset
    assert np.abs(level_db - truth)[inside].max() < 0.05
    assert level_db.max() - level_db[[10, -10]].min() == pytest.approx(30, abs=0.7)
    at = [np.argmin(np.abs(time_s - moment)) for moment in (0.05, 2.45)]
    assert np.diff(level_db[at])[0] == pytest.approx(28.8, abs=0.05)


@pytest.mark.parametrize(("hz", "window_s"), [(58.27, 0.05), (61.74, 0.05), (29.14, 0.1)])
def test_the_lowest_notes_do_not_ripple(hz, window_s) -> None:
    t = np.arange(44_100) / 44_100
    tone = sum(np.sin(2 * np.pi * hz * k * t + k * k) / (1 + abs(k - 8)) for k in range(1, 30))
    _, level_db = level_track(_recording(0.2 * tone), "Z", window_s=window_s)
    assert np.ptp(level_db[20:-20]) < 0.1


@pytest.mark.parametrize("rate_hz", [8000, 22_050, 44_100, 192_000])
@pytest.mark.parametrize("step_s", [0.005, 0.0025, 0.05])
def test_the_level_is_at_its_time_and_keeps_its_ends(rate_hz, step_s) -> None:
    tone = _sine(440, -6.0, rate_hz).samples.copy()
    tone[: rate_hz // 2] *= 0.1
    time_s, level_db = level_track(_recording(tone, rate_hz), "Z", step_s=step_s)
    assert np.diff(time_s) == pytest.approx(step_s, abs=0.51 / rate_hz)
    assert time_s[0] == 0
    assert 1 - time_s[-1] <= step_s + 1 / rate_hz
    # Half of a full-scale step under the middle of a window: 3 dB down, at 0.5 s.
    assert np.interp(0.5, time_s, level_db) == pytest.approx(
        -9.0, abs=1.0 if step_s > 0.01 else 0.3
    )
    assert level_db[[0, -1]] == pytest.approx([-26, -6], abs=0.4)


def test_weighting_does_not_shift_in_time_and_blocks_leave_no_seam() -> None:
    rng = np.random.default_rng(3)
    noise = rng.normal(size=600_000) * 0.1
    whole = _recording(noise)
    rate_hz = whole.rate_hz
    # Silence before and after, so that the end does not run into the beginning.
    count = len(noise) + 2 * int(rate_hz)
    hz = np.fft.rfftfreq(count, 1 / rate_hz)
    heard = np.fft.rfft(noise - noise.mean(), count) * 10 ** (a_weighting_db(hz) / 20)
    from reedlab.measure.levels import weighted

    at_once = np.fft.irfft(heard, count)[: len(noise)]
    assert np.abs(weighted(whole, "A") - at_once).max() < 1e-6


def test_a_constant_is_no_sound_and_digital_silence_has_a_level() -> None:
    quiet = np.full(8000, 0.25)
    assert set(level_track(_recording(quiet, 8000))[1]) == {-160.0}
    tone = _sine(440, -20)
    lifted = _recording(tone.samples + 0.3)
    assert level_track(lifted)[1] == pytest.approx(level_track(tone)[1], abs=1e-6)


def test_what_cannot_be_asked_is_refused() -> None:
    tone = _sine(440)
    with pytest.raises(CallError, match=r"weighting is 'C'; write 'Z' \(as recorded\) or 'A'\."):
        level_track(tone, "C")
    with pytest.raises(CallError, match="step_s is 0 s; it must be at least one sample"):
        level_track(tone, step_s=0)
    with pytest.raises(CallError, match="window_s is -1 s"):
        level_track(tone, window_s=-1)
    with pytest.raises(CallError, match="There is no sound from 2 to 3 s; the recording is 1"):
        mean_level_db(tone, 2, 3)
