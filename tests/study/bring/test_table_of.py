"""The table of a sheet: header found and joined, records kept, every other row with its reason."""

import pytest

from reedlab.errors import CallError, RecordError
from reedlab.study.bring.grids import Cell, Grid, read_grids
from reedlab.study.bring.table_body import sums_up
from reedlab.study.bring.table_of import find_table
from tests.study.bring.books import SHEETS, autumn, grids, xlsx


def typed(text: str, separator: str = ";") -> Grid:
    """Return the grid of a text file with that separator."""
    rows = []
    for number, line in enumerate(text.split("\n"), start=1):
        cells = line.split(separator) if line else []
        rows.append(
            tuple(
                Cell(cell, "text" if cell.strip() else "blank", None, number, column)
                for column, cell in enumerate(cells, start=1)
            )
        )
    return Grid("spring", tuple(rows), False, "", separator)


def found(text, separator=";", header=()):
    table = find_table(typed(text, separator), header)
    rows = len(table.records) + len(table.left_out) + len(table.header_rows)
    assert rows == len(typed(text, separator).rows)
    return table


def ids(table):
    return [record[0].text for record in table.records]


def reasons(table):
    return dict(table.left_out)


# The sheets of known mess and what is right of them.


@pytest.mark.parametrize(
    ("file", "headers", "count", "left_out"),
    [
        (
            "01_decimal_comma.csv",
            ("Rohr-Nr.", "Höhlung mm", "Ø mm", "Krähton", "ppp-fff dB", "behalten"),
            4,
            {6: "summary row 'Mittel'"},
        ),
        ("02_mixed_units.csv", ("reed", "gouge", "tip width", "total length", "wire1"), 5, {}),
        ("03_dates.csv", ("reed_id", "made", "first played"), 5, {}),
        (
            "04_wide_days.csv",
            ("reed", "tube", "day 1", "day 3", "day 7", "remarks"),
            4,
            {
                1: "title above the header, 'Spring batch - crow in cents from E'",
                2: "blank",
                8: "blank",
                9: "summary row 'mean'",
                10: "note below the table, '* measured with phone A'",
            },
        ),
        ("05_pitch_words.csv", ("reed_id", "crow"), 10, {}),
        ("06_words.csv", ("reed_id", "kept", "staple", "spared"), 10, {}),
        ("07_utf16.tsv", ("reed_id", "shape", "gouge_centre_mm"), 3, {}),
    ],
)
def test_sheets_of_known_mess(file, headers, count, left_out):
    table = find_table(read_grids(SHEETS / file)[0])
    assert table.headers == headers
    assert len(table.records) == count
    assert reasons(table) == left_out


def test_an_empty_last_column_is_noted():
    table = find_table(read_grids(SHEETS / "01_decimal_comma.csv")[0])
    assert table.notes == ("Column G has neither a name nor anything in it.",)
    assert ids(table) == ["007", "008", "009", "010"]


def test_a_workbook_with_title_two_header_rows_and_a_summary(tmp_path):
    sheet, hidden = grids(tmp_path, "autumn.xlsx", xlsx(autumn, "old"))
    table = find_table(sheet)
    assert table.headers == (
        "Reed id",
        "Cane tube",
        "Cane gouge (mm)",
        "Wire (mm from butt) 1",
        "Wire (mm from butt) 2",
        "Wire (mm from butt) 3",
        "Kept",
    )
    assert table.header_rows == (3, 4)
    assert len(table.records) == 5
    assert table.records[2][2].name == "C7"
    assert reasons(table) == {
        1: "title above the header, 'Reeds of the autumn'",
        2: "blank",
        10: "blank",
        11: "summary row 'Average'",
    }
    with pytest.raises(RecordError, match="The sheet 'old' is hidden; show it in a spreadsheet"):
        find_table(hidden)


# C2: pandas-dev/pandas#55105.


