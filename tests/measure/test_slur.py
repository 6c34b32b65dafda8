"""The use of slur: lists, names, words, refusals and the picture; truth in test_slur_truth.py."""

from pathlib import Path

import numpy as np
import pytest

from reedlab.answer import Answer
from reedlab.demo.sound import Room, Transition, crow_sound, hairpin_sound, slur_sound
from reedlab.errors import CallError, RecordError
from reedlab.measure.recording import Recording
from reedlab.measure.slur import slur
from reedlab.schema import note_hz
from tests.measure import degrade, odd_sounds


def _recording(sound) -> Recording:
    return Recording(Path("slur.wav"), sound.samples, sound.rate_hz)


def test_the_sentence_names_the_worst_transition(tmp_path) -> None:
    faults = [Transition(), Transition(gap_ms=84, dip_db=10, foreign_hz=440, foreign_ms=50)]
    sound = slur_sound(1, notes=["E3", "B3", "G4"], transitions=faults)
    found = slur(sound.write(tmp_path / "slur.wav"), "E3 B3 G4")
    assert isinstance(found, Answer)
    row = found.table.iloc[1]
    assert found.sentence == (
        f"B3 to G4, at 1.9 s: {row['slur_gap_ms']:.0f} ms gap, {row['dip_db']:.1f} dB deep, with a "
        f"foreign A4 for {row['foreign_ms']:.0f} ms. It alone catches, of 2 transitions."
    )
    assert row["slur_gap_ms"] == pytest.approx(84, abs=3)
    assert row["dip_db"] == pytest.approx(10, abs=0.5)
    assert row["foreign_ms"] == pytest.approx(50, abs=4)
    assert found.slur_gap_ms == found.table["slur_gap_ms"].max()
    assert found.table["number"].tolist() == [1, 2]


def test_a_smooth_slur_is_called_smooth_and_smoothness_falls_with_the_fault() -> None:
    notes = ["F3", "C4", "F3", "C4", "F3"]
    smooth = slur(_recording(slur_sound(1, notes=notes)), notes)
    assert smooth.sentence.startswith("4 transitions and none catches")
    gaps = [Transition(gap_ms=gap, dip_db=20) for gap in (0, 20, 50, 90)]
    rough = slur(_recording(slur_sound(1, notes=notes, transitions=gaps)), notes)
    assert rough.table["smoothness"].round(1).tolist() == pytest.approx([1, 0.8, 0.5, 0.1], abs=0.1)
    assert rough.worst["number"] == 4


def test_without_a_list_the_notes_are_found_and_slips_belong_to_transitions() -> None:
    faults = [Transition(), Transition(foreign_hz=311.1, foreign_ms=160), Transition()]
    sound = slur_sound(1, notes=["C3", "F3", "A3", "F3"], transitions=faults)
    found = slur(_recording(sound)).table
    assert found["from_note"].tolist() == ["C3", "F3", "A3"]
    assert found["foreign_note"].tolist() == ["", "E♭4", ""]


def test_the_tuning_moves_the_names() -> None:
    sound = slur_sound(1, notes=["C3", "F3", "C3"], error_cents=-70)
    assert slur(_recording(sound), a4_hz=422.0).table["to_note"].tolist() == ["F3", "C3"]
    assert slur(_recording(sound)).table["to_note"].tolist() == ["E3", "B2"]


def test_the_tuning_of_the_session_moves_no_name_and_no_number() -> None:
    notes = ["C3", "F3", "A3", "C4"]
    faults = [Transition(), Transition(gap_ms=60, dip_db=20), Transition()]
    usual = slur(_recording(slur_sound(1, notes=notes, transitions=faults)), notes).table
    for a4_hz in (415.0, 442.0):
        off_cents = 1200 * np.log2(a4_hz / 440)
        sound = slur_sound(1, notes=notes, transitions=faults, error_cents=off_cents)
        for asked in (notes, None):
            found = slur(_recording(sound), asked, a4_hz=a4_hz)
            assert found.cautions == ()
            assert found.table["to_note"].tolist() == ["F3", "A3", "C4"]
            gaps = found.table["slur_gap_ms"].tolist()
            assert gaps == pytest.approx(usual["slur_gap_ms"].tolist(), abs=1.5)


