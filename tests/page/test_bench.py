"""The bench page without a browser: messages in, state out, rows on disk."""

import json
import re
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import reedlab
from reedlab.demo.sound import Sound, crow_sound, hairpin_sound, register_sound, slur_sound
from reedlab.errors import CallError
from reedlab.page.desk import Desk
from reedlab.schema import cautions_for, draw_codes
from reedlab.study import open_study
from tests.page.build import OFF, Visit, crow_bytes, ready
from tests.study.batch import CODES, FACTORS, contents, plan_tables, sealed

UNEVEN = [4, 0, -9, 6, 14, -12]


@pytest.fixture
def visit(tmp_path):
    return Visit(ready(tmp_path))


def order(session: int = 1) -> list[str]:
    testing = plan_tables()["testing"]
    return testing.loc[testing["session"] == session, "blind_code"].tolist()


def test_it_asks_for_the_reeds_in_the_order_of_the_session(visit, tmp_path):
    played = []
    for _ in range(2):
        played.append(visit.take_next())
        visit.crow(tmp_path)
        visit.do("save")
    assert played == order()[:2]
    assert [one["code"] for one in visit.state["order"]] == order()
    assert visit.state["next"] == {"place": 3, "code": order()[2], "done": False}
    assert visit.state["done"] == 2


def test_a_slip_in_the_code_is_caught(visit):
    code = order()[0]
    wrong = code[0] + code[2] + code[1] + code[3]
    visit.do("code", text=wrong)
    kind, text = visit.told
    assert (kind, visit.state["reed"]) == ("bad", None)
    assert "is no blind code" in text
    assert f"Nearest given out: {code}." in text


def test_a_code_of_another_batch_is_named_as_such(tmp_path):
    study = ready(tmp_path)
    tables = plan_tables()
    other = dict(zip(CODES, draw_codes(6, np.random.default_rng(9), CODES), strict=True))
    for name in ("testing", "key"):
        tables[name] = tables[name].assign(blind_code=tables[name]["blind_code"].map(other))
    study = sealed(study.folder, batch_id="B3", **tables)
    visit = Visit(study)
    visit.do("code", text=next(iter(other.values())))
    assert "is a reed of batch 'B3'; this page tests batch 'B2'" in visit.told[1]
    assert visit.state["reed"] is None


def test_a_code_that_nobody_was_given_is_refused(visit):
    visit.do("code", text="K7PZ")
    assert visit.told == ("bad", "Batch 'B2' has no reed with the code 'K7PZ'; look again.")


def test_a_reed_out_of_turn_may_be_taken_and_is_told(visit):
    visit.do("code", text=order()[3])
    assert visit.state["reed"]["place"] == 4
    assert visit.state["reed"]["caution"].startswith(f"The order asks for {order()[0]} next.")


def test_a_reed_that_is_not_there_is_passed_over(visit, tmp_path):
    first, second = order()[:2]
    visit.do("pass", code=second)
    assert visit.told[1] == "Only the reed that is asked for next can be passed over."
    visit.do("pass", code=first)
    assert visit.told[1] == f"{first} is passed over; nothing is recorded of it."
    assert visit.take_next() == second
    assert visit.state["reed"]["caution"] == ""
    visit.do("put_away", sure=True)
    visit.do("code", text=first)
    assert visit.state["reed"]["place"] == 1


def test_levels_never_reach_the_page(tmp_path):
    visit = Visit(ready(tmp_path))
    for _ in range(2):
        visit.take_next()
        visit.play(crow_bytes(), tmp_path)
        visit.accept()
        visit.do("rate", scale="rating_overall", level=2)
        visit.do("save")
    visit.do("session", number=2)
    visit.do("code", text=order(2)[0])
    visit.do("start_session", player_id="Pö")
    visit.do("code", text="nonsense")
    # Numbers of a trace may be anything.
    wire = "\n".join(re.sub(r'"trace": {.*?"notes"', "", text) for text in visit.traffic)
    levels = [str(level) for factor in FACTORS for level in factor.levels if str(level).isalpha()]
    assert set(levels) == {"loose", "tight", "A", "B", "dry", "wet"}
    words = [f'"{word}"' for word in levels] + ["loose", "tight", "cutter", "hall", "wire, second"]
    found = [word for word in [*words, "gouge", "1.25", "1.35", "T1", "tube_id"] if word in wire]
    # "wet" and "dry" stand in words of the protocol; as values of their own they must not.
    assert found == []


