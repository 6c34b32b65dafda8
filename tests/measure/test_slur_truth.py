"""What a slur is said to be, against what it was made to be: invented sounds and real notes.

`pytest -m slow -s tests/measure/test_slur_truth.py` prints bias and spread of every number.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reedlab.demo.sound import Room, Transition, slur_sound
from reedlab.demo.sound_voice import voice
from reedlab.measure.notes import Note, note_list
from reedlab.measure.recording import Recording
from reedlab.measure.slur import slur
from reedlab.measure.transitions import prepared, transition
from reedlab.schema import note_hz
from tests.measure import slur_grid as grid
from tests.measure.joined_notes import RATE_HZ, Join, joined, random_line


def _assert_good(found: pd.DataFrame, how: str) -> None:
    print(f"\n{how}\n{found.round(2).to_string()}")
    noisy, wavering, coded = how == "noise", how == "vibrato", how in grid.CODED
    assert abs(found.loc["gap, ms", "bias"]) < 3
    assert found.loc["gap, ms", "usual"] < 3
    # A coder smears a single beginning over a block, and its ripple may end a shallow dip early.
    assert found.loc["gap, ms", "spread"] < (4.5 if coded else 2)
    assert found.loc["gap, ms", "worst"] < (12 + grid.CODED[how] if coded else 12)
    assert found.loc["gap where none is, ms", "worst"] < 8
    # Noise fills deep dips.
    assert abs(found.loc["dip, dB", "bias"]) < (4 if noisy else 0.5)
    assert found.loc["dip, dB", "spread"] < (4 if noisy else 1)
    assert abs(found.loc["change, ms", "bias"]) < 2.5
    assert found.loc["change, ms", "spread"] < 5
    if not wavering:
        assert 0.65 < found.loc["overshoot, share", "bias"] < 0.9
    assert found.loc["overshoot where none is", "bias"] < 1
    assert found.loc["foreign missed", "bias"] <= 0.05
    assert found.loc["foreign where none is", "bias"] <= 0.01
    # At its one place in a vibrato the foreign pitch is off by so much.
    assert abs(found.loc["foreign, cents", "bias"]) < (15 if wavering else 4)
    assert found.loc["foreign, cents", "spread"] < 5
    assert abs(found.loc["foreign, ms", "bias"]) < 3.5
    assert found.loc["foreign, ms", "spread"] < 5


def test_every_number_is_near_the_truth(tmp_path) -> None:
    _assert_good(grid.judged(grid.measured("M4A", [0], tmp_path)), "M4A")


@pytest.mark.slow
@pytest.mark.parametrize("how", list(grid.PLAYED))
def test_every_number_is_near_the_truth_for_all_faults_at_many_places(how, tmp_path) -> None:
    _assert_good(grid.judged(grid.measured(how, range(0, grid.TURNS, 2), tmp_path)), how)


def _between(old: str, new: str, fault: Transition):
    sound = slur_sound(4, notes=[old, new], transitions=[fault])
    notes = [
        Note(note.start_s, note.end_s, note.hz, note.level_db, 0.99) for note in sound.truth.notes
    ]
    return transition(prepared(grid.recording(sound)), *notes), sound.truth.changes_s[0]


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


def test_the_octave_above_is_foreign_and_so_is_a_fifth_below() -> None:
    for hz in (note_hz("F3") * 2, note_hz("C3") / 1.5):
        found, _ = _between("C3", "F3", Transition(foreign_hz=hz, foreign_ms=80))
        assert found.foreign_hz == pytest.approx(hz, rel=0.005)
        assert found.foreign_ms == pytest.approx(80, abs=8)


def test_a_note_that_begins_with_its_octave_alone_is_not_foreign() -> None:
    found, _ = _between("C3", "F3", Transition(foreign_hz=2 * note_hz("F3"), foreign_ms=20))
    assert np.isnan(found.foreign_hz)
    other, _ = _between("C3", "F3", Transition(foreign_hz=note_hz("A3"), foreign_ms=20))
    assert other.foreign_hz == pytest.approx(note_hz("A3"), rel=0.005)


@pytest.mark.parametrize(("old", "new"), [("C3", "F3"), ("C4", "A3"), ("F2", "D3")])
def test_a_glide_is_a_slow_change_and_no_foreign_pitch(old, new) -> None:
    heights = np.log2([note_hz(old), note_hz(new)])
    for glide_ms in (60, 150):
        t = np.arange(round(2.4 * RATE_HZ)) / RATE_HZ
        share = np.clip((t - 1.2) / glide_ms * 1000 + 0.5, 0, 1)
        rng = np.random.default_rng(2)
        level_db = np.where((t > 0.5) & (t < 1.9), -20.0, -np.inf)
        tone = voice(rng, RATE_HZ, 2 ** (heights[0] + share * np.diff(heights)), level_db)
        sound = Recording(Path("slur.wav"), tone + rng.normal(size=len(t)) * 1e-4, RATE_HZ)
        row = slur(sound, [old, new]).table.iloc[0]
        # From 50 cents off the one to 50 cents off the other.
        true_ms = glide_ms * (1 - 100 / (1200 * abs(np.diff(heights)[0])))
        periods_ms = 2000 / min(note_hz(old), note_hz(new))
        assert true_ms - periods_ms < row["change_ms"] < true_ms + 2
        assert row["at_s"] == pytest.approx(1.2, abs=0.005)
        assert row["foreign_note"] == ""
        assert row["slur_gap_ms"] == 0


#: Lines for the bassoon and the oboe, and how many notes a second.
QUICK = {
    "arpeggio": "F2 C3 F3 A3 C4 F4 C4 A3 F3 C3 F2",
    "low": "B♭1 F2 B♭2 D3 F3 D3 B♭2 F2 B♭1",
    "octaves": "C3 C4 C3 G3 C5 G3 C4 C2 C3 C2",
    "scale": "C3 D3 E3 F3 G3 A3 B3 C4 B3 A3 G3 F3 E3 D3 C3",
    "oboe": "C4 G4 C5 E5 G5 C6 G5 E5 C5",
    "high oboe": "C5 G5 C6 E6 G6 E6 C6 G5 C5",
}


@pytest.mark.parametrize("speed", [8, pytest.param(3, marks=pytest.mark.slow)])
@pytest.mark.parametrize("name", list(QUICK))
def test_quick_notes_keep_their_octave_with_and_without_a_list(name, speed) -> None:
    notes = note_list(QUICK[name])
    faults = [Transition()] * (len(notes) - 1)
    faults[1] = Transition(gap_ms=40, dip_db=20)
    sound = slur_sound(
        1, notes=notes, note_s=1 / speed, transitions=faults, room=Room(30), level_db=-22
    )
    for asked in (notes, None):
        answer = slur(grid.recording(sound), asked)
        found = answer.table
        assert grid.same_names(found, notes)
        assert found["slur_gap_ms"].drop(1).max() == 0
        assert found["slur_gap_ms"][1] == pytest.approx(40, abs=5)
        assert found["at_s"].tolist() == pytest.approx(sound.truth.changes_s, abs=0.008)
        assert found["foreign_note"].eq("").all()


#: Between real notes; what is shallower than 7 dB may be their own unsteadiness.
JOINS = (
    Join(),
    Join(gap_ms=40, dip_db=20),
    Join(gap_ms=80, dip_db=12),
    Join(gap_ms=150, dip_db=25),
    Join(gap_ms=100, dip_db=30),
    Join(foreign="A4", foreign_ms=60),
    Join(foreign="A2", foreign_ms=90),
)


def _check_joined(seed: int, note_s: float) -> None:
    rng = np.random.default_rng(seed)
    line, joins = random_line(rng, 12, [join for join in JOINS if join.gap_ms < 300 * note_s])
    samples, changes_s = joined(line, joins, note_s, rng)
    sound = Recording(Path("slur.wav"), samples, RATE_HZ)
    for asked in (line, None):
        found = slur(sound, asked).table
        assert grid.same_names(found, line)
        for row, join, at_s in zip(found.to_dict("records"), joins, changes_s, strict=True):
            told = f"seed {seed}, {join}: {row}"
            assert row["foreign_note"] == join.foreign, told
            assert row["foreign_ms"] == pytest.approx(join.foreign_ms, abs=12), told
            if "C5" in (row["from_note"], row["to_note"]):
                # As it was recorded it swells by 7 dB of its own: its dips are not known.
                continue
            middle_s = at_s + join.foreign_ms / 2000
            assert row["at_s"] == pytest.approx(middle_s, abs=0.006), told
            if join.dip_db:
                assert row["slur_gap_ms"] == pytest.approx(join.gap_ms, abs=7), told
                assert row["dip_db"] == pytest.approx(join.dip_db, abs=5.5), told
            elif not join.foreign:
                assert row["dip_db"] < 7, told
                assert row["change_ms"] < 8, told


@pytest.mark.parametrize(("seed", "note_s"), [(1, 0.6), (2, 0.4)])
def test_real_notes_that_were_joined_are_told_as_they_were_joined(seed, note_s) -> None:
    _check_joined(seed, note_s)


@pytest.mark.slow
@pytest.mark.parametrize("note_s", [0.3, 0.4, 0.6])
def test_real_notes_joined_in_many_ways_are_told_as_they_were_joined(note_s) -> None:
    for seed in range(10, 30):
        _check_joined(seed, note_s)
