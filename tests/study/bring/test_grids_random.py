"""Random tables come back cell by cell from every format, and random bytes never break it."""

import io
import random
import time
import tracemalloc
from collections import Counter
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from reedlab.errors import CallError, RecordError
from reedlab.study import bring_in, new_study
from reedlab.study.bring.grids import read_grids
from reedlab.study.bring.table_of import find_table
from tests.study.bring.books import SHEETS, autumn, grids, ods, ods_rows, texts, xlsx, xlsx_of_rows

WORDS = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Cn", "Zl", "Zp", "Co"))
    | st.sampled_from(",;\t\n\"' 0179.-"),
    max_size=12,
).filter(lambda text: not text.startswith("="))
#: Spreadsheets hold fifteen digits.
NUMBERS = st.floats(-1e300, 1e300, allow_subnormal=False).map(
    lambda number: float(f"{number:.15g}")
) | st.integers(-(10**9), 10**9)
#: One file is written over and over; hypothesis asks for many.
QUIET = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def tables(cells):
    def rows(width):
        return st.lists(st.lists(cells, min_size=width, max_size=width), min_size=2, max_size=6)

    return st.integers(2, 5).flatmap(rows)


def trimmed(rows):
    """Return rows without blank ones at the end and blank cells at the end of each."""
    rows = [list(row) for row in rows]
    for row in rows:
        while row and not row[-1].strip():
            row.pop()
    while rows and not rows[-1]:
        rows.pop()
    return rows


@QUIET
@given(tables(WORDS), st.sampled_from(";,\t|"), st.sampled_from(["utf-8-sig", "utf-16", "utf-8"]))
def test_text_files_give_back_every_cell(tmp_path, rows, separator, codec):
    import csv

    out = io.StringIO()
    out.write(f"sep={separator}\r\n")
    csv.writer(out, delimiter=separator, quoting=csv.QUOTE_ALL).writerows(rows)
    assume(trimmed(rows))
    grid = grids(tmp_path, "x.csv", out.getvalue().encode(codec))[0]
    assert trimmed(texts(grid)) == trimmed(rows)


@QUIET
@given(
    tables(st.from_regex(r"[a-zäöü]{1,5}[ ,.][0-9]{1,3}", fullmatch=True)), st.sampled_from(";\t|")
)
def test_the_separator_is_found_whatever_stands_in_cells(tmp_path, rows, separator):
    text = "\n".join(separator.join(row) for row in rows)
    grid = grids(tmp_path, "x.csv", text)[0]
    assert texts(grid) == rows


@QUIET
@given(tables(WORDS | NUMBERS | st.none() | st.booleans()))
def test_workbooks_give_back_every_cell_and_number_to_the_last_digit(tmp_path, rows):
    assume(any(value not in (None, "") and str(value).strip() for row in rows for value in row))
    assume("_x" not in str(rows))
    grid = grids(tmp_path, "x.xlsx", xlsx_of_rows(rows))[0]
    compare(grid, rows)


@QUIET
@given(tables(WORDS | NUMBERS | st.none()))
def test_ods_gives_back_every_cell_and_number_to_the_last_digit(tmp_path, rows):
    assume(any(value not in (None, "") and str(value).strip() for row in rows for value in row))
    compare(grids(tmp_path, "x.ods", ods(ods_rows(rows)))[0], rows)


def compare(grid, rows):
    for place, row in enumerate(rows):
        for column, value in enumerate(row):
            there = place < len(grid.rows) and column < len(grid.rows[place])
            cell = grid.rows[place][column] if there else None
            if value is None or (isinstance(value, str) and not value.strip()):
                assert cell is None or cell.kind == "blank"
            elif isinstance(value, bool):
                assert (cell.kind, cell.value) == ("bool", value)
            elif isinstance(value, str):
                assert cell.text == value
                assert cell.name == f"{'ABCDE'[column]}{place + 1}"
            else:
                assert (cell.kind, cell.value) == ("number", float(value))


def seeds() -> list[bytes]:
    """Return good sheets of every format, to be spoiled."""
    book = openpyxl.Workbook()
    book.active.append(["id", "t"])
    plain = io.BytesIO()
    book.save(plain)
    rows = [["id", "t"], ["007", 1.3], ["Mittel", 1.3]]
    return [path.read_bytes() for path in sorted(SHEETS.iterdir())] + [
        xlsx(autumn, "old"),
        plain.getvalue(),
        ods(ods_rows(rows)),
    ]