def test_no_trait_of_the_widget_holds_a_level(tmp_path):
    study = ready(tmp_path)
    page = reedlab.bench(study)
    page._answer(page, {"do": "code", "text": order()[0], "n": 1}, [])
    sent = json.dumps(page.get_state(), default=str) + str(page._repr_mimebundle_())
    assert order()[0] in sent
    secrets = ("loose", "tight", "cutter", '"hall"', "wire, second", "gouge", "tube_id", "1.35")
    assert [secret for secret in secrets if secret in sent] == []


def test_nothing_on_the_page_moves_by_itself():
    folder = Path(reedlab.__file__).parent / "page"
    for path in [*folder.glob("*.js"), *folder.glob("*.css")]:
        for way in ("transition", "animation", "@keyframes", "smooth", ".animate("):
            assert way not in path.read_text("utf-8"), (path.name, way)


def test_it_says_what_is_to_be_done_now(visit, tmp_path):
    code = order()[0]
    assert visit.state["ask"] == f"Take {code}: type or scan its code."
    visit.take_next()
    assert visit.state["ask"].startswith("Now: crow. Press C")
    visit.do("sound", b"no sound at all", kind="crow", name="a.wav", take=1, part=0, of=1)
    assert visit.state["ask"] == "Repeat it."
    visit.play(crow_bytes(), tmp_path)
    assert visit.state["ask"] == "Accept it, or repeat."
    visit.accept()
    assert visit.state["ask"].startswith("Now: hairpin. Press H")
    for kind, sound in (
        ("hairpin", hairpin_sound()),
        ("slur", slur_sound()),
        ("register", register_sound()),
    ):
        visit.play(sound, tmp_path, kind)
        visit.accept()
    assert visit.state["ask"] == "Now rate it."
    visit.do("rate", scale="rating_overall", level=4)
    assert visit.state["ask"] == "Save this test."


def test_a_recording_is_measured_and_shown(visit, tmp_path):
    visit.take_next()
    take = visit.play(crow_bytes(320.0), tmp_path)["take"]
    # The tuning of the session is 442 Hz.
    assert (take["headline"], take["fault"], take["cautions"]) == ("320.0 Hz", "", [])
    assert "at A4 = 442" in take["sentence"]
    trace = take["trace"]
    lengths = {len(trace[name]) for name in ("time_s", "pitch_hz", "level_db")}
    assert lengths == {360}
    held = [hz for hz in trace["pitch_hz"] if hz is not None]
    assert np.median(held) == pytest.approx(320, abs=0.1)
    assert trace["marks"] == [pytest.approx(1.4, abs=0.02)]


def test_all_steps_of_the_protocol_become_one_row(visit, tmp_path):
    code = visit.take_next()
    sounds = {
        "crow": crow_bytes(),
        "hairpin": hairpin_sound(),
        "slur": slur_sound(),
        "register": register_sound(error_cents=UNEVEN),
    }
    assert [step["kind"] for step in visit.state["steps"]] == [*sounds]
    for kind, sound in sounds.items():
        assert visit.play(sound, tmp_path, kind)["take"]["fault"] == ""
        visit.accept()
    visit.do("rate", scale="rating_overall", level=4)
    visit.do("fill", box="resoaked", text="yes")
    visit.do("fill", box="tip_opening_mm", text="0.90")
    visit.do("note", text="speaks late")
    visit.do("save")
    assert visit.told == ("good", f"{code}, try 1, is on disk.")
    tests = open_study(visit.desk.study.folder).tables["tests"]
    row = tests[tests["reed_id"] == code].iloc[0]
    assert row["crow_hz"] == pytest.approx(341.0, abs=0.1)
    assert row["dynamic_range_db"] == pytest.approx(19.9, abs=0.2)
    assert row["slur_gap_ms"] == pytest.approx(0)
    assert row["low_evenness_cents"] == pytest.approx(np.std(UNEVEN, ddof=1), abs=0.1)
    assert (row["rating_overall"], row["resoaked"], row["tip_opening_mm"]) == (4, True, 0.9)
    assert row["note"] == "speaks late; rated after the numbers were seen"
    files = row["recording"].split("; ")
    assert files[0] == f"recordings/{code}_B2-S1_new_1_crow.wav"
    folder = visit.desk.study.folder
    assert [(folder / file).stat().st_size > 100_000 for file in files] == [True] * 4
    assert visit.desk.study.check().errors.empty


