"""Nobody is found in a package: a search of every byte of every file, by means of its own."""

import unicodedata
import zipfile
from itertools import permutations
from pathlib import Path
from urllib.parse import quote, unquote_plus

import av
import pytest

from reedlab.demo import example_studio
from reedlab.errors import RecordError
from reedlab.publish.package import data_package
from reedlab.publish.package.naming import Naming, named
from reedlab.study import open_study, pool
from tests.publish.package.salted import NAMES, PLACE, TRACES, salted


def said_in(content: bytes) -> str:
    """Return all that bytes may say as text: in three encodings, percent-decoded, composed."""
    texts = [content.decode(code, "ignore") for code in ("utf-8", "utf-16-le", "utf-16-be")]
    texts.append(content[1:].decode("utf-16-le", "ignore"))
    texts.append(content.decode("latin-1"))
    texts += [unquote_plus(text) for text in texts[:1]]
    return unicodedata.normalize("NFC", " ".join(texts)).casefold()


def found(path: Path, words: tuple[str, ...]) -> list[tuple[str, str]]:
    """Search the zip as it is, and each of its files by name and content."""
    places = {path.name: path.read_bytes()}
    with zipfile.ZipFile(path) as archive:
        for info in archive.infolist():
            places[info.filename] = info.filename.encode() + b" " + archive.read(info)
            assert not info.comment
            assert not info.extra
    return [
        (name, word) for name, data in places.items() for word in words if word in said_in(data)
    ]


@pytest.mark.parametrize("notes", [False, True])
def test_no_player_is_found_in_any_byte(tmp_path, notes):
    study = salted(tmp_path / "study")
    asked = {"recordings": True, "notes": notes, "hide": ["room"], "maker": "A bench in the north"}
    package = data_package(study, tmp_path / "open.zip", "CC-BY-4.0", **asked)
    assert len(package.left_out) == 0
    # Four letters turn up in a kilobyte of coded sound in one encoding of five by chance alone.
    assert found(package.path, tuple(word for word in TRACES if len(word) > 4)) == []
    with zipfile.ZipFile(package.path) as archive:
        texts = [name for name in archive.namelist() if not name.startswith("recordings/")]
        for name in texts:
            said = said_in(archive.read(name))
            assert [word for word in (*TRACES, PLACE, "by hand") if word in said] == []


def test_the_search_finds_them_in_the_study_itself(tmp_path):
    # A search that finds nothing anywhere would prove nothing.
    study = salted(tmp_path / "study")
    for file in ("datapackage.json", "looks.csv", "sessions.csv", "reeds.csv"):
        assert any(word in said_in((study.folder / file).read_bytes()) for word in TRACES)
    for path in (study.folder / "takes").iterdir():
        assert "wolkenstein" in said_in(path.read_bytes()), path
    assert "wolkenstein" in said_in("WOLKENSTEIN".encode("utf-16-be"))
    assert "zoë" in said_in(quote("Zoë").encode())


def test_recordings_have_no_metadata_for_an_independent_reader(tmp_path):
    study = salted(tmp_path / "study")
    package = data_package(study, tmp_path / "open.zip", "CC-BY-4.0", recordings=True)
    copies = sorted((open_study(package.path).folder / "recordings").iterdir())
    assert [path.suffix for path in copies] == [".wav", ".m4a", ".mp3", ".flac"]
    for path in copies:
        with av.open(str(path)) as container:
            said = dict(container.metadata) | dict(container.streams[0].metadata)
            assert len(container.streams) == 1
        harmless = {"major_brand", "minor_version", "compatible_brands", "language", "handler_name"}
        assert set(said) <= harmless
        assert said.get("handler_name", "SoundHandler") == "SoundHandler"


