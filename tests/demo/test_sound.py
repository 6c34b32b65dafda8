"""What an invented sound says of itself is heard in it, by the plainest means."""

import wave
from dataclasses import replace

import numpy as np
import pytest
from scipy.io import wavfile

from reedlab.demo.sound import (
    RATTLE_HZ,
    Bump,
    Playing,
    Room,
    Sound,
    Transition,
    crow_sound,
    hairpin_sound,
    register_sound,
    slur_sound,
    whole_test_sound,
)
from reedlab.errors import CallError
from reedlab.schema import note_hz
from tests.demo.hearing import (
    centroid,
    cents,
    crossings_hz,
    lines,
    momentary_hz,
    peak,
    piece,
    rms_db,
)

BREATHLESS = Playing(breath_db=-200.0)

#: Amplitude-weighted centroids in Hz of the SHARC bassoon notes, recomputed from the archive
#: (Sandell 1991, from memory; spectra of the McGill University Master Samples).
SHARC = {"B♭1": 615, "C2": 680, "F2": 515, "B♭2": 563, "C3": 597, "F3": 678, "B♭3": 563}


# The spectrum


@pytest.mark.parametrize("note", ["B♭1", "D2", "F2", "A2", "C3", "F3", "A3", "B3"])
def test_the_strongest_partial_is_never_the_fundamental_of_a_low_note(note: str) -> None:
    sound = register_sound(notes=[note], room=None, playing=BREATHLESS)
    heard = lines(piece(sound, 0.6, 1.4), sound.rate_hz, note_hz(note))
    # Ranges of the SHARC notes B♭1 to B3 (source as above).
    assert 290 <= heard[heard[:, 1].argmax(), 0] <= 700
    assert 7 <= heard[:, 1].max() - heard[0, 1] <= 19


@pytest.mark.parametrize("note", SHARC)
def test_centroids_are_those_of_a_bassoon(note: str) -> None:
    sound = register_sound(notes=[note], room=None, playing=BREATHLESS)
    heard = lines(piece(sound, 0.6, 1.4), sound.rate_hz, note_hz(note))
    # One smooth formant for all notes: within a quarter of one player's one recording.
    assert centroid(heard, 1) == pytest.approx(SHARC[note], rel=0.25)


def test_nothing_is_folded_back_at_a_low_rate() -> None:
    sound = register_sound(notes=["A3"], room=None, playing=BREATHLESS, rate_hz=8000)
    size = np.abs(np.fft.rfft(piece(sound, 0.6, 1.4) * np.hanning(6400)))
    hz = np.fft.rfftfreq(6400, 1 / 8000)
    between = np.abs(hz / 220 - np.round(hz / 220)) > 0.2
    assert 20 * np.log10(size[between].max() / size.max()) < -70


# Notes in turn


def test_each_note_of_a_register_has_its_pitch_and_level() -> None:
    errors, levels = [4.0, 0.0, -9.0, 6.5, 14.0, -12.0], [-20.0, -18, -22, -20, -25, -19]
    sound = register_sound(error_cents=errors, level_db=levels, room=None, playing=BREATHLESS)
    for note, error, level in zip(sound.truth.notes, errors, levels, strict=True):
        middle = piece(sound, note.start_s + 0.2, note.end_s - 0.2)
        heard = lines(middle, sound.rate_hz, note.hz, 900)
        strongest = heard[:, 1].argmax()
        found = cents(heard[strongest, 0] / (strongest + 1), note_hz(note.note))
        assert found == pytest.approx(error, abs=0.1)
        assert rms_db(middle) == pytest.approx(level, abs=0.1)
        assert np.all(piece(sound, note.end_s + 0.01, note.end_s + 0.19) == 0)


def test_an_attack_rises_evenly() -> None:
    sound = register_sound(notes=["C4"], attack_ms=400, room=None, playing=BREATHLESS)
    start, full = sound.truth.notes[0].start_s, rms_db(piece(sound, 1.0, 1.4))
    for share in (0.25, 0.5, 0.75):
        at = start + 0.4 * share
        heard = rms_db(piece(sound, at - 0.0191, at + 0.0191))  # ten periods
        assert heard - full == pytest.approx(20 * np.log10(share), abs=0.25)


