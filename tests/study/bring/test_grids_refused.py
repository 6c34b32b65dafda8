"""Files made to exhaust memory or time, and damaged ones: one sentence each, in little room."""

import tracemalloc
import zipfile

import pytest

from reedlab.errors import RecordError
from tests.study.bring.books import grids, ods, raw_xlsx, xlsx_of_rows, zipped

MB = 1_000_000


def refused(tmp_path, name, data):
    """Return the sentence, having seen that little memory was taken."""
    tracemalloc.start()
    try:
        with pytest.raises(RecordError) as error:
            grids(tmp_path, name, data)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 60 * MB, f"{peak / MB:.0f} MB"
    assert "\n" not in str(error.value)
    return str(error.value)


def sheet(rows):
    return f"<sheetData>{rows}</sheetData>"


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ('<row r="1073741824"><c><v>1</v></c></row>', "more than 1,048,576 rows"),
        ('<row r="1"><c r="ZZZ1"><v>1</v></c></row>', "more than 16,384 columns"),
        ('<row r="1"><c r="AAAAAAA1"><v>1</v></c></row>', "is damaged"),
        ('<row r="1"><c r="7"><v>1</v></c></row>', "is damaged"),
        ('<row r="two"><c><v>1</v></c></row>', "is damaged"),
        ('<row r="2"/><row r="1"/>', "holds row 1 below row 2"),
        ("<row>" + '<c t="inlineStr"><is><t>' + "x" * 40_000 + "</t></is></c></row>",
         "a cell of 40,000 characters in row 1"),
        ('<row><c t="inlineStr"><is><t>' + "x" * 1_100_000 + "</t></is></c></row>",
         "one text of more than a million characters"),
        ('<row><c t="s"><v>7</v></c></row>', "text 7 of 0 is asked for"),
        ("<a>" * 200 + "</a>" * 200, "more than 100 tags inside each other"),
        ("<row><c><v>1</v></row>", "is damaged (xl/worksheets/sheet1.xml, line 1: mismatched tag"),
        ('<row x="' + "y" * 1_500_000 + '"/>', "one tag of more than a million bytes"),
    ],
)  # fmt: skip
def test_claims_of_a_sheet(tmp_path, rows, message):
    assert message in refused(tmp_path, "x.xlsx", raw_xlsx(sheet(rows)))


def test_claimed_dimensions_are_not_believed(tmp_path):
    data = raw_xlsx('<dimension ref="A1:XFD1048576"/>' + sheet("<row><c><v>1</v></c></row>"))
    assert len(grids(tmp_path, "x.xlsx", data)[0].rows) == 1


def test_merges_of_the_whole_sheet_fill_no_more_than_the_sheet(tmp_path):
    merges = '<mergeCells><mergeCell ref="A1:XFD1048576"/><mergeCell ref="C3:D9"/></mergeCells>'
    rows = '<row r="1"><c><v>1</v></c></row><row r="2"><c r="B2"><v>2</v></c></row>'
    grid = grids(tmp_path, "x.xlsx", raw_xlsx(sheet(rows) + merges))[0]
    assert [[cell.text for cell in row] for row in grid.rows] == [["1", "1"], ["1", "1"]]


def test_cells_outside_rows_and_hidden_columns_without_end_do_no_harm(tmp_path):
    columns = '<col min="1" max="1048576" hidden="1"/>' * 20_000
    data = raw_xlsx(f"<cols>{columns}</cols>" + sheet("<c><v>1</v></c><row><c><v>2</v></c></row>"))
    grid = grids(tmp_path, "x.xlsx", data)[0]
    assert [[cell.text for cell in row] for row in grid.rows] == [["2"]]


def test_many_merges_of_a_large_sheet_are_counted(tmp_path):
    rows = '<row r="1"><c><v>1</v></c></row><row r="1000"><c r="CV1000"><v>2</v></c></row>'
    merges = '<mergeCell ref="A1:CV1000"/>' * 20
    data = raw_xlsx(sheet(rows) + f"<mergeCells>{merges}</mergeCells>")
    with pytest.raises(RecordError, match="more than 1,000,000 cells"):
        grids(tmp_path, "x.xlsx", data)


