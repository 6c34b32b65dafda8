"""Transitions of invented slurs against the truth that was put into them."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reedlab.answer import Answer
from reedlab.demo.sound import Playing, Room, Transition, crow_sound, slur_sound
from reedlab.demo.sound_voice import voice
from reedlab.errors import CallError, RecordError
from reedlab.measure.notes import Note
from reedlab.measure.recording import Recording
from reedlab.measure.slur import slur
from reedlab.measure.transitions import prepared, transition
from reedlab.schema import note_hz
from tests.measure import degrade

#: Steps from a semitone... to two octaves and more, from B♭1 to A4.
LINE = (
    "B♭1 F2 C3 F3 F2 G2 A2 C3 E3 G3 C4 A3 C4 E4 A4 F4 C4 F3 C3 A4 B♭1 C2 F2 D2"
).split()
FAULTS = (
    Transition(),
    Transition(gap_ms=40, dip_db=20),
    Transition(gap_ms=80, dip_db=12),
    Transition(foreign_hz=155.6, foreign_ms=90),
    Transition(gap_ms=80, dip_db=30),
    Transition(overshoot_cents=20),
    Transition(gap_ms=150, dip_db=30),
    Transition(gap_ms=40, dip_db=6),
    Transition(foreign_hz=311.1, foreign_ms=40),
    Transition(gap_ms=150, dip_db=6),
    Transition(overshoot_cents=40),
    Transition(gap_ms=84, dip_db=10, foreign_hz=415.3, foreign_ms=60),
    Transition(gap_ms=40, dip_db=30),
)
PLAYED = {
    "quiet": (Room(60), Playing()),
    "noise": (Room(25), Playing(vibrato_cents=3, wobble_cents=2, wobble_db=0.2)),
    "vibrato": (Room(50), Playing(vibrato_cents=15, wobble_cents=3, wobble_db=0.4)),
    "phone": (Room(50), Playing()),
    "8 kHz": (Room(50), Playing()),
}


def _recording(sound) -> Recording:
    return Recording(Path("slur.wav"), sound.samples, sound.rate_hz)


def _grid(how: str, shift: int, folder: Path) -> pd.DataFrame:
    """Measure a line in which every transition has another fault; truth beside what was found."""
    room, playing = PLAYED[how]
    faults = [FAULTS[(5 * place + shift) % len(FAULTS)] for place in range(len(LINE) - 1)]
    sound = slur_sound(
        shift + 1, notes=LINE, transitions=faults, room=room, playing=playing, note_s=0.6
    )
    if how == "phone":
        path = degrade.m4a(sound.samples, sound.rate_hz, folder / "slur.m4a", 64_000)
    elif how == "8 kHz":
        path = degrade.wav_8_khz(sound.samples, sound.rate_hz, folder / "slur.wav")
    else:
        path = sound.write(folder / "slur.wav")
    found = slur(path, LINE).table
    assert found["from_note"].tolist() == LINE[:-1]
    truth = pd.DataFrame(
        {
            "lower_hz": [min(note_hz(a), note_hz(b)) for a, b in zip(LINE, LINE[1:], strict=False)],
            "gap": [fault.gap_ms for fault in faults],
            "dip": [fault.dip_db for fault in faults],
            "change": [
                max(fault.foreign_ms, fault.gap_ms if fault.dip_db >= 15 else 0) for fault in faults
            ],
            "overshoot": [fault.overshoot_cents for fault in faults],
            "foreign_hz_put": [fault.foreign_hz or np.nan for fault in faults],
            "foreign_put": [fault.foreign_ms for fault in faults],
            "how": how,
        }
    )
    return pd.concat([found, truth], axis=1)


def _judged(grid: pd.DataFrame) -> pd.DataFrame:
    """Return bias, spread and the worst error of every number."""
    # A foreign pitch within 150 cents of a note is none.
    near = [
        min(abs(1200 * np.log2(hz / note_hz(name))) for name in (row["from_note"], row["to_note"]))
        < 160
        for hz, (_, row) in zip(grid["foreign_hz_put"], grid.iterrows(), strict=True)
    ]
    foreign = grid[(grid["foreign_put"] > 0) & ~np.array(near)]
    gaps = grid[grid["gap"] > 0]
    errors = {
        "gap, ms": gaps["slur_gap_ms"] - gaps["gap"],
        "gap where none is, ms": grid.loc[grid["gap"] == 0, "slur_gap_ms"],
        "dip, dB": gaps["dip_db"] - gaps["dip"],
        "change, ms": grid["change_ms"] - grid["change"],
        "overshoot, share": grid["overshoot_cents"][grid["overshoot"] > 0] / grid["overshoot"],
        "overshoot where none is": grid.loc[grid["overshoot"] == 0, "overshoot_cents"],
        "foreign missed": foreign["foreign_note"].eq("").astype(float),
        "foreign where none is": grid["foreign_note"].ne("")[grid["foreign_put"] == 0].astype(float),
        "foreign, cents": 1200 * np.log2(foreign["foreign_hz"] / foreign["foreign_hz_put"]),
        "foreign, ms": (foreign["foreign_ms"] - foreign["foreign_put"])[
            foreign["foreign_note"] != ""
        ],
    }
    rows = []
    for name, series in errors.items():
        error = series.dropna()
        rows.append((name, len(error), error.mean(), error.std(), error.abs().max()))
    return pd.DataFrame(rows, columns=["number", "n", "bias", "spread", "worst"]).set_index("number")


def _assert_good(found: pd.DataFrame, how: str) -> None:
    print(f"\n{how}\n{found.round(2).to_string()}")
    noisy, wavering = how == "noise", how == "vibrato"
    assert abs(found.loc["gap, ms", "bias"]) < 3
    assert found.loc["gap, ms", "spread"] < 3.5
    assert found.loc["gap where none is, ms", "worst"] < 8
    # Noise fills deep dips.
    assert abs(found.loc["dip, dB", "bias"]) < (4 if noisy else 0.8)
    assert found.loc["dip, dB", "spread"] < (5 if noisy else 1.5)
    assert abs(found.loc["change, ms", "bias"]) < 2.5
    assert found.loc["change, ms", "spread"] < 6
    if not wavering:
        assert 0.65 < found.loc["overshoot, share", "bias"] < 0.85
    assert found.loc["overshoot where none is", "bias"] < 2
    assert found.loc["foreign missed", "bias"] <= (0.2 if noisy else 0.1)
    assert found.loc["foreign where none is", "bias"] <= 0.02
    assert abs(found.loc["foreign, cents", "bias"]) < 6
    assert found.loc["foreign, cents", "spread"] < (15 if wavering else 5)
    assert abs(found.loc["foreign, ms", "bias"]) < 3
    assert found.loc["foreign, ms", "spread"] < 5


@pytest.mark.parametrize("how", ["quiet", "phone"])
def test_every_number_is_near_the_truth(how, tmp_path) -> None:
    _assert_good(_judged(_grid(how, 0, tmp_path)), how)


@pytest.mark.slow
@pytest.mark.parametrize("how", list(PLAYED))
def test_every_number_is_near_the_truth_for_all_faults_at_all_places(how, tmp_path) -> None:
    grid = pd.concat([_grid(how, shift, tmp_path) for shift in range(6)], ignore_index=True)
    _assert_good(_judged(grid), how)


def _between(old: str, new: str, fault: Transition):
    sound = slur_sound(4, notes=[old, new], transitions=[fault])
    notes = [
        Note(note.start_s, note.end_s, note.hz, note.level_db, 0.99) for note in sound.truth.notes
    ]
    return transition(prepared(_recording(sound)), *notes), sound.truth.changes_s[0]


@pytest.mark.parametrize(
    ("old", "new"),
    [("F2", "F3"), ("F3", "F2"), ("C3", "G4"), ("A3", "B♭3"), ("B♭1", "A4"), ("F2", "C4")],
)
def test_a_clean_step_is_clean_where_one_note_is_a_partial_of_the_other(old, new) -> None:
    found, at_s = _between(old, new, Transition())
    assert found.gap_s[0] == found.gap_s[1]
    assert found.change_s[1] - found.change_s[0] < 0.006
    assert np.mean(found.change_s) == pytest.approx(at_s, abs=0.006)
    assert np.isnan(found.foreign_hz)
    assert found.overshoot_cents == 0


@pytest.mark.parametrize("gap_ms", [20, 40, 80, 150])
@pytest.mark.parametrize("dip_db", [6, 12, 20, 30])
def test_edges_of_a_gap_do_not_depend_on_its_depth(gap_ms, dip_db) -> None:
    found, at_s = _between("C3", "F3", Transition(gap_ms=gap_ms, dip_db=dip_db))
    assert found.dip_db == pytest.approx(dip_db, abs=1.0)
    for edge, side in zip(found.gap_s, (-1, 1), strict=True):
        assert edge == pytest.approx(at_s + side * gap_ms / 2000, abs=0.003)


def test_a_gap_shorter_than_a_period_is_told_too_shallow_and_not_as_a_click() -> None:
    found, _ = _between("B♭1", "C2", Transition(gap_ms=10, dip_db=30))
    assert found.dip_db < 10
    assert np.isnan(found.foreign_hz)


def test_the_octave_above_is_foreign_and_so_is_one_below() -> None:
    for hz in (note_hz("F3") * 2, note_hz("C3") / 1.5):
        found, _ = _between("C3", "F3", Transition(foreign_hz=hz, foreign_ms=80))
        assert found.foreign_hz == pytest.approx(hz, rel=0.005)
        assert found.foreign_ms == pytest.approx(80, abs=8)


def test_the_sentence_names_the_worst_transition(tmp_path) -> None:
    faults = [Transition(), Transition(gap_ms=84, dip_db=10, foreign_hz=440, foreign_ms=50)]
    sound = slur_sound(1, notes=["E3", "B3", "G4"], transitions=faults)
    found = slur(sound.write(tmp_path / "slur.wav"), "E3 B3 G4")
    assert isinstance(found, Answer)
    assert found.sentence.startswith("B3 to G4, at 1.9 s: 8")
    assert " ms gap, 9.8 dB deep" in found.sentence or " ms gap, 10 dB deep" in found.sentence
    assert "with a foreign A4 for" in found.sentence
    assert found.sentence.endswith("It alone catches, of 2 transitions.")
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


def test_a_wrong_list_is_named_note_by_note_or_refused() -> None:
    sound = _recording(slur_sound(1, notes=["C3", "F3", "G3", "C4"]))
    found = slur(sound, "C3 E3 G3 C4")
    assert found.cautions[0] == "Note 2 of the list is E3, but F3 sounds at 0.7 s (+100 cents)."
    assert found.table["to_note"].tolist() == ["F3", "G3", "C4"]
    with pytest.raises(RecordError, match="holds C3 F3 G3 C4, but D3 E3 B3 A4 was asked for"):
        slur(sound, "D3 E3 B3 A4")


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
    with pytest.raises(RecordError, match="silence.wav has no sound in it"):
        slur(silence)
    with pytest.raises(RecordError, match="slur.wav holds one note only, E4"):
        slur(_recording(crow_sound(pitch_hz=329.6)))
    with pytest.raises(RecordError, match="slur.wav"):
        slur(_speech())


def _speech() -> Recording:
    """Make syllables with a gliding pitch and hisses between, as nobody plays."""
    rng, rate = np.random.default_rng(3), 16_000
    t = np.arange(4 * rate) / rate
    glide = 130 * 2 ** (0.35 * np.sin(2 * np.pi * 0.9 * t) + 0.2 * np.sin(2 * np.pi * 2.3 * t))
    level = -20 - 30 * (np.sin(2 * np.pi * 3.7 * t) > 0.55) + 3 * np.sin(2 * np.pi * 5 * t)
    hiss = rng.normal(size=len(t)) * 0.01 * (np.sin(2 * np.pi * 3.7 * t) > 0.7)
    quiet = rng.normal(size=rate) * 1e-4
    spoken = voice(rng, rate, glide, level) + hiss
    return Recording(Path("slur.wav"), np.concatenate([quiet, spoken, quiet]), rate)


def test_the_picture_marks_what_catches_and_names_the_worst() -> None:
    faults = [Transition(), Transition(gap_ms=60, dip_db=20), Transition()]
    sound = slur_sound(1, notes=["C3", "F3", "A3", "C4"], transitions=faults)
    ax = slur(_recording(sound), "C3 F3 A3 C4").plot()
    assert ax.get_title(loc="left").startswith("worst: F3 to A3, 6")
    marks = [line for line in ax.lines if len(line.get_xdata()) == 2]
    assert [line.get_label() for line in marks] == ["smooth", "catches", "smooth"]
    assert marks[1].get_xdata()[0] == pytest.approx(sound.truth.changes_s[1], abs=0.01)
    assert [text.get_text() for text in ax.get_yticklabels()] == ["C3", "F3", "A3", "C4"]
    assert ax.get_ylabel() == "pitch"
    assert ax.figure.axes[1].get_ylabel() == "level, dB (A)"
    again = slur(_recording(slur_sound(1, notes=["C3", "F3"])), "C3 F3").plot()
    assert again.get_title(loc="left") == "no transition catches"