def test_a_gap_has_its_depth_and_its_width_at_half_depth() -> None:
    given = {"notes": ["A3", "C4"], "room": None, "playing": BREATHLESS}
    clean = slur_sound(**given)
    faulty = slur_sound(transitions=[Transition(gap_ms=60, dip_db=24)], **given)
    at = faulty.truth.changes_s[0]
    assert rms_db(piece(faulty, at - 0.02, at + 0.02)) - rms_db(
        piece(clean, at - 0.02, at + 0.02)
    ) == pytest.approx(-24, abs=0.01)
    sounding = np.abs(clean.samples) > 1e-6
    loss = 20 * np.log10(np.abs(faulty.samples[sounding] / clean.samples[sounding]))
    assert np.sum(loss < -12) / 44100 == pytest.approx(0.060, abs=0.001)


def test_an_overshoot_goes_beyond_and_comes_back() -> None:
    sound = slur_sound(
        notes=["A3", "C4"],
        note_s=1.0,
        transitions=[Transition(overshoot_cents=100)],
        room=None,
        playing=BREATHLESS,
    )
    hz = momentary_hz(sound, 180, 330)
    for later_s, left in ((0.06, 100 / np.e), (0.12, 100 / np.e**2), (0.6, 0.0)):
        at = sound.truth.changes_s[0] + later_s
        around = hz[round((at - 0.01) * 44100) : round((at + 0.01) * 44100)]
        assert cents(around.mean(), note_hz("C4")) == pytest.approx(left, abs=3)


def test_an_overshoot_goes_below_a_lower_note() -> None:
    sound = slur_sound(
        notes=["C4", "A3"],
        note_s=1.0,
        transitions=[Transition(overshoot_cents=100)],
        room=None,
        playing=BREATHLESS,
    )
    at = round((sound.truth.changes_s[0] + 0.06) * 44100)
    assert cents(momentary_hz(sound, 170, 330)[at - 441 : at + 441].mean(), 220.0) < -30


def test_a_foreign_pitch_sounds_first_and_for_its_time() -> None:
    sound = slur_sound(
        notes=["C3", "F3"],
        transitions=[Transition(foreign_hz=301.0, foreign_ms=200)],
        room=None,
    )
    at = sound.truth.changes_s[0]
    assert peak(piece(sound, at + 0.01, at + 0.19), 44100, 250, 400)[0] == pytest.approx(
        301.0, abs=0.3
    )
    after = piece(sound, at + 0.21, at + 0.6)
    assert peak(after, 44100, 150, 200)[0] == pytest.approx(note_hz("F3"), abs=0.1)
    assert peak(after, 44100, 270, 320)[1] < -80


# The crow


def test_a_crow_is_air_then_one_pitch_then_several() -> None:
    sound = crow_sound(
        pitch_hz=345.0, settled_db=-28, rattle_hz=RATTLE_HZ, playing=BREATHLESS, room=None
    )
    truth = sound.truth
    assert np.all(piece(sound, 0, truth.air_s) == 0)
    air = np.abs(np.fft.rfft(piece(sound, truth.air_s, truth.tone_s)))[50:2000] ** 2
    flatness = np.exp(np.mean(np.log(air))) / np.mean(air)
    assert flatness > 0.3  # of one tone it is below 0.01
    alone = piece(sound, truth.settled_s, truth.broken_s)
    assert peak(alone, 44100, 200, 500)[0] == pytest.approx(345.0, abs=0.02)
    assert crossings_hz(sound, truth.settled_s, truth.broken_s, 400) == pytest.approx(
        345.0, rel=1e-3
    )
    assert rms_db(piece(sound, truth.settled_s, truth.settled_s + 0.029)) == pytest.approx(
        -28, abs=0.2
    )
    rattle = piece(sound, truth.broken_s + 0.1, truth.end_s - 0.1)
    for pitch in RATTLE_HZ:
        found, level = peak(rattle, 44100, pitch - 15, pitch + 15)
        assert found == pytest.approx(pitch, abs=0.2)
        assert level > -30
    assert peak(alone, 44100, 415, 440)[1] < -70


