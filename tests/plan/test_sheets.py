"""Bench sheets: what stands on each, that nothing is cut, and that a sheet comes back."""

import csv
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from reedlab.errors import CallError, RecordError
from reedlab.plan import order
from reedlab.plan.bench import pages
from reedlab.plan.bench.pages import Bench, labels_page, making_page, sessions_page
from reedlab.plan.bench.sheets import write_sheets
from reedlab.plan.bench.sheets_csv import making_csv, sessions_csv
from reedlab.plan.bench.typeset import compiler, typeset
from reedlab.schema import (
    RESPONSES,
    Column,
    Factor,
    Response,
    Step,
    cautions_for,
    default_protocol,
    draw_codes,
    table_named,
)
from reedlab.study import BatchRecord, Settings, Study, add_plan, record_sheet, write_study
from reedlab.study.exporting import as_meant, harmless

GOUGE = Factor("gouge_centre_mm", (1.25, 1.3), unit="mm", label="gouge, centre")
SHAPE = Factor("shape", ("narrow", "wide"), stratum="tube")
AIR = Factor("air", ("airless", "humid"), stratum="session")
ODD = (
    '#panic("no") $x^2$ *bold* _low_ `raw` @ref <label> [a] {b} \\n // no',
    'said "no", it\'s = + - / ~ -- ...',
    "B♭ × −5 é ß ø ﬁ",
    "竹の葦 簧片 길이",
    "قصبة مزدوجة עלה כפול",
    "polytetrafluoroethylenepolytetrafluoroethylenepolytetrafluoroethylene",
    "line\nbreak\ttab",
    "=1+1",
)
A4, LETTER = (210.0, 297.0), (215.9, 279.4)
MM = 25.4


def bench(
    n: int = 12, settings: tuple[Factor, ...] = (GOUGE, SHAPE), sessions: int = 2, **other: Any
) -> Bench:
    rng = np.random.default_rng(1)
    making = pd.DataFrame(
        {
            "place": range(1, n + 1),
            "tube_id": [f"T{1 + place // 4:02}" for place in range(n)],
            "piece": [1 + place % 4 for place in range(n)],
            "spare_pieces": ["5 6" if place % 3 else "" for place in range(n)],
            **{
                factor.name: [factor.levels[k] for k in rng.integers(len(factor.levels), size=n)]
                for factor in settings
            },
            "outer_diameter_mm": 25.1,
            "shuffled_among": "all",
        }
    )
    codes = np.array(draw_codes(n, rng))
    orders = order.testing_order(n, sessions, rng)
    testing = pd.DataFrame(
        {
            "session": np.repeat(range(1, sessions + 1), n),
            "place": np.tile(range(1, n + 1), sessions),
            "blind_code": codes[orders].ravel(),
            "air": np.repeat([AIR.levels[k % 2] for k in range(sessions)], n),
        }
    )
    labels = pd.DataFrame({"place": range(1, n + 1), "blind_code": codes})
    given = {
        "study": "Autumn, invented",
        "batch_id": "B1",
        "protocol": default_protocol("bassoon"),
        "columns": (*table_named("tests").columns, *table_named("sessions").columns),
        "responses": RESPONSES,
        **other,
    }
    return Bench(making=making, testing=testing, labels=labels, factors=(*settings, AIR), **given)


def pages_of(sheets: Bench) -> dict[str, dict]:
    return {
        "making": making_page(sheets),
        "labels": labels_page(sheets),
        "testing": pages.testing_page(sheets, 1),
        "sessions": sessions_page(sheets),
    }


def texts_in(part: Any) -> list[str]:
    """Return every text of a page's data."""
    if isinstance(part, str):
        return [part]
    parts = part.values() if isinstance(part, dict) else part
    return [] if not hasattr(part, "__iter__") else [t for item in parts for t in texts_in(item)]


def pictures(page: dict, paper: str = "A4", dots: int = 2) -> list[np.ndarray]:
    """Return the pages as grey pictures with so many dots a millimetre."""
    from matplotlib.image import imread

    made = compiler(page, paper).compile(format="png", ppi=dots * MM)
    made = [made] if isinstance(made, bytes) else made
    return [imread(io.BytesIO(png), format="png")[..., :3].mean(axis=2) for png in made]


def where(page: dict, paper: str = "A4") -> dict[str, list[tuple[str, int]]]:
    """Return on which page each row of boxes begins and ends."""
    setter = compiler(page, paper)
    found = {}
    for mark in ("row-top", "row-end"):
        said = json.loads(
            setter.eval(f"query(<{mark}>).map(it => (it.value, it.location().page()))")
        )
        found[mark] = [tuple(item) for item in said]
    return found


