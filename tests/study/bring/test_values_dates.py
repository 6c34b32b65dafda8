from datetime import datetime

import pytest

from reedlab.schema import Column
from reedlab.study.bring.grid import Cell
from reedlab.study.bring.rules import ColumnRule
from reedlab.study.bring.values import read_value

MADE, TESTED = Column("made_on", "date"), Column("started_at", "datetime")


def read(typed, order="", column=MADE, kind="text", value=None):
    return read_value(Cell(typed, kind, value), column, ColumnRule(date_order=order))


@pytest.mark.parametrize(
    ("typed", "day"),
    [
        ("2025-04-20", "2025-04-20"),
        ("2025/4/20", "2025-04-20"),
        ("2025.04.20", "2025-04-20"),
        ("20250420", "2025-04-20"),
        ("13/04/2025", "2025-04-13"),
        ("4/13/2025", "2025-04-13"),
        ("21.4.2025", "2025-04-21"),
        ("5.5.2025", "2025-05-05"),
        ("4-May-25", "2025-05-04"),
        ("4. Mai 2025", "2025-05-04"),
        ("4 mai 2025", "2025-05-04"),
        ("1er mai 2025", "2025-05-01"),
        ("May 4, 2025", "2025-05-04"),
        ("4th May 2025", "2025-05-04"),
        ("3 März 2025", "2025-03-03"),
        ("Fri 4 April 2025", "2025-04-04"),
        ("29.2.2024", "2024-02-29"),
        ("13.4.99", "1999-04-13"),
    ],
)
def test_a_day_that_can_be_only_one(typed, day):
    found = read(typed)
    assert found.text == day
    assert found.value == datetime.fromisoformat(day)


def test_c5_a_day_of_two_readings_is_asked_about_and_never_guessed():
    assert read("03/04/2025").ask == (
        "'03/04/2025' is 2025-04-03 with the day first and 2025-03-04 with the month first: which?"
    )
    assert read("03/04/2025", "dmy").text == "2025-04-03"
    assert read("03/04/2025", "mdy").text == "2025-03-04"
    assert read("05-04-03").ask.count("with the") == 3
    assert read("05-04-03", "ymd").text == "2005-04-03"


def test_c5_a_day_that_contradicts_the_column_s_order_is_asked_about():
    assert read("4/13/2025", "dmy").ask == (
        "'4/13/2025' is no day with the day first as in the rest of the column, "
        "but 2025-04-13 with the month first: which day is it?"
    )


@pytest.mark.parametrize("order", ["", "dmy", "mdy"])
@pytest.mark.parametrize("typed", ["31/04/2025", "29.2.2025", "2025-13-40", "32/1/2025"])
def test_an_impossible_day_is_refused(typed, order):
    assert read(typed, order).sentence == (
        f"'{typed}' is no day of the calendar; write it like 2026-03-04."
    )


def test_a_year_at_the_end_of_a_column_with_the_year_first_is_asked_about():
    assert read("03/04/2025", "ymd").ask.count("with the") == 3


def test_a_number_of_a_spreadsheet_is_asked_about():
    for found in (read("45782"), read("45782", kind="number", value=45782.0)):
        assert found.ask == (
            "'45782' may be a spreadsheet's number for 2025-05-05 "
            "(or for 2029-05-06, if it counts from 1904): does it count from 1900 or 1904?"
        )


def test_a_date_of_the_sheet_is_a_date():
    assert read("2025-05-04", kind="date", value=datetime(2025, 5, 4)).state == "kept"
    shown = read("04.05.2025", kind="date", value=datetime(2025, 5, 4))
    assert shown.change == "'04.05.2025' -> 2025-05-04 (a date of the sheet)."


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ("5/6", "'5/6' has no year; write it like 2026-03-04."),
        ("May 2025", "'May 2025' names no day; write it like 2026-03-04."),
        ("2025", "'2025' names no day; write it like 2026-03-04."),
        ("yesterday", "'yesterday' is not a date; write it like 2026-03-04."),
        ("14:30", "'14:30' is a time without a day; write it like 2026-03-04."),
        ("13.4.1825", "'13.4.1825' is the year 1825; write it like 2026-03-04."),
    ],
)
def test_what_is_no_day(typed, message):
    assert read(typed).sentence == message


@pytest.mark.parametrize(
    ("typed", "text"),
    [
        ("2025-05-14 14:30", "2025-05-14 14:30"),
        ("2025-05-14T14:30", "2025-05-14 14:30"),
        ("2025-05-14T14:30:20", "2025-05-14 14:30:20"),
        ("14.5.2025 14:30", "2025-05-14 14:30"),
        ("14.5.2025, 14h30", "2025-05-14 14:30"),
        ("14.5.2025 um 14.30 Uhr", "2025-05-14 14:30"),
        ("5/14/2025 2:30 pm", "2025-05-14 14:30"),
        ("14/5/2025 7pm", "2025-05-14 19:00"),
        ("14/5/2025 12:30 am", "2025-05-14 00:30"),
        ("14/5/2025 12:30 p.m.", "2025-05-14 12:30"),
        ("May 14, 2025 2:30 PM", "2025-05-14 14:30"),
        ("2025-05-14", "2025-05-14"),
    ],
)
def test_a_moment(typed, text):
    found = read(typed, column=TESTED)
    assert found.text == text
    assert found.value == datetime.fromisoformat(text)


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ("14:30", "'14:30' is a time without a day; write it like 2026-03-04 19:30."),
        ("2:30 pm", "'2:30 pm' is a time without a day"),
        ("14.5.2025 25:30", "'14.5.2025 25:30' has no such time of day"),
        ("14.5.2025 13:30 pm", "'14.5.2025 13:30 pm' has no such time of day"),
        ("2025-05-14T14:30Z", "names a time zone; write the local day and time without it."),
        ("2025-05-14 14:30+02:00", "names a time zone"),
    ],
)
def test_what_is_no_moment(typed, message):
    assert message in read(typed, column=TESTED).sentence


def test_a_time_behind_a_day_is_not_kept_in_a_column_of_days_and_that_is_said():
    assert read("2025-05-14 14:30").change == (
        "'2025-05-14 14:30' -> 2025-05-14 (the time is not kept)."
    )


@pytest.mark.parametrize("typed", ["0:00", "14.5.2025 0:00"])
def test_midnight(typed):
    assert read(typed, column=TESTED).value in (None, datetime(2025, 5, 14))
