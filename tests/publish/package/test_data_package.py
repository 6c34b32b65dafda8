import hashlib
import json
import zipfile
from dataclasses import replace
from pathlib import Path

import frictionless
import pandas as pd
import pytest
import yaml

from reedlab.analyse import drivers, keep_rate
from reedlab.answer import VOCABULARY
from reedlab.errors import CallError, RecordError
from reedlab.publish.package import data_package
from reedlab.study import Study, open_study
from tests.publish.package.salted import SETTINGS, salted
from tests.study.batch import CODES, contents, sealed
from tests.study.build import planned_batch, record

DEMO = Path(__file__).parents[3] / "data"


def demo(name: str) -> Study:
    return open_study(DEMO / f"demo_{name}", read_only=True)


def unpacked(path: Path) -> Path:
    with zipfile.ZipFile(path) as archive:
        archive.extractall(path.with_suffix(""))
    return path.with_suffix("")


def same_tables(one: Study, other: Study, without: tuple[str, ...] = ()) -> None:
    assert list(one.tables) == list(other.tables)
    for name, table in one.tables.items():
        kept = table.drop(columns=[column for column in without if column in table])
        pd.testing.assert_frame_equal(kept, other.tables[name])


def faults(study: Study) -> list[tuple]:
    """Return the faults of the cells; that a zip is for reading only is none of them."""
    table = study.check().table.dropna(subset=["row"])
    return list(table.drop(columns=["remedy"]).itertuples(index=False, name=None))


@pytest.mark.parametrize("name", ["batch", "season"])
def test_frictionless_validates_the_package(tmp_path, name):
    package = data_package(demo(name), tmp_path / "open.zip", "CC0-1.0")
    report = frictionless.validate(str(unpacked(package.path) / "datapackage.json"))
    assert report.valid, report.flatten(["fieldName", "type", "note"])


def test_frictionless_validates_plans_keys_looks_and_recordings(tmp_path):
    study = salted(tmp_path / "study")
    package = data_package(study, tmp_path / "open.zip", "CC0-1.0", recordings=True, notes=True)
    folder = unpacked(package.path)
    report = frictionless.validate(str(folder / "datapackage.json"))
    assert report.valid, report.flatten(["fieldName", "type", "note"])
    listed = json.loads((folder / "datapackage.json").read_text("utf-8"))["resources"]
    on_disk = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert {item["path"] for item in listed} == on_disk - {"datapackage.json", "checksums.sha256"}


@pytest.mark.parametrize("name", ["batch", "season"])
def test_a_round_trip_changes_nothing_but_what_was_asked(tmp_path, name):
    study = demo(name)
    package = data_package(study, tmp_path / "open.zip", "CC0-1.0", pseudonyms=False, notes=True)
    for again in (open_study(package.path), open_study(unpacked(package.path))):
        same_tables(study, again)
        assert again.settings == study.settings
        assert again.title == study.title
        assert again.schema == study.schema
        assert faults(again) == faults(study)
    assert open_study(package.path).read_only == "it was opened read-only"


def test_a_package_of_a_package_is_the_same_study(tmp_path):
    choices = {"licence": "CC0-1.0", "pseudonyms": False, "notes": True}
    first = data_package(demo("season"), tmp_path / "a.zip", **choices)
    second = data_package(open_study(first.path), tmp_path / "b.zip", **choices)
    assert second.path.read_bytes() == first.path.read_bytes()


@pytest.mark.parametrize("name", ["batch", "season"])
def test_questions_give_the_same_numbers(tmp_path, name):
    study = demo(name)
    package = data_package(study, tmp_path / "open.zip", "CC0-1.0", shift_days=-700)
    again = open_study(package.path)
    for ask in (lambda one: drivers(one, "crow_cents"), keep_rate):
        pd.testing.assert_frame_equal(ask(study).table, ask(again).table)