# Paper


@pytest.mark.parametrize(("paper", "size"), [("A4", A4), ("letter", LETTER)])
def test_pages_have_the_size_of_the_paper(paper: str, size: tuple[float, float]) -> None:
    """A4: ISO 216; letter: 8 1/2 by 11 inches (ANSI A of ANSI/ASME Y14.1)."""
    for page in pages_of(bench()).values():
        for picture in pictures(page, paper):
            assert picture.shape[::-1] == pytest.approx([2 * side for side in size], abs=1)


@pytest.mark.parametrize("paper", ["A4", "letter"])
@pytest.mark.parametrize("count", [1, 3, 8])
def test_nothing_runs_off_the_page_and_no_row_is_split(paper: str, count: int) -> None:
    long = "a rather long name for a thing that is set at the bench"
    levels = ("as long as it takes until both blades are even", ODD[5], "x")
    settings = tuple(Factor(f"f{k}", levels, label=long if k else ODD[5]) for k in range(count))
    steps = [Step("long", ODD[5] * 3, [f"{name}_{ODD[5]}" for name in "abcdefghijkl"])]
    full = bench(24, settings, sessions=5, study=ODD[5] * 3, protocol=steps)
    for page in pages_of(full).values():
        for picture in pictures(page, paper):
            margin = 14  # dots: 7 mm, which printers leave free
            edges = [picture[:margin], picture[-margin:], picture[:, :margin], picture[:, -margin:]]
            assert min(edge.min() for edge in edges) == 1.0
        spans = where(page, paper)
        assert spans["row-top"] == spans["row-end"]
        assert len(spans["row-top"]) == len(page["rows"])


def test_no_text_runs_into_its_neighbour() -> None:
    """Between two boxes stands their line; text across it would darken it somewhere."""
    plain = bench(2, (Factor("f0", ("x", "y")), Factor("f1", ("x", "y"))))
    long = bench(2, (Factor("f0", (ODD[5], ODD[5][1:])), Factor("f1", (ODD[5], ODD[5][1:]))))
    for sheets in (plain, long):
        picture = pictures(making_page(sheets))[0]
        # The second setting begins half-way between the settings' left edge and the right one.
        line = round(2 * (12 + 34 + (210 - 24 - 34) / 2))
        beside = picture[:, line - 1 : line + 2].min(axis=1)
        assert beside[192:].min() > 0.25  # below the header of the rows


def test_page_counts_stay_small() -> None:
    counts = {kind: len(pictures(page)) for kind, page in pages_of(bench(24)).items()}
    assert counts == {"making": 4, "labels": 1, "testing": 5, "sessions": 1}


@pytest.mark.parametrize(("level", "points"), [("H", 16), ("H" * 40, 14)])
def test_what_is_read_at_the_bench_is_large(level: str, points: int) -> None:
    """A capital of DejaVu Sans is 0.729 of the size high (its OS/2 table)."""
    dots = 8
    page = making_page(bench(1, (Factor("f", (level, "x")),)))
    page["rows"][0]["lines"][0][0]["plan"] = level
    picture = pictures(page, dots=dots)[0]
    # The left half of the one setting, inside its frame, below the header of the rows.
    inside = picture[97 * dots :, 47 * dots : 80 * dots]
    runs = "".join("x" if row.min() < 0.2 else " " for row in inside).split()
    tall = max(map(len, runs)) / dots
    assert tall == pytest.approx(0.729 * points * MM / 72, abs=0.3)


def test_numbers_and_codes_that_rows_are_found_by_are_large() -> None:
    for page in (making_page(bench()), pages.testing_page(bench(), 1)):
        for row in page["rows"]:
            first = row["lead"][0]
            assert first["size"] >= 18
    assert [lead["size"] for lead in making_page(bench())["rows"][1]["lead"]] == [24, 15, 15, 15]


# Text


@pytest.mark.parametrize("odd", ODD)
def test_no_text_can_break_a_page(odd: str) -> None:
    settings = (Factor("f", (odd, "x"), label=odd, unit=odd),)
    column = Column("odd_result", "number", odd)
    steps = [Step(odd, odd, ["odd_result", odd], [odd])]
    full = bench(3, settings, study=odd, batch_id="B1", protocol=steps, columns=[column])
    full.making["tube_id"] = odd
    for page in pages_of(full).values():
        assert typeset(page)[:5] == b"%PDF-"
    assert odd in texts_in(making_page(full))