def test_a_wrong_list_is_named_note_by_note_or_refused() -> None:
    sound = _recording(slur_sound(1, notes=["C3", "F3", "G3", "C4"]))
    found = slur(sound, "C3 E3 G3 C4")
    assert found.cautions == ("Note 2 of the list is E3, but F3 sounds at 1.2 s (+100 cents).",)
    assert found.table["to_note"].tolist() == ["F3", "G3", "C4"]
    octave = slur(sound, "C3 F3 G2 C4")
    assert octave.cautions == (
        "Note 3 of the list is G2, but G3 sounds at 1.9 s (an octave too high).",
    )
    with pytest.raises(RecordError) as refused:
        slur(sound, "D3 E3 B3 A4")
    assert str(refused.value) == (
        "slur.wav holds C3 F3 G3 C4, but D3 E3 B3 A4 was asked for; give the notes that were "
        "played, at sounding pitch, or name the right recording."
    )


def test_notes_far_from_the_list_and_of_another_tuning_are_named_as_they_are() -> None:
    high = _recording(slur_sound(1, notes=["F2", "C3", "F3", "C3"]))
    with pytest.raises(RecordError, match="holds F2 C3 F3 C3, but D4 E4 G4 B4 was asked for"):
        slur(high, "D4 E4 G4 B4")
    low = slur_sound(1, notes=["C3", "F3", "G3", "C4"], error_cents=1200 * np.log2(415 / 440))
    found = slur(_recording(low), "C3 E3 G3 C4", a4_hz=415.0)
    assert found.cautions == ("Note 2 of the list is E3, but F3 sounds at 1.2 s (+100 cents).",)


def test_notes_missing_from_the_recording_and_from_the_list_are_told() -> None:
    sound = _recording(slur_sound(1, notes=["C3", "F3", "A3", "C4", "F4"]))
    more = slur(sound, "C3 F3 G3 A3 C4 F4")
    assert more.cautions == ("Note 3 of the list, G3, was not found.",)
    assert more.table["from_note"].tolist() == ["C3", "F3", "A3", "C4"]
    fewer = slur(sound, ["C3", "F3", "C4", "F4"])
    assert fewer.cautions == ("A note near A3 at 1.9 s is not in the list.",)
    assert fewer.table["to_note"].tolist() == ["F3", "A3", "C4", "F4"]
    with pytest.raises(RecordError, match="holds C3 F3 A3 C4 F4, but C3 D3 E3 G3 was asked for"):
        slur(sound, "C3 D3 E3 G3")


def test_tongued_notes_are_told() -> None:
    broken = [Transition(gap_ms=100, dip_db=40)] * 4
    notes = ["C3", "F3", "A3", "F3", "C3"]
    found = slur(_recording(slur_sound(1, notes=notes, transitions=broken)), notes)
    assert "4 of 4 transitions are broken, so the notes seem to have been tongued" in " ".join(
        found.cautions
    )


def test_a_dip_into_the_noise_is_told() -> None:
    deep = [Transition(gap_ms=150, dip_db=40)]
    sound = slur_sound(1, notes=["C3", "F3"], transitions=deep, room=Room(15, colour="white"))
    found = slur(_recording(sound), "C3 F3")
    assert "From C3 to F3 the level falls into the noise of the room" in " ".join(found.cautions)


def test_two_attempts_are_measured_apart(tmp_path) -> None:
    notes = ["C3", "F3", "C3"]
    first = slur_sound(1, notes=notes)
    second = slur_sound(2, notes=notes, transitions=[Transition(gap_ms=60, dip_db=20)] * 2)
    both = np.concatenate([first.samples, second.samples])
    found = slur(degrade.wav(both, first.rate_hz, tmp_path / "two.wav"), notes)
    assert found.table["attempt"].tolist() == [1, 1, 2, 2]
    at_s = [*first.truth.changes_s, *(first.duration_s + at for at in second.truth.changes_s)]
    assert found.table["at_s"].tolist() == pytest.approx(at_s, abs=0.01)
    assert "of attempt 2" in found.sentence