def test_the_same_study_and_choices_give_the_same_bytes(tmp_path):
    study = salted(tmp_path / "study")
    asked = {"licence": "CC-BY-4.0", "recordings": True, "shift_days": 7}
    one, two = (data_package(study, tmp_path / f"{n}.zip", **asked) for n in "ab")
    assert one.path.read_bytes() == two.path.read_bytes()
    with zipfile.ZipFile(one.path) as archive:
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert archive.namelist() == sorted(archive.namelist())
    other = data_package(study, tmp_path / "c.zip", **(asked | {"shift_days": 14}))
    assert other.path.read_bytes() != one.path.read_bytes()


def test_a_key_gives_a_player_the_same_name_in_the_next_package(tmp_path):
    study = salted(tmp_path / "study")
    first = data_package(study, tmp_path / "a.zip", "CC0-1.0", key="my own").aliases
    with (study.folder / "sessions.csv").open("a", encoding="utf-8") as file:
        file.write("S4,2026-03-01 10:00,Jörg,Cellar,dry,\n")
    again = data_package(open_study(study.folder), tmp_path / "b.zip", "CC0-1.0", key="my own")
    assert again.aliases == first
    drawn = {
        tuple(data_package(study, tmp_path / f"{key}.zip", "CC0-1.0", key=str(key)).aliases)
        for key in range(6)
    }
    assert len(drawn) > 2  # not by the alphabet, nor by who comes first


def test_checksums_fit_the_files_and_the_descriptor(tmp_path):
    folder = unpacked(data_package(demo("batch"), tmp_path / "open.zip", "CC0-1.0").path)
    lines = (folder / "checksums.sha256").read_text("utf-8").splitlines()
    told = {name: checksum for checksum, name in (line.split("  ", 1) for line in lines)}
    assert set(told) == {path.name for path in folder.iterdir()} - {"checksums.sha256"}
    for name, checksum in told.items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == checksum
    for item in json.loads((folder / "datapackage.json").read_text("utf-8"))["resources"]:
        assert item["hash"] == f"sha256:{told[item['path']]}"
        assert item["bytes"] == (folder / item["path"]).stat().st_size


# Citation File Format 1.2.0, schema guide (citation-file-format/citation-file-format, 2021): what a
# file must have and may have, and the two kinds of work.
CFF_NEEDS = {"authors", "cff-version", "message", "title"}
CFF_MAY = CFF_NEEDS | {"abstract", "commit", "contact", "date-released", "doi", "identifiers"}
CFF_MAY |= {"keywords", "license", "license-url", "preferred-citation", "references"}
CFF_MAY |= {"repository", "repository-artifact", "repository-code", "type", "url", "version"}


@pytest.mark.parametrize(
    ("maker", "author"), [("", "who is not named"), ('Ö "B": #1', 'Ö "B": #1')]
)
def test_the_citation_is_valid_and_names_the_maker_only_if_given(tmp_path, maker, author):
    package = data_package(demo("batch"), tmp_path / "open.zip", "ODbL-1.0", maker=maker)
    cited = yaml.safe_load((unpacked(package.path) / "CITATION.cff").read_text("utf-8"))
    assert CFF_NEEDS <= set(cited) <= CFF_MAY
    assert cited["cff-version"] == "1.2.0"
    assert cited["type"] == "dataset"
    assert cited["license"] == "ODbL-1.0"
    assert [list(one) for one in cited["authors"]] == [["name"]]  # an entity needs a name only
    assert cited["authors"][0]["name"].endswith(author)
    assert cited["keywords"] == ["double reed", "bassoon", "invented data"]