def test_markup_is_set_as_it_is_typed() -> None:
    """Text of a page as the typesetter has it: no bold, no link, no formula came of it."""
    step = Step("x", ODD[0])
    setter = compiler(pages.testing_page(bench(1, protocol=[step]), 1))
    for element in ("strong", "emph", "math.equation", "link", "raw", "ref"):
        assert json.loads(setter.query(element)) == []


def test_the_same_plan_gives_the_same_bytes() -> None:
    assert [typeset(page) for page in pages_of(bench()).values()] == [
        typeset(page) for page in pages_of(bench()).values()
    ]
    assert typeset(making_page(bench())) != typeset(making_page(bench(11)))


def test_signs_of_the_trade_are_in_the_sheets_own_font() -> None:
    from reedlab.plan.bench.typeset import _covered

    assert {ord(sign) for sign in "♭♯×−°→µé"} <= _covered()
    assert ord("竹") not in _covered()


# What each sheet tells


def test_the_making_sheet_tells_recipes_and_no_code() -> None:
    sheets = bench()
    page = making_page(sheets)
    texts = texts_in(page)
    assert [row["name"] for row in page["rows"]] == [f"place {k}" for k in range(1, 13)]
    assert not set(texts) & set(sheets.labels["blind_code"])
    first = texts_in(page["rows"][0])
    assert [lead["text"] for lead in page["rows"][0]["lead"]] == ["1", "T01", "1", "none"]
    assert {"gouge, centre, mm", "shape", "as planned", "minutes", "lost"} <= set(first)
    plans = [row["lines"][0][0]["plan"] for row in page["rows"]]
    assert set(plans) == {"1.25", "1.30"}
    assert plans == [f"{level:.2f}" for level in sheets.making["gouge_centre_mm"]]
    assert set(cautions_for("bench")) <= set(texts)
    assert "outer diameter" not in " ".join(texts)  # given by the cane, not set
    assert "Take the next spare piece of the same tube" in " ".join(texts)


def test_the_testing_sheet_tells_codes_in_order_and_nothing_else() -> None:
    sheets = bench()
    for session in (1, 2):
        page = pages.testing_page(sheets, session)
        here = sheets.testing[sheets.testing["session"] == session]
        assert [row["name"] for row in page["rows"]] == list(here["blind_code"])
        told = " ".join(texts_in(page)).split()
        for word in ("T01", "T02", "T03", "1.25", "1.30", "narrow", "wide", "airless", "humid"):
            assert word not in told
        assert set(cautions_for("testing")) <= set(texts_in(page))
        steps = [step["name"] for step in page["steps"]]
        assert steps == [step.name for step in default_protocol("bassoon")]


def test_the_testing_sheet_has_a_box_for_all_that_the_steps_fill() -> None:
    labels = [
        box["label"] for line in pages.testing_page(bench(), 1)["rows"][0]["lines"] for box in line
    ]
    assert labels == [
        "resoaked",
        "tip opening, mm",
        "crow, Hz",
        "crow, cents",
        "soft, dB",
        "loud, dB",
        "dynamic range, dB",
        "attack, ms",
        "slur gap, ms",
        "low evenness, cents",
        "rating overall",
        "fate, once it is decided",
        "why",
        "note",
    ]


def test_few_choices_are_printed_to_be_circled() -> None:
    own = Response("tone", "ordinal", levels=("very poor indeed", "quite good"))
    steps = [Step("a", "Do.", ["resoaked", "rating_overall", "tone"])]
    page = pages.testing_page(bench(1, protocol=steps, responses=(*RESPONSES, own)), 1)
    boxes = {box["label"]: box["choices"] for line in page["rows"][0]["lines"] for box in line}
    assert boxes["resoaked"] == ["yes", "no"]
    assert boxes["rating overall"] == ["1", "2", "3", "4", "5"]
    assert boxes["tone"] == []


def test_the_labelling_sheet_goes_by_code_which_shuffles_the_places() -> None:
    sheets = bench(24)
    labels = labels_page(sheets)["labels"]
    codes = [label["code"] for label in labels]
    assert codes == sorted(sheets.labels["blind_code"])
    place_of = dict(zip(sheets.labels["blind_code"], sheets.labels["place"], strict=True))
    assert [int(label["place"]) for label in labels] == [place_of[code] for code in codes]
    assert [label["place"] for label in labels] != [str(k) for k in range(1, 25)]
    assert labels_page(sheets)["mark"] == "Fold, and let somebody else put the codes on."


