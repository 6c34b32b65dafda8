"""The journey of every cell: nothing is lost from sight, and the counts add up."""

import csv

from reedlab.answer import VOCABULARY
from reedlab.study import bring_in, new_study
from reedlab.study.bring.bring_text import lines

SHEET = """Autumn reeds,,,,
reed,gouge mm,kept,moon,note
R1,"1,30",yes,full,=1+1
R2,130,no,new,
R2,1.25,yes,new,thin
R3,n/a,,,
,1.25,yes,,x
R4,1.30,no,,x
mean,1.28,,,
"""


def brought(tmp_path, **more):
    path = tmp_path / "old.csv"
    path.write_text(SHEET, "utf-8")
    study = new_study(tmp_path / "study")
    return bring_in(study, path, answers={"moon.to": ""}, confirmed=True, **more)


def test_each_cell_is_counted_once(tmp_path):
    found = brought(tmp_path)
    in_sheet = sum(bool(cell) for row in csv.reader(SHEET.splitlines()) for cell in row)
    assert sum(found.journey.cells.values()) == in_sheet
    assert found.journey.cells == {
        "as typed": 6,
        "changed": 3,
        "not recorded": 1,
        "refused": 12,
        "in question": 0,
        "left out": 4,
        "header": 5,
    }
    assert set(found.table) | set(found.journey.table) <= set(VOCABULARY)


def test_what_happened_is_told_in_the_order_of_the_sheet(tmp_path):
    found = brought(tmp_path)
    assert list(lines(found)) == [
        "'moon' left out: the column stays out",
        "row 1 left out (title above the header, 'Autumn reeds'): Autumn reeds",
        "row 3, 'gouge mm': '1,30' -> 1.30 (decimal comma in a column of points)",
        "row 3, 'kept': 'yes' -> kept",
        "row 4 refused (fate is 'discarded' here and 'kept' in row 5; mend one of the two, or tell "
        "them apart by their ids): R2 | 130 | no | new",
        "row 5 refused (fate is 'kept' here and 'discarded' in row 4; mend one of the two, or tell "
        "them apart by their ids): R2 | 1.25 | yes | new | thin",
        "row 6, 'gouge mm': 'n/a' -> not recorded (typed as not recorded)",
        "row 7 refused (reed_id is blank, so it is not told which row of reeds is meant; write its "
        "reed_id): 1.25 | yes | x",
        "row 8, 'kept': 'no' -> discarded",
        "row 9 left out (summary row 'mean'): mean | 1.28",
        "old.csv: 3 of 8 rows came in (3 reeds), 3 refused, 2 left out, 3 cells changed.",
        "  old.csv was read as UTF-8, separated by ,.",
    ]


def test_the_report_lies_beside_the_mapping_and_holds_no_formula(tmp_path):
    found = brought(tmp_path)
    folder = found.study.folder / "bring"
    assert sorted(path.name for path in folder.iterdir()) == ["old.toml", "old_1.csv"]
    with (folder / "old_1.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.reader(file))
    assert len(rows) == 1 + len(found.journey.steps)
    assert not [cell for row in rows for cell in row if cell.startswith(("=", "@"))]


def test_a_proposal_says_what_to_do_next(tmp_path):
    path = tmp_path / "old.csv"
    path.write_text("reed,shape\nR1,wide\n", "utf-8")
    study = new_study(tmp_path / "study")
    found = bring_in(study, path)
    assert list(lines(found))[-1] == (
        f"Next: look at {study.folder / 'bring' / 'old.toml'}, write confirmed = true, and bring "
        "the sheet in again."
    )
    found = bring_in(study, path, dry_run=True)
    said = list(lines(found, dry_run=True))
    assert said[-2] == "Nothing was written. The mapping would be:"
    assert said[-1].endswith('header = "shape"\nto = "reeds.shape"  # which shape was cut')
    found = bring_in(study, path, dry_run=True, confirmed=True)
    assert list(lines(found, dry_run=True))[-1] == "Nothing was written."
