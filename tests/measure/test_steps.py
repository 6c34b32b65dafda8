"""Which sound is which step: by notes that are given, without any sound being made."""

from pathlib import Path

import numpy as np
import pytest

from reedlab.measure.notes import Note
from reedlab.measure.recording import Recording
from reedlab.measure.steps import Heard, assign, hear, part_of
from reedlab.schema import Step, note_hz

CROW_HZ = (note_hz("E4"), note_hz("F4"))
STEPS = [
    ("crow", Step("crow", "", ("crow_hz",))),
    ("hairpin", Step("hairpin", "", ("dynamic_range_db",), ("C3",))),
    ("slur", Step("arpeggio", "", ("slur_gap_ms",))),
    ("register", Step("low register", "", ("low_evenness_cents",), ("D2", "B♭1"))),
]


NO_SOUND = Recording(Path("test.wav"), np.zeros(100), 100)


def _heard(at_s: float, names: str, note_s: float = 0.7, rest_s: float = 0.0) -> Heard:
    notes = [
        Note(place * (note_s + rest_s), place * (note_s + rest_s) + note_s, hz, -20.0, 0.99)
        for place, hz in enumerate(map(note_hz, names.split()))
    ]
    return Heard(at_s, at_s + len(notes) * (note_s + rest_s), tuple(notes), NO_SOUND, at_s)


CROW = _heard(0, "F4", 2.5)
HAIRPIN = _heard(5, "C3", 5.0)
ARPEGGIO = _heard(12, "F2 C3 F3 A3 C4 F4 C4 A3 F3 C3 F2")
LOW = _heard(22, "F2 E2 E♭2 D2 C2 B♭1", 1.0, 0.2)
COUGH = Heard(4, 4.4, (), NO_SOUND, 4)
RATTLE = Heard(0, 2.5, (), NO_SOUND, 0)


def _names(*heard: Heard, steps=STEPS) -> list[str]:
    """Return the name of the step of each sound, empty if it has none."""
    found = assign(heard, steps, CROW_HZ, 440.0)
    assert len(found) == len(steps)
    given = {id(sound): step.name for (_, step), sounds in zip(steps, found, strict=True)
             for sound in sounds}  # fmt: skip
    return [given.get(id(sound), "") for sound in heard]


def test_the_steps_in_their_order() -> None:
    assert _names(CROW, HAIRPIN, ARPEGGIO, LOW) == ["crow", "hairpin", "arpeggio", "low register"]


@pytest.mark.parametrize(
    ("sound", "name"),
    [(CROW, "crow"), (HAIRPIN, "hairpin"), (ARPEGGIO, "arpeggio"), (LOW, "low register")],
)
def test_each_alone(sound, name) -> None:
    assert _names(sound) == [name]


def test_several_attempts_and_sounds_that_are_no_step() -> None:
    again = _heard(8, "E4", 1.5)
    assert _names(CROW, again, HAIRPIN, COUGH, ARPEGGIO) == [
        "crow",
        "crow",
        "hairpin",
        "",
        "arpeggio",
    ]
    # No second crow is made a hairpin because there is none.
    assert _names(CROW, again, ARPEGGIO, LOW) == ["crow", "crow", "arpeggio", "low register"]


def test_a_crow_that_only_rattles_has_no_note_and_a_cough_is_too_short_for_one() -> None:
    assert _names(RATTLE, HAIRPIN) == ["crow", "hairpin"]
    assert _names(COUGH, HAIRPIN) == ["", "hairpin"]


def test_a_hairpin_on_another_note_is_one_but_not_where_the_right_note_is_another_step() -> None:
    other = _heard(5, "G3", 5.0)
    assert _names(CROW, other, other, ARPEGGIO) == ["crow", "hairpin", "hairpin", "arpeggio"]
    short = _heard(5, "G3", 0.8)
    assert _names(CROW, short, ARPEGGIO) == ["crow", "", "arpeggio"]


def test_soft_ends_that_are_heard_an_octave_off_leave_a_hairpin_one_note() -> None:
    ends = [(0.0, 1.0, "C2"), (1.0, 4.0, "C3"), (4.0, 5.1, "C2")]
    notes = tuple(Note(start, end, note_hz(name), -20.0, 0.9) for start, end, name in ends)
    assert _names(CROW, Heard(5, 10.1, notes, NO_SOUND, 5), ARPEGGIO) == [
        "crow",
        "hairpin",
        "arpeggio",
    ]


def test_out_of_order_the_fewest_steps_are_missed() -> None:
    assert _names(CROW, HAIRPIN, LOW, ARPEGGIO) == ["crow", "hairpin", "", "arpeggio"]
    assert _names(ARPEGGIO, CROW, HAIRPIN) == ["", "crow", "hairpin"]


def test_a_list_of_notes_decides_for_its_line() -> None:
    scale = "C3 D3 E3 F3 G3"
    listed = [*STEPS[:2], ("slur", Step("line", "", ("slur_gap_ms",), scale.split())), STEPS[3]]
    assert _names(CROW, _heard(12, scale), LOW, steps=listed) == ["crow", "line", "low register"]
    # Without the list a line that goes by steps is taken only if nothing fits better.
    assert _names(CROW, _heard(12, scale), LOW) == ["crow", "arpeggio", "low register"]
    assert _names(CROW, _heard(9, scale), ARPEGGIO) in (
        ["crow", "arpeggio", "arpeggio"],
        ["crow", "", "arpeggio"],
    )


def test_no_sound_gives_no_step() -> None:
    assert assign([], STEPS, CROW_HZ, 440.0) == [[], [], [], []]


def test_a_part_keeps_the_quiet_around_it_but_nothing_of_its_neighbours() -> None:
    rate = 8000
    t = np.arange(10 * rate) / rate
    spans = [(1.0, 2.0), (2.6, 4.0), (8.0, 9.0)]
    sounds = np.any([(t >= start) & (t < end) for start, end in spans], axis=0)
    quiet = np.random.default_rng(1).normal(size=len(t)) * 1e-4
    tone = 0.2 * np.sin(2 * np.pi * 330 * t) * sounds + quiet
    recording = Recording(Path("test.wav"), tone, rate, ("a caution of the file",))
    heard = hear(recording)
    assert [round(sound.start_s, 1) for sound in heard] == [1.0, 2.6, 8.0]
    assert [round(sound.notes[0].hz) for sound in heard] == [330, 330, 330]
    part, part_s = part_of(recording, heard[1:2])
    assert part is heard[1].part
    assert part.cautions == ()
    assert part_s == pytest.approx(2.3, abs=0.05)
    assert part_s + part.duration_s == pytest.approx(5.0, abs=0.05)
    both, both_s = part_of(recording, heard[:2])
    assert (both_s, both_s + both.duration_s) == pytest.approx((0.0, 5.0), abs=0.05)
    last, last_s = part_of(recording, heard[2:])
    assert (last_s, last_s + last.duration_s) == pytest.approx((7.0, 10.0), abs=0.05)
    first = round(last_s * rate)
    assert last.samples.tolist() == tone[first : first + len(last.samples)].tolist()