def test_the_same_player_is_the_same_word_everywhere(tmp_path):
    package = data_package(salted(tmp_path / "study"), tmp_path / "open.zip", "CC0-1.0")
    anna, zoe, jo = (package.aliases[name] for name in NAMES)
    again = open_study(package.path)
    sessions = again.tables["sessions"]
    assert sessions["player_id"].tolist() == [anna, zoe, jo]
    assert sessions["listener"].tolist() == [jo, anna, package.aliases["P1"]]
    assert sessions["hall"].tolist() == ["dry", zoe, "dry"]
    assert again.factor("hall").levels == ("dry", zoe)
    assert again.response(f"rating_{anna}").label == f"{anna}'s rating"
    batch = again.settings.batches[0]
    assert batch.how == f"Codes were drawn by {anna} on 2026-01-10; {jo} kept the key."
    assert again.plan(batch.batch_id).making["shuffled_among"].tolist() == [f"what {zoe} cut"]
    assert again.log.looks[0].asked == f"drivers, player={anna}"
    assert again.title == f"{anna}'s autumn"
    assert again.settings.protocol[1].instruction == f"{zoe} listens."


@pytest.mark.parametrize(
    "text",
    [
        "Anna Wolkenstein", "wolkenstein, ANNA", "AnnaWolkenstein", "anna_wolkenstein.wav",
        "Anna-Wolkenstein", "Anna's", "Annas", "Anna%20Wolkenstein", "xwolkensteinx", "ANNA",
    ],
)  # fmt: skip
def test_ways_of_writing_a_name_are_found(text):
    said = named(["Anna Wolkenstein", "Bea"], "key", {}).said(text)
    assert "anna" not in said.casefold()
    assert "wolkenstein" not in said.casefold()


def test_accents_may_be_written_apart_or_left_off():
    naming = named(["Zoë Brückner"], "key", {})
    for form in ("NFC", "NFD"):
        for name in ("Zoë", "BRÜCKNER", "zoë brückner"):
            assert naming.said(unicodedata.normalize(form, name)) == "P1"
    for name in ("Zoe", "Bruckner", "Brueckner", quote("Zoë"), quote("Brückner").lower()):
        assert naming.said(name) == "P1"
    naming = named(["Strauß"], "key", {})
    assert {naming.said(name) for name in ("strauß", "STRAUSS", "Strauss")} == {"P1"}
    naming = named(["Søren Łoś"], "key", {})
    assert {naming.said(name) for name in ("Soeren", "SOREN", "Los", "ŁOŚ", "søren_łoś")} == {"P1"}


def test_a_part_that_is_a_word_of_the_record_stays_alone():
    naming = named(["Ida Wire"], "key", {})
    assert naming.said("a wire of Ida Wire's") == "a wire of P1's"
    assert naming.trade_words == ("Wire",)


def test_words_that_only_begin_like_a_short_name_stay():
    naming = named(["Bo", "Ida", "Ann"], "key", {})
    text = "bocal, Bo, annual, idea, Idaho, board; rather soft"
    assert naming.said(text) == text
    assert naming.said("Ann and Ida") == f"{naming.people['Ann']} and {naming.people['Ida']}"
    assert naming.whole_only == ("Bo",)


def test_codes_change_together_and_where_they_mean_other_things_they_stay():
    naming = named(["P1", "P2", "P3"], "key", {}, taken={"P3"})
    one, two, _ = (naming.people[name] for name in ("P1", "P2", "P3"))
    assert sorted(naming.people.values()) == ["Player1", "Player2", "Player3"]
    assert naming.said("rating_P1 by P2, not P12 or P3") == f"rating_{one} by {two}, not P12 or P3"
    assert naming.whole_only == ("P3",)


def test_a_part_that_two_players_share_is_nobody_s():
    naming = named(["Anna Berg", "Anna Holm"], "key", {})
    assert naming.said("Anna was late; Holm was not") == (
        f"a player was late; {naming.people['Anna Holm']} was not"
    )