def test_a_crow_glides_up_before_it_settles() -> None:
    sound = crow_sound(pitch_hz=345.0, playing=BREATHLESS, room=None)
    hz = momentary_hz(sound, 250, 450)
    middle = round((sound.truth.settled_s - 0.05) * 44100)
    assert cents(hz[middle - 300 : middle + 300].mean(), 345.0) == pytest.approx(-60, abs=8)
    settled = round((sound.truth.settled_s + 0.02) * 44100)
    assert cents(hz[settled : settled + 3000].mean(), 345.0) == pytest.approx(0, abs=1)


def test_a_crow_rises_with_its_level() -> None:
    sound = crow_sound(settled_db=-30, loud_db=-10, cents_per_10_db=15, room=None)
    end = sound.truth.settled_s + 2.0
    found = peak(piece(sound, end - 0.2, end), 44100, 250, 450)[0]
    assert cents(found, 341.0) == pytest.approx(30 * 1.9 / 2.0, abs=0.3)
    assert sound.truth.broken_s is None


# The hairpin


def test_a_hairpin_has_its_levels_pitches_and_centroids() -> None:
    sound = hairpin_sound(
        cents_per_10_db=-8.0,
        centroid_rise_hz=30.0,
        error_cents=5.0,
        playing=BREATHLESS,
        room=None,
    )
    truth = sound.truth
    period = 1 / truth.hz
    at_peak = rms_db(piece(sound, truth.peak_s - 2 * period, truth.peak_s + 2 * period))
    assert at_peak == pytest.approx(truth.loud_db, abs=0.15)
    for moment in (truth.spoken_s, truth.fallen_s - 4 * period):
        soft = rms_db(piece(sound, moment, moment + 4 * period))
        assert soft == pytest.approx(truth.soft_db, abs=0.2)
    halfway = truth.spoken_s + (truth.peak_s - truth.spoken_s) / 2
    middle = rms_db(piece(sound, halfway - 4 * period, halfway + 4 * period))
    assert middle == pytest.approx((truth.soft_db + truth.loud_db) / 2, abs=0.1)

    loud = lines(piece(sound, truth.peak_s - 0.1, truth.peak_s + 0.1), 44100, truth.hz)
    soft = lines(piece(sound, truth.spoken_s, truth.spoken_s + 0.1), 44100, truth.hz)
    # The pieces lie on average 0.3 dB below the peak and 0.4 dB above the start.
    rise = cents(loud[2, 0], soft[2, 0])
    assert rise == pytest.approx(-8.0 * (20 - 0.3 - 0.4) / 10, abs=0.5)
    assert cents(soft[2, 0] / 3, note_hz("C3")) == pytest.approx(5.0 - 0.32, abs=0.2)
    assert centroid(loud, 2) == pytest.approx(truth.centroid_loud_hz, rel=0.01)
    assert centroid(soft, 2) == pytest.approx(truth.centroid_soft_hz, rel=0.01)
    assert centroid(loud, 1) == pytest.approx(truth.amplitude_centroid_loud_hz, rel=0.02)
    assert centroid(soft, 1) == pytest.approx(truth.amplitude_centroid_soft_hz, rel=0.02)
    assert truth.centroid_loud_hz - truth.centroid_soft_hz == pytest.approx(60)


def test_breath_comes_before_the_tone() -> None:
    sound = hairpin_sound(breath_ms=300, playing=Playing(breath_db=-50), room=None)
    truth = sound.truth
    assert truth.tone_s - truth.breath_s == pytest.approx(0.3)
    assert np.all(piece(sound, 0, truth.breath_s) == 0)
    breath = rms_db(piece(sound, truth.breath_s + 0.02, truth.tone_s))
    assert breath == pytest.approx(-50, abs=1)