def test_a_zip_bomb_is_not_unpacked(tmp_path):
    bomb = b"<worksheet><sheetData>" + b" " * 60 * MB + b"</sheetData></worksheet>"
    message = refused(tmp_path, "x.xlsx", raw_xlsx(bomb))
    assert "x.xlsx unpacks to 60 MB, " in message
    assert "no sheet does, so it is not read" in message


def test_a_size_that_is_a_lie_is_found_out(tmp_path):
    data = bytearray(zipped({"mimetype": b"", "content.xml": b"<a>" + b" " * 10_000 + b"</a>"}))
    start = data.rfind(b"PK\x01\x02")
    data[start + 24 : start + 28] = (100).to_bytes(4, "little")
    assert "is damaged" in refused(tmp_path, "x.ods", bytes(data))


def test_an_archive_of_very_many_parts_is_refused(tmp_path):
    data = zipped({"[Content_Types].xml": b""}) + b"PK\x01\x02" * 6000
    assert "has more than 5,000 parts" in refused(tmp_path, "x.xlsx", data)


def test_entities_are_refused(tmp_path):
    laughs = b'<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;">]><worksheet>&b;</worksheet>'
    message = refused(tmp_path, "x.xlsx", raw_xlsx(laughs))
    assert "holds declarations of a document type" in message


def test_texts_that_cells_share_are_bounded(tmp_path):
    texts = [f"<t>{'x' * 1000}</t>"] * 20_500
    data = raw_xlsx(sheet("<row/>"), texts=texts)
    assert "unpacks to" in refused(tmp_path, "x.xlsx", data)


def test_very_many_sheets_and_styles_are_refused(tmp_path):
    many = "<cellXfs>" + "<xf/>" * 70_000 + "</cellXfs>"
    message = refused(tmp_path, "x.xlsx", raw_xlsx(sheet(""), styles=many))
    assert "more than 65,536 styles" in message
    tables = "<table:table/>" * 1001
    assert "more than 1,000 sheets" in refused(tmp_path, "x.ods", ods(tables))


@pytest.mark.parametrize(
    ("tables", "message"),
    [
        ('<table:table><table:table-row table:number-rows-repeated="1073741824"><table:table-cell>'
         "<text:p>x</text:p></table:table-cell></table:table-row></table:table>",
         "more than 1,048,576 rows"),
        ('<table:table><table:table-row><table:table-cell table:number-columns-repeated="'
         '1073741824"><text:p>x</text:p></table:table-cell></table:table-row></table:table>',
         "more than 16,384 columns"),
        ('<table:table><table:table-row table:number-rows-repeated="some"/></table:table>',
         "is damaged"),
        ("<table:table><table:table-row><table:table-cell office:value-type='float'/>"
         "</table:table-row></table:table>", "is damaged"),
        ("<table:table><table:table-row><table:table-cell><text:p><text:s text:c='1000000000'/>"
         "x</text:p></table:table-cell></table:table-row></table:table>",
         "a cell of 32,768 characters"),
        ("<table:table><table:table-row>" + "<table:table-cell>" * 200,
         "more than 100 tags inside each other"),
    ],
)  # fmt: skip
def test_claims_of_an_ods(tmp_path, tables, message):
    with pytest.raises(RecordError) as error:
        grids(tmp_path, "x.ods", ods(tables))
    assert message in str(error.value)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.99])
def test_a_file_cut_short_is_damaged(tmp_path, share):
    data = xlsx_of_rows([["id", "t"], ["007", 1.3]])
    message = refused(tmp_path, "x.xlsx", data[: int(len(data) * share)])
    assert "x.xlsx is damaged or not complete" in message


def test_a_part_under_a_password_is_locked(tmp_path):
    data = bytearray(zipped({"mimetype": b"", "content.xml": b"<a/>"}))
    for mark, flag in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.rfind(mark) + flag] |= 1
    assert "is protected by a password" in refused(tmp_path, "x.ods", bytes(data))


def test_a_packing_that_no_spreadsheet_uses_is_refused(tmp_path):
    path = tmp_path / "x.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr("mimetype", "")
        archive.writestr("content.xml", "<a/>")
    assert "is packed in a way" in refused(tmp_path, "x.ods", path.read_bytes())
