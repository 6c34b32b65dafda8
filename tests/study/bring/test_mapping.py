"""The mapping: proposed from headers and values, kept as a file, read back, and its mistakes."""

import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reedlab.errors import CallError, RecordError
from reedlab.schema import table_named
from reedlab.study import bring_in, new_study
from reedlab.study.bring.grids import Cell
from reedlab.study.bring.likely import with_settings
from reedlab.study.bring.mapping import CellAnswer, Question, SheetMapping, labels
from reedlab.study.bring.mapping_file import mapping_text, read_mapping
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.trade_words import columns_named, taken_apart

TEXTS = st.text(max_size=12)


def proposed(tmp_path: Path, text: str, instrument: str = "bassoon") -> SheetMapping:
    path = tmp_path / "old.csv"
    path.write_text(text, "utf-8")
    return bring_in(new_study(tmp_path / "study", instrument), path, dry_run=True).mapping


def places(mapping: SheetMapping) -> dict[str, str]:
    return {rule.header: f"{rule.table}.{rule.column}" for rule in mapping.columns}


@pytest.mark.parametrize(
    ("header", "column", "unit"),
    [
        ("gouge (1/100 mm)", "reeds.gouge_centre_mm", "1/100 mm"),
        ("Höhlung in mm", "reeds.gouge_centre_mm", "mm"),
        ("épaisseur gouge [mm]", "reeds.gouge_centre_mm", "mm"),
        ("Wandstärke mm", "tubes.wall_mm", "mm"),
        ("Draht 1 (mm vom Ende)", "reeds.wire1_mm", "mm"),
        ("Longueur totale", "reeds.total_length_mm", ""),
        ("REED NO.", "reeds.reed_id", ""),
        ("Anche n°", "reeds.reed_id", ""),
        ("gespielt von", "sessions.player_id", ""),
        ("Luftfeuchte %", "sessions.relative_humidity_pct", "%"),
        ("erstmals gespielt", "life.first_played", ""),
        ("attack [ms]", "tests.attack_ms", "ms"),
    ],
)
def test_headers_in_three_languages(header, column, unit):
    words, found = taken_apart(header)
    assert (columns_named(words)[:1], found) == ([column], unit)


def test_every_trade_word_leads_to_a_column_of_the_record(tmp_path):
    from reedlab.study.bring.proposing import targets
    from reedlab.study.bring.trade_words import HEADERS
    from reedlab.study.draft import Draft

    known = targets(Draft(new_study(tmp_path / "study", "oboe").folder))
    assert set(HEADERS) <= set(known)


def test_the_units_of_bare_numbers_follow_from_their_size(tmp_path):
    mapping = proposed(tmp_path, "reed,gouge,soak,rest\nR1,125,2,14\nR2,130,3,20\n")
    assert mapping.column("gouge").unit == "1/100 mm"
    assert mapping.column("soak").unit == "hours"
    assert [question.key for question in mapping.open] == ["rest.unit"]  # days or weeks


def test_a_mark_that_may_be_one_of_thousands_is_asked_about(tmp_path):
    mapping = proposed(tmp_path, 'reed;crow Hz\nR1;"329,6"\nR2;1.234\n')
    assert "crow Hz.thousands" in [question.key for question in mapping.open]
    gouge = table_named("reeds").column("gouge_centre_mm")
    for texts, mark in (
        (("1,250", "1,300"), ","),  # 1250 mm are no gouge
        (("1.250",), "."),
        (("1,25", "1.30"), ""),  # each can be read one way only
    ):
        cells = [Cell(text) for text in texts]
        assert with_settings(ColumnRule(), gouge, "mm", cells).decimal == mark


def test_two_columns_of_one_meaning_are_asked_about(tmp_path):
    mapping = proposed(tmp_path, "reed,shape,Fasson\nR1,wide,narrow\n")
    assert [question.key for question in mapping.open] == ["shape.to", "Fasson.to"]
    assert mapping.open[0].text == (
        "which column of the record is 'shape' ('wide')? perhaps reeds.shape; "
        'leave it empty ("") if it is to stay out'
    )


def test_a_date_beside_tests_may_be_that_of_the_reed_or_of_the_session(tmp_path):
    mapping = proposed(tmp_path, "reed,date\nR1,2025-04-01\n")
    assert "perhaps reeds.made_on or sessions.started_at" in mapping.open[0].text


def test_cents_of_which_nobody_says_from_where(tmp_path):
    mapping = proposed(tmp_path, "reed,session,stage,crow (cents)\nR1,S1,new,-20\n")
    assert [question.key for question in mapping.open] == ["crow (cents).from_note"]
    settled = mapping.answered({"crow (cents).from_note": ""})
    assert settled.open == ()


def test_two_measures_of_one_day_share_its_stage(tmp_path):
    text = "reed,session,attack Tag 1,crow Hz Tag 1,attack Tag 2\nR1,S1,30,340,20\n"
    mapping = proposed(tmp_path, text)
    assert [rule.stage for rule in mapping.columns] == ["", "", "tag 1", "tag 1", "tag 2"]
    assert places(mapping)["crow Hz Tag 1"] == "tests.crow_hz"


def test_tries_side_by_side(tmp_path):
    text = "reed,session,stage,attack try 1,attack try 2\nR1,S1,new,30,35\n"
    mapping = proposed(tmp_path, text)
    assert [mapping.column(f"attack try {number}").trial for number in (1, 2)] == [1, 2]
    assert places(mapping)["attack try 2"] == "tests.attack_ms"