def test_a_bump_comes_on_top() -> None:
    given = {"room": None, "playing": BREATHLESS}
    plain = hairpin_sound(**given)
    bumped = hairpin_sound(bumps=[Bump(after_s=1.2, height_db=-6.0, width_s=0.2)], **given)
    at = bumped.truth.spoken_s + 1.2
    loss = rms_db(piece(bumped, at - 0.02, at + 0.02)) - rms_db(piece(plain, at - 0.02, at + 0.02))
    assert loss == pytest.approx(-6.0, abs=0.1)


def test_vibrato_has_its_rate_and_depth() -> None:
    played = replace(BREATHLESS, vibrato_hz=5.5, vibrato_cents=20.0)
    sound = register_sound(notes=["A3"], note_s=3.0, playing=played, room=None)
    trace = cents(momentary_hz(sound, 180, 260)[44_100:132_300], 220.0)
    trace = trace - trace.mean()
    assert np.sqrt(2) * trace.std() == pytest.approx(20.0, rel=0.03)
    found = np.abs(np.fft.rfft(trace * np.hanning(len(trace)), 8 * len(trace))).argmax()
    assert found / 16.0 == pytest.approx(5.5, abs=0.1)


def test_drift_runs_from_the_first_to_the_last_moment() -> None:
    played = replace(BREATHLESS, drift_cents=12.0)
    sound = register_sound(notes=["A3"], note_s=4.0, playing=played, room=None)
    first = peak(piece(sound, 0.6, 1.0), 44100, 200, 240)[0]
    last = peak(piece(sound, 4.0, 4.4), 44100, 200, 240)[0]
    assert cents(last, first) == pytest.approx(12.0 * 3.4 / 4.0, abs=0.3)


def test_unsteadiness_is_as_large_as_it_says() -> None:
    played = replace(BREATHLESS, wobble_cents=6.0)
    found = []
    for seed in range(6):  # at the ends of a note, where chance may have put most, it is not heard
        sound = register_sound(seed, notes=["A3"], note_s=3.0, playing=played, room=None)
        found.append(cents(momentary_hz(sound, 180, 260)[28_000:150_000], 220.0))
    assert np.std(found) == pytest.approx(6.0, rel=0.1)


# The room


@pytest.mark.parametrize(("colour", "per_octave"), [("white", 3.0), ("pink", 0.0)])
def test_noise_has_its_level_and_colour(colour: str, per_octave: float) -> None:
    room = Room(snr_db=30, colour=colour)
    sound = register_sound(note_s=1.5, room=room, playing=BREATHLESS)
    dry = register_sound(note_s=1.5, room=None, playing=BREATHLESS)
    added = sound.samples - dry.samples
    assert rms_db(added) == pytest.approx(sound.noise_db, abs=0.01)
    # The signal: -20 dB while it sounds, a little less with its attacks and releases.
    assert -20 - 30 - 0.6 < sound.noise_db < -20 - 30 + 0.1
    power = np.abs(np.fft.rfft(added)) ** 2
    hz = np.fft.rfftfreq(len(added), 1 / 44100)
    edges = 250.0 * 2.0 ** np.arange(7)
    bands = [10 * np.log10(power[(hz >= a) & (hz < 2 * a)].sum()) for a in edges[:-1]]
    assert np.polyfit(range(6), bands, 1)[0] == pytest.approx(per_octave, abs=0.25)


@pytest.mark.parametrize("hum_hz", [50.0, 60.0])
def test_hum_has_its_pitch_and_level(hum_hz: float) -> None:
    sound = register_sound(
        notes=["A3"], gap_s=0, room=Room(snr_db=80, hum_hz=hum_hz, hum_db=-40), rate_hz=8000
    )
    silence = piece(sound, 0, 0.5)
    assert rms_db(silence) == pytest.approx(-40, abs=0.3)
    assert peak(silence, 8000, 30, 80)[0] == pytest.approx(hum_hz, abs=0.05)


