"""Text files of any encoding and separator come out as the cells a person sees."""

import pytest

from reedlab.errors import RecordError
from reedlab.study.bring.grids import read_grids
from tests.study.bring.books import SHEETS, grids, kinds, texts

TYPED = "Rohr;Höhlung µm;Ø\n007;1,30;„½“\nü8;0,58;x\n"
CELLS = [["Rohr", "Höhlung µm", "Ø"], ["007", "1,30", "„½“"], ["ü8", "0,58", "x"]]


@pytest.mark.parametrize(
    ("codec", "mark", "said"),
    [
        ("utf-8", "", "UTF-8"),
        ("utf-8-sig", "", "UTF-8 with a byte order mark"),
        ("utf-16-le", "", "UTF-16 LE"),
        ("utf-16-be", "", "UTF-16 BE"),
        ("utf-16-le", "\ufeff", "UTF-16 LE with a byte order mark"),
        ("utf-16-be", "\ufeff", "UTF-16 BE with a byte order mark"),
        ("utf-32-le", "\ufeff", "UTF-32 with a byte order mark"),
        ("cp1252", "", "CP1252"),
    ],
)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_encoding_gives_the_same_cells(tmp_path, codec, mark, said, end):
    data = (mark + TYPED.replace("\n", end)).encode(codec)
    grid = grids(tmp_path, "spring.csv", data)[0]
    assert texts(grid) == CELLS
    assert grid.how == f"{said}, separated by ;"
    assert (grid.name, grid.hidden, grid.separator) == ("spring", False, ";")


def test_cells_know_where_they_stand(tmp_path):
    grid = grids(tmp_path, "x.csv", "a,b,c\n1,2,3\n")[0]
    assert [[cell.name for cell in row] for row in grid.rows] == [
        ["A1", "B1", "C1"],
        ["A2", "B2", "C2"],
    ]


@pytest.mark.parametrize(
    ("codec", "word"),
    [
        ("mac_roman", "épaisseur gardé Stück"),
        ("cp1251", "трость толщина оставлена проба"),
        ("cp850", "Höhlung Krähton Stück"),
    ],
)
def test_other_encodings_are_guessed_and_the_guess_is_told(tmp_path, codec, word):
    line = f"{word};1,30\n"
    grid = grids(tmp_path, "x.csv", ("id;t\n" + line * 5).encode(codec))[0]
    assert "(guessed)" in grid.how
    assert [row[1] for row in texts(grid)[1:]] == ["1,30"] * 5


def test_the_encoding_can_be_said(tmp_path):
    path = tmp_path / "x.csv"
    path.write_bytes("id;Höhlung\n1;2\n".encode("cp850"))
    grid = read_grids(path, encoding="cp850")[0]
    assert texts(grid)[0] == ["id", "Höhlung"]
    assert grid.how == "CP850, separated by ;"
    with pytest.raises(RecordError, match=r"There is no encoding 'cp9'; write e\.g\. cp1252"):
        read_grids(path, encoding="cp9")


@pytest.mark.parametrize("separator", [*",;\t|~^:", " "])
def test_any_separator_is_found(tmp_path, separator):
    rows = [["id", "t", "u"], ["a1", "62", "1"], ["a2", "58", "2"], ["a3", "58", "3"]]
    text = "\n".join(separator.join(row) for row in rows)
    grid = grids(tmp_path, "x.txt", text)[0]
    assert texts(grid) == rows
    assert grid.separator == separator


@pytest.mark.parametrize(
    ("text", "separator", "row"),
    [
        ("id;t\n1;0,62\n2;0,58\n", ";", ["1", "0,62"]),
        ("a;b\n1,30;0,58\n1,25;0,62\n", ";", ["1,30", "0,58"]),
        ("a\tb\nx, y\t1,3\nz, w\t1,2\n", "\t", ["x, y", "1,3"]),
        ("id,note\n1,a; b\n2,c; d\n", ",", ["1", "a; b"]),
        ('id,note\n1,"a, b; c"\n2,d\n', ",", ["1", "a, b; c"]),
        ("Title: reeds, autumn\n\nid;t\n1;0,62\n2;0,58\n", ";", None),
        ("id\n007\n008\n", "", ["007"]),
        ("id\nbit stuffy\nvery good\n", "", ["bit stuffy"]),
        ('"id"\n"007"\n', "", ["007"]),
        ("sep=|\nid|t\n1|2\n", "|", ["1", "2"]),
        ("2 10.5\n2 11.5 \n1  12.0\n", " ", ["2", "11.5"]),
    ],
)
def test_what_stands_in_cells_is_no_separator(tmp_path, text, separator, row):
    grid = grids(tmp_path, "x.csv", text)[0]
    assert grid.separator == separator
    if row:
        assert texts(grid)[1] == row