def test_c2_decimal_commas_that_shift_every_row_are_an_error_naming_them():
    with pytest.raises(RecordError) as error:
        found("id,t\n1,0,62\n2,0,58", ",")
    assert str(error.value) == (
        "The sheet 'spring', rows 2, 3: 3 cells where the header has 2. Commas inside cells, such "
        "as decimal commas, have cut them: save the sheet as .xlsx, or with semicolons or tabs "
        "between cells. If rows merely end with a comma, let the header end with one too."
    )


def test_c2_rows_with_a_cell_too_many_are_left_out_and_the_others_doubted():
    table = found("id,t,note\n1,0,62,\n2,1,good\n3,0,58,bad", ",")
    assert ids(table) == ["2"]
    why = (
        "4 cells where the header has 3: a comma, such as a decimal comma, inside a cell may have "
        "cut it"
    )
    assert reasons(table) == {2: why, 4: why}
    assert table.notes == (
        "Rows with too many cells are left out; look whether a comma inside a cell has shifted "
        "others too.",
    )


def test_rows_too_long_beside_other_separators():
    table = found("id;t\n1;0,62;\n2;0,58;x\n3;0,6")
    assert ids(table) == ["1", "3"]
    assert reasons(table) == {
        3: "3 cells where the header has 2: a separator inside a cell may have cut it"
    }


def test_rows_too_short_are_filled_and_noted():
    table = found("id;t;u\na1;1,3;2\na2;1,2\na3;1,4;3")
    assert [cell.kind for cell in table.records[1]] == ["text", "text", "blank"]
    assert table.records[1][2].name == "C3"
    assert table.notes == ("Rows shorter than the header, whose last cells are taken as empty: 3.",)


def test_rows_all_too_long_beside_other_separators_are_an_error():
    with pytest.raises(RecordError, match=r"row 2: 3 cells .* has 2\. Separators inside cells hav"):
        found("id;t\n1;0;62")


def test_a_record_with_an_odd_id_stays_a_record_where_it_has_a_figure():
    table = found("reed;a;b;c;d;e\nr1;1;2;3;4;5\nr2;1;2;3;4;5\nthe one for a friend;;;1,3;;")
    assert ids(table)[-1] == "the one for a friend"
    table = found("reed;a;b;c;d;e\nr1;1;2;3;4;5\nr2;1;2;3;4;5\nmade by:;A. B.;;;;")
    assert reasons(table) == {4: "note below the table, 'made by:'"}


# C9: pandas-dev/pandas#44837, #34921.


def test_c9_merged_headers_and_ids(tmp_path):
    def fill(page):
        for row in (
            ["tube", "Wall (mm)", None, "Day 1", None],
            [None, "butt", "tip", "score", "kept?"],
            ["T1", 1.0, 0.5, 3, "yes"],
            [None, 1.1, 0.6, 4, "no"],
            [None, 1.2, 0.6, 4, "no"],
        ):
            page.append(row)
        for merge in ("A1:A2", "B1:C1", "D1:E1", "A3:A4"):
            page.merge_cells(merge)

    table = find_table(grids(tmp_path, "x.xlsx", xlsx(fill))[0])
    assert table.headers == (
        "tube",
        "Wall (mm) butt",
        "Wall (mm) tip",
        "Day 1 score",
        "Day 1 kept?",
    )
    assert ids(table) == ["T1", "T1", ""]  # a true blank stays missing
    assert table.records[1][0].merged


def test_merged_headers_of_text_files_reach_to_the_next_name():
    table = found(
        "Reed;Cane;;Wire (mm);;Kept\nid;tube;gouge (mm);1;2;\n"
        "03-1;T07;1,3;25,5;17;yes\n03-2;T08;1,3;25,4;17;no"
    )
    assert table.headers == (
        "Reed id",
        "Cane tube",
        "Cane gouge (mm)",
        "Wire (mm) 1",
        "Wire (mm) 2",
        "Kept",
    )


