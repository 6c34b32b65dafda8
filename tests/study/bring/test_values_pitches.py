import pytest

from reedlab.schema import cents, note_hz, table_named
from reedlab.study.bring.grid import Cell
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values import read_value

HZ = table_named("tests").column("crow_hz")
CENTS = table_named("tests").column("crow_cents")


def read(typed, column=HZ, kind="text", value=None, **rule):
    return read_value(Cell(typed, kind, value), column, ColumnRule(**rule))


@pytest.mark.parametrize(
    ("typed", "note", "off"),
    [
        ("E4", "E4", 0),
        ("E", "E4", 0),
        ("e", "E4", 0),
        ("E+20", "E4", 20),
        ("E4 + 20 cents", "E4", 20),
        ("E4 +12,5", "E4", 12.5),
        ("F4 -15c", "F4", -15),
        ("F-15", "F4", -15),
        ("F −15 ct", "F4", -15),
        ("Eb", "Eb4", 0),
        ("E♭4+5", "Eb4", 5),
        ("E flat", "Eb4", 0),
        ("F sharp", "F#4", 0),
        ("E#", "F4", 0),
        ("Fb", "E4", 0),
        ("F##", "G4", 0),
        ("Bb", "Bb4", 0),
        ("Mi", "E4", 0),
        ("Fa dièse", "F#4", 0),
        ("fa diese", "F#4", 0),
        ("Si bémol", "Bb4", 0),
        ("Mi bémol -10", "Eb4", -10),
        ("Do#", "C#4", 0),
        ("Ré", "D4", 0),
    ],
)
def test_a_note_is_its_frequency(typed, note, off):
    found = read(typed)
    assert cents(found.value, note_hz(note)) == pytest.approx(off, abs=1e-4)
    assert found.text == repr(found.value) or float(found.text) == found.value


def test_the_octave_of_the_crow_target_is_stated():
    assert read("E+20").change == (
        "'E+20' -> 333.457645 (E4 +20 cents, octave 4 from the crow target E4 to F4)."
    )
    assert "octave 5 from the crow target B4 to C5" in read("C", crow=("B4", "C5")).change
    assert "octave 4 from the crow target B4 to C5" in read("A", crow=("B4", "C5")).change
    assert "octave 3 from the rule" in read("E", octave=3).change
    assert "octave" not in read("E4").change


def test_the_tuning_moves_a_note():
    assert read("E4", a4_hz=442).value == pytest.approx(note_hz("E4", 442), abs=1e-6)


def test_b_and_h_need_a_declared_convention():
    assert read("B").ask == (
        "'B' is B in one convention and B♭ in another: "
        "are the notes of this column English or German?"
    )
    assert read("H").ask == "'H' is B in German names: are the notes of this column German?"
    assert "B4" in read("B", notes="english").change
    assert "B♭4" in read("B", notes="german").change
    assert "B4" in read("H", notes="german").change


@pytest.mark.parametrize(
    ("typed", "note"),
    [("Es", "Eb4"), ("Fis", "F#4"), ("As", "Ab4"), ("Ces", "B3"), ("his", "C5"), ("es", "Eb4")],
)
def test_german_names_are_asked_about_until_declared(typed, note):
    assert "in German names" in read(typed).ask
    assert read(typed, notes="german").value == pytest.approx(note_hz(note), abs=1e-6)


def test_octaves_counted_another_way_are_asked_about():
    assert "the German way" in read("e'").ask
    assert "the German way" in read("es1", notes="german").ask
    assert "the German way" in read("e1").ask
    assert "the German way" in read("e4", notes="german").ask
    assert read("e4").value == read("E4").value
    assert "the French way" in read("Mi3").ask


@pytest.mark.parametrize(
    ("typed", "offer"),
    [
        ("between E and F", "E4 +50"),
        ("E/F", "E4 +50"),
        ("E-F", "E4 +50"),
        ("zwischen E und F", "E4 +50"),
        ("entre mi et fa", "E4 +50"),
        ("E to G", "F4 +50"),
        ("Eb-F", "E4"),
    ],
)
def test_between_two_notes_is_no_pitch_and_the_middle_is_offered(typed, offer):
    assert read(typed).sentence == (
        f"'{typed}' is no single pitch; write {offer} if the middle is meant."
    )


@pytest.mark.parametrize("typed", ["E-", "E+", "E, low", "sharp E"])
def test_a_vague_pitch_is_refused(typed):
    assert read(typed).sentence == (
        f"'{typed}' does not say by how many cents; "
        "write a note with cents, e.g. E4 +20, or a frequency in Hz."
    )


@pytest.mark.parametrize("typed", ["rattle", "E99", "two pitches", "K4", "ex"])
def test_what_is_no_pitch_is_refused(typed):
    assert read(typed).fault == f"'{typed}' is neither a note nor a frequency"


def test_a_frequency_says_which_note_it_is():
    found = read("329.6 Hz")
    assert (found.value, found.text) == (329.6, "329.6")
    assert found.change == "'329.6 Hz' -> 329.6 (unit taken off); that is E4 -0.1 cents."
    assert read("329,6", unit="Hz", decimal=",").value == 329.6
    assert read("330", kind="number", value=330.0, unit="Hz").state == "kept"


def test_a_bare_number_in_a_column_of_pitches_needs_a_unit():
    ask = "'-20' has no unit: is the column in Hz or in cents?"
    assert read("-20").ask == read("-20", CENTS).ask == ask
    assert "from which note are they counted" in read("-20", unit="cents").ask


def test_cents_from_a_declared_note():
    below = read("-20", unit="cents", from_note="E4")
    assert cents(below.value, note_hz("E4")) == pytest.approx(-20, abs=1e-4)
    assert read("~-15", unit="cents", from_note="E4").approximate


def test_bare_cents_stay_as_typed_in_a_column_of_cents():
    assert read("-20", CENTS, unit="cents").state == "kept"
    assert read("+4", CENTS, unit="cents").text == "4"
    found = read("~-15", CENTS, unit="cents")
    assert (found.value, found.approximate) == (-15.0, True)


def test_cents_from_the_crow_target_are_exact():
    assert read("F+20", CENTS).text == "20"
    assert read("E-0.1", CENTS).text == "-0.1"
    assert read("E+20", CENTS).text == "0"
    assert "inside the target E4 to F4" in read("E+20", CENTS).change
    assert read("E+20", CENTS, crow=("E4", "E4")).text == "20"
    assert read("-20.123456", CENTS, unit="cents", from_note="E4").text == "-20.123456"
    assert read("120", CENTS, unit="cents", from_note="E4").text == "20"
    assert read("+4", CENTS, unit="cents", from_note="E4").text == "0"
    assert read("329.6 Hz", CENTS).value == pytest.approx(-0.1447, abs=1e-4)


def test_cents_that_may_be_thousands_are_asked_about():
    assert read("E+1,234").ask == "'E+1,234' may be 1.234 or 1234 cents off: which is it?"


def test_about_a_pitch_is_kept_as_a_flag():
    assert read("~E").approximate
    assert read("E+20?").approximate