@given(
    st.lists(TEXTS.filter(bool), min_size=1, max_size=4, unique=True),
    st.dictionaries(TEXTS, TEXTS.filter(lambda text: text not in ("?", "missing")), max_size=3),
    TEXTS,
    st.booleans(),
)
def test_a_mapping_survives_its_file(tmp_path_factory, headers, words, typed, confirmed):
    columns = tuple(
        ColumnRule(header, "reeds", "shape", words=words, stage=typed.strip("?"), trial=2)
        for header in headers
    )
    mapping = SheetMapping(
        "old",
        columns,
        {"tests.stage": "new" + typed},
        (CellAnswer("a.csv", "B2", typed, "x"),),
        (Question("fixed", "", "tests.session_id", "which?"),),
        confirmed=confirmed,
    )
    path = tmp_path_factory.mktemp("study") / "old.toml"
    path.write_text(mapping_text(mapping), "utf-8", newline="")
    back = read_mapping(path)
    assert back.columns == columns
    assert (back.fixed, back.cells, back.confirmed) == (mapping.fixed, mapping.cells, confirmed)
    assert [question.key for question in back.open] == ["tests.session_id"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("confirmed = yes", "old.toml cannot be read as TOML: Invalid value (at line 1, column 13"),
        ('confirmed = "yes"', "old.toml: confirmed must be true or false, without quotes."),
        ("sure = true", "old.toml: There is no setting of a mapping 'sure'."),
        ("[columns]\n", "old.toml: each entry of columns must begin with [[columns]]."),
        ('[[columns]]\nto = "x"', "old.toml: column 1 has no header in quotes."),
        (
            '[[columns]]\nheader = "a"\nunits = "mm"',
            "old.toml: There is no setting of the column 'a' 'units'. Nearest: unit, ",
        ),
        (
            '[[columns]]\nheader = "a"\ndates = "day"',
            "old.toml: Column 'a': dates is 'day'; it can be 'day first', 'month first', 'year",
        ),
        (
            '[[columns]]\nheader = "a"\nunit = 1.5',
            "old.toml: column 'a': unit must stand in quotes, e.g. \"1.5\".",
        ),
        (
            '[[columns]]\nheader = "a"\n[columns.words]\nja = true',
            'old.toml: column \'a\': write words such as "ja" = "yes", all in quotes.',
        ),
        (
            '[[columns]]\nheader = "a"\n[[columns]]\nheader = "a"',
            "old.toml: the column 'a' is listed twice.",
        ),
        ('[fixed]\n"tests.trial" = 1', 'old.toml: [fixed]: write lines such as "tests.stage"'),
        ('[[cells]]\nname = "A1"', "old.toml: There is no setting of a cell 'name'."),
    ],
)
def test_mistakes_in_the_file_are_told(tmp_path, text, message):
    path = tmp_path / "old.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(RecordError) as raised:
        read_mapping(path)
    assert str(raised.value).startswith(message)


def test_a_mapping_that_is_not_there_or_not_text(tmp_path):
    with pytest.raises(RecordError, match=r"There is no mapping .*gone\.toml\."):
        read_mapping(tmp_path / "gone.toml")
    (tmp_path / "old.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(RecordError, match="cannot be read as TOML"):
        read_mapping(tmp_path / "old.toml")


def test_a_mapping_must_fit_the_sheet_it_is_given_for(tmp_path):
    path = tmp_path / "old.csv"
    path.write_text("reed,moon\nR1,full\n", "utf-8")
    mapping = SheetMapping("may", (ColumnRule("reed", "reeds", "reed_id"), ColumnRule("sun")))
    with pytest.raises(CallError) as raised:
        bring_in(new_study(tmp_path / "study"), path, mapping)
    assert str(raised.value) == (
        "The mapping 'may' does not fit old.csv, which lacks 'sun' and has besides 'moon'; mend "
        "the headers in the mapping, or leave it out to have one proposed."
    )


def test_a_mapping_edited_by_hand_is_taken(tmp_path):
    path = tmp_path / "old.csv"
    path.write_text("reed,moon,kept\nR1,full,keeper!\n", "utf-8")
    study = new_study(tmp_path / "study")
    bring_in(study, path)
    file = study.folder / "bring" / "old.toml"
    text = file.read_text("utf-8")
    assert text.count('"?"') == 3  # one of them in the explanation
    text = text.replace('to = "?"', 'to = "reeds.profile"').replace(
        '"keeper!" = "?"', '"keeper!" = "yes"'
    )
    file.write_text(text.replace("confirmed = false", "confirmed = true"), "utf-8")
    found = bring_in(study, path)
    row = found.study.tables["reeds"].iloc[0]
    assert (row["reed_id"], row["profile"], row["kept"]) == ("R1", "full", True)


def test_columns_are_named_differently():
    assert labels(["crow", "crow", " ", "crow (2)"], [1, 2, 28, 4]) == (
        "crow",
        "crow (2)",
        "column AB",
        "crow (2) (2)",
    )


def test_a_long_text_above_a_wide_table_is_looked_through_quickly(tmp_path):
    notes = "".join(f"what was noted on evening {number}\n" for number in range(400))
    started = time.process_time()
    mapping = proposed(tmp_path, f"crow in cents from E4\n{notes}reed,day 1\nR1,-20\nR2,5\n")
    assert mapping.column("day 1").stage == "day 1"
    assert time.process_time() - started < 5