def test_the_codebook_tells_every_column(tmp_path):
    study = planned_batch(tmp_path / "study")
    folder = unpacked(data_package(study, tmp_path / "open.zip", "CC0-1.0", notes=True).path)
    book = pd.read_csv(folder / "codebook.csv", keep_default_na=False)
    for name, sheet in study.sheets.items():
        told = book[book["file"] == f"{name}.csv"]["column"].tolist()
        assert told == [column for column in sheet.header if column != "recording"]
    by = book.set_index(["file", "column"])
    soak = by.loc[("reeds.csv", "Soak time (h)")]
    assert (soak["meaning"], soak["unit"], soak["type"]) == ("Soak time (h)", "h", "number")
    assert soak["how_measured"] == "A factor: each reed has one level."
    shape = by.loc[("reeds.csv", "shape")]
    assert shape["allowed"] == "narrow | wide"
    assert shape["how_measured"].endswith("Levels were given by chance in batch B1.")
    opening = by.loc[("tests.csv", "tip_opening_mm")]
    assert (opening["allowed"], opening["usual"]) == ("0 to 10", "0.3 to 2")
    assert opening["how_measured"].startswith("Say whether the reed was soaked")
    rating = by.loc[("tests.csv", "rating_overall")]
    assert (rating["rows"], rating["missing"]) == (16, 4)
    text = (folder / "codebook.txt").read_text("utf-8")
    assert "rating_overall: the player's judgement, 1 poor to 5 excellent" in text
    assert "missing in 4 of 16" in text


def test_the_readme_says_what_was_done_and_under_which_licence(tmp_path):
    package = data_package(
        demo("season"), tmp_path / "open.zip", "CC-BY-SA-4.0", shift_days=7, hide=["room"]
    )
    text = (unpacked(package.path) / "README.md").read_text("utf-8")
    assert "**Invented data: made by a program." in text
    assert "All days are moved by the same number of days; hours are as they were." in text
    assert "Other words stand in the place of these columns' own: room." in text
    assert "Free words are left out: reeds (fate_reason); life (reason)." in text
    assert "The check of the record has 2 warnings" in text
    assert "(CC-BY-SA-4.0): <https://creativecommons.org/licenses/by-sa/4.0/>" in text


def test_days_are_moved_everywhere_and_stay_the_same_days_of_the_week(tmp_path):
    study = salted(tmp_path / "study")
    package = data_package(study, tmp_path / "open.zip", "CC0-1.0", shift_days=-70)
    again = open_study(package.path)
    before, after = study.tables["sessions"], again.tables["sessions"]
    assert (before["started_at"] - after["started_at"]).unique() == pd.Timedelta(days=70)
    assert (before["started_at"].dt.day_of_week == after["started_at"].dt.day_of_week).all()
    assert after["session_id"].str.startswith("20251123_").any()
    batch = again.settings.batches[0]
    assert batch.unblinded == "2025-12-12"
    assert "on 2025-11-01" in batch.how
    assert again.plan(batch.batch_id).made["made_on"].tolist() == [pd.Timestamp("2025-11-01")]
    for path in unpacked(package.path).rglob("*"):
        if path.is_file():
            days = (b"2026-01", b"2026-02", b"202601", b"202602")
            assert [day for day in days if day in path.read_bytes()] == []
    odd = data_package(study, tmp_path / "odd.zip", "CC0-1.0", shift_days=3)
    assert "Moving by 3 days changes the days of the week; a multiple of 7 keeps them." in (
        odd.cautions
    )


def test_free_words_stay_at_home_unless_they_are_allowed(tmp_path):
    study = salted(tmp_path / "study")
    kept = open_study(data_package(study, tmp_path / "a.zip", "CC0-1.0").path)
    assert {"note", "fate_reason"}.isdisjoint(kept.tables["reeds"])
    assert kept.plan(kept.settings.batches[0].batch_id).made["note"].tolist() == [""]
    told = data_package(study, tmp_path / "b.zip", "CC0-1.0", notes=True)
    assert {"note", "fate_reason"} <= set(open_study(told.path).tables["reeds"])
    assert "such days are not moved" not in " ".join(told.cautions)
    moved = data_package(study, tmp_path / "c.zip", "CC0-1.0", notes=True, shift_days=7)
    assert any(
        text.startswith("A day may be written in another way in reeds.csv")
        for text in moved.cautions
    )


