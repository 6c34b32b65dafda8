import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reedlab.errors import CallError
from reedlab.schema import cents, cents_from_band, nearest_note, note_hz

# Equal temperament at A4 = 440 Hz; the CRC handbook prints C2, C4 and A#0 to 5 digits.
KNOWN_HZ = {
    "C0": 16.352,
    "C2": 65.406,
    "A#0": 29.135,
    "Bb1": 58.2705,
    "B♭1": 58.2705,
    "F2": 87.3071,
    "C3": 130.8128,
    "F3": 174.6141,
    "Bb3": 233.0819,
    "C4": 261.6256,
    "E4": 329.6276,
    "F4": 349.2282,
    "A4": 440.0,
    "F5": 698.4565,
}
KNOWN_CENTS = {
    442: 7.8514,
    443: 11.7638,
    441: 3.9302,
    440.5: 1.9662,
    435: -19.7857,
    415: -101.2706,
}


@pytest.mark.parametrize(("note", "hz"), KNOWN_HZ.items())
def test_a_note_has_its_published_frequency(note, hz):
    # 16.352 and the like are printed to 5 digits, so half of the last one is allowed.
    assert note_hz(note) == pytest.approx(hz, abs=0.0005)


@pytest.mark.parametrize(("hz", "value"), KNOWN_CENTS.items())
def test_cents_of_a_tuning_against_440(hz, value):
    assert cents(hz, 440) == pytest.approx(value, abs=5e-5)


def test_sharps_and_flats_may_be_typed_either_way():
    assert note_hz("F#4") == note_hz("F♯4") == note_hz("Gb4") == note_hz("G♭4") == note_hz("f#4")
    assert note_hz("Cb4") == note_hz("B3")
    assert note_hz("B#3") == note_hz("C4")


def test_the_tuning_moves_every_note():
    assert note_hz("E4", a4_hz=442) == pytest.approx(329.6276 * 442 / 440, abs=1e-4)


def test_the_crow_of_270_hz_lies_between_c_and_c_sharp():
    name, off = nearest_note(270)
    assert name == "C♯4"
    assert off + 100 == pytest.approx(54.5, abs=0.05)  # above C4


@given(st.floats(20, 20000), st.floats(390, 470))
def test_the_nearest_note_is_never_more_than_half_a_semitone_away(hz, a4_hz):
    name, off = nearest_note(hz, a4_hz)
    assert abs(off) <= 50 + 1e-6
    assert note_hz(name, a4_hz) * 2 ** (off / 1200) == pytest.approx(hz)


def test_cents_from_a_band_are_zero_inside_and_from_the_nearest_edge_outside():
    low, high = note_hz("E4"), note_hz("F4")
    assert cents_from_band(low, low, high) == cents_from_band(high, low, high) == 0
    assert cents_from_band(note_hz("Eb4"), low, high) == pytest.approx(-100)
    assert cents_from_band(note_hz("G4"), low, high) == pytest.approx(200)
    assert cents_from_band(440, 442, 442) == pytest.approx(-7.8514, abs=5e-5)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: note_hz("H4"), "'H4' is not a note; write letter and octave, e.g. E4"),
        (lambda: note_hz("E"), "'E' is not a note"),
        (lambda: note_hz("E4", 0), "a4_hz is 0; a frequency must be above 0 Hz."),
        (lambda: cents(0, 440), "hz is 0; a frequency must be above 0 Hz."),
        (lambda: cents(math.nan, 440), "hz is nan"),
        (lambda: cents_from_band(440, 350, 330), "The band 350 to 330 Hz is upside down."),
    ],
)
def test_a_wrong_pitch_is_named(call, message):
    with pytest.raises(CallError) as told:
        call()
    assert message in str(told.value)