def test_groups_above_a_part_of_the_columns_belong_to_the_header():
    table = found("T;;\n;Day 1;;Day 2;\nreed;score;kept;score;kept\na1;1;yes;2;no\na2;3;no;2;no")
    assert table.headers == ("reed", "Day 1 score", "Day 1 kept", "Day 2 score", "Day 2 kept")
    assert table.header_rows == (2, 3)


def test_titles_without_gaps_and_of_one_column_are_no_groups():
    assert found("Season;spring;\nreed;t;u\na1;1;2\na2;1;3").headers == ("reed", "t", "u")
    assert found("My reeds\n\nid\n007\n008").headers == ("id",)
    assert found("id\n007\n008").headers == ("id",)


def test_tables_side_by_side_are_one_whose_captions_name_their_columns():
    table = found(
        "Lot DM;;;;;Lot PB;;\nid;t;kept;;;id;t;kept\n1;33g;no;;;7;22g;no\n2;35g;no;;;8;20g;no"
    )
    assert table.columns == (1, 2, 3, 6, 7, 8)
    assert table.headers[:2] == ("Lot DM id", "Lot DM t")
    assert table.headers[3] == "Lot PB id"
    assert table.notes == ("Columns D, E have neither names nor content.",)


def test_a_blank_row_and_column_around_the_table_do_no_harm():
    table = found(
        ";;\n;Roster;\n;First;Last;First;no edit ->;hire\n;;\n;a;b;c;;39690\n;d;e;f;;39691"
    )
    assert table.headers == ("First", "Last", "First", "no edit ->", "hire")
    assert len(table.records) == 2
    assert table.notes == ("Column A has neither a name nor anything in it.",)


def test_a_row_of_units_belongs_to_the_header():
    table = found("reed;gouge;range\n;mm;(dB)\na1;1,3;20\na2;1,2;21")
    assert table.headers == ("reed", "gouge mm", "range (dB)")
    assert ids(table) == ["a1", "a2"]


@pytest.mark.parametrize(
    "text",
    [
        "reed;shape\na;narrow\nb;wide",  # words only
        "reed;shape;made\na1;narrow;ok\na2;wide;ok",
        "reed;1;3;7\na1;-20;-5;4\na2;-3;lost;-1",  # days as names
        "reed;tube;1;3;7;remarks\na;T1;1;2;~3;stuffy\nb;T2;lost;?;4;good",
        "id\n007\n008",
        "id;;t\n1;x;2\n2;lost;3",  # a column without a name
        "reed;kept\nr1;keeper!\nr2;no",
    ],
)
def test_a_single_header_row_stays_one(text):
    table = found(text)
    assert table.header_rows == (1,)
    assert len(table.records) == 2


def test_titles_of_several_cells_and_lines_are_no_header():
    table = found(
        "Maker:;A.\nSeason;2025\n\nreed;tube;gouge;kept\nr1;T1;1,3;yes\nr2;T1;1,3;no\nr3;T2;1,2;no"
    )
    assert table.header_rows == (4,)
    assert reasons(table)[1] == "title above the header, 'Maker:'"


def test_the_rows_of_the_header_can_be_said():
    text = "a;b\nc;d\n1;2\n3;4"
    assert found(text).headers == ("a", "b")
    assert found(text, header=(1, 2)).headers == ("a c", "b d")
    for header in ((0,), (1, 3), (9,)):
        with pytest.raises(CallError, match="name rows from 1 to 4 that stand one below the oth"):
            found(text, header=header)


def test_names_may_come_twice_or_lack():
    table = found("reed;crow;crow;\nr1;E4;F4;soft\nr2;E4;F4;")
    assert table.headers == ("reed", "crow", "crow", "")
    assert table.notes == ("Column D has no name.",)


# Rows that are no records.