def test_places_are_hidden_if_asked(tmp_path):
    study = salted(tmp_path / "study")
    shown = data_package(study, tmp_path / "a.zip", "CC0-1.0")
    assert any("room of the sessions may tell where" in text for text in shown.cautions)
    hidden = data_package(study, tmp_path / "b.zip", "CC0-1.0", hide=["room", "hall"])
    again = open_study(hidden.path)
    assert set(again.tables["sessions"]["room"]) == {"room 1", "room 2"}
    assert set(again.factor("hall").levels) == set(again.tables["sessions"]["hall"])
    assert again.check().ok


def test_a_sealed_key_stays_at_home_with_its_seed(tmp_path):
    study = sealed(tmp_path / "study")
    package = data_package(study, tmp_path / "open.zip", "CC0-1.0")
    again = open_study(package.path)
    assert not list(again.folder.glob("keys/*"))
    batch = again.settings.batches[-1]
    assert (batch.batch_id, batch.sealed, batch.seed) == ("B2", True, None)
    pd.testing.assert_frame_equal(again.plan("B2").making, study.plan("B2").making)
    with pytest.raises(CallError, match="Batch 'B2' has no key"):
        again.labels("B2")
    told = "Batch B2 is still judged blind: its key, and the seed"
    assert any(text.startswith(told) for text in package.cautions)
    assert told in (again.folder / "README.md").read_text("utf-8")
    # Place and code are together in no file.
    for path in again.folder.rglob("*.csv"):
        table = pd.read_csv(path, dtype=str)
        if {"place", "blind_code"} <= set(table):
            assert "session" in table, path
    assert set(CODES) <= set(again.tables["reeds"]["blind_code"])


def test_an_opened_key_goes_along(tmp_path):
    again = open_study(data_package(salted(tmp_path / "s"), tmp_path / "a.zip", "CC0-1.0").path)
    assert again.labels(again.settings.batches[0].batch_id)["blind_code"].tolist() == ["K"]


def test_the_log_of_looks_goes_along(tmp_path):
    study = salted(tmp_path / "study")
    again = open_study(data_package(study, tmp_path / "a.zip", "CC0-1.0").path)
    (look,) = again.log.looks
    (before,) = study.log.looks
    assert (look.p_value, look.rows_used, look.version) == (0.2, 4, before.version)
    assert look.response == again.responses[1].name


def test_small_groups_are_told(tmp_path):
    package = data_package(salted(tmp_path / "study"), tmp_path / "a.zip", "CC0-1.0")
    told = " ".join(package.cautions)
    assert "3 players played in one session only" in told
    assert "1 combination of room occurs with one player only" in told
    alone = data_package(demo("batch"), tmp_path / "b.zip", "CC0-1.0")
    assert "There is one player only: who knows the maker may know the player." in alone.cautions


def test_the_answer_has_known_columns_and_a_sentence(tmp_path):
    package = data_package(demo("batch"), tmp_path / "open.zip", "CC0-1.0")
    assert set(package.table) | set(package.left_out) <= set(VOCABULARY)
    assert package.sentence == "open.zip holds 11 files (0.045 MB)."
    assert package.rows_used == 84
    assert "aliases" not in repr(package)


def test_the_study_is_only_read(tmp_path):
    study = salted(tmp_path / "study")
    before = contents(study.folder)
    data_package(study, tmp_path / "open.zip", "CC0-1.0", recordings=True)
    assert contents(study.folder) == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["open.zip", "study"]


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        (
            {"licence": ""},
            "Say under which licence the data are opened, for example licence='CC-BY-4.0'",
        ),
        ({"licence": "CC-BY"}, "There is no licence for data 'CC-BY'. Nearest: CC-BY-4.0"),
        ({"shift_days": 1.5}, "shift_days is 1.5; it must be a whole number of days"),
        ({"shift_days": True}, "shift_days is True; it must be a whole number of days"),
        ({"hide": ["rom"]}, "There is no column of words to hide 'rom'. Nearest: room"),
        ({"to": "open.tar"}, "The package is a zip: call it open.tar.zip."),
        ({"to": "there.zip"}, "there.zip is there already; choose another name."),
        ({"to": "nowhere/open.zip"}, "There is no folder .*nowhere to write open.zip to."),
        ({"to": "study/open.zip"}, "lies in the study's own folder; write the package somewhere"),
        ({"to": "study/plans/open.zip"}, "lies in the study's own folder"),
    ],
)
def test_what_cannot_be_asked_is_told(tmp_path, asked, message):
    study = salted(tmp_path / "study")
    (tmp_path / "there.zip").write_text("mine")
    before = contents(tmp_path)
    asked = {"to": "open.zip", "licence": "CC0-1.0"} | asked
    with pytest.raises(CallError, match=message):
        data_package(study, tmp_path / asked.pop("to"), **asked)
    assert contents(tmp_path) == before