def test_clipping_is_counted() -> None:
    clean = register_sound(level_db=-12)
    over = register_sound(level_db=-12, room=Room(gain_db=14))
    assert clean.clipped_share == 0
    assert over.clipped_share == np.mean(np.abs(over.samples) == 1.0) > 0.01
    assert over.noise_db == pytest.approx(clean.noise_db + 14)


# The whole and the file


def test_a_whole_test_holds_its_parts_where_it_says() -> None:
    whole = whole_test_sound(room=None)
    assert [part.name for part in whole.truth.parts] == [
        "crow",
        "hairpin",
        "arpeggio",
        "low register",
    ]
    crow, hairpin, _, low = whole.truth.parts
    settled = crow.start_s + crow.truth.settled_s
    assert peak(piece(whole, settled, settled + 1), 44100, 250, 450)[0] == pytest.approx(
        crow.truth.pitch_hz, abs=0.1
    )
    assert np.all(piece(whole, crow.end_s, hairpin.start_s) == 0)
    assert hairpin.start_s - crow.end_s == pytest.approx(1.5)
    last = low.truth.notes[-1]
    at = low.start_s + last.start_s
    heard = peak(piece(whole, at + 0.2, at + 0.8), 44100, 7.5 * last.hz, 8.5 * last.hz)[0]
    assert cents(heard / 8, last.hz) == pytest.approx(0, abs=4)  # unsteady by 2 cents
    assert whole.truth.part("low register") == low


def _small_whole(seed: int) -> Sound:
    part = register_sound(notes=["A3"], room=None, rate_hz=8000)
    return whole_test_sound(seed, parts={"one": part, "two": part})


@pytest.mark.parametrize(
    "make", [crow_sound, hairpin_sound, slur_sound, register_sound, _small_whole]
)
def test_the_same_seed_makes_the_same_sound(make) -> None:
    first, again, other = make(3), make(3), make(4)
    assert np.array_equal(first.samples, again.samples)
    assert first.truth == again.truth
    assert first.samples.shape == other.samples.shape
    assert not np.array_equal(first.samples, other.samples)
    assert first.clipped_share == 0


def test_a_written_file_holds_the_samples_and_says_that_it_is_invented(tmp_path) -> None:
    sound = crow_sound(rate_hz=8000, room=Room(gain_db=20))
    path = sound.write(tmp_path / "crow.wav")
    with wave.open(str(path)) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, 8000)
        read = np.frombuffer(file.readframes(file.getnframes()), "<i2")
    assert np.abs(read / 32767 - sound.samples).max() <= 0.5 / 32767 + 1e-12
    assert path.stat().st_size % 2 == 0
    assert b"Invented sound" in path.read_bytes()
    rate_hz, by_scipy = wavfile.read(path)
    assert rate_hz == 8000
    assert np.array_equal(by_scipy, read)


# Calls that cannot be


@pytest.mark.parametrize(
    ("make", "given", "message"),
    [
        (
            hairpin_sound,
            {"soft_db": -10, "loud_db": -20},
            "loud_db is -20 and soft_db -10; loud must be above soft.",
        ),
        (
            hairpin_sound,
            {"centroid_rise_hz": 5000},
            r"A note of 130.8 Hz cannot have centroids from .* can lie between",
        ),
        (
            slur_sound,
            {"notes": ["C3", "F3"], "transitions": []},
            "transitions has 0 entries; it must have 1, one fewer than the notes.",
        ),
        (
            register_sound,
            {"notes": ["C3", "F3"], "error_cents": [1.0]},
            "error_cents has 1 entries; it must have 2, one for each note.",
        ),
        (crow_sound, {"room": Room(colour="pinc")}, "There is no noise 'pinc'. Nearest: pink."),
        (crow_sound, {"room": Room(gain_db=-3)}, "gain_db is -3; a recording is turned up by 0"),
    ],
)
def test_a_call_that_cannot_be_says_why(make, given: dict, message: str) -> None:
    with pytest.raises(CallError, match=message):
        make(**given)


def test_a_whole_test_is_no_part_of_another() -> None:
    with pytest.raises(CallError, match="'crow' is a whole test; give the sounds of single"):
        whole_test_sound(parts={"crow": _small_whole(1)})