@pytest.mark.parametrize(
    "words",
    ["mean", "Mittel", "Mittelwert", "Durchschnitt:", "TOTAL", "Summe", "moyenne", "Écart-type",
     "somme", "media", "gemiddelde", "Ø", "Σ", "average (n=4)", "mean of 4", "Mittel der Reihe",
     "n = 12", "min", "max.", "mean ± SD", "min/max", "grand total", "Standard deviation"],
)  # fmt: skip
def test_summary_rows_are_named(words):
    table = found(f"reed;t\nr1;1,3\nr2;1,2\n{words};1,25")
    assert ids(table) == ["r1", "r2"]
    assert reasons(table) == {4: f"summary row '{words}'"}


@pytest.mark.parametrize(
    "words", ["total length", "Max-01", "Mina", "summer 1", "meanwhile", "Somme-3", "n1", "range 2"]
)
def test_ids_that_begin_like_a_summary_are_ids(words):
    assert not sums_up(words)


def test_a_column_of_summary_words_is_a_column_of_names():
    table = found("where;t\nmin;1\nmax;2\nmin;3\nmax;4")
    assert len(table.records) == 4


def test_a_row_of_formulas_without_values_sums_up(tmp_path):
    def fill(page):
        for row in (["id", "t", "u"], ["a1", 1.3, 2], ["a2", 1.2, 3], [None, "=SUM(B2)", "=B2"]):
            page.append(row)

    table = find_table(grids(tmp_path, "x.xlsx", xlsx(fill))[0])
    assert reasons(table) == {4: "summary row '=SUM(B2)'"}


def test_notes_captions_and_repeated_headers_are_told_apart_from_short_records():
    table = found(
        "reed;tube;t;kept\nTube T4, from the south;;;\n12a;T4;1,3;yes\n\n12b;T4;1,2;no\n"
        "reed;tube;t;kept\n13a;;;\nmeasured on a rainy day;;;\n13b;T5;1,2;\n13c;;;\n"
        "† lost at a concert;;;\n;;;gauge B from here"
    )
    assert ids(table) == ["12a", "12b", "13a", "13b", "13c"]
    assert reasons(table) == {
        2: "note between the records, 'Tube T4, from the south'",
        4: "blank",
        6: "the header once more",
        8: "note between the records, 'measured on a rainy day'",
        11: "note below the table, '† lost at a concert'",
        12: "note below the table, 'gauge B from here'",
    }


def test_another_table_below_is_left_out_whole():
    table = found("reed;t;u\na1;1,3;2\na2;1,2;3\n\nlot;bought;left\nL1;12;3\nL2;10;2\n\nL3;1;1")
    assert ids(table) == ["a1", "a2"]
    assert reasons(table)[5] == "names the columns of another table"
    assert reasons(table)[9] == "of another table, which begins in row 5"
    assert table.notes == ("Row 5 begins another table; bring it in from a sheet of its own.",)


def test_h6_a_record_without_its_id_stays_a_record():
    # frictionlessdata/frictionless-py#1623: a blank in a key passed; the check must see it.
    table = found("reed;stage;t\na;1;2\n;1;3")
    assert ids(table) == ["a", ""]


def test_c6_c14_missing_words_and_blanks_drop_no_row():
    words = ["none", "None", "NA", "n/a", "wax", "-", "?", "nil"]
    text = "reed;coating\n" + "\n".join(f"r{n};{word}" for n, word in enumerate(words))
    assert [record[1].text for record in found(text).records] == words
    assert len(found("reed;g\nr1;A\nr2;\nr3;B").records) == 3


def test_c7_ids_stay_as_typed():
    assert ids(found("id;t\n007;1\n012;2\n1E2;3\n12E1;4")) == ["007", "012", "1E2", "12E1"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("1;2\n3;4", "The sheet 'spring' has no header; write names of the columns above its rows"),
        ("id;t", "The sheet 'spring' holds no record below its header."),
        ("id;t\n\nMittel;3", "The sheet 'spring' holds no record below its header."),
        (";\n;", "The sheet 'spring' holds nothing."),
        ("", "The sheet 'spring' holds nothing."),
    ],
)
def test_what_is_no_table_is_said(text, message):
    with pytest.raises(RecordError) as error:
        found(text)
    assert message in str(error.value)
