"""Parquet beside CSV: the same values, the same rules, and no trust in what a file claims."""

import builtins
import random
import subprocess
import sys
import zipfile
from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from reedlab import pool
from reedlab.analyse import across_makers, drivers, keep_rate
from reedlab.demo import example_studio, example_study
from reedlab.errors import RecordError
from reedlab.study import bring_in, new_study, open_study, parquet, rebuild, write_parquet
from reedlab.study.looks import Look
from reedlab.study.whereabouts import data_hash
from tests.study.build import describe, opened, planned_batch, told
from tests.study.pooling.build import study_of


def lying(folder, columns, **more):
    """Write a study whose reeds are a Parquet file of these columns."""
    folder.mkdir(exist_ok=True)
    pq.write_table(pa.table(columns), folder / "reeds.parquet", **more)
    describe(folder, {"instrument": "bassoon"}, [{"name": "reeds", "path": "reeds.parquet"}])
    return folder


def same(study, again):
    assert list(again.tables) == list(study.tables)
    for name, frame in study.tables.items():
        pd.testing.assert_frame_equal(again.tables[name], frame)
        assert again.schema[name] == study.schema[name]
    assert again.settings == study.settings


@pytest.mark.parametrize("name", ["batch", "season"])
def test_every_value_comes_back(tmp_path, name):
    study = example_study(name)
    again = write_parquet(study, tmp_path / "again")
    same(study, again)
    # The season has two faults of its own; the third says that nothing is recorded here.
    assert len(again.faults.table) == len(study.faults.table) + 1
    assert sorted(path.suffix for path in again.folder.glob("*.*")) == [".json"] + [
        ".parquet"
    ] * len(study.tables)


def test_kinds_of_values_come_back(tmp_path):
    study = planned_batch(tmp_path / "study")
    again = write_parquet(study, tmp_path / "again")
    same(study, again)
    assert again.tables["sessions"]["started_at"].tolist() == [
        pd.Timestamp("2026-02-01 19:30"),
        pd.Timestamp("2026-02-04 10:00:30"),
    ]
    assert again.tables["tests"]["recording"].iloc[0] == "day 1 ♭0.wav"


def test_answers_are_the_same(tmp_path):
    study = example_study("season")
    again = write_parquet(study, tmp_path / "again")
    ours, theirs = (drivers(one, "crow_cents").table for one in (study, again))
    pd.testing.assert_frame_equal(ours, theirs)


def test_a_pool_is_written_and_opened_as_one(tmp_path):
    pooled = pool(example_studio())
    again = write_parquet(pooled, tmp_path / "pool")
    same(pooled, again)
    assert again.makers == pooled.makers
    assert again.told == pooled.told
    ours, theirs = (across_makers(one, "crow_cents") for one in (pooled, again))
    pd.testing.assert_frame_equal(ours.table, theirs.table)
    assert ours.cautions == theirs.cautions
    assert keep_rate(again.of("Ash")).sentence == keep_rate(pooled.of("Ash")).sentence
    with pytest.raises(Exception, match="is a pool itself"):
        pool({"a": again, "b": example_study("season")})


def test_what_differs_between_the_makers_is_kept(tmp_path):
    def with_more(tables):
        tables["reeds"]["soak_h"] = 2.0

    pooled = pool([study_of(tmp_path, "Ash", 1, with_more), study_of(tmp_path, "Beech", 2)])
    assert pooled.told
    again = write_parquet(pooled, tmp_path / "pool")
    assert again.told == pooled.told
    same(pooled, again)


def test_parquet_is_for_reading(tmp_path):
    study = write_parquet(planned_batch(tmp_path / "study"), tmp_path / "again")
    before = {path: path.read_bytes() for path in study.folder.iterdir()}
    for call in (study.undo, lambda: study.record("sheet.csv")):
        with pytest.raises(RecordError, match="its tables are Parquet, which is for reading"):
            call()
    assert {path: path.read_bytes() for path in study.folder.iterdir()} == before
    assert ("datapackage.json", None, "", "", "warning") in [
        (file, None if pd.isna(row) else row, *rest) for file, row, *rest in told(study)
    ]


