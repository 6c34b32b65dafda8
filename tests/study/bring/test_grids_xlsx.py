"""XLSX: what a spreadsheet shows, merges filled, formulas as worked out, hidden sheets named."""

from datetime import datetime

import pytest

from reedlab.errors import RecordError
from reedlab.study.bring.grids import read_grids
from reedlab.study.bring.xlsx_book import number_shown
from tests.study.bring.books import (
    autumn,
    formats,
    grids,
    kinds,
    raw_xlsx,
    texts,
    xlsx,
    xlsx_of_rows,
    zipped,
)


def sheet(rows: str, after: str = "") -> str:
    return f"<sheetData>{rows}</sheetData>{after}"


def cells(tmp_path, data):
    """Return text, kind and value of each cell of the first row."""
    grid = grids(tmp_path, "x.xlsx", data)[0]
    return [(cell.text, cell.kind, cell.value) for cell in grid.rows[0]]


def test_the_sheet_of_an_autumn(tmp_path):
    first, old = grids(tmp_path, "autumn.xlsx", xlsx(autumn, "old"))
    assert (first.name, first.how, first.hidden) == ("2025", "XLSX", False)
    assert (old.name, old.how, old.hidden) == ("old", "XLSX, hidden, not read", True)
    assert old.rows == ()
    assert kinds(first) == "ttttttt  ttttttt tttttt ttnnnnt ttnnnnt ttennnt ttntnnt dtnnnnt  tbf"
    faulty = first.rows[6][2]
    assert (faulty.name, faulty.text, faulty.kind, faulty.value) == ("C7", "#DIV/0!", "error", None)
    assert first.rows[8][0].value == datetime(2025, 1, 5)
    assert first.rows[8][0].text == "2025-01-05"
    assert first.rows[10][2].text == "=AVERAGE(C5:C9)"


def test_only_cells_inside_a_merge_are_filled(tmp_path):
    # pandas-dev/pandas#44837: filling down the index filled true blanks as well.
    def fill(page):
        for row in (
            ["tube", "Wall (mm)"],
            [None, "butt", "tip"],
            ["T1", 1.0, 0.5],
            [],
            [None, 1.1],
        ):
            page.append(row)
        for merge in ("B1:C1", "A1:A2", "A3:A4"):
            page.merge_cells(merge)

    grid = grids(tmp_path, "x.xlsx", xlsx(fill))[0]
    assert texts(grid) == [
        ["tube", "Wall (mm)", "Wall (mm)"],
        ["tube", "butt", "tip"],
        ["T1", "1", "0.5"],
        ["T1"],
        ["", "1.1"],
    ]
    merged = [[cell.merged for cell in row] for row in grid.rows]
    assert merged == [[False, False, True], [True, False, False], [False] * 3, [True], [False] * 2]
    assert grid.rows[4][0].kind == "blank"


@pytest.mark.parametrize(
    ("code", "value", "shown"),
    [
        ("General", 1.3, "1.3"),
        ("General", 45782.0, "45782"),
        ("0.00", 1.3, "1.30"),
        ("0.00", 1.295, "1.30"),
        ("0.0", -0.04, "0.0"),
        ("000", 7.0, "007"),
        ("0.000", -1.3, "-1.300"),
        ("#,##0.00", 1234.5, "1,234.50"),
        ('0.00" mm"', 1.3, "1.30 mm"),
        ("0.0\\ \\m\\m", 25.5, "25.5 mm"),
        ("0%", 0.25, "25%"),
        ("[Red]0.00;-0.00", 1.3, "1.30"),
        ("# ?/?", 0.0625, "0.0625"),
        ("@", 0.1, "0.1"),
        ("0", 1e300, "1e+300"),
    ],
)
def test_numbers_stand_as_their_format_shows_them(code, value, shown):
    assert number_shown(repr(value), value, code) == shown


def test_a_number_keeps_its_full_value_behind_what_is_shown(tmp_path):
    row = (
        '<row r="1"><c r="A1" s="1"><v>1.2954</v></c><c r="B1"><v>0.30000000000000004</v></c></row>'
    )
    assert cells(tmp_path, raw_xlsx(sheet(row), styles=formats("0.0"))) == [
        ("1.3", "number", 1.2954),
        ("0.3", "number", 0.30000000000000004),
    ]


@pytest.mark.parametrize(
    ("code", "stored", "cell"),
    [
        ("yyyy-mm-dd", "45782", ("2025-05-05", "date", datetime(2025, 5, 5))),
        ("d/m/yy hh:mm", "45782.5", ("2025-05-05 12:00", "date", datetime(2025, 5, 5, 12))),
        ('[$-407]d. mmm "im" yyyy', "45782", ("2025-05-05", "date", datetime(2025, 5, 5))),
        ("h:mm", "0.14375", ("3:27", "text", None)),
        ("[h]:mm:ss", "1.5", ("36:00", "text", None)),
        ("yyyy-mm-dd", "-5", ("-5", "number", -5.0)),
        ("yyyy-mm-dd", "1e9", ("1000000000", "number", 1e9)),
    ],
)
def test_days_and_times(tmp_path, code, stored, cell):
    row = f'<row r="1"><c r="A1" s="1"><v>{stored}</v></c></row>'
    found = cells(tmp_path, raw_xlsx(sheet(row), styles=formats(code)))[0]
    assert found == cell


def test_days_count_from_1904_where_the_workbook_says_so(tmp_path):
    row = '<row r="1"><c r="A1" s="1"><v>44320</v></c></row>'
    book = '<workbookPr date1904="1"/>'
    data = raw_xlsx(sheet(row), styles=formats("yyyy-mm-dd"), book=book)
    assert cells(tmp_path, data)[0][0] == "2025-05-05"


