"""ODS: what a spreadsheet shows, repeats written out, comments and hidden sheets left aside."""

from datetime import datetime

import pytest

from reedlab.errors import RecordError
from tests.study.bring.books import grids, kinds, ods, ods_cell, ods_rows, texts


def table(rows: str, attributes: str = "") -> str:
    return f'<table:table table:name="one" {attributes}>{rows}</table:table>'


def row(cells: str, attributes: str = "") -> str:
    return f"<table:table-row {attributes}>{cells}</table:table-row>"


def cell(attributes: str = "", inside: str = "") -> str:
    return f"<table:table-cell {attributes}>{inside}</table:table-cell>"


def only(tmp_path, content):
    """Return text, kind and value of the one cell."""
    found = grids(tmp_path, "x.ods", ods(table(row(content))))[0].rows[0][0]
    return found.text, found.kind, found.value


def test_a_sheet_as_a_spreadsheet_writes_it(tmp_path):
    data = ods(ods_rows([["Reed", "gouge"], ["007", 1.3], [None, None], ["", 1.25]]))
    grid = grids(tmp_path, "x.ods", data)[0]
    assert (grid.name, grid.how, grid.separator) == ("2025", "ODS", "")
    assert texts(grid) == [["Reed", "gouge"], ["007", "1,3"], [], ["", "1,25"]]
    assert kinds(grid) == "tt tn  bn"
    assert grid.rows[1][1].value == 1.3


@pytest.mark.parametrize(
    ("attributes", "inside", "found"),
    [
        ('office:value-type="float" office:value="1.3"', "<text:p>1,30</text:p>",
         ("1,30", "number", 1.3)),
        ('office:value-type="percentage" office:value="0.25"', "<text:p>25%</text:p>",
         ("25%", "number", 0.25)),
        ('office:value-type="float" office:value="1.3"', "", ("1.3", "number", 1.3)),
        ('office:value-type="date" office:date-value="2025-05-05"', "<text:p>05.05.25</text:p>",
         ("05.05.25", "date", datetime(2025, 5, 5))),
        ('office:value-type="date" office:date-value="2025-05-05T10:30:00"', "",
         ("2025-05-05T10:30:00", "date", datetime(2025, 5, 5, 10, 30))),
        ('office:value-type="time" office:time-value="PT03H27M00S"', "<text:p>03:27</text:p>",
         ("03:27", "text", None)),
        ('office:value-type="boolean" office:boolean-value="true"', "<text:p>WAHR</text:p>",
         ("WAHR", "bool", True)),
        ('office:value-type="string"', "<text:p>a<text:s text:c='2'/>b</text:p><text:p>c</text:p>",
         ("a  b\nc", "text", None)),
        ('office:value-type="string"', "<text:p>\n  a <text:span>b</text:span>\n c </text:p>",
         ("a b c", "text", None)),
        ('office:value-type="string"', "<text:p>a<text:tab/>b<text:line-break/>c</text:p>",
         ("a\tb\nc", "text", None)),
        ('office:value-type="string" office:string-value="kept"', "", ("kept", "text", None)),
        ('table:formula="of:=1/0" office:value-type="string" calcext:value-type="error"',
         "<text:p>#DIV/0!</text:p>", ("#DIV/0!", "error", None)),
        ('table:formula="of:=1/0" office:value-type="float" office:value="0"',
         "<text:p>Err:502</text:p>", ("Err:502", "error", None)),
        ('table:formula="of:=SUM([.A1])"', "", ("=SUM([.A1])", "formula", None)),
        ('table:formula="of:=1" office:value-type="float" office:value="1"', "<text:p>1</text:p>",
         ("1", "number", 1.0)),
        ('office:value-type="string"',
         "<office:annotation><dc:date>2025</dc:date><text:p>look!</text:p></office:annotation>"
         "<text:p>12a</text:p>", ("12a", "text", None)),
        ('office:value-type="string"',
         "<text:p>12<draw:frame><draw:text-box><text:p>x</text:p></draw:text-box></draw:frame>a"
         "</text:p>", ("12a", "text", None)),
    ],
)  # fmt: skip
def test_cells_of_every_type(tmp_path, attributes, inside, found):
    assert only(tmp_path, cell(attributes, inside)) == found