def test_a_second_visit_shows_what_was_saved(visit, tmp_path):
    code = visit.take_next()
    visit.crow(tmp_path)
    visit.do("rate", scale="rating_overall", level=5)
    visit.do("save")
    again = Visit(open_study(visit.desk.study.folder))
    (row,) = again.state["saved"]
    assert (row["place"], row["code"], row["trial"]) == (1, code, 1)
    assert "crow pitch 341 Hz" in row["text"]
    assert "overall rating 5" in row["text"]
    assert again.state["next"]["code"] == order()[1]
    assert not again.state["can_undo"]


def test_a_rating_off_the_scale_is_refused(visit):
    visit.take_next()
    for level in (0, 6, 2.5, "good", True):
        visit.do("rate", scale="rating_overall", level=level)
        kind, text = visit.told
        assert (kind, text) == (
            "bad",
            f"overall rating goes from 1 to 5; '{level}' is not on the scale.",
        )
        assert visit.state["scales"][0]["value"] is None
    visit.do("rate", scale="rating_overall", level=1)
    assert visit.state["scales"][0]["value"] == 1
    visit.do("rate", scale="rating_overall", level=None)
    assert visit.state["scales"][0]["value"] is None


def test_numbers_can_wait_for_the_rating(visit, tmp_path):
    code = visit.take_next()
    visit.do("wait", numbers=True)
    take = visit.play(crow_bytes(), tmp_path)["take"]
    assert (take["headline"], "trace" in take, "sentence" in take) == ("Heard", False, False)
    assert "341" not in visit.traffic[-1]
    visit.accept()
    assert visit.state["steps"][0]["accepted"] == "accepted"
    visit.do("rate", scale="rating_overall", level=3)
    assert visit.state["steps"][0]["accepted"] == "341.0 Hz"
    visit.do("save")
    tests = visit.desk.study.tables["tests"]
    assert code in tests["reed_id"].tolist()
    assert "note" not in tests
    # One who has seen the number and then thinks better of it is marked.
    code = visit.take_next()
    visit.crow(tmp_path)
    visit.do("rate", scale="rating_overall", level=3)
    visit.do("rate", scale="rating_overall", level=4)
    visit.do("save")
    tests = visit.desk.study.tables["tests"]
    note = tests.loc[tests["reed_id"] == code, "note"].iloc[0]
    assert note == "rated after the numbers were seen"


def test_a_browser_that_left_its_processing_on_is_noted_in_the_row(visit, tmp_path):
    code = visit.take_next()
    told = OFF | {"noiseSuppression": True, "autoGainControl": None}
    take = visit.play(crow_bytes(), tmp_path, processing=told)["take"]
    assert [text.split(": ")[0] for text in take["cautions"]] == [
        "The browser kept noise suppression on though asked to leave it off",
        "The browser does not say whether automatic gain is off",
    ]
    visit.accept()
    visit.do("save")
    tests = visit.desk.study.tables["tests"]
    note = tests.loc[tests["reed_id"] == code, "note"].iloc[0]
    assert note.startswith("crow: The browser kept noise suppression on")
    assert "does not say whether automatic gain is off" in note


def test_levels_recorded_with_automatic_gain_are_left_out(visit, tmp_path):
    code = visit.take_next()
    visit.play(hairpin_sound(), tmp_path, "hairpin", OFF | {"autoGainControl": True})
    assert visit.state["take"]["headline"] == "–"
    visit.accept()
    visit.do("save")
    tests = visit.desk.study.tables["tests"]
    row = tests[tests["reed_id"] == code].iloc[0]
    assert pd.isna(row.get("dynamic_range_db"))
    assert row["attack_ms"] > 0


def test_a_file_is_flagged_for_nothing_the_browser_does(visit, tmp_path):
    visit.take_next()
    assert visit.play(crow_bytes(), tmp_path, processing=None)["take"]["cautions"] == []


def test_what_cannot_be_measured_can_only_be_repeated(visit, tmp_path):
    visit.take_next()
    visit.do("sound", b"no sound at all", kind="crow", name="a.wav", take=1, part=0, of=1)
    take = visit.state["take"]
    assert take["fault"]
    assert "recording 1" not in take["fault"]
    visit.accept()
    assert visit.told == ("bad", "Nothing could be measured in this recording; repeat it.")
    visit.do("save")
    assert visit.told[1] == "Accept the last recording, or repeat it, before you save."
    visit.do("repeat", take=take["number"])
    assert visit.state["take"] is None