def test_the_sessions_sheet_has_a_column_a_session() -> None:
    page = sessions_page(bench(sessions=5))
    assert [table["columns"] for table in page["tables"]] == [
        ["B1-S1", "B1-S2", "B1-S3"],
        ["B1-S4", "B1-S5"],
    ]
    lines = page["tables"][0]["lines"]
    assert lines[0] == {"label": "air: plan", "unit": "", "cells": ["airless", "humid", "airless"]}
    assert [(line["label"], line["unit"]) for line in lines[1:]] == [
        ("air: done", ""),
        ("day and time", ""),
        ("player", ""),
        ("instrument", ""),
        ("bocal", ""),
        ("room", ""),
        ("relative humidity", "%"),
        ("temperature", "°C"),
        ("A4", "Hz"),
    ]


# CSV, and a study


def rows_of(content: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def test_the_making_csv_has_the_plan_and_boxes_for_what_was_done() -> None:
    header, first, *_ = rows_of(making_csv(bench()))
    assert header == [
        *("batch_id", "place", "tube_id", "piece", "spare_pieces"),
        *("gouge_centre_mm (plan)", "shape (plan)", "as_planned", "gouge_centre_mm", "shape"),
        *("piece_used", "made_on", "minutes_spent", "lost", "note"),
    ]
    assert first[:5] == ["B1", "1", "T01", "1", ""]
    assert first[5] in {"1.25", "1.3"}
    assert first[7:] == [""] * 8


def test_the_sessions_csv_gives_the_plan_once() -> None:
    header, *rows = rows_of(sessions_csv(bench()))
    assert header == [
        *("batch_id", "session", "session_id", "started_at", "player_id", "instrument_id"),
        *("bocal", "room", "relative_humidity_pct", "temperature_c", "a4_hz"),
        *("air (plan)", "air"),
    ]
    assert [row[:3] + row[11:] for row in rows] == [
        ["B1", "1", "B1-S1", "airless", ""],
        ["B1", "2", "B1-S2", "humid", ""],
    ]


def test_a_session_factor_that_is_recorded_anyway_has_one_box() -> None:
    damp = Factor("relative_humidity_pct", (40, 70), "session", "%")
    sheets = bench()
    sheets.testing[damp.name] = [40.0] * 12 + [70.0] * 12
    both = Bench(**{**vars(sheets), "factors": (damp,)})
    header, first, _ = rows_of(sessions_csv(both))
    assert header.count(damp.name) == 1
    assert first[header.index("relative_humidity_pct (plan)")] == "40"
    labels = [line["label"] for line in sessions_page(both)["tables"][0]["lines"]]
    assert labels.count("relative humidity: plan") == labels.count("relative humidity") == 1
    assert "relative humidity: done" not in labels


def test_odd_texts_survive_the_csv() -> None:
    sheets = bench(8, (Factor("f", ODD),))
    header, *rows = rows_of(making_csv(sheets))
    place = header.index("f (plan)")
    # Only what a spreadsheet would compute gets an apostrophe; a filled sheet is read without it.
    assert [row[place] for row in rows] == [harmless(text) for text in sheets.making["f"]]
    assert [as_meant(row[place]) for row in rows] == list(sheets.making["f"])


@pytest.fixture
def planned(tmp_path: Path) -> Study:
    """A study with a sealed batch of 12 reeds."""
    folder = tmp_path / "autumn"
    tubes = pd.DataFrame({"tube_id": ["T01", "T02", "T03"], "outer_diameter_mm": 25.1})
    settings = Settings("bassoon", invented=True, responses=RESPONSES)
    study = write_study(folder, {"tubes": tubes}, settings, "Autumn, invented")
    sheets = bench()
    sheets.making["shape"] = sheets.making["tube_id"].map(
        {"T01": "narrow", "T02": "wide", "T03": "narrow"}
    )
    covariate = Factor("outer_diameter_mm", (), "tube", "mm", kind="numeric")
    names = ("gouge_centre_mm", "shape", "air")
    record = BatchRecord(
        "B1", names, 1, "by chance", names[:2], sealed=True, given=(covariate.name,)
    )
    factors = (GOUGE, SHAPE, AIR, covariate)
    return add_plan(study, record, factors, sheets.making, sheets.testing, sheets.labels)


def test_a_study_writes_all_sheets_of_a_batch(planned: Study) -> None:
    written = write_sheets(planned, "B1")
    assert [str(path.relative_to(planned.folder)) for path in written] == [
        f"sheets/B1_{kind}"
        for kind in (
            *("making.pdf", "making.csv", "labels.pdf", "testing_1.pdf", "testing_1.csv"),
            *("testing_2.pdf", "testing_2.csv", "sessions.pdf", "sessions.csv"),
        )
    ]
    before = [path.read_bytes() for path in written]
    assert [path.read_bytes() for path in write_sheets(planned, "B1")] == before
    header, first, *_ = rows_of((planned.folder / "sheets/B1_making.csv").read_bytes())
    assert "outer_diameter_mm (plan)" not in header
    assert header[5:7] == ["gouge_centre_mm (plan)", "shape (plan)"]
    header, first, *_ = rows_of((planned.folder / "sheets/B1_testing_2.csv").read_bytes())
    assert header == [
        *("batch_id", "session_id", "place", "blind_code", "stage", "trial"),
        *(name for step in planned.settings.protocol for name in step.fills),
        *("fate", "fate_reason", "note"),
    ]
    assert [first[0], first[1], first[2], first[4], first[5]] == ["B1", "B1-S2", "1", "new", "2"]


def test_codes_stand_on_no_sheet_with_tubes(planned: Study, tmp_path: Path) -> None:
    codes = set(planned.labels("B1")["blind_code"])
    for path in write_sheets(planned, "B1", tmp_path / "s"):
        if path.suffix == ".csv":
            cells = {cell for row in rows_of(path.read_bytes()) for cell in row}
            assert not (cells & codes and cells & {"T01", "T02", "T03", "narrow", "wide", "1.25"})


def test_a_sheet_that_was_filled_in_is_never_written_over(planned: Study, tmp_path: Path) -> None:
    write_sheets(planned, "B1", tmp_path / "s")
    sheet = tmp_path / "s" / "B1_making.csv"
    filled = sheet.read_bytes() + b"typed"
    sheet.write_bytes(filled)
    with pytest.raises(RecordError) as told:
        write_sheets(planned, "B1", tmp_path / "s", paper="letter")
    assert str(told.value) == (
        f"{tmp_path / 's'} holds sheets that have been filled in (B1_making.csv); record them and "
        "move them away first, or name another folder with to=."
    )
    assert sheet.read_bytes() == filled


def test_a_wrong_paper_or_batch_is_told(planned: Study, tmp_path: Path) -> None:
    with pytest.raises(CallError) as told:
        write_sheets(planned, "B1", tmp_path / "s", paper="A5")
    assert str(told.value) == ("There is no paper 'A5'. Nearest: A4. Present: A4, letter.")
    with pytest.raises(CallError, match=r"There is no batch 'B2'\. Nearest: B1\. Present: B1\."):
        write_sheets(planned, "B2", tmp_path / "s")
    assert not (tmp_path / "s").exists()


def test_a_folder_that_cannot_be_written_is_told(planned: Study, tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("no folder")
    with pytest.raises(RecordError) as told:
        write_sheets(planned, "B1", file / "sheets")
    assert str(told.value) == (
        f"{file / 'sheets'} cannot be made: Not a directory; name another folder with to=."
    )
    with pytest.raises(RecordError, match=r"file cannot be made: File exists; name another"):
        write_sheets(planned, "B1", file)


def filled_in(path: Path, **boxes: str) -> Path:
    """Fill boxes of a CSV sheet, the same in every row."""
    header, *rows = rows_of(path.read_bytes())
    for row in rows:
        for name, text in boxes.items():
            row[header.index(name)] = text
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([header, *rows])
    return path


def test_empty_sheets_come_back_with_nothing_done(planned: Study) -> None:
    for path in write_sheets(planned, "B1"):
        if path.suffix == ".csv":
            came = record_sheet(planned, path)
            assert came.added == 0
            assert came.skipped == len(rows_of(path.read_bytes())) - 1


def test_filled_sheets_come_back_and_each_code_is_the_reed_of_its_place(planned: Study) -> None:
    labels, plan = planned.labels("B1"), planned.plan("B1").making
    paths = {path.name: path for path in write_sheets(planned, "B1")}
    made = filled_in(paths["B1_making.csv"], as_planned="yes", made_on="2026-03-04")
    held = filled_in(paths["B1_sessions.csv"], started_at="2026-03-10 19:30", air="humid")
    tried = filled_in(paths["B1_testing_1.csv"], crow_hz="341.5", rating_overall="4", fate="kept")
    study = planned.record(made).record(held).record(tried)
    assert study.tables["sessions"]["session_id"].tolist() == ["B1-S1", "B1-S2"]
    tests = study.tables["tests"]
    assert tests["reed_id"].tolist() == [row[3] for row in rows_of(tried.read_bytes())[1:]]
    assert (tests["stage"] == "new").all()
    reeds = study.unblind("B1", "2026-03-20").tables["reeds"].set_index("blind_code")
    right = plan.merge(labels, on="place").set_index("blind_code").loc[reeds.index]
    for name in ("tube_id", "gouge_centre_mm"):
        assert reeds[name].tolist() == right[name].tolist()
