"""The eight sheets, brought in as their maker would answer, against what was decided by hand."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from reedlab.errors import CallError, RecordError
from reedlab.study import Brought, Settings, Study, bring_in, new_study, open_study, write_study
from tests.study.batch import contents, sealed

SHEETS = Path(__file__).parent / "sheets"


def empty(folder: Path, instrument: str = "bassoon", crow: str = "") -> Study:
    """Start a study; its crow target one note, if that is told."""
    study = new_study(folder, instrument)
    if not crow:
        return study
    settings = Settings(instrument, crow_target=crow, responses=study.settings.responses)
    return write_study(folder.with_name(f"{folder.name} {crow}"), dict(study.tables), settings)


def written(tmp_path: Path, name: str, text: str, encoding: str = "utf-8") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding)
    return path


def column(study: Study, table: str, name: str, key: str = "reed_id") -> dict:
    """Return the values of a column by id, those that are missing left out."""
    frame = study.tables[table]
    return dict(zip(frame[key], frame[name], strict=True)) if name in frame else {}


def known(values: Mapping) -> dict:
    return {key: value for key, value in values.items() if pd.notna(value)}


def steps(found: Brought, outcome: str) -> list[tuple]:
    table = found.journey.table
    own = table[table["outcome"] == outcome]
    return list(own[["row", "column", "value"]].fillna(0).itertuples(index=False, name=None))


def check_counts(found: Brought) -> None:
    """Check that every row and every cell of the sheet is counted once."""
    assert found.rows_in == found.rows_kept + found.rows_refused + found.rows_left_out
    assert len(found.left_out) >= found.rows_refused + found.rows_left_out


def test_decimal_commas_in_a_sheet_of_a_german_spreadsheet(tmp_path):
    found = bring_in(
        empty(tmp_path / "study"),
        SHEETS / "01_decimal_comma.csv",
        answers={
            "tubes.tube_id": "{reed_id}",
            "tests.session_id": "old",
            "tests.stage": "finished",
        },
        confirmed=True,
    )
    study = found.study
    reeds = study.tables["reeds"]
    assert reeds["reed_id"].tolist() == ["007", "008", "009", "010"]
    assert reeds["gouge_centre_mm"].tolist() == [1.30, 1.25, 1.30, 1.2954]
    assert reeds["kept"].tolist() == [True, False, False, True]
    assert column(study, "tubes", "outer_diameter_mm", "tube_id") == {
        "007": 24.5,
        "008": 25.0,
        "009": 24.5,
        "010": 26.1,
    }
    a4 = {"007": (-500, 20), "008": (-400, -15), "009": (-600, 0), "010": (-500, 0)}
    hertz = {reed: 440 * 2 ** (sum(off) / 1200) for reed, off in a4.items()}
    assert column(study, "tests", "crow_hz") == pytest.approx(hertz, abs=1e-6)
    ranges = known(column(study, "tests", "dynamic_range_db"))
    assert ranges == {"007": 21.5, "008": 19, "010": 23.0}
    assert found.left_out.to_dict("records") == [
        {"file": "01_decimal_comma.csv", "row": 6, "fault": "summary row 'Mittel'"}
    ]
    assert found.cautions[0] == "01_decimal_comma.csv was read as CP1252, separated by ;."
    assert "Column G has neither a name nor anything in it." in found.cautions
    assert found.sentence == (
        "01_decimal_comma.csv: 4 of 5 rows came in (4 tubes, 4 reeds, 1 session, 4 tests), 1 left "
        "out, 18 cells changed."
    )
    check_counts(found)
    assert study.check().ok, study.check().table.to_string()


def test_mixed_units(tmp_path):
    study = empty(tmp_path / "study")
    found = bring_in(
        study, SHEETS / "02_mixed_units.csv", answers={"gouge.unit": "mm"}, confirmed=True
    )
    gouge = known(column(found.study, "reeds", "gouge_centre_mm"))
    assert gouge == {"A1": 1.27, "A2": 1.27, "A3": 1.27, "A4": 1.3208}
    reeds = found.study.tables["reeds"]
    assert reeds["tip_width_mm"].tolist() == [15, 15.2, 14.8, 15.24, 15]
    assert reeds["total_length_mm"].tolist() == [53.975, 54.5, 54.61, 54, 54]
    assert reeds["wire1_mm"].tolist() == [25.4, 25.4, 26, 26.19375, 25]
    assert steps(found, "refused") == [(6, "gouge", "130")]
    refused = found.journey.table.query("outcome == 'refused'").iloc[0]
    assert refused["why"] == "130 mm is impossible (0.01 to 7 mm)"
    assert refused["remedy"] == "hundredths of a millimetre would be 1.30 mm"
    assert "2 numbers of 'tip width' without a unit, read as mm." in found.cautions
    assert found.rows_kept == 5
    check_counts(found)


def test_dates_in_several_orders(tmp_path):
    study = empty(tmp_path / "study")
    first = bring_in(study, SHEETS / "03_dates.csv")
    assert [question.key for question in first.questions] == ["made.serials"]
    assert not first.written
    assert first.mapping.column("made").date_order == "dmy"  # 13/04 gives it away
    found = bring_in(
        study, SHEETS / "03_dates.csv", answers={"made.serials": "1900"}, confirmed=True
    )
    made = known(column(found.study, "reeds", "made_on"))
    assert {reed: f"{day:%Y-%m-%d}" for reed, day in made.items()} == {
        "r-01": "2025-04-03",
        "r-02": "2025-04-13",
        "r-03": "2025-05-04",
        "r-04": "2025-05-05",
    }
    played = column(found.study, "life", "first_played")
    assert [f"{day:%Y-%m-%d}" for day in played.values()] == [
        "2025-04-20",
        "2025-04-21",
        "2025-06-05",
        "2025-05-30",
        "2025-06-01",
    ]
    assert steps(found, "refused") == [(6, "made", "31/04/2025")]
    assert found.sentence == (
        "03_dates.csv: 5 of 5 rows came in (5 reeds, 5 lives), 6 cells changed, 1 cell refused."
    )


def test_one_column_a_test_day(tmp_path):
    found = bring_in(
        empty(tmp_path / "study", crow="E4"),
        SHEETS / "04_wide_days.csv",
        answers={"tests.session_id": "spring, {stage}"},
        confirmed=True,
    )
    tests = found.study.tables["tests"]
    long = {(row["reed_id"], row["stage"]): row["crow_cents"] for row in tests.to_dict("records")}
    assert long == {
        ("12a", "day 1"): -20,
        ("12a", "day 3"): -5,
        ("12a", "day 7"): 4,
        ("12b", "day 1"): -35,
        ("12b", "day 3"): -22,
        ("12b", "day 7"): -15,
        ("13a", "day 3"): 12,
        ("13a", "day 7"): 10,
        ("13b", "day 1"): 55,
    }
    assert found.mapping.column("day 1").from_note == "E4"  # as the title says
    table = found.journey.table
    about = table[table["value"] == "~-15"].iloc[0]
    assert (about["after"], about["why"]) == ("-15", "approximate")
    assert steps(found, "not recorded") == [(6, "day 1", "n/a")]
    assert found.left_out["row"].tolist() == [1, 2, 8, 9, 10]
    assert known(column(found.study, "reeds", "note")) == {
        "12b": "bit stuffy",
        "13a": "lost a day",
        "13b": "cracked, binned",
    }
    assert found.study.tables["tubes"]["tube_id"].tolist() == ["T3", "T4"]
    assert sorted(found.study.tables["sessions"]["session_id"]) == [
        "spring, day 1",
        "spring, day 3",
        "spring, day 7",
    ]
    check_counts(found)
    assert found.study.check().ok


TYPED = {"12a": [-20, -5, 4], "12b": [-35, -22, -15], "13a": [12, 10], "13b": [55]}


def check_frequencies(found: Brought) -> None:
    """Check that each number of cents counted from E4 is still there, to a millionth of a hertz."""
    tests = found.study.tables["tests"]
    hertz = {reed: own["crow_hz"].tolist() for reed, own in tests.groupby("reed_id")}
    e4 = 440 * 2 ** (-5 / 12)  # E4 is five semitones below A4
    for reed, cents in TYPED.items():
        assert hertz[reed] == pytest.approx([e4 * 2 ** (off / 1200) for off in cents], abs=1e-6)
    assert "crow_cents" not in tests or tests["crow_cents"].isna().all()


def test_cents_from_a_note_are_not_bent_where_the_target_is_a_band(tmp_path):
    found = bring_in(
        empty(tmp_path / "study"),  # its target runs from E4 to F4
        SHEETS / "04_wide_days.csv",
        answers={"tests.session_id": "spring"},
        confirmed=True,
    )
    check_frequencies(found)
    table = found.journey.table
    about = table[table["value"] == "~-15"].iloc[0]
    assert (about["after"], about["why"]) == ("326.783889", "-15 cents from E4, approximate")
    assert found.cautions[-1] == (
        "The cents of 'day 1', 'day 3', 'day 7' are counted from E4 and the study's crow target is "
        "E4 to F4, so they are kept as frequencies (crow_hz), which bends none of them."
    )


def test_cents_from_a_note_that_the_maker_names_are_not_bent_either(tmp_path):
    text = "reed,crow cents\n" + "".join(
        f"{reed},{off}\n" for reed, cents in TYPED.items() for off in cents[:1]
    )
    path = written(tmp_path, "old.csv", text)
    said = {"tests.session_id": "spring", "tests.stage": "new"}
    study = empty(tmp_path / "study")
    first = bring_in(study, path, answers=said)
    assert [question.key for question in first.questions] == ["crow cents.from_note"]
    assert first.questions[0].text.endswith("kept as frequencies, so that none is bent")
    found = bring_in(study, path, answers={"crow cents.from_note": "E4"}, confirmed=True)
    assert found.study.tables["tests"]["crow_hz"].round(6).tolist() == [
        round(440 * 2 ** (-5 / 12 + cents[0] / 1200), 6) for cents in TYPED.values()
    ]
    assert found.mapping.column("crow cents").column == "crow_hz"


def test_numbers_that_may_be_thousands_are_asked_about(tmp_path):
    text = "reed;höhlung mm;attack ms\n1;1.304;1.234\n2;1.296;2.345\n"
    found = bring_in(
        empty(tmp_path / "study"),
        written(tmp_path, "old.csv", text),
        answers={"tests.session_id": "S1", "tests.stage": "new", "attack ms.to": "tests.attack_ms"},
    )
    assert found.mapping.column("höhlung mm").decimal == "."  # 1304 mm are no gouge
    assert [question.key for question in found.questions] == ["attack ms.decimal"]
    assert "'1.234' may be 1.234 or 1234" in found.questions[0].text


def test_the_maker_says_which_rows_are_the_header_and_which_encoding(tmp_path):
    study = empty(tmp_path / "study")
    text = "old;book\nreed;Höhlung mm\nÄ1;1,30\n"
    path = written(tmp_path, "old.csv", text, "cp1252")
    bring_in(study, path)
    file = study.folder / "bring" / "old.toml"
    file.write_text('header = [2]\nencoding = "cp1250"\n', "utf-8")
    found = bring_in(study, path, confirmed=True)
    assert found.cautions[0] == "old.csv was read as CP1250, separated by ;."
    assert (found.mapping.header, found.mapping.encoding) == ((2,), "cp1250")
    assert column(found.study, "reeds", "gouge_centre_mm") == {"Ä1": 1.3}
    assert "header = [2]" in file.read_text("utf-8")
    # Next month's sheet is opened in the same way.
    later = bring_in(study, written(tmp_path, "new.csv", text.replace("Ä1", "Ä2"), "cp1252"))
    assert later.written
    assert later.mapping.name == "old"
    file.write_text("header = [9]\n", "utf-8")
    with pytest.raises(CallError, match=r"The header of 'old' cannot be in rows 9: name rows fro"):
        bring_in(study, path)
    file.write_text('header = "two"\n', "utf-8")
    with pytest.raises(RecordError, match=r"header must be the rows of the header by number, e\.g"):
        bring_in(study, path)
    file.write_text('encoding = "cp9"\n', "utf-8")
    with pytest.raises(RecordError, match=r"There is no encoding 'cp9'; write e\.g\. cp1252\."):
        bring_in(study, path)


def test_a_column_of_a_spreadsheets_days_is_asked_about_once(tmp_path):
    path = written(tmp_path, "old.csv", "reed,made\n1,45782\n2,45783\n3,45790\n")
    study = empty(tmp_path / "study")
    first = bring_in(study, path, answers={"made.to": "reeds.made_on"})
    assert [question.key for question in first.questions] == ["made.serials"]
    found = bring_in(study, path, answers={"made.serials": "1900"}, confirmed=True)
    made = column(found.study, "reeds", "made_on")
    assert [f"{day:%Y-%m-%d}" for day in made.values()] == [
        "2025-05-05",
        "2025-05-06",
        "2025-05-13",
    ]


def test_pitches_in_words(tmp_path):
    study = empty(tmp_path / "study")
    path = SHEETS / "05_pitch_words.csv"
    said = {"tests.session_id": "old", "tests.stage": "finished"}
    first = bring_in(study, path, answers=said)
    assert [question.key for question in first.questions] == ["crow.notes"]
    assert steps(first, "in question") == [(7, "crow", "Es"), (8, "crow", "B")]
    found = bring_in(study, path, answers={"crow.notes": "german"}, confirmed=True)
    cents = {
        "p1": -500,
        "p2": -480,
        "p3": -415,
        "p4": -500,
        "p5": -300,
        "p6": -600,
        "p7": -1100 + 1200,
        "p10": -400,
    }
    hertz = {reed: 440 * 2 ** (off / 1200) for reed, off in cents.items()} | {"p8": 329.6}
    assert known(column(found.study, "tests", "crow_hz")) == pytest.approx(hertz, abs=1e-6)
    refused = found.journey.table.query("outcome == 'refused'").iloc[0]
    assert (refused["value"], refused["remedy"]) == (
        "between E and F",
        "write E4 +50 if the middle is meant",
    )


def test_words_of_yes_no_and_nothing(tmp_path):
    study = empty(tmp_path / "study", "oboe")
    path = SHEETS / "06_words.csv"
    first = bring_in(study, path)
    assert [question.key for question in first.questions] == [
        "kept.keeper!",
        "kept.maybe",
        "staple.None",
        "spared.x",
    ]
    answers = {"keeper!": "yes", "maybe": "missing"}
    found = bring_in(
        study,
        path,
        answers={f"kept.{word}": means for word, means in answers.items()}
        | {"staple.None": "none", "spared.x": "missing"},
        confirmed=True,
    )
    kept = known(column(found.study, "reeds", "kept"))
    assert kept == {"k1": True, "k3": True, "k4": True, "k5": False, "k7": True, "k8": False}
    staple = known(column(found.study, "reeds", "staple"))
    assert staple == {
        "k1": "none",
        "k3": "47",
        "k4": "47",
        "k6": "46",
        "k7": "47",
        "k9": "47",
    }
    assert known(column(found.study, "reeds", "spared")) == {"k1": False, "k8": True}
    assert found.rows_refused == 2
    refused = found.journey.table.query("outcome == 'refused'")
    assert refused["row"].tolist() == [3, 11]
    assert refused["why"].tolist() == [
        "fate is 'kept' here and 'discarded' in row 11",
        "fate is 'discarded' here and 'kept' in row 3",
    ]
    check_counts(found)


def test_levels_that_differ_by_space(tmp_path):
    study = empty(tmp_path / "study")
    first = bring_in(study, SHEETS / "07_utf16.tsv", confirmed=True)
    assert [question.text for question in first.questions] == [
        "'Breit ' and 'breit' differ by case or space only: is it 'breit'?"
    ]
    found = bring_in(study, SHEETS / "07_utf16.tsv", answers={"shape.Breit ": "breit"})
    assert column(found.study, "reeds", "shape") == {
        "ü1": "schmal",
        "ü2": "breit",
        "ü3": "breit",
    }
    assert found.rows_kept == 3


def test_merged_headers_and_an_id_that_became_a_date(tmp_path):
    study = empty(tmp_path / "study")
    path = SHEETS / "08_merged_header.xlsx"
    first = bring_in(study, path, confirmed=True)
    assert [question.key for question in first.questions] == ["A9"]
    found = bring_in(study, path, answers={"A9": "05-1"})
    reeds = found.study.tables["reeds"]
    assert reeds["reed_id"].tolist() == ["03-1", "03-2", "04-1", "04-2", "05-1"]
    assert reeds["tube_id"].tolist() == ["T07", "T07", "T08", "T08", "T09"]
    assert reeds["gouge_centre_mm"].fillna(0).tolist() == [1.3, 1.25, 0, 1.3, 1.3]
    assert reeds["wire1_mm"].tolist() == [25.5, 25.4, 25.4, 25.4, 25.4]
    assert reeds["wire2_mm"].tolist() == [17, 17, 17.5, 17, 17]
    assert reeds["wire3_mm"].tolist() == [5] * 5
    assert reeds["kept"].tolist() == [True, False, False, True, False]
    assert steps(found, "refused") == [(7, "Cane gouge (mm)", "#DIV/0!")]
    assert "The hidden sheet 'old' was not read." in found.cautions
    assert found.left_out["row"].tolist() == [1, 2, 10, 11]
    check_counts(found)


def test_a_second_time_changes_nothing(tmp_path):
    study = empty(tmp_path / "study")
    path = SHEETS / "08_merged_header.xlsx"
    found = bring_in(study, path, answers={"A9": "05-1"}, confirmed=True)
    before = contents(study.folder)
    again = bring_in(open_study(study.folder), path)
    assert contents(study.folder) == before
    assert not again.written
    assert (again.rows_kept, again.rows_left_out) == (0, found.rows_in)
    assert again.sentence == "08_merged_header.xlsx: 0 of 9 rows bring anything new, 9 left out."
    assert again.left_out["fault"].tolist()[2] == "it is recorded already in reeds.csv, row 2"


def test_next_months_sheet_comes_in_by_itself(tmp_path):
    study = empty(tmp_path / "study")
    first = written(tmp_path, "may.csv", "Rohr;Höhlung mm;gut\n1;1,30;ja\n")
    bring_in(study, first, answers={"gut.to": "reeds.kept"}, confirmed=True)
    found = bring_in(study, written(tmp_path, "june.csv", "Rohr;Höhlung mm;gut\n2;1,25;nein\n"))
    assert found.written
    assert found.mapping.name == "may"
    assert column(found.study, "reeds", "kept") == {"1": True, "2": False}
    asking = bring_in(study, written(tmp_path, "july.csv", "Rohr;Höhlung mm;gut\n3;1,25;naja\n"))
    assert not asking.written
    assert '"naja" = "?"' in (study.folder / "bring" / "may.toml").read_text("utf-8")


def test_a_dry_run_writes_nothing_at_all(tmp_path):
    study = empty(tmp_path / "study")
    before = contents(study.folder)
    found = bring_in(study, SHEETS / "07_utf16.tsv", dry_run=True, confirmed=True)
    assert found.waits
    path = written(tmp_path, "old.csv", "reed,shape\nR1,wide\n")
    found = bring_in(study, path, dry_run=True, confirmed=True)
    assert contents(study.folder) == before
    assert found.sentence == "old.csv: 1 of 1 row would come in (1 reed)."


def test_what_is_empty_in_the_study_is_filled_and_what_is_there_stays(tmp_path):
    study = empty(tmp_path / "study")
    text = "reed,shape,gouge mm\nR1,wide,1.30\nR2,,1.25\n"
    bring_in(study, written(tmp_path, "one.csv", text), confirmed=True)
    text = "reed,shape,kept\nR1,narrow,yes\nR2,wide,no\nR3,wide,no\n"
    found = bring_in(study, written(tmp_path, "two.csv", text), confirmed=True)
    assert (found.rows_kept, found.rows_refused, found.filled) == (2, 1, 2)
    assert found.left_out["fault"].tolist() == [
        "shape is 'narrow' here and 'wide' in reeds.csv, row 2"
    ]
    assert column(found.study, "reeds", "shape") == {"R1": "wide", "R2": "wide", "R3": "wide"}
    assert known(column(found.study, "reeds", "kept")) == {"R2": False, "R3": False}
    assert found.sentence == (
        "two.csv: 2 of 3 rows came in (1 reed, 2 empty cells filled), 1 refused, 2 cells changed."
    )


def test_rows_that_say_the_same_are_one(tmp_path):
    path = written(tmp_path, "old.csv", "reed,gouge mm\nR1,1.30\nR2,1.25\nR1,1.3\n")
    found = bring_in(empty(tmp_path / "study"), path, confirmed=True)
    assert (found.rows_kept, found.rows_refused, found.rows_left_out) == (2, 0, 1)
    assert found.left_out["fault"].tolist() == ["it says the same as row 2"]


def test_a_row_without_its_id_is_refused(tmp_path):
    path = written(tmp_path, "old.csv", "reed,gouge mm,shape\nR1,1.30,a\n,1.25,a\nR3,1.25,a\n")
    found = bring_in(empty(tmp_path / "study"), path, confirmed=True)
    assert found.left_out["fault"].tolist() == [
        "reed_id is blank, so it is not told which row of reeds is meant"
    ]
    assert (found.rows_kept, found.rows_refused) == (2, 1)


def test_a_reed_of_a_sealed_batch_gets_nothing_from_an_old_sheet(tmp_path):
    study = sealed(tmp_path / "study")
    code = study.tables["reeds"]["reed_id"].iloc[-1]
    path = written(tmp_path, "old.csv", f"reed,gouge mm\n{code},1.30\n")
    found = bring_in(study, path, confirmed=True)
    assert found.rows_refused == 1
    assert found.left_out["fault"].tolist() == ["the reed belongs to the sealed batch 'B2'"]


def test_a_column_that_fits_nothing_is_asked_about_and_can_stay_out(tmp_path):
    path = written(tmp_path, "old.csv", "reed,moon\nR1,full\n")
    study = empty(tmp_path / "study")
    found = bring_in(study, path, confirmed=True)
    assert [question.key for question in found.questions] == ["moon.to"]
    assert found.sentence == "old.csv: nothing came in, for 1 question is open."
    found = bring_in(study, path, answers={"moon.to": ""})
    assert found.written
    assert found.journey.cells["left out"] == 1
    assert found.table.set_index("column").loc["moon", "left_out"] == 1


@pytest.mark.parametrize(
    ("answers", "message"),
    [
        ({"gouge.unit": "mm"}, "There is no question 'gouge.unit'. There is no question at all"),
        ({"kept.to": "reeds.keept"}, "There is no column of the record 'reeds.keept'. Nearest: "),
        ({"kept.to": "reeds.shape"}, "The columns 'shape' and 'kept' both go to reeds.shape; take"),
        ({"kept.dates": "day"}, "Column 'kept': dates is 'day'; it can be 'day first', 'month fir"),
        ({"kept.trial": "two"}, "Column 'kept': trial is 'two'; write a whole number."),
        ({"kept.decimal": ";"}, "Column 'kept': decimal is ';'; it can be '', '.', ','."),
    ],
)
def test_wrong_answers_are_told(tmp_path, answers, message):
    path = written(tmp_path, "old.csv", "reed,shape,kept\nR1,wide,yes\n")
    with pytest.raises(CallError) as raised:
        bring_in(empty(tmp_path / "study"), path, answers=answers)
    assert str(raised.value).startswith(message)


def test_a_sheet_of_a_workbook_must_be_chosen(tmp_path):
    import openpyxl

    book = openpyxl.Workbook()
    for number in (1, 2):
        page = book.active if number == 1 else book.create_sheet()
        page.title = f"202{number}"
        page.append(["reed", "shape"])
        page.append([f"R{number}", "wide"])
    book.save(tmp_path / "years.xlsx")
    study = empty(tmp_path / "study")
    with pytest.raises(CallError, match=r"years.xlsx has the sheets 2021, 2022; say which one"):
        bring_in(study, tmp_path / "years.xlsx")
    with pytest.raises(CallError, match=r"no visible sheet of years.xlsx '2020'. Nearest: 202"):
        bring_in(study, tmp_path / "years.xlsx", sheet="2020")
    found = bring_in(study, tmp_path / "years.xlsx", sheet="2022", confirmed=True)
    assert found.study.tables["reeds"]["reed_id"].tolist() == ["R2"]


def test_a_sheet_that_is_not_there_is_told(tmp_path):
    with pytest.raises(RecordError, match=r"gone\.csv"):
        bring_in(empty(tmp_path / "study"), tmp_path / "gone.csv")


def test_two_ids_that_differ_by_case_stay_two_if_the_maker_says_so(tmp_path):
    path = written(tmp_path, "old.csv", "reed,shape\na,wide\nA,narrow\n")
    study = empty(tmp_path / "study")
    found = bring_in(study, path, confirmed=True)
    assert [question.key for question in found.questions] == ["reed.A"]
    found = bring_in(study, path, answers={"reed.A": "A"})
    assert column(found.study, "reeds", "shape") == {"a": "wide", "A": "narrow"}


def test_what_comes_in_can_be_taken_back(tmp_path):
    from reedlab.study import undo

    study = empty(tmp_path / "study")
    found = bring_in(study, written(tmp_path, "old.csv", "reed,shape\nR1,wide\n"), confirmed=True)
    undo(found.study)
    assert open_study(study.folder).tables["reeds"].empty
    again = bring_in(open_study(study.folder), tmp_path / "old.csv")
    assert again.written
    assert sorted(path.name for path in (study.folder / "bring").iterdir()) == [
        "old.toml",
        "old_1.csv",
        "old_2.csv",
    ]


def test_the_command_asks_then_brings_in(tmp_path, capsys):
    from reedlab.cli import app

    def run(*words: str) -> tuple[int, list[str]]:
        code = app([*words], standalone_mode=False)
        return code or 0, capsys.readouterr().out.splitlines()

    study = empty(tmp_path / "study")
    path = written(tmp_path, "old.csv", "reed,gouge mm,kept\nR1,1.30,yes\nR2,1.25,so so\n")
    code, said = run("bring", str(study.folder), str(path))
    assert code == 1
    assert said[-2:] == [
        "  ? kept.so so: 'so so' is no plain word for yes or no: which does it mean, or neither?",
        f'Next: look at {study.folder / "bring" / "old.toml"}, replace each "?" by the answer, '
        "write confirmed = true, and bring the sheet in again.",
    ]
    file = study.folder / "bring" / "old.toml"
    text = file.read_text("utf-8").replace("confirmed = false", "confirmed = true")
    file.write_text(text.replace('"so so" = "?"', '"so so" = "missing"'), "utf-8")
    code, said = run("bring", str(study.folder), str(path), "--dry-run")
    assert (code, said[-1]) == (0, "Nothing was written.")
    code, said = run("bring", str(study.folder), str(path), "--mapping", str(file))
    assert code == 0
    assert "old.csv: 2 of 2 rows came in (2 reeds), 1 cell changed." in said
    assert open_study(study.folder).tables["reeds"]["fate"].fillna("").tolist() == ["kept", ""]


def test_what_is_the_same_in_every_row_is_said_once(tmp_path):
    study = empty(tmp_path / "study")
    text = "reed,date,crow Hz,shape\nR1,2025-04-01,340,wide\nR2,2025-04-01,341,\n"
    path = written(tmp_path, "old.csv", text)
    first = bring_in(study, path, answers={"date.to": "sessions.started_at"}, dry_run=True).mapping
    mapping = replace(first, fixed={**first.fixed, "sessions.room": "hall", "reeds.shape": "long"})
    answers = {"sessions.session_id": "{started_at}", "tests.stage": "new"}
    found = bring_in(study, path, mapping, answers=answers, confirmed=True)
    sessions = found.study.tables["sessions"]
    assert sessions[["session_id", "room"]].to_numpy().tolist() == [["2025-04-01", "hall"]]
    assert column(found.study, "reeds", "shape") == {"R1": "wide", "R2": "long"}
    mapping = replace(mapping, fixed={"sessions.rum": "hall"})
    with pytest.raises(CallError, match=r"no column of the record 'sessions\.rum'\. Nearest: sess"):
        bring_in(study, path, mapping)


def test_a_recording_outside_the_study_is_refused(tmp_path):
    path = written(tmp_path, "old.csv", "reed,aufnahme\nR1,../secret.wav\nR2,day 1/R2.wav\n")
    answers = {"tests.session_id": "S1", "tests.stage": "new"}
    found = bring_in(empty(tmp_path / "study"), path, answers=answers, confirmed=True)
    assert steps(found, "refused") == [(2, "aufnahme", "../secret.wav")]
    assert column(found.study, "tests", "recording") == {"R2": "day 1/R2.wav"}


def test_a_mapping_given_from_elsewhere_takes_no_other_ones_place(tmp_path):
    study = empty(tmp_path / "study")
    path = written(tmp_path, "old.csv", "reed,shape\nR1,wide\n")
    mapping = bring_in(study, path, confirmed=True).mapping
    other = written(tmp_path, "other.csv", "reed,profile\nR1,long\n")
    given = bring_in(study, other, dry_run=True).mapping
    bring_in(study, other, replace(given, name=mapping.name), confirmed=True)
    bring_in(study, other, replace(given, name="../../outside"))
    names = sorted(path.name for path in (study.folder / "bring").glob("*.toml"))
    assert names == ["old.toml", "old_2.toml", "outside.toml"]
    assert "shape" in (study.folder / "bring" / "old.toml").read_text("utf-8")


def test_a_rating_off_its_scale_is_refused(tmp_path):
    path = written(tmp_path, "old.csv", "reed,rating\nR1,7\nR2,4\n")
    answers = {"tests.session_id": "S1", "tests.stage": "new"}
    found = bring_in(empty(tmp_path / "study"), path, answers=answers, confirmed=True)
    refused = found.journey.table.query("outcome == 'refused'")
    assert refused["why"].tolist() == ["7 is none of the levels 1, 2, 3, 4, 5"]
    assert column(found.study, "tests", "rating_overall") == {"R2": 4}


def test_an_answer_may_be_given_again(tmp_path):
    study = empty(tmp_path / "study")
    said = {"A9": "01-5"}
    bring_in(study, SHEETS / "08_merged_header.xlsx", answers=said)
    found = bring_in(
        study, SHEETS / "08_merged_header.xlsx", answers={"A9": "05-1"}, confirmed=True
    )
    assert found.study.tables["reeds"]["reed_id"].iloc[-1] == "05-1"


def test_a_sheet_of_more_columns_than_a_record_has_is_told(tmp_path):
    names = ";".join(f"moon {number}" for number in range(600))
    path = written(tmp_path, "wide.csv", f"{names}\n" + "1;" * 599 + "1\n")
    with pytest.raises(RecordError, match=r"wide\.csv has 600 columns, and 500 are brought in at"):
        bring_in(empty(tmp_path / "study"), path)