def test_a_part_that_is_a_whole_name_is_that_person_s():
    naming = named(["Ash", "Ash/P1", "Birch"], "key", {})
    ash, player = naming.people["Ash"], naming.people["Ash/P1"]
    assert naming.said("Ash/L1 by Ash/P1") == f"{ash}/L1 by {player}"


def test_two_players_in_one_cell_are_two():
    naming = named(["Anna Berg", "Jo"], "key", {})
    assert naming.cell("player_id", "Anna Berg & Jo") == "; ".join(
        naming.people[name] for name in ("Anna Berg", "Jo")
    )


def test_a_list_of_names_alone_does_not_tell_who_is_who():
    names = ["Ann", "Bea", "Cleo"]
    orders = {tuple(named(names, str(key), {}).people) for key in range(200)}
    assert orders == set(permutations(names))


def test_nobody_named_changes_nothing():
    assert Naming().said("Anna's reed") == "Anna's reed"


def test_letters_that_are_left_are_told(tmp_path):
    study = salted(tmp_path / "study")
    reeds = study.folder / "reeds.csv"
    reeds.write_text(reeds.read_text("utf-8").replace("finds", "annaliese: finds"), "utf-8")
    package = data_package(open_study(study.folder), tmp_path / "a.zip", "CC0-1.0", notes=True)
    told = "The letters of a person's name still stand in reeds.csv; look whether it is meant."
    assert told in package.cautions


def test_names_in_scripts_without_capitals_are_found_inside_a_text():
    naming = named(["李明", "Bea"], "key", {})
    assert naming.said("昨天李明演奏") == f"昨天{naming.people['李明']}演奏"


def test_players_that_differ_by_case_alone_are_two_in_their_column_and_nobody_in_texts():
    naming = named(["Anna", "anna"], "key", {})
    assert {naming.cell("player_id", name) for name in ("Anna", "anna")} == {"P1", "P2"}
    assert naming.said("ANNA rests") == "a player rests"


def test_ids_that_a_name_alone_tells_apart_are_told(tmp_path):
    study = salted(tmp_path / "study")
    for file in ("sessions.csv", "tests.csv"):
        path = study.folder / file
        path.write_text(path.read_text("utf-8").replace("S3,", "20260201_Wolkenstein,"), "utf-8")
    message = "'20260201_Anna' and '20260201_Wolkenstein' in sessions.csv, column 'session_id'"
    with pytest.raises(RecordError, match=message):
        data_package(open_study(study.folder), tmp_path / "a.zip", "CC0-1.0")


def test_a_row_that_cannot_be_read_is_not_lost(tmp_path):
    study = salted(tmp_path / "study")
    with (study.folder / "looks.csv").open("a", encoding="utf-8") as file:
        file.write("too,short\n")
    with pytest.raises(RecordError, match=r"looks\.csv cannot be published:"):
        data_package(open_study(study.folder), tmp_path / "a.zip", "CC0-1.0")


def test_a_pool_names_no_maker(tmp_path):
    pooled = pool(example_studio())
    makers = sorted(set(pooled.tables["lots"]["maker_id"]))
    package = data_package(pooled, tmp_path / "pool.zip", "CC0-1.0")
    assert found(package.path, tuple(f"{maker}/".casefold() for maker in makers)) == []
    again = open_study(package.path)
    assert set(again.tables["lots"]["maker_id"]) == {package.aliases[name] for name in makers}
    assert again.tables["sessions"]["player_id"].nunique() == (
        pooled.tables["sessions"]["player_id"].nunique()
    )


def test_names_stay_if_asked_and_that_is_told(tmp_path):
    study = salted(tmp_path / "study")
    package = data_package(study, tmp_path / "open.zip", "CC0-1.0", pseudonyms=False)
    assert open_study(package.path).tables["sessions"]["player_id"].tolist() == list(NAMES)
    told = "People keep their names: publish only with the consent of each of them."
    assert package.cautions[0] == told
    assert package.aliases == {}