def test_values_are_judged_by_the_same_rules(tmp_path):
    numbers = {
        "reed_id": ["1", "2", "3"],
        "gouge_centre_mm": [1.3, 13.0, None],
        "fate": list("xyz"),
    }
    pa_study = open_study(lying(tmp_path / "pq", numbers))
    text = "reed_id,gouge_centre_mm,fate\n1,1.3,x\n2,13,y\n3,,z\n"
    csv_study = opened(tmp_path / "csv", reeds=text)
    ours = [(row, *rest) for _, row, *rest in told(pa_study)][1:]
    assert ours == [(row, *rest) for _, row, *rest in told(csv_study)]
    pd.testing.assert_frame_equal(pa_study.tables["reeds"], csv_study.tables["reeds"])


@pytest.mark.parametrize(
    ("values", "texts"),
    [
        (pa.array(["a", None, "a"]).dictionary_encode(), ["a", "", "a"]),
        (pa.array(["a", " ", ""], pa.large_string()), ["a", " ", ""]),
        (pa.array([True, None, False]), ["true", "", "false"]),
        (pa.array([7, None, -(2**62)]), ["7", "", str(-(2**62))]),
        (pa.array([7.0, float("nan"), 1.25]), ["7", "", "1.25"]),
        (pa.array([1e300, 0.1, None]), ["1e+300", "0.1", ""]),
        (pa.array([1.25, 3, None], pa.float32()), ["1.25", "3", ""]),
        (pa.array([Decimal("1.30"), None, Decimal("7.00")]), ["1.30", "", "7.00"]),
        (pa.array([date(2026, 3, 4), None, date(1999, 12, 31)]), ["2026-03-04", "", "1999-12-31"]),
        (
            pa.array([datetime(2026, 3, 4, 19, 30), None, datetime(2026, 3, 4, 0, 0, 5)]),
            ["2026-03-04 19:30", "", "2026-03-04 00:00:05"],
        ),
        (pa.nulls(3), ["", "", ""]),
    ],
)
def test_the_text_of_a_value_is_that_of_a_sheet(tmp_path, values, texts):
    study = open_study(lying(tmp_path, {"reed_id": ["1", "2", "3"], "other": values}))
    assert study.sheets["reeds"].column("other") == texts


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ([[1, 2]], r"reeds.parquet, column 'other', holds values of type list<.*int64>; read are"),
        ([{"a": 1}], r"column 'other', holds values of type struct<a: int64>"),
        ([b"x"], r"column 'other', holds values of type binary"),
        ([datetime(2026, 3, 4, tzinfo=UTC)], r"column 'other', holds times with a time zone"),
        (["x" * 40_000], r"holds more than 32,767 characters in a cell of 'other', which is more"),
    ],
)
def test_what_no_sheet_holds_is_refused(tmp_path, values, message):
    with pytest.raises(RecordError, match=message):
        open_study(lying(tmp_path, {"reed_id": ["1"], "other": values}))


def test_a_key_that_is_missing_and_a_file_that_is_missing_are_told(tmp_path):
    folder = lying(tmp_path, {"reed": ["1"]})
    with pytest.raises(RecordError, match=r"reeds.parquet lacks the key column 'reed_id'; nearest"):
        open_study(folder)
    (folder / "reeds.parquet").unlink()
    with pytest.raises(RecordError, match=r"reeds.parquet is missing from the folder"):
        open_study(folder)


def test_a_table_that_is_there_twice_is_refused(tmp_path):
    folder = lying(tmp_path / "a", {"reed_id": ["1"]})
    (folder / "reeds.csv").write_text("reed_id\n1\n")
    with pytest.raises(
        RecordError, match=r"^reeds.parquet and reeds.csv both lie in .*; take away"
    ):
        open_study(folder)
    study = planned_batch(tmp_path / "b")
    (study.folder / "tests.parquet").write_bytes(b"PAR1")
    with pytest.raises(RecordError, match=r"^tests.csv and tests.parquet both lie in"):
        open_study(study.folder)


def test_a_copy_is_told(tmp_path):
    study = write_parquet(planned_batch(tmp_path / "study"), tmp_path / "again")
    (study.folder / "tests (1).parquet").write_bytes(b"PAR1")
    assert "it looks like a copy of tests.parquet, and is not read" in [
        *study.faults.table["fault"]
    ]