def test_merges_are_filled_and_what_lies_under_them_is_not_seen(tmp_path):
    rows = (
        row(
            cell('office:value-type="string" table:number-columns-spanned="2"',
                 "<text:p>Wall</text:p>")
            + "<table:covered-table-cell><text:p>below</text:p></table:covered-table-cell>"
            + ods_cell("id")
        )
        + row(ods_cell("butt") + ods_cell("tip"))
    )  # fmt: skip
    grid = grids(tmp_path, "x.ods", ods(table(rows)))[0]
    assert texts(grid) == [["Wall", "Wall", "id"], ["butt", "tip"]]
    assert [found.merged for found in grid.rows[0]] == [False, True, False]


def test_repeats_are_written_out_as_far_as_they_hold_something(tmp_path):
    blank = cell('table:number-columns-repeated="1020"')
    typed = 'office:value-type="string" table:number-columns-repeated="2"'
    rows = (
        row(blank, 'table:number-rows-repeated="2"')
        + row(
            cell('table:number-columns-repeated="2"') + cell(typed, "<text:p>x</text:p>") + blank,
            'table:number-rows-repeated="2" table:visibility="filter"',
        )
        + row(blank, 'table:number-rows-repeated="1048572" table:visibility="collapse"')
    )
    grid = grids(tmp_path, "x.ods", ods(table(rows)))[0]
    assert texts(grid) == [[], [], ["", "", "x", "x"], ["", "", "x", "x"]]
    assert grid.rows[3][3].name == "D4"
    assert grid.how == "ODS, with 2 hidden rows"


def test_hidden_sheets_are_named_and_not_read(tmp_path):
    styles = (
        '<style:style style:name="ta1"><style:table-properties table:display="true"/></style:style>'
        '<style:style style:name="ta2"><style:table-properties table:display="false"/>'
        "</style:style>"
    )
    data = ods(
        table(row(ods_cell("a")), 'table:style-name="ta1"')
        + table(row(ods_cell("b")), 'table:style-name="ta2"')
        + ods_rows([["c"]], "three"),
        styles,
    )
    found = grids(tmp_path, "x.ods", data)
    assert [(grid.hidden, texts(grid)) for grid in found] == [
        (False, [["a"]]),
        (True, []),
        (False, [["c"]]),
    ]
    assert found[1].how == "ODS, hidden, not read"


def test_a_locked_workbook_says_what_to_do(tmp_path):
    manifest = {"META-INF/manifest.xml": b"<manifest:encryption-data/>"}
    with pytest.raises(RecordError, match=r"protected by a password; .* save it as \.xlsx"):
        grids(tmp_path, "x.ods", ods("", more=manifest))


def test_a_workbook_without_a_sheet_is_refused(tmp_path):
    with pytest.raises(RecordError, match=r"x.ods holds no sheet \(content.xml\)"):
        grids(tmp_path, "x.ods", ods(""))


def test_odfpy_writes_what_is_read_here(tmp_path):
    from odf.opendocument import OpenDocumentSpreadsheet
    from odf.table import Table, TableCell, TableRow
    from odf.text import P

    book = OpenDocumentSpreadsheet()
    page = Table(name="2025")
    for values in (["reed", "gouge"], ["007", 1.3]):
        line = TableRow()
        for value in values:
            kind = "float" if isinstance(value, float) else "string"
            stored = {"value": value} if kind == "float" else {}
            box = TableCell(valuetype=kind, **stored)
            box.addElement(P(text=str(value)))
            line.addElement(box)
        page.addElement(line)
    book.spreadsheet.addElement(page)
    book.save(tmp_path / "x.ods")
    grid = grids(tmp_path, "x.csv", (tmp_path / "x.ods").read_bytes())[0]
    assert texts(grid) == [["reed", "gouge"], ["007", "1.3"]]
    assert grid.rows[1][1].value == 1.3
