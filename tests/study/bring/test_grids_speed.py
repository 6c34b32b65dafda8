"""A hundred thousand rows come in soon: limits in seconds of one core."""

import time

import pytest

from reedlab.study.bring.grids import read_grids
from reedlab.study.bring.table_of import find_table
from tests.study.bring.books import ods, ods_cell, raw_xlsx

ROWS = 100_000


def csv() -> bytes:
    lines = ["reed;tube;gouge;shape;wire1;wire2;kept;note"]
    lines += [
        f"r{n:06};T{n % 500};1,{n % 97:02};narrow;25,{n % 9};17,{n % 7};yes;" for n in range(ROWS)
    ]
    return "\n".join(lines).encode("cp1252")


def xlsx() -> bytes:
    texts = ["reed", "tube", "gouge", "shape", "kept", "narrow", "yes"]
    names = "".join(f'<c t="s"><v>{n}</v></c>' for n in range(5))
    rows = "".join(
        f'<row r="{n + 2}"><c r="A{n + 2}" t="inlineStr"><is><t>r{n:06}</t></is></c>'
        f'<c r="B{n + 2}"><v>{n % 500}</v></c><c r="C{n + 2}"><v>1.{n % 9973:04}</v></c>'
        f'<c r="D{n + 2}" t="s"><v>5</v></c><c r="E{n + 2}" t="s"><v>6</v></c></row>'
        for n in range(ROWS)
    )
    data = f'<sheetData><row r="1">{names}</row>{rows}</sheetData>'
    return raw_xlsx(data, texts=[f"<t>{text}</t>" for text in texts])


def workbook() -> bytes:
    head = "".join(map(ods_cell, ["reed", "gouge", "kept"]))
    rows = "".join(
        f"<table:table-row>{ods_cell(f'r{n:06}')}{ods_cell(1 + n % 97 / 100)}{ods_cell('yes')}"
        "</table:table-row>"
        for n in range(ROWS)
    )
    return ods(
        f'<table:table table:name="x"><table:table-row>{head}</table:table-row>{rows}</table:table>'
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "make", "seconds"), [("x.csv", csv, 4), ("x.xlsx", xlsx, 20), ("x.ods", workbook, 20)]
)
def test_a_hundred_thousand_rows(tmp_path, name, make, seconds):
    path = tmp_path / name
    path.write_bytes(make())
    told: list[tuple[int, int]] = []
    started = time.process_time()
    grid = read_grids(path, lambda done, of: told.append((done, of)))[0]
    read = time.process_time() - started
    table = find_table(grid)
    found = time.process_time() - started - read
    print(f"{name}: read in {read:.1f} s, table found in {found:.1f} s, told {len(told)} times")
    assert len(table.records) == ROWS
    assert read + found < seconds
    assert len(told) > 10
    assert told[-1][0] == told[-1][1]