def test_a_lost_part_of_a_recording_is_told(visit):
    visit.take_next()
    visit.do("sound", b"x", kind="crow", name="a.wav", take=1, part=0, of=3)
    visit.do("sound", b"x", kind="crow", name="a.wav", take=1, part=2, of=3)
    assert visit.told[1] == "A part of the recording was lost on its way here; record again."
    visit.do("sound", b"x", kind="crow", name="a.wav", take="1", part=0, of=1)
    assert visit.told[1].startswith("The page sent a recording that is not numbered")
    visit.do("sound", b"x", kind="crow", name="a.wav", take=2, part=0, of=10_000)
    assert visit.told[1].startswith("The recording is too long")
    visit.do("sound", b"x", kind="loud", name="a.wav", take=2, part=0, of=1)
    assert visit.told[1].startswith("There is no kind of recording 'loud'.")


def test_a_reed_can_be_tried_again_after_it_was_saved(visit, tmp_path):
    code = visit.take_next()
    visit.crow(tmp_path)
    visit.do("save")
    visit.do("code", text=code)
    reed = visit.state["reed"]
    assert (reed["trial"], reed["caution"].split(";")[0]) == (
        2,
        "On disk already as try 1 of this session",
    )
    visit.crow(tmp_path, pitch_hz=335.0)
    visit.do("save")
    assert [(row["code"], row["trial"]) for row in visit.state["saved"]] == [(code, 1), (code, 2)]
    recordings = sorted(path.name for path in (visit.desk.study.folder / "recordings").iterdir())
    assert recordings == [f"{code}_B2-S1_new_{trial}_crow.wav" for trial in (1, 2)]


def test_undo_takes_the_row_and_its_recording_back_into_the_hand(visit, tmp_path):
    folder = visit.desk.study.folder
    before = (folder / "tests.csv").read_bytes()
    code = visit.take_next()
    visit.crow(tmp_path)
    visit.do("save")
    assert visit.state["can_undo"]
    visit.do("undo")
    assert visit.told == ("good", f"{code} is taken back: in hand again, not saved.")
    assert (folder / "tests.csv").read_bytes() == before
    assert list((folder / "recordings").iterdir()) == []
    assert visit.state["reed"]["unsaved"]
    visit.do("rate", scale="rating_overall", level=2)
    visit.do("save")
    assert "overall rating 2" in visit.state["saved"][0]["text"]


def test_undo_leaves_what_another_window_wrote_alone(visit, tmp_path):
    visit.take_next()
    visit.crow(tmp_path)
    visit.do("save")
    other = Visit(open_study(visit.desk.study.folder))
    other.take_next()
    other.crow(tmp_path)
    other.do("save")
    before = contents(visit.desk.study.folder)
    visit.do("undo")
    assert visit.told[1].startswith("Something else was written to this study since")
    after = contents(visit.desk.study.folder)
    assert {name: after[name] for name in after if name != ".lock"} == {
        name: before[name] for name in before if name != ".lock"
    }


def test_two_windows_cannot_write_the_same_try_twice(visit, tmp_path):
    other = Visit(open_study(visit.desk.study.folder))
    for one, hz in ((visit, 341.0), (other, 335.0)):
        one.take_next()
        one.crow(tmp_path, pitch_hz=hz)
    visit.do("save")
    other.do("save")
    kind, text = other.told
    assert kind == "bad"
    assert text.startswith("Not saved:\n")
    assert "recorded already in tests.csv" in text
    assert "bench page.csv" not in text
    recordings = list((visit.desk.study.folder / "recordings").iterdir())
    assert len(recordings) == 1
    assert other.state["reed"]["unsaved"]


def test_two_windows_keep_the_rows_of_both(visit, tmp_path):
    other = Visit(open_study(visit.desk.study.folder))
    for one, code in ((visit, order()[0]), (other, order()[1])):
        one.do("code", text=code)
        one.crow(tmp_path)
    for one, code in ((visit, order()[0]), (other, order()[1])):
        one.do("save")
        assert one.told == ("good", f"{code}, try 1, is on disk.")
    assert [row["code"] for row in other.state["saved"]] == order()[:2]
    # The first window learns of it when it takes its next reed.
    assert visit.take_next() == order()[1]
    assert visit.state["reed"]["caution"].startswith("On disk already as try 1")
    visit.do("put_away")
    assert [row["code"] for row in visit.state["saved"]] == order()[:2]
    assert visit.state["next"]["code"] == order()[2]
    recordings = list((visit.desk.study.folder / "recordings").iterdir())
    assert len(recordings) == 2