@pytest.mark.parametrize(
    ("cell", "found"),
    [
        ("<c><f>A1</f><v>3</v></c>", ("3", "number", 3.0)),
        ("<c><f>A1</f></c>", ("=A1", "formula", None)),
        ("<c><f>A1</f><v></v></c>", ("=A1", "formula", None)),
        ('<c t="e"><f>1/0</f><v>#DIV/0!</v></c>', ("#DIV/0!", "error", None)),
        ('<c t="e"><v>#SPILL!</v></c>', ("#SPILL!", "error", None)),
        ('<c t="str"><f>A2</f><v>T07</v></c>', ("T07", "text", None)),
        ('<c t="b"><v>1</v></c>', ("TRUE", "bool", True)),
        ('<c t="b"><v>0</v></c>', ("FALSE", "bool", False)),
        ('<c t="d"><v>2025-05-05T10:30:00</v></c>',
         ("2025-05-05 10:30", "date", datetime(2025, 5, 5, 10, 30))),
        ('<c t="inlineStr"><is><r><t>12</t></r><r><t> a</t></r></is></c>', ("12 a", "text", None)),
        ('<c t="s"><v>0</v></c>', ("007", "text", None)),
        ('<c t="s"><v>1</v></c>', ("a b", "text", None)),
        ('<c t="s"><v>2</v></c>', ("one\ntwo_x000A", "text", None)),
        ("<c><v>NaN</v></c>", ("NaN", "text", None)),
        ('<c s="99"><v>1.5</v></c>', ("1.5", "number", 1.5)),
        ("<c><v>123456789012345678</v></c>", ("123456789012345678", "number", 123456789012345680)),
    ],
)  # fmt: skip
def test_cells_of_every_type(tmp_path, cell, found):
    shared = ["<t>007</t>", "<r><t>a</t></r><rPh><t>x</t></rPh><r><t> b</t></r>",
              "<t>one_x000A_two_x000A</t>"]  # fmt: skip
    data = raw_xlsx(sheet(f"<row>{cell}</row>"), texts=shared)
    assert cells(tmp_path, data) == [found]


def test_a_formula_filled_down_is_shown_as_its_first(tmp_path):
    row = (
        '<row><c><f t="shared" ref="A1:B1" si="0">SUM(C1)</f></c>'
        '<c><f t="shared" si="0"/></c></row>'
    )
    assert [cell[0] for cell in cells(tmp_path, raw_xlsx(sheet(row)))] == ["=SUM(C1)"] * 2


def test_rows_and_columns_may_be_missing_hidden_or_formatted_and_blank(tmp_path):
    rows = (
        '<row r="2" hidden="1"><c r="C2"><v>1</v></c><c r="AB2" s="1"/></row>'
        '<row r="5"><c r="A5"><v>2</v></c></row><row r="1000000"><c r="A1000000" s="1"/></row>'
    )
    data = raw_xlsx(
        '<cols><col min="2" max="3" hidden="1"/><col min="9" max="16384" hidden="1"/></cols>'
        + sheet(rows)
    )
    grid = grids(tmp_path, "x.xlsx", data)[0]
    assert texts(grid) == [[], ["", "", "1"], [], [], ["2"]]
    assert grid.rows[1][2].name == "C2"
    assert grid.how == "XLSX, with 1 hidden row and 2 hidden columns"


def test_ids_keep_their_zeros_and_texts_their_spaces(tmp_path):
    grid = grids(tmp_path, "x.xlsx", xlsx_of_rows([["007", " A ", "1E2", "05-1"]]))[0]
    assert texts(grid) == [["007", " A ", "1E2", "05-1"]]
    assert kinds(grid) == "tttt"


def test_the_name_of_the_file_does_not_matter(tmp_path):
    grid = grids(tmp_path, "x.csv", xlsx_of_rows([["id"], ["007"]]))[0]
    assert texts(grid) == [["id"], ["007"]]


def test_prefixed_tags_are_the_same_tags(tmp_path):
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    data = (
        f'<x:worksheet xmlns:x="{main}"><x:sheetData><x:row><x:c><x:v>1</x:v></x:c></x:row>'
        "</x:sheetData></x:worksheet>"
    ).encode()
    assert cells(tmp_path, raw_xlsx(data)) == [("1", "number", 1.0)]


def test_progress_ends_with_all_bytes(tmp_path):
    path = tmp_path / "x.xlsx"
    path.write_bytes(xlsx_of_rows([["a"] * 8] * 5000))
    told = []
    read_grids(path, lambda done, of: told.append((done, of)))
    assert len(told) > 5
    assert told[-1][0] == told[-1][1]
    assert told == sorted(told)


@pytest.mark.parametrize(
    ("parts", "message"),
    [
        ({"xl/workbook.bin": b""}, "x.xlsx is a binary workbook; open it in a spreadsheet and"),
        ({"[Content_Types].xml": b"", "word/document.xml": b""}, "packed file without a sheet"),
        ({"a.txt": b"hello"}, "x.xlsx is a packed file without a sheet in it"),
        ({"[Content_Types].xml": b""}, "its part xl/workbook.xml is missing"),
    ],
)
def test_other_packed_files_are_told_apart(tmp_path, parts, message):
    with pytest.raises(RecordError) as error:
        grids(tmp_path, "x.xlsx", zipped(parts))
    assert message in str(error.value)


def test_old_and_locked_workbooks_say_what_to_do(tmp_path):
    beginning = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 500
    with pytest.raises(
        RecordError, match=r"x\.xls is in the old \.xls format; open it in a spread"
    ):
        grids(tmp_path, "x.xls", beginning)
    with pytest.raises(RecordError, match=r"protected by a password; .* save it as \.xlsx"):
        grids(tmp_path, "x.xlsx", beginning + "EncryptedPackage".encode("utf-16-le"))