def spoiled(data: bytes, chance: random.Random) -> bytes:
    """Return bytes changed, cut, doubled or mixed in a few places, in parts of a zip too."""
    if data.startswith(b"PK") and chance.random() < 0.6:
        return _spoiled_part(data, chance)
    out = bytearray(data)
    for _ in range(chance.choice([1, 1, 2, 5, 20])):
        place = chance.randrange(len(out) + 1)
        length = chance.choice([1, 1, 2, 4, 50])
        kind = chance.randrange(5)
        if kind == 0:
            out[place : place + length] = chance.randbytes(length)
        elif kind == 1:
            del out[place : place + length]
        elif kind == 2:
            out[place:place] = out[place : place + length] * chance.choice([1, 2, 300])
        elif kind == 3:
            out[place:place] = chance.choice(
                [b'"', b"\0", b"\xff\xfe", b"<a>", b"</row>", b"9999999999", b"&#0;", b",;\t\n"]
            )
        elif out:
            out[place % len(out)] ^= 1 << chance.randrange(8)
    return bytes(out)


def _spoiled_part(data: bytes, chance: random.Random) -> bytes:
    import zipfile

    from tests.study.bring.books import zipped

    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    name = chance.choice(sorted(parts))
    if chance.random() < 0.1:
        del parts[name]
    else:
        parts[name] = spoiled(b" " + parts[name], chance)[1:]
    return zipped(parts)


def spoil(folder: Path, data: bytes) -> str:
    """Read spoiled bytes: a table, or one clear error; nothing else and not slowly."""
    path = folder / "x.csv"
    path.write_bytes(data)
    started = time.process_time()
    try:
        for grid in read_grids(path):
            if not grid.hidden:
                found = find_table(grid)
                parts = len(found.records) + len(found.left_out) + len(found.header_rows)
                assert parts == len(grid.rows)
        said = ""
    except RecordError as error:
        said = str(error)
    assert time.process_time() - started < 5
    if not said:
        return "read"
    assert 10 < len(said) < 500
    assert "\n" not in said
    return "refused"


def test_spoiled_bytes_give_a_table_or_one_sentence(tmp_path):
    chance, good = random.Random(1), seeds()
    outcomes = {spoil(tmp_path, spoiled(chance.choice(good), chance)) for _ in range(200)}
    assert outcomes == {"read", "refused"}


@pytest.mark.slow
def test_spoiled_bytes_brought_in_add_up_or_are_told_in_one_sentence(tmp_path):
    chance, good = random.Random(3), seeds()
    study = new_study(tmp_path / "study")
    path, counts, slowest = tmp_path / "x.csv", Counter(), 0.0
    until = time.process_time() + 70
    while (started := time.process_time()) < until:
        path.write_bytes(spoiled(chance.choice(good), chance))
        try:
            found = bring_in(study, path, dry_run=True, confirmed=True)
            gone = found.rows_kept + found.rows_refused + found.rows_left_out
            assert found.questions or found.rows_in == gone
            counts["with questions" if found.questions else "read"] += 1
        except (CallError, RecordError) as error:
            said = str(error)
            counts["refused" if 10 < len(said) < 700 else said] += 1
        slowest = max(slowest, time.process_time() - started)
    print(f"brought in: {dict(counts)}, the slowest took {slowest:.1f} s")
    assert set(counts) == {"refused", "with questions", "read"}
    assert min(counts["refused"], counts["with questions"]) > 100
    assert slowest < 10


@pytest.mark.slow
def test_spoiled_bytes_for_longer_and_in_little_memory(tmp_path):
    chance, good = random.Random(2), seeds()
    counts = {"read": 0, "refused": 0}
    until = time.process_time() + 40
    tracemalloc.start()
    try:
        while time.process_time() < until:
            counts[spoil(tmp_path, spoiled(chance.choice(good), chance))] += 1
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    print(counts, f"peak {peak / 1e6:.0f} MB")
    assert min(counts.values()) > 100
    assert peak < 100e6