@pytest.mark.parametrize("name", ["a.wav", "a.pdf", "a", "a.mp3"])
def test_a_file_of_the_wrong_kind_is_told_in_one_sentence(visit, name):
    visit.take_next()
    for content in (b"", b"%PDF-1.7 no sound at all", b"\x89PNG\r\n\x1a\n" + bytes(60)):
        visit.do("sound", content, kind="crow", name=name, take=1, part=0, of=1)
        fault = visit.state["take"]["fault"]
        assert fault.startswith("The recording ")
        assert fault.endswith(".")
        assert "\n" not in fault


def test_silence_is_told(visit, tmp_path):
    visit.take_next()
    for level in (0.0, 1e-4):
        noise = level * np.random.default_rng(1).standard_normal(3 * 48000)
        take = visit.play(Sound(noise, 48000, crow_sound().truth, -80.0), tmp_path)["take"]
        assert re.fullmatch(r"The recording (has|holds) no (sound|tone) .*\.", take["fault"])


@pytest.mark.slow
def test_ten_minutes_are_measured_and_what_comes_after_is_told_of(visit, tmp_path):
    visit.take_next()
    one = crow_sound(pitch_hz=341.0)
    long = np.tile(one.samples, int(599 / one.duration_s))
    began = time.perf_counter()
    take = visit.play(Sound(long, one.rate_hz, one.truth, one.noise_db), tmp_path)["take"]
    print(f"\n{len(long) / one.rate_hz:.0f} s measured in {time.perf_counter() - began:.1f} s")
    assert (take["fault"], take["headline"]) == ("", "341.0 Hz")
    assert len(visit.traffic[-1]) < 100_000
    visit.do("repeat", take=take["number"])
    longer = np.tile(one.samples, int(700 / one.duration_s))
    take = visit.play(Sound(longer, one.rate_hz, one.truth, one.noise_db), tmp_path)["take"]
    assert any("600 s" in text or "10 min" in text for text in take["cautions"]), take["cautions"]


def test_what_is_not_saved_is_not_dropped_by_the_way(visit, tmp_path):
    code = visit.take_next()
    visit.do("note", text="thin")
    for name, message in (
        ("code", {"text": order()[1]}),
        ("session", {"number": 2}),
        ("stage", {"name": "day 2"}),
        ("put_away", {}),
    ):
        visit.do(name, **message)
        assert visit.told == (
            "bad",
            f"{code} is not saved yet; save it, or put it away without saving.",
        )
        assert visit.state["note"] == "thin"
    visit.do("put_away", sure=True)
    assert visit.state["reed"] is None
    assert visit.state["saved"] == []


def test_nothing_is_saved_of_nothing(visit):
    visit.do("save")
    assert visit.told[1] == "No reed is in hand; type or scan its code first."
    code = visit.take_next()
    visit.do("save")
    assert visit.told[1] == f"There is nothing to save of {code} yet."
    visit.do("undo")
    assert visit.told[1] == "Nothing was saved in this visit that could be taken back."
    visit.do("dance")
    assert visit.told[1].startswith("There is no message 'dance'.")


def test_boxes_are_checked_when_they_are_filled(visit):
    visit.take_next()
    visit.do("fill", box="tip_opening_mm", text="12")
    assert visit.told[1] == "tip opening: 12 cannot be; it lies outside 0 to 10."
    visit.do("fill", box="tip_opening_mm", text="0,9")
    assert visit.told[1].startswith("tip opening: 0,9 looks like a decimal comma")
    visit.do("fill", box="resoaked", text="perhaps")
    assert visit.told[0] == "bad"
    visit.do("fill", box="fate", text="kept")
    assert visit.told[1].startswith("There is no box 'fate'.")


