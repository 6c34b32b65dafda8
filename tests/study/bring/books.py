"""Sheets for tests, as bytes: text files, workbooks, and workbooks that no spreadsheet writes."""

import io
import zipfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import openpyxl
from openpyxl.worksheet.worksheet import Worksheet

from reedlab.study.bring.grids import Grid, read_grids

SHEETS = Path(__file__).parent / "sheets"
_NS = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
_LINKS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_ODS_NAMES = " ".join(
    f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{long}:1.0"'
    for short, long in {
        "office": "office",
        "table": "table",
        "text": "text",
        "style": "style",
        "draw": "drawing",
    }.items()
) + (
    ' xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0"'
    ' xmlns:dc="http://purl.org/dc/elements/1.1/"'
)


def grids(folder: Path, name: str, data: bytes | str) -> tuple[Grid, ...]:
    """Write bytes, or text as UTF-8, and read them as sheets."""
    path = folder / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return read_grids(path)


def texts(grid: Grid) -> list[list[str]]:
    return [[cell.text for cell in row] for row in grid.rows]


def kinds(grid: Grid) -> str:
    """Return the first letters of the kinds, rows apart: "tn tb"."""
    return " ".join("".join(cell.kind[0] for cell in row) for row in grid.rows)


def xlsx(fill: Callable[[Worksheet], None], *hidden: str) -> bytes:
    """Return a workbook as openpyxl writes it, one sheet filled and others hidden."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "2025"
    fill(sheet)
    for name in hidden:
        other = book.create_sheet(name)
        other.append(["id"])
        other.append([99])
        other.sheet_state = "hidden"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def xlsx_of_rows(rows: Sequence[Sequence[object]]) -> bytes:
    def fill(sheet: Worksheet) -> None:
        for row in rows:
            sheet.append(list(row))

    return xlsx(fill)


def autumn(sheet: Worksheet) -> None:
    """Fill the sheet of an autumn: title, two header rows with merges, a slip of every kind."""
    from datetime import datetime

    rows = [
        ["Reeds of the autumn"],
        [],
        ["Reed", "Cane", None, "Wire (mm from butt)", None, None, "Kept"],
        ["id", "tube", "gouge (mm)", "1", "2", "3"],
        ["03-1", "T07", 1.3, 25.5, 17, 5, "yes"],
        ["03-2", "T07", 1.25, 25.4, 17, 5, "no"],
        ["04-1", "T08", "#DIV/0!", 25.4, 17.5, 5, "no"],
        ["04-2", "T08", 1.3, "25,4", 17, 5, "yes"],
        [datetime(2025, 1, 5), "T09", 1.3, 25.4, 17, 5, "no"],
        [],
        ["Average", None, "=AVERAGE(C5:C9)"],
    ]
    for row in rows:
        sheet.append(row)
    for merge in ("A1:G1", "B3:C3", "D3:F3"):
        sheet.merge_cells(merge)


def raw_xlsx(
    sheet: str | bytes,
    texts: Sequence[str] = (),
    styles: str = "",
    book: str = "",
    more: Mapping[str, bytes] | None = None,
) -> bytes:
    """Return a workbook of one sheet whose XML is given, from `<sheetData>` on."""
    if isinstance(sheet, str):
        sheet = f"<worksheet {_NS}>{sheet}</worksheet>".encode()
    links = {"rId1": ("worksheet", "worksheets/sheet1.xml")}
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{_PACKAGE}/content-types"/>'.encode(),
        "_rels/.rels": _relations({"a": ("officeDocument", "/xl/workbook.xml")}),
        "xl/worksheets/sheet1.xml": sheet,
        "xl/workbook.xml": (
            f'<workbook {_NS} xmlns:r="{_LINKS}">{book}<sheets>'
            '<sheet name="one" sheetId="1" r:id="rId1"/></sheets></workbook>'
        ).encode(),
    }
    if texts:
        links["rId2"] = ("sharedStrings", "sharedStrings.xml")
        shared = "".join(f"<si>{text}</si>" for text in texts)
        parts["xl/sharedStrings.xml"] = f"<sst {_NS}>{shared}</sst>".encode()
    if styles:
        links["rId3"] = ("styles", "styles.xml")
        parts["xl/styles.xml"] = f"<styleSheet {_NS}>{styles}</styleSheet>".encode()
    parts["xl/_rels/workbook.xml.rels"] = _relations(links)
    return zipped({**parts, **(more or {})})


def formats(*codes: str) -> str:
    """Return the XML of styles, the first plain and one more for each format."""
    declared = "".join(
        f'<numFmt numFmtId="{200 + n}" formatCode={quoteattr(code)}/>'
        for n, code in enumerate(codes)
    )
    used = "".join(f'<xf numFmtId="{200 + n}"/>' for n in range(len(codes)))
    return (
        f"<numFmts>{declared}</numFmts><cellStyleXfs><xf numFmtId='14'/></cellStyleXfs>"
        f'<cellXfs><xf numFmtId="0"/>{used}</cellXfs>'
    )


def _relations(links: Mapping[str, tuple[str, str]]) -> bytes:
    lines = "".join(
        f'<Relationship Id="{name}" Type="{_LINKS}/{kind}" Target="{target}"/>'
        for name, (kind, target) in links.items()
    )
    return f'<Relationships xmlns="{_PACKAGE}/relationships">{lines}</Relationships>'.encode()


def zipped(parts: Mapping[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return out.getvalue()


def ods(tables: str, styles: str = "", more: Mapping[str, bytes] | None = None) -> bytes:
    """Return a workbook whose `<table:table>` elements are given."""
    content = (
        f"<office:document-content {_ODS_NAMES}><office:automatic-styles>{styles}"
        f"</office:automatic-styles><office:body><office:spreadsheet>{tables}"
        "</office:spreadsheet></office:body></office:document-content>"
    )
    kind = b"application/vnd.oasis.opendocument.spreadsheet"
    return zipped({"mimetype": kind, "content.xml": content.encode(), **(more or {})})


def ods_cell(value: object) -> str:
    """Return the XML of one cell as LibreOffice writes it, in a German locale."""
    if value is None:
        return "<table:table-cell/>"
    if isinstance(value, float | int):
        shown = str(value).replace(".", ",")
        stored = f'office:value-type="float" office:value="{value!r}"'
        return f"<table:table-cell {stored}><text:p>{shown}</text:p></table:table-cell>"
    lines = "".join(f"<text:p>{_ods_text(line)}</text:p>" for line in str(value).split("\n"))
    return f'<table:table-cell office:value-type="string">{lines}</table:table-cell>'


def ods_rows(rows: Sequence[Sequence[object]], name: str = "2025") -> str:
    lines = "".join(
        f"<table:table-row>{''.join(map(ods_cell, row))}</table:table-row>" for row in rows
    )
    return f'<table:table table:name="{name}">{lines}</table:table>'


def _ods_text(line: str) -> str:
    return "".join(
        {" ": "<text:s/>", "\t": "<text:tab/>"}.get(character, escape(character))
        for character in line
    )