def test_what_is_no_slur_is_refused(tmp_path) -> None:
    with pytest.raises(CallError, match="notes holds C3 alone; a slur needs two notes or more"):
        slur(tmp_path / "none.wav", "C3")
    with pytest.raises(CallError, match="notes holds 'H9'"):
        slur(tmp_path / "none.wav", "C3 H9")
    silence = degrade.wav(np.zeros(44_100), 44_100, tmp_path / "silence.wav")
    with pytest.raises(RecordError, match="has no sound in it"):
        slur(silence)
    with pytest.raises(RecordError, match="holds one note only, E4"):
        slur(_recording(crow_sound(pitch_hz=329.6)))
    with pytest.raises(RecordError, match="holds one note only, C3"):
        slur(_recording(hairpin_sound(note="C3")))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_speech_is_no_slur(seed) -> None:
    samples = odd_sounds.between_quiet(odd_sounds.speech(seed))
    with pytest.raises(RecordError, match="slur"):
        slur(Recording(Path("slur.wav"), samples, odd_sounds.RATE_HZ))


@pytest.mark.parametrize("colour", [0, 1, 2])
def test_noise_is_no_slur(colour) -> None:
    for samples in (
        odd_sounds.coloured(colour),
        odd_sounds.between_quiet(odd_sounds.coloured(colour)),
    ):
        for asked in (None, "C3 F3 C3"):
            with pytest.raises(RecordError, match="slur"):
                slur(Recording(Path("slur.wav"), samples, odd_sounds.RATE_HZ), asked)


def test_an_overshoot_is_told_in_words_and_left_open_where_the_note_is_short() -> None:
    faults = [Transition(gap_ms=60, dip_db=20, overshoot_cents=60)]
    long = slur(_recording(slur_sound(1, notes=["C3", "F3"], transitions=faults)), "C3 F3")
    assert 20 < long.table["overshoot_cents"][0] < 40
    assert f", then {long.table['overshoot_cents'][0]:.0f} cents too far. It alone catches" in (
        long.sentence
    )
    short = slur_sound(1, notes=["C3", "F3", "C3"], note_s=0.2)
    assert slur(_recording(short)).table["overshoot_cents"].isna().all()


def test_an_attempt_that_is_no_slur_is_left_out_with_its_reason(tmp_path) -> None:
    line = slur_sound(1, notes=["C3", "F3", "C3"])
    both = np.concatenate([line.samples, hairpin_sound(note="C3").samples])
    found = slur(degrade.wav(both, line.rate_hz, tmp_path / "two.wav"), "C3 F3 C3")
    assert found.table["attempt"].tolist() == [1, 1]
    assert found.left_out["attempt"].tolist() == [2]
    assert found.left_out["fault"][0].startswith("two.wav holds C3, but C3 F3 C3 was asked for")


def test_the_picture_marks_what_catches_and_names_the_worst() -> None:
    faults = [Transition(), Transition(gap_ms=60, dip_db=20)]
    faults.append(Transition(foreign_hz=311.1, foreign_ms=60))
    sound = slur_sound(1, notes=["C3", "F3", "A3", "C4"], transitions=faults)
    found = slur(_recording(sound), "C3 F3 A3 C4")
    ax = found.plot()
    assert ax.get_title(loc="left").startswith("worst: F3 to A3 at 1.9 s, 6")
    drawn = {line.get_label(): line for line in ax.lines}
    marks = [line for line in ax.lines if line.get_label() in ("smooth", "catches")]
    assert [line.get_label() for line in marks] == ["smooth", "catches", "catches"]
    assert marks[1].get_xdata()[0] == pytest.approx(sound.truth.changes_s[1], abs=0.01)
    foreign = drawn["foreign pitch"]
    assert 2 ** foreign.get_ydata() == pytest.approx([311.1], rel=0.003)
    assert foreign.get_xdata() == pytest.approx(found.table["at_s"][2:])
    # Nothing is drawn on the way from note to note but what stands.
    heights = drawn["pitch"].get_ydata()
    apart = [np.abs(heights - np.log2(note_hz(name))) for name in ("C3", "F3", "A3", "C4", "E♭4")]
    assert np.nanmax(np.min(apart, axis=0)) < 0.05
    assert [text.get_text() for text in ax.get_yticklabels()] == ["C3", "F3", "A3", "C4"]
    assert ax.get_ylabel() == "pitch"
    assert ax.figure.axes[1].get_ylabel() == "level, dB (A)"
    again = slur(_recording(slur_sound(1, notes=["C3", "F3"])), "C3 F3").plot()
    assert again.get_title(loc="left") == "no transition catches"
