"""Notes of a line are found, and set beside the list that was asked for."""

from pathlib import Path

import numpy as np
import pytest

from reedlab.demo.sound import Playing, Room, Transition, register_sound, slur_sound
from reedlab.errors import CallError, RecordError
from reedlab.measure.notes import Note, find_notes, match_notes, note_list, require_match
from reedlab.measure.recording import Recording
from reedlab.schema import cents, note_hz

LOW = ("F2", "E2", "E♭2", "D2", "C2", "B♭1")


def _recording(sound) -> Recording:
    return Recording(Path("line.wav"), sound.samples, sound.rate_hz)


def _played(*names: str, length_s: float = 1.0) -> list[Note]:
    return [
        Note(1.2 * place, 1.2 * place + length_s, note_hz(name), -20.0, 0.95)
        for place, name in enumerate(names)
    ]


@pytest.mark.parametrize(
    "room",
    [Room(60), Room(40), Room(25), Room(20, colour="white"), Room(60, hum_db=-45.0)],
    ids=["60 dB", "40 dB", "25 dB", "20 dB white", "hum"],
)
def test_tongued_notes_are_found_with_their_pitch_and_place(room) -> None:
    errors = [4.0, 0.0, -9.0, 6.0, 14.0, -12.0]
    sound = register_sound(3, error_cents=errors, room=room)
    found = find_notes(_recording(sound), 45, 200)
    assert len(found) == len(LOW)
    for note, truth in zip(found, sound.truth.notes, strict=True):
        assert abs(cents(note.hz, truth.hz)) < 1.0
        assert note.start_s == pytest.approx(truth.start_s, abs=0.05)
        assert note.end_s == pytest.approx(truth.end_s, abs=0.06)
        assert note.level_db == pytest.approx(truth.level_db, abs=0.3)


def test_slurred_notes_are_parted_where_the_pitch_changes() -> None:
    sound = slur_sound(2, playing=Playing(vibrato_cents=15, wobble_cents=2, wobble_db=0.3))
    found = find_notes(_recording(sound), 60, 500)
    assert len(found) == 11
    for note, truth in zip(found, sound.truth.notes, strict=True):
        assert abs(cents(note.hz, truth.hz)) < 3.0
        assert note.start_s == pytest.approx(truth.start_s, abs=0.06)


def test_semitones_in_a_slur_are_two_notes() -> None:
    found = find_notes(_recording(slur_sound(2, notes=["B♭1", "B1", "C2"])), 45, 150)
    assert [round(note.hz, 0) for note in found] == [58, 62, 65]


def test_a_slip_between_two_notes_is_no_note() -> None:
    slip = [Transition(foreign_hz=311.0, foreign_ms=50)]
    found = find_notes(_recording(slur_sound(2, notes=["C3", "F3"], transitions=slip)), 60, 500)
    assert [round(note.hz) for note in found] == [131, 175]


@pytest.mark.parametrize("gap_s", [0.05, 0.2])
def test_one_note_tongued_twice_is_two_notes(gap_s) -> None:
    found = find_notes(_recording(register_sound(1, notes=["C3", "C3"], gap_s=gap_s)), 60, 300)
    assert len(found) == 2


def test_noise_holds_no_note() -> None:
    hiss = 0.1 * np.random.default_rng(1).standard_normal(44_100)
    with pytest.raises(RecordError, match=r"line.wav holds no note of at least 0.1 s between 45"):
        find_notes(Recording(Path("line.wav"), hiss, 44_100), 45, 200)


def test_notes_in_order_have_no_fault() -> None:
    alignment = match_notes(_played(*LOW), LOW)
    assert alignment.right_share == 1
    assert alignment.cautions == ()
    assert max(abs(match.cents) for match in alignment.matches) < 1e-9


@pytest.mark.parametrize(
    ("played", "said"),
    [
        (("F2", "E2", "D2", "C2", "B♭1"), "Note 3 of the list, E♭2, was not found."),
        (
            ("F2", "E2", "E2", "E♭2", "D2", "C2", "B♭1"),
            "A note near E2 at",
        ),
        (
            ("F2", "E2", "E♭2", "D3", "C2", "B♭1"),
            "Note 4 of the list is D2, but D3 sounds at 3.6 s (an octave too high).",
        ),
        (
            ("F2", "E2", "E♭2", "D2", "D2", "B♭1"),
            "Note 5 of the list is C2, but D2 sounds at 4.8 s (+200 cents).",
        ),
        (
            ("F2", "E2", "E♭2", "D2", "C2", "B♭3"),
            "Note 6 of the list is B♭1, but B♭3 sounds at 6.0 s (2 octaves too high).",
        ),
    ],
    ids=["missing", "extra", "octave", "other", "two octaves"],
)
def test_what_is_not_as_asked_for_is_named(played, said) -> None:
    cautions = match_notes(_played(*played), LOW).cautions
    assert len(cautions) == 1
    assert said in cautions[0]


def test_a_short_note_is_the_one_too_many() -> None:
    played = [Note(0, 1, 87.3, -20, 0.9), Note(1.1, 1.25, 87.3, -20, 0.9)]
    matches = match_notes([*played, Note(1.3, 2.3, 82.4, -20, 0.9)], ["F2", "E2"]).matches
    assert [match.fault for match in matches] == ["", "extra", ""]


def test_another_list_is_refused_with_both_lines() -> None:
    found = _played(*LOW)
    wanted = ("C4", "E4", "G4")
    with pytest.raises(RecordError) as refused:
        require_match(match_notes(found, wanted), found, "low.wav", 440)
    assert "low.wav holds F2 E2 E♭2 D2 C2 B♭1, but C4 E4 G4 was asked for" in str(refused.value)


def test_a_wrong_list_names_all_that_is_wrong_in_it() -> None:
    with pytest.raises(CallError) as refused:
        note_list("F2 H2 E Eb2")
    assert str(refused.value) == (
        "notes holds 'H2', 'E', no note; write letter and octave, e.g. E2, Bb1 or F#2."
    )


@pytest.mark.parametrize("empty", ["", " , ", []])
def test_an_empty_list_is_refused(empty) -> None:
    with pytest.raises(CallError, match="notes is empty"):
        note_list(empty)


@pytest.mark.parametrize("wrong", [3, 2.5])
def test_a_number_is_no_list_of_notes(wrong) -> None:
    with pytest.raises(CallError, match=f"notes is {wrong}; write the notes in order"):
        note_list(wrong)