def test_a_record_with_errors_is_not_published(tmp_path):
    record(tmp_path / "study", reeds="reed_id,made_on\n1,4.3.2026\n")
    message = r"not published: 1 error in 1 file: reeds.csv \(1 error\). study.check\(\) lists them"
    with pytest.raises(RecordError, match=message):
        data_package(open_study(tmp_path / "study"), tmp_path / "open.zip", "CC0-1.0")
    assert not (tmp_path / "open.zip").exists()


def test_names_that_alone_tell_two_factors_apart_are_told(tmp_path):
    responses = [*SETTINGS["responses"], {"name": "rating_Wolkenstein"}]
    study = record(
        tmp_path / "study",
        SETTINGS | {"responses": responses, "batches": [], "factors": []},
        reeds="reed_id\n1\n",
        sessions="session_id,player_id\nS1,Anna Wolkenstein\n",
        tests="reed_id,session_id,stage,trial,crow_hz,rating_anna,rating_Wolkenstein\n1,S1,a,1,331,3,4\n",
    )
    with pytest.raises(RecordError, match="Two things of the study are told apart by a name alone"):
        data_package(open_study(study), tmp_path / "open.zip", "CC0-1.0")


def test_a_player_with_a_trade_word_for_a_name_is_replaced_in_columns_of_people_only(tmp_path):
    study = planned_batch(tmp_path / "study")
    sessions = study.folder / "sessions.csv"
    sessions.write_text(sessions.read_text("utf-8").replace("Anna Ö", "Reed"), "utf-8")
    package = data_package(open_study(study.folder), tmp_path / "open.zip", "CC0-1.0")
    assert any(
        text.startswith("'B', 'Reed' is too short, or a word of") for text in package.cautions
    )
    again = open_study(package.path)
    assert set(again.tables["sessions"]["player_id"]) == {"P1", "P2"}
    assert "reed_id" in again.tables["reeds"]
    assert replace(again.settings, batches=()) == replace(study.settings, batches=())


def test_a_maker_who_plays_is_told_so(tmp_path):
    study = salted(tmp_path / "study")
    package = data_package(study, tmp_path / "open.zip", "CC0-1.0", maker="anna wolkenstein")
    told = "The maker is named and also plays, so readers may guess which player that is."
    assert told in package.cautions


def test_without_a_journal_a_key_is_asked_for(tmp_path):
    study = planned_batch(tmp_path / "study")
    told = "Give a key that only you know to prevent that."
    open_one = data_package(study, tmp_path / "a.zip", "CC0-1.0")
    assert any(text.endswith(told) for text in open_one.cautions)
    keyed = data_package(study, tmp_path / "b.zip", "CC0-1.0", key="only mine")
    assert not any(text.endswith(told) for text in keyed.cautions)


def test_a_place_that_cannot_be_written_is_told(tmp_path, monkeypatch):
    def full(*_args, **_options):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("reedlab.publish.package.archive.os.fsync", full)
    with pytest.raises(
        RecordError, match=r"open\.zip cannot be written: No space left on device\."
    ):
        data_package(demo("batch"), tmp_path / "open.zip", "CC0-1.0")
    assert list(tmp_path.iterdir()) == []