def test_a_record_with_cells_that_cannot_be_read_is_not_written(tmp_path):
    study = opened(tmp_path / "study", reeds='reed_id,gouge_centre_mm\n1,"1,3"\n')
    with pytest.raises(RecordError, match=r"cannot be written as Parquet:\n- reeds.csv, row 2"):
        write_parquet(study, tmp_path / "again")
    assert not (tmp_path / "again").exists()


def test_a_folder_that_holds_something_is_left_alone(tmp_path):
    study = planned_batch(tmp_path / "study")
    with pytest.raises(RecordError, match="holds a study already"):
        write_parquet(study, study.folder)


def test_without_pyarrow_the_remedy_is_told(tmp_path, monkeypatch):
    study = planned_batch(tmp_path / "study")
    folder = lying(tmp_path / "pq", {"reed_id": ["1"]})
    really = builtins.__import__

    def without(name, *more):
        if name.split(".")[0] == "pyarrow":
            raise ImportError(name)
        return really(name, *more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(
        RecordError, match=r"^tubes.parquet is Parquet, which needs pyarrow: pip in"
    ):
        write_parquet(study, tmp_path / "again")
    with pytest.raises(
        RecordError, match=r"^reeds.parquet is Parquet, which needs pyarrow: pip in"
    ):
        open_study(folder)


@pytest.mark.parametrize(
    ("bound", "most", "message"),
    [
        ("MAX_ROWS", 2, "reeds.parquet holds more than 2 rows, which is more than is read."),
        ("MAX_COLUMNS", 1, "reeds.parquet holds more than 1 columns"),
        ("MAX_CELLS", 5, "reeds.parquet holds more than 5 cells"),
        ("MAX_UNPACKED", 10, "reeds.parquet holds more than 0 MB of values"),
    ],
)
def test_more_than_is_read_is_refused_by_its_claim(tmp_path, monkeypatch, bound, most, message):
    folder = lying(tmp_path, {"reed_id": ["1", "2", "3"], "shape": ["a", "b", "c"]})
    monkeypatch.setattr(parquet, bound, most)
    with pytest.raises(RecordError, match=message):
        open_study(folder)


def test_a_small_file_of_very_many_rows_is_refused_at_once(tmp_path):
    rows = pa.DictionaryArray.from_arrays(np.zeros(6_000_000, np.int32), ["1"])
    folder = lying(tmp_path, {"reed_id": rows})
    assert (folder / "reeds.parquet").stat().st_size < 20_000
    with pytest.raises(RecordError, match=r"reeds.parquet holds more than 5,000,000 rows"):
        open_study(folder)


def _varint(number):
    zigzag, out = 2 * number, b""
    while zigzag > 127:
        out += bytes([zigzag & 127 | 128])
        zigzag >>= 7
    return out + bytes([zigzag])


@pytest.mark.parametrize("claimed", [12_344, 12_346, 2**20])
def test_a_claim_about_its_rows_that_is_false_is_refused(tmp_path, claimed):
    folder = lying(tmp_path, {"reed_id": [f"{i}" for i in range(12_345)]})
    path = folder / "reeds.parquet"
    content = path.read_bytes()
    start = len(content) - 8 - int.from_bytes(content[-8:-4], "little")
    footer = content[start:-8].replace(_varint(12_345), _varint(claimed), 1)
    path.write_bytes(content[:start] + footer + len(footer).to_bytes(4, "little") + b"PAR1")
    assert pq.read_metadata(path).num_rows == claimed
    with pytest.raises(
        RecordError, match=r"^reeds.parquet (is damaged|holds more than the 12,344)"
    ):
        open_study(folder)


def _spoilt(content, how):
    """Cut a file off, or change some of its bytes, in a way that a number decides."""
    rng = random.Random(how)
    if how % 4 == 0:
        return content[: rng.randrange(len(content))]
    spoilt = bytearray(content)
    # Half of all damage goes to the description at the end, on which all else hangs.
    low = 0 if how % 2 else len(content) // 2
    for _ in range(rng.randint(1, 6)):
        spoilt[rng.randrange(low, len(spoilt))] = rng.randrange(256)
    return bytes(spoilt)


def _refusal(folder):
    """Return why a study is not opened, or nothing if it is."""
    try:
        open_study(folder)
    except RecordError as error:
        return str(error)
    return None


def _opened_spoilt(folder, many):
    """Open a file spoilt in many ways; return how often it was refused."""
    study, refused = write_parquet(planned_batch(folder / "study"), folder / "again"), 0
    path = study.folder / "tests.parquet"
    whole = path.read_bytes()
    for how in many:
        path.write_bytes(_spoilt(whole, how))
        text = _refusal(study.folder)
        if text is not None:
            refused += 1
            assert all("tests.parquet" in line for line in text.splitlines()), text
    return refused


def test_spoilt_bytes_are_one_sentence(tmp_path):
    assert _opened_spoilt(tmp_path, range(120)) > 80


@pytest.mark.slow
def test_many_spoilt_bytes_are_one_sentence(tmp_path):
    assert _opened_spoilt(tmp_path, range(1_000, 3_000)) > 1_300


def test_an_old_sheet_may_be_parquet(tmp_path):
    old = pd.DataFrame(
        {
            "Reed No.": ["007", "008", None],
            "made on": [pd.Timestamp("2024-03-04"), None, None],
            "gouge mm": [1.3, 1.234, None],
            "shape": ["wide", "narrow", None],
        }
    )
    old.to_parquet(tmp_path / "old.parquet")
    found = bring_in(new_study(tmp_path / "study"), tmp_path / "old.parquet", confirmed=True)
    reeds = found.study.tables["reeds"]
    assert reeds["reed_id"].tolist() == ["007", "008"]
    assert reeds["gouge_centre_mm"].tolist() == [1.3, 1.234]
    assert reeds["made_on"].iloc[0] == pd.Timestamp("2024-03-04")


def test_a_spoilt_old_sheet_is_one_sentence(tmp_path):
    (tmp_path / "old.parquet").write_bytes(b"PAR1 and then nothing")
    with pytest.raises(RecordError, match=r"^old.parquet is damaged, or no Parquet \("):
        bring_in(new_study(tmp_path / "study"), tmp_path / "old.parquet", dry_run=True)


_MILLION = """
import sys
import pandas as pd
from reedlab.study import open_study
study = open_study(sys.argv[1])
status = open("/proc/self/status").read().split("VmHWM:")[1]
print(len(study.tables["tests"]), int(status.split()[0]) / 1024)
"""


@pytest.mark.slow
def test_a_million_rows_open_within_a_gigabyte(tmp_path):
    # Measured: 0.55 GB.
    n = 1_000_000
    rng = np.random.default_rng(1)
    reed = pa.DictionaryArray.from_arrays(
        np.repeat(np.arange(n // 10), 10).astype(np.int32), [f"R{i}" for i in range(n // 10)]
    )
    session = pa.DictionaryArray.from_arrays(
        np.resize(np.arange(10), n).astype(np.int32), [f"S{i}" for i in range(10)]
    )
    cents = np.round(rng.normal(0, 9, n), 1)
    columns = {
        "reed_id": reed,
        "session_id": session,
        "stage": pa.array(["day 1"] * n),
        "trial": np.ones(n, int),
    }
    pq.write_table(pa.table({**columns, "crow_cents": cents}), tmp_path / "tests.parquet")
    describe(tmp_path, {"instrument": "bassoon"}, [{"name": "tests", "path": "tests.parquet"}])
    ended = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", _MILLION, str(tmp_path)],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    rows, held_mb = ended.stdout.split()
    assert int(rows) == n
    assert float(held_mb) < 1_000


def test_a_zip_of_it_opens(tmp_path):
    study = write_parquet(example_study("batch"), tmp_path / "batch")
    with zipfile.ZipFile(tmp_path / "batch.zip", "w") as archive:
        for path in study.folder.iterdir():
            archive.write(path, path.name)
    again = open_study(tmp_path / "batch.zip")
    same(study, again)
    assert data_hash(again) == data_hash(study)
    assert rebuild(study.folder).sentence.startswith("There is no journal yet")


def test_what_was_looked_at_is_logged_beside_it(tmp_path):
    study = planned_batch(tmp_path / "study")
    again = write_parquet(
        replace(study, settings=replace(study.settings, invented=False)), tmp_path / "again"
    )
    again.log.add(
        [Look("drivers", "crow", "shape", "", "", "observed", 0.03, "shape", 24, "0.3.0")]
    )
    assert (again.folder / "looks.csv").is_file()
    assert len(open_study(again.folder).log.looks) == 1