def test_markup_in_a_note_is_kept_as_text(visit, tmp_path):
    code = visit.take_next()
    text = "<img src=x onerror=alert(1)>"
    visit.do("note", text=text)
    visit.do("save")
    tests = visit.desk.study.tables["tests"]
    assert tests.loc[tests["reed_id"] == code, "note"].iloc[0] == text
    folder = Path(reedlab.__file__).parent / "page"
    script = "".join(path.read_text("utf-8") for path in folder.glob("*.js"))
    for way in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval("):
        assert way not in script


def test_the_page_asks_no_network_for_anything():
    folder = Path(reedlab.__file__).parent / "page"
    for path in [*folder.glob("*.js"), *folder.glob("*.css")]:
        name, text = path.name, path.read_text("utf-8")
        for way in ("http:", "https:", "//cdn", "import ", "@import", "fetch(", "XMLHttp", "url("):
            assert way not in text, (name, way)


def test_a_session_without_levels_is_begun_on_the_page(tmp_path):
    tables = plan_tables()
    tables["testing"] = tables["testing"].drop(columns="hall")
    study = sealed(tmp_path / "study", FACTORS[:3], **tables)
    visit = Visit(study)
    assert not visit.state["session_recorded"]
    assert visit.state["ask"] == "Begin the session."
    visit.do("code", text=order()[0])
    assert visit.told[1] == "Session B2-S1 is not written down yet; begin it first."
    visit.do("start_session", player_id="Pö", a4_hz="4400")
    assert visit.told[0] == "bad"
    visit.do("start_session", player_id="Pö", a4_hz="442", temperature_c="21")
    assert visit.told == ("good", "Session B2-S1 is begun.")
    sessions = open_study(study.folder).tables["sessions"].set_index("session_id")
    assert sessions.loc["B2-S1", ["player_id", "a4_hz", "temperature_c"]].tolist() == [
        "Pö",
        442,
        21,
    ]
    visit.take_next()
    visit.do("put_away", sure=True)
    visit.do("start_session")
    assert visit.told[1] == "Session B2-S1 is written down already."


def test_a_session_with_levels_is_left_to_its_sheet(tmp_path):
    visit = Visit(sealed(tmp_path / "study"))
    visit.do("code", text=order()[0])
    assert visit.told[1].endswith("record the sessions sheet first.")
    visit.do("start_session", player_id="Pö")
    assert visit.told[1].startswith("The plan gives its sessions levels")


def test_the_stage_is_that_of_the_last_test(visit, tmp_path):
    assert visit.state["stage"] == "new"
    visit.do("stage", name="  day   3 ")
    visit.take_next()
    visit.crow(tmp_path)
    visit.do("save")
    assert Visit(open_study(visit.desk.study.folder)).state["stage"] == "day 3"
    visit.do("stage", name=" ")
    assert visit.told[1].startswith("A test needs a stage")


def test_cautions_stand_where_they_matter(visit):
    cares = visit.state["cares"]
    assert cares["hygiene"] in cautions_for("testing")
    assert "Never scrape" in cares["scraping"]
    steps = {step["kind"]: step["care"] for step in visit.state["steps"]}
    assert steps["crow"] == ""
    assert steps["hairpin"].startswith("Playing loud")
    said = [cares["hygiene"], steps["hairpin"], *cares["others"]]
    assert sorted(said) == sorted(cautions_for("testing"))
    assert cares["hygiene_first"]


def test_the_widget_answers_and_says_so_if_it_cannot(tmp_path):
    page = reedlab.bench(ready(tmp_path))
    page._answer(page, {"do": "code", "text": order()[0], "n": 7}, [])
    assert (page.state["reed"]["code"], page.state["answered"]) == (order()[0], 7)
    assert page.study.title == "A planned batch"
    told = "<Bench page of 'A planned batch', batch B2, session 1: 0 of 6 reeds tested>"
    assert repr(page) == told
    del page._desk.order
    with pytest.raises(AttributeError):
        page._answer(page, {"do": "put_away", "sure": True, "n": 8}, [])
    assert page.state["message"]["kind"] == "bad"
    assert page.state["answered"] == 8


def test_a_wrong_call_says_what_there_is(tmp_path):
    study = ready(tmp_path)
    with pytest.raises(CallError, match=r"There is no planned batch 'B9'. Nearest: B2"):
        reedlab.bench(study, "B9")
    with pytest.raises(CallError, match=r"There is no session '3'"):
        Desk(study, "B2", 3)


def test_the_widget_library_is_loaded_when_it_is_asked_for():
    code = (
        "import sys, reedlab; reedlab.bench;"
        "print([m for m in ('anywidget', 'ipywidgets', 'av', 'parselmouth') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"