def test_the_hint_of_a_separator_is_no_row(tmp_path):
    grid = grids(tmp_path, "x.csv", "sep=;\r\nid;t\r\n1;2\r\n")[0]
    assert texts(grid) == [["id", "t"], ["1", "2"]]
    assert grid.rows[0][0].name == "A1"


def test_kinds_of_cells_in_text_files(tmp_path):
    text = (
        'id,a,b,c\n1,#DIV/0!,#REF!, \n2,=A1+B1,=SUM(A1:A2),"=""007"""\n'
        "3,-5,+4,@note\n4,=,=5,#1\n5,#WERT!,#NV,# hash\n"
    )
    grid = grids(tmp_path, "x.csv", text)[0]
    assert kinds(grid) == "tttt teeb tfft tttt tttt teet"
    assert texts(grid)[2][3] == "007"  # ="007" is how a spreadsheet keeps text as text


def test_cells_are_not_trimmed_and_quoted_lines_stay_in_their_cell(tmp_path):
    grid = grids(tmp_path, "x.csv", 'id ,note\n1," a\nb "\n2,\n')[0]
    assert texts(grid) == [["id ", "note"], ["1", " a\nb "], ["2", ""]]


def test_blank_rows_count_and_those_at_the_end_do_not(tmp_path):
    grid = grids(tmp_path, "x.csv", "id,t\n\n1,2\n,,\n\n,\n")[0]
    assert texts(grid) == [["id", "t"], [], ["1", "2"]]


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "x.csv is empty."),
        (b" \n\n", "x.csv is empty."),
        (b'a;b\n1;"2\n', "x.csv, row 2: a quotation mark opens a cell and does not close it"),
        (b'a;b\n"1"2;3\n', "x.csv, row 2: a quotation mark opens a cell"),
        (b"a;b\n1;\x002\n", "x.csv is neither a sheet nor text."),
        (b"a;b\n1;\x012\n", "x.csv is neither a sheet nor text."),
        (bytes(range(1, 256)) * 40, "x.csv is neither a sheet nor text"),
        ("a;b\n1;2\n".encode("utf-16")[:-1], "is not UTF-16 LE with a byte order mark text all"),
        (b"a;b\n1;" + b"x" * 40_000, "x.csv, row 2: a cell has more than 32,767 characters"),
        (b'a;b\n1;"' + b"x\n" * 100_000, "x.csv, row 2: a cell has more than 32,767 characters"),
        (b"a;b\n" + b"1;2\n" * 20_000 + b"1;\x07\n", "row 20002: a cell holds a control character"),
        (b"1," * 20_000, "x.csv has more than 16,384 columns"),
        (b"a,b\n" + (b"1," * 9_000 + b"\n") * 140, "x.csv has more than 1,000,000 cells"),
        (b"a;b\n1;2\n" + b"1;" * 1_500_000, "x.csv, row 3: a cell has more than 32,767 characters"),
        (b"%PDF-1.7 ...", "x.csv is a PDF, no sheet; open it in a spreadsheet and save it as"),
        (b"<html><table>", "x.csv is a page or document of tags, no sheet"),
        (b"\x1f\x8b....", "x.csv is a packed file, no sheet"),
    ],
)
def test_what_is_no_sheet_is_said_in_one_sentence(tmp_path, data, message):
    with pytest.raises(RecordError) as error:
        grids(tmp_path, "x.csv", data)
    assert message in str(error.value)
    assert "\n" not in str(error.value)


def test_a_missing_file_and_a_folder_are_named(tmp_path):
    with pytest.raises(RecordError, match=r"There is no file .*none.csv\."):
        read_grids(tmp_path / "none.csv")
    (tmp_path / "old").mkdir()
    with pytest.raises(RecordError, match="old is a folder; name the sheet in it"):
        read_grids(tmp_path / "old")
    with pytest.raises(RecordError, match="cannot be read"):
        read_grids("a\0b.csv")


def test_a_large_file_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "x.csv"
    with path.open("wb") as file:
        file.truncate(2**33)
    with pytest.raises(RecordError, match=r"x\.csv has 8,590 MB, and 50 MB are read at most"):
        read_grids(path)


def test_progress_ends_with_all_bytes():
    told = []
    read_grids(SHEETS / "01_decimal_comma.csv", lambda done, of: told.append((done, of)))
    assert told[-1] == (197, 197)


def test_the_collector_runs_again_afterwards(tmp_path):
    import gc

    grids(tmp_path, "x.csv", "a,b\n1,2\n")
    with pytest.raises(RecordError):
        grids(tmp_path, "x.csv", "")
    assert gc.isenabled()
