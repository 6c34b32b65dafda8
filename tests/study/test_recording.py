import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reedlab.errors import RecordError
from reedlab.schema import Factor, draw_codes
from reedlab.study import Study, open_study, record_sheet
from tests.study.batch import (
    CODES,
    FACTORS,
    contents,
    made_rows,
    making_rows,
    plan_tables,
    played_rows,
    sealed,
    session_rows,
    sheet,
)
from tests.study.test_writing import outside_verdict


def filled_rows(session: int = 1) -> list[dict[str, str]]:
    """Return a testing sheet with one reed tried, one given up, and the rest not done."""
    rows = played_rows(session)
    rows[0] |= {"resoaked": "yes", "tip_opening_mm": "0.90", "crow_hz": "340", "note": "x, y"}
    rows[0] |= {"rating_overall": "3"}
    rows[1] |= {"tip_opening_mm": "0.8", "fate": "discarded", "fate_reason": "leaks"}
    return rows


def ready(tmp_path: Path, factors: tuple[Factor, ...] = FACTORS) -> Study:
    """Return a sealed study in which the first session is recorded."""
    study = sealed(tmp_path / "study", factors)
    return study.record(sheet(tmp_path / "B2_sessions.csv", session_rows()))


def refusals(study: Study, path: Path) -> list[str]:
    """Return what is told of a sheet that is refused; nothing may have changed on disk."""
    before = contents(study.folder)
    with pytest.raises(RecordError) as raised:
        study.record(path)
    assert contents(study.folder) == before
    first, *lines = str(raised.value).split("\n")
    assert first == f"{path.name} cannot be recorded as it stands; nothing was written:"
    return [line.removeprefix(f"- {path.name}, ") for line in lines]


def refused(study: Study, path: Path) -> str:
    before = contents(study.folder)
    with pytest.raises(RecordError) as raised:
        study.record(path)
    assert contents(study.folder) == before
    return str(raised.value)


def test_a_batch_goes_all_the_way_round(tmp_path):
    study = sealed(tmp_path / "study")
    old = study.tables["tests"]
    study = study.record(sheet(tmp_path / "B2_making.csv", made_rows()))
    study = study.record(sheet(tmp_path / "B2_sessions.csv", session_rows()))
    study = study.record(sheet(tmp_path / "B2_testing_1.csv", filled_rows()))
    later = session_rows()
    later[1] |= {"started_at": "2026-11-14 10:00", "player_id": "Zoë", "hall": "wet"}
    study = study.record(sheet(tmp_path / "B2_sessions.csv", later))
    rows = played_rows(2)
    for row in rows:
        row |= {"crow_hz": "345", "crow_cents": "0"}
    study = study.record(sheet(tmp_path / "B2_testing_2.csv", rows))
    assert outside_verdict(study.folder) == (True, [])
    study = study.unblind("B2", "2026-11-20")
    assert outside_verdict(study.folder) == (True, [])
    assert study.check().table.empty
    tests = study.tables["tests"]
    pd.testing.assert_frame_equal(tests[old.columns].iloc[: len(old)], old)
    new = tests.iloc[len(old) :]
    assert new["session_id"].tolist() == ["B2-S1"] * 2 + ["B2-S2"] * 6
    assert new["stage"].eq("new").all()
    assert new["trial"].tolist() == [1, 1, 2, 2, 2, 2, 2, 2]
    assert new["reed_id"].tolist() == [
        *[row["blind_code"] for row in played_rows(1)[:2]],
        *[row["blind_code"] for row in played_rows(2)],
    ]
    assert new["crow_hz"].fillna(0).tolist() == [340, 0] + [345] * 6
    assert new["crow_cents"].isna().tolist() == [True, True] + [False] * 6  # nothing is derived
    assert new["resoaked"].tolist() == [True] + [pd.NA] * 7
    assert new["note"].fillna("").tolist() == ["x, y"] + [""] * 7
    sessions = study.tables["sessions"].set_index("session_id").loc[["B2-S1", "B2-S2"]]
    assert sessions["hall"].tolist() == ["dry", "wet"]
    assert sessions["a4_hz"].fillna(0).tolist() == [442, 0]
    assert sessions["started_at"].tolist()[1] == pd.Timestamp("2026-11-14 10:00")
    reed = study.tables["reeds"].set_index("reed_id").loc[played_rows(1)[1]["blind_code"]]
    assert (reed["fate"], reed["fate_reason"], reed["kept"]) == ("discarded", "leaks", False)


def test_cells_are_written_as_they_were_typed(tmp_path):
    study = ready(tmp_path).record(sheet(tmp_path / "B2_testing_1.csv", filled_rows()))
    first, second = (row["blind_code"] for row in filled_rows()[:2])
    tests = (study.folder / "tests.csv").read_text("utf-8-sig").split("\n")
    assert tests[0] == (
        "reed_id,session_id,stage,trial,tip_opening_mm,crow_hz,rating_overall,recording,resoaked,"
        "note"
    )
    assert tests[-3:] == [
        f'{first},B2-S1,new,1,0.90,340,3,,yes,"x, y"',
        f"{second},B2-S1,new,1,0.8,,,,,",
        "",
    ]
    assert "B2-S1,2026-11-10 19:30,Zoë,,442,dry\n" in (study.folder / "sessions.csv").read_text(
        "utf-8-sig"
    )


def test_what_is_recorded_is_told_in_words(tmp_path):
    study = sealed(tmp_path / "study")
    rows = made_rows()
    rows[0] = making_rows()[0]
    recorded = record_sheet(study, sheet(tmp_path / "B2_making.csv", rows))
    assert recorded.sentence == "B2_making.csv: 5 places as made recorded, 1 not done yet."
    assert (recorded.added, recorded.skipped) == (5, 1)
    recorded = record_sheet(recorded.study, sheet(tmp_path / "B2_making.csv", made_rows()))
    assert recorded.sentence == "B2_making.csv: 1 place as made recorded, 5 recorded before."
    assert (recorded.added, recorded.skipped) == (1, 5)
    recorded = record_sheet(recorded.study, sheet(tmp_path / "B2_sessions.csv", session_rows()))
    assert recorded.sentence == "B2_sessions.csv: 1 session recorded, 1 not done yet."
    rows = filled_rows()
    rows[2]["fate"] = "lost"
    recorded = record_sheet(recorded.study, sheet(tmp_path / "B2_testing_1.csv", rows))
    assert recorded.sentence == (
        "B2_testing_1.csv: 2 tests recorded, the fate of 2 reeds recorded, 3 not done yet."
    )
    before = contents(recorded.study.folder)
    recorded = record_sheet(recorded.study, tmp_path / "B2_testing_1.csv")
    assert recorded.sentence == (
        "B2_testing_1.csv: 0 tests recorded, 2 recorded before, 3 not done yet."
    )
    assert contents(recorded.study.folder) == before
    assert len(recorded.study.plan("B2").made) == 6


def test_what_a_spreadsheet_does_to_a_sheet_does_no_harm(tmp_path):
    study = ready(tmp_path)
    path = sheet(tmp_path / "B2_testing_1.csv", filled_rows())
    lines = path.read_text("utf-8-sig").replace("\r\n", "\n").split("\n")
    # Empty columns and rows at the end; a row that lost its empty cells; blank lines.
    lines[0] += ",,"
    lines[1] += ",,"
    lines[2] = lines[2].rstrip(",") + ",,,,"
    lines[3] = lines[3].rstrip(",")
    code = filled_rows()[0]["blind_code"]
    lines[1] = lines[1].replace(code, f" {code.lower()} ")
    path.write_text("\n".join([*lines, ",,,,", ""]), "utf-8")
    recorded = record_sheet(study, path)
    assert (recorded.added, recorded.skipped) == (2, 4)
    assert recorded.study.tables["tests"]["reed_id"].tolist()[-2] == code


def test_numbers_that_a_spreadsheet_rewrote_are_still_the_printed_ones(tmp_path):
    study = sealed(tmp_path / "study")
    rows = made_rows()
    for row in rows:
        row["gouge_centre_mm (plan)"] += "0"
    assert len(study.record(sheet(tmp_path / "m.csv", rows)).plan("B2").made) == 6


def test_a_file_that_is_no_sheet_is_refused(tmp_path):
    study = sealed(tmp_path / "study")
    assert refused(study, sheet(tmp_path / "x.csv", [{"reed_id": "1", "crow_hz": "340"}])) == (
        "x.csv is no sheet of a batch; its header has neither blind_code (testing), nor place and "
        "as_planned (making), nor session and session_id (sessions). Record it with the header "
        "that it was printed with."
    )
    assert refused(study, tmp_path / "none.csv") == (
        f"none.csv is missing from the folder {tmp_path}."
    )
    (tmp_path / "semi.csv").write_text("batch_id;place;as_planned\nB2;1;yes\n")
    assert refused(study, tmp_path / "semi.csv") == (
        "semi.csv is separated by semicolons or tabs; save it again as "
        "'CSV UTF-8 (comma separated)'."
    )
    (tmp_path / "empty.csv").write_text("batch_id,place,as_planned\n,,\n")
    assert refused(study, tmp_path / "empty.csv") == "empty.csv holds no row below its header."


def test_columns_that_lack_or_that_nobody_knows_are_named(tmp_path):
    study = ready(tmp_path)
    rows = [{name: row[name] for name in row if name != "trial"} for row in filled_rows()]
    assert refused(study, sheet(tmp_path / "t.csv", rows)) == (
        "t.csv lacks the column trial; record the testing sheet with the header that it was "
        "printed with."
    )
    rows = [row | {"crow_hzz": "1", "colour": "", "buzz": "x"} for row in filled_rows()]
    assert refusals(study, sheet(tmp_path / "t.csv", rows)) == [
        "row 1, column 'crow_hzz', 'crow_hzz': a testing sheet has no column 'crow_hzz'; name it "
        "'crow_hz' if that is meant, or take it out.",
        "row 1, column 'buzz', 'buzz': a testing sheet has no column 'buzz'; take it out.",
    ]


def test_an_unknown_batch_is_named(tmp_path):
    study = ready(tmp_path)
    rows = filled_rows()
    rows[0]["batch_id"] = "B3"
    rows[1]["batch_id"] = ""
    rows[2]["batch_id"] = "B1"
    assert refusals(study, sheet(tmp_path / "t.csv", rows)) == [
        "row 2, column 'batch_id', 'B3': the study has no batch 'B3'; write B2.",
        "row 3, column 'batch_id', empty: the study has no batch ''; write B1, B2.",
        "row 4, column 'batch_id', 'B1': this row is of batch 'B1', the first of 'B3'; record "
        "each batch by its own sheet.",
        *(
            f"row {row}, column 'batch_id', 'B2': this row is of batch 'B2', the first of 'B3'; "
            "record each batch by its own sheet."
            for row in (5, 6, 7)
        ),
    ]
    rows = [row | {"batch_id": "B1"} for row in filled_rows()]
    assert refused(study, sheet(tmp_path / "t.csv", rows)) == (
        "t.csv cannot be recorded: Batch 'B1' has no plan in this study: plans/B1_making.csv is "
        "not there."
    )


def test_all_that_is_wrong_with_a_testing_sheet_is_told_at_once(tmp_path):
    study = ready(tmp_path)
    rows = filled_rows()
    codes = [row["blind_code"] for row in rows]
    typo = codes[0][:2] + codes[0][3] + codes[0][2]
    every = draw_codes(5704, np.random.default_rng(1))
    other = next(code for code in every if _near(code, codes[1]))
    rows[0] |= {"blind_code": typo, "tip_opening_mm": "0,9", "crow_hz": "5", "resoaked": "maybe"}
    rows[1] |= {"blind_code": other, "rating_overall": "9", "fate": "discraded"}
    rows[2] |= {"place": "6", "crow_hz": "340 Hz", "session_id": "B2-S2"}
    rows[3] |= {"stage": "", "crow_hz": "340"}
    rows[5] |= {"crow_hz": "-340"}
    lines = refusals(study, sheet(tmp_path / "t.csv", rows))
    assert lines[0].startswith(f"row 2, column 'blind_code', '{typo}': '{typo}' is no blind code: ")
    assert f"Nearest given out: {codes[0]}; write the code that is on the reed." in lines[0]
    assert lines[1:] == [
        "row 2, column 'resoaked', 'maybe': 'maybe' is neither true nor false; write true or "
        "false, or leave the cell empty if nothing was recorded.",
        "row 2, column 'tip_opening_mm', '0,9': 0,9 looks like a decimal comma; this sheet uses "
        "points; write 0.9.",
        "row 2, column 'crow_hz', '5': 5 Hz is impossible (20 to 20000 Hz); measure or type it "
        "again.",
        f"row 3, column 'blind_code', '{other}': batch 'B2' has no reed with the code '{other}'; "
        f"write '{codes[1]}' if that is meant, or look at the reed again.",
        "row 3, column 'rating_overall', '9': '9' is none of the levels; use 1, 2, 3, 4, 5, or "
        "declare it in datapackage.json.",
        "row 3, column 'fate', 'discraded': 'discraded' is none of the levels; write 'discarded' "
        "if that is meant; use kept, discarded, unfinished, lost.",
        "row 4, column 'session_id', 'B2-S2': session 'B2-S2' is not in sessions.csv; record the "
        "sessions sheet first, or write 'B2-S1' if that is meant.",
        f"row 4, column 'place', '6': the plan has '{codes[2]}' at place {_places(codes[2])} of "
        "its sessions, not at 6; cells may have been shifted or sorted: look at the whole row.",
        "row 4, column 'crow_hz', '340 Hz': '340 Hz' has its unit in the cell; write 340.",
        "row 5, column 'stage', empty: stage is blank; write it as it was printed.",
        "row 7, column 'crow_hz', '-340': -340 Hz is impossible (20 to 20000 Hz); measure or "
        "type it again.",
    ]


def _near(code: str, other: str) -> bool:
    """Say whether a code begins like another one and ends like no code of the batch."""
    return code[:2] == other[:2] and not set(code[2:]) & set("".join(CODES))


def _places(code: str) -> str:
    testing = plan_tables()["testing"]
    return ", ".join(testing.loc[testing["blind_code"] == code, "place"].astype("str"))


def test_a_test_without_its_session_waits_for_the_sessions_sheet(tmp_path):
    study = sealed(tmp_path / "study")
    lines = refusals(study, sheet(tmp_path / "t.csv", filled_rows()))
    assert lines == [
        f"row {row}, column 'session_id', 'B2-S1': session 'B2-S1' is not in sessions.csv; "
        "record the sessions sheet first."
        for row in (2, 3)
    ]


def test_a_test_that_is_recorded_otherwise_is_not_written_over(tmp_path):
    study = ready(tmp_path).record(sheet(tmp_path / "t.csv", filled_rows()))
    rows = filled_rows()
    rows[0] |= {"tip_opening_mm": "0.9", "crow_hz": "341"}
    rows[1] |= {"rating_overall": "2", "fate": "kept"}
    assert refusals(study, sheet(tmp_path / "t.csv", rows)) == [
        "row 2, column 'crow_hz', '341': this is recorded already in tests.csv, row 18, where "
        "crow_hz is '340.0'; mend this cell, or tests.csv if that is wrong.",
        "row 3, column 'rating_overall', '2': this is recorded already in tests.csv, row 19, "
        "where rating_overall is empty; mend this cell, or tests.csv if that is wrong.",
        "row 3, column 'fate', 'kept': reeds.csv, row 10, has 'discarded' for this reed; mend "
        "one of the two.",
    ]


def test_one_reed_typed_twice_in_a_sheet_is_told(tmp_path):
    study = ready(tmp_path)
    rows = filled_rows()
    rows.append(rows[0] | {"fate": "kept"})
    rows[0]["fate"] = "discarded"
    assert refusals(study, sheet(tmp_path / "t.csv", rows)) == [
        f"row 8, column 'blind_code', '{rows[0]['blind_code']}': the same reed, session, stage "
        "and trial stand in row 2; take one row out, or give it another trial.",
        "row 8, column 'fate', 'kept': row 2 of this sheet has 'discarded' for this reed; mend "
        "one of the two.",
    ]


def test_all_that_is_wrong_with_a_making_sheet_is_told_at_once(tmp_path):
    study = sealed(tmp_path / "study")
    rows = made_rows()
    rows[0] |= {"as_planned": "no", "gouge_centre_mm": "1,25", "cutter": "A"}
    rows[1] |= {"wire, second": "tight", "made_on": "03.11.2026", "piece_used": "9"}
    rows[2] |= {"wire, second": "Loose", "gouge_centre_mm": "12.5"}
    rows[3] |= {"place": "7"}
    rows[4] |= {"place": "2"}
    rows[5] |= {"tube_id": "T2", "piece_used": "1", "lost": "perhaps", "minutes_spent": "an hour"}
    assert refusals(study, sheet(tmp_path / "m.csv", rows)) == [
        "row 2, column 'gouge_centre_mm', '1,25': 1,25 looks like a decimal comma; this sheet "
        "uses points; write 1.25.",
        "row 2, column 'wire, second', empty: it is not said which wire, second the reed got; "
        "write it, or yes in as_planned if all is as planned ('loose' here).",
        "row 3, column 'as_planned', 'yes': it says yes, but wire, second is 'tight' and not "
        "'loose' as planned; write no, or mend wire, second.",
        "row 3, column 'piece_used', '9': tube 'T2' has only 4 pieces in tubes.csv; mend "
        "piece_used, or tubes.csv.",
        "row 3, column 'made_on', '03.11.2026': '03.11.2026' is not written year-month-day; "
        "write 2026-11-03 if the day comes first, 2026-03-11 if the month does.",
        "row 4, column 'gouge_centre_mm', '12.5': 12.5 mm is impossible (0.01 to 7 mm); "
        "measure or type it again.",
        "row 4, column 'wire, second', 'Loose': 'Loose' differs from 'loose' only by case, space "
        "or accent code; they would count as two; write 'loose'.",
        "row 5, column 'place', '7': the plan has the places 1 to 6; write the number that was "
        "printed.",
        "row 6, column 'place', '2': place 2 stands in row 3 already; take one of the two rows "
        "out.",
        "row 7, column 'tube_id', 'T2': this was printed as 'T3'; cells may have been shifted or "
        "sorted; write 'T3' again and look at the whole row.",
        "row 7, column 'minutes_spent', 'an hour': 'an hour' is not a number; write a number in "
        "minutes, or leave the cell empty if nothing was recorded.",
        "row 7, column 'lost', 'perhaps': 'perhaps' is neither true nor false; write true or "
        "false, or leave the cell empty if nothing was recorded.",
    ]


def test_a_planned_word_spelled_otherwise_is_told_even_if_the_study_lists_no_levels(tmp_path):
    factors = (*FACTORS[:1], Factor("profile", ("long", "short")), *FACTORS[2:])
    making = plan_tables()["making"].rename(columns={"wire, second": "profile"})
    making["profile"] = making["profile"].map({"loose": "long", "tight": "short"})
    study = sealed(tmp_path / "study", factors, making=making)
    assert [item.levels for item in study.settings.factors if item.name == "profile"] == [()]
    rows = []
    for row in made_rows():
        typed = {name.replace("wire, second", "profile"): cell for name, cell in row.items()}
        words = {"loose": "long", "tight": "short"}
        rows.append({name: words.get(cell, cell) for name, cell in typed.items()})
    rows[2]["profile"] = "Long "
    assert refusals(study, sheet(tmp_path / "m.csv", rows)) == [
        "row 4, column 'profile', 'Long ': 'Long ' differs from 'long' only by case, space or "
        "accent code; they would count as two; write 'long'."
    ]
    rows[2]["profile"] = "a third one"
    study = study.record(sheet(tmp_path / "m.csv", rows)).unblind("B2")
    assert "a third one" in study.tables["reeds"]["profile"].tolist()


def test_a_piece_can_be_used_once(tmp_path):
    study = sealed(tmp_path / "study")
    rows = made_rows()
    study = study.record(sheet(tmp_path / "m.csv", rows[:3]))
    rows[5]["piece_used"] = "1"
    rows[4]["piece_used"] = "2"
    assert refusals(study, sheet(tmp_path / "m.csv", rows)) == [
        "row 6, column 'piece_used', '2': piece 2 of tube 'T2' is used at place 2 already; write "
        "in piece_used which piece this reed was cut from.",
        "row 7, column 'piece_used', '1': piece 1 of tube 'T3' is used at place 4 already; write "
        "in piece_used which piece this reed was cut from.",
    ]


def test_a_level_of_a_tube_cannot_differ_within_it(tmp_path):
    study = sealed(tmp_path / "study")
    rows = made_rows()
    rows[0] |= {"as_planned": "no", "gouge_centre_mm": "1.25", "wire, second": "loose"}
    rows[0]["cutter"] = "B"
    assert refusals(study, sheet(tmp_path / "m.csv", rows)) == [
        "row 4, column 'cutter', 'A': tube 'T1' has cutter 'B' at place 1; the level is given to "
        "the whole tube; mend one of the two."
    ]
    rows[2]["cutter"] = "B"
    study = study.record(sheet(tmp_path / "m.csv", rows)).unblind("B2")
    assert study.tables["tubes"]["cutter"].tolist()[:2] == ["B", "B"]
    assert "cutter at place 1, 3" in study.settings.batches[-1].how


def test_a_place_that_is_recorded_otherwise_is_not_written_over(tmp_path):
    study = sealed(tmp_path / "study").record(sheet(tmp_path / "m.csv", made_rows()))
    rows = made_rows()
    rows[0]["minutes_spent"] = "50"
    rows[5]["piece_used"] = ""
    assert refusals(study, sheet(tmp_path / "m.csv", rows)) == [
        "row 2, column 'minutes_spent', '50': place 1 is recorded already with minutes_spent "
        "'45'; mend this row, or plans/B2_made.csv if that is wrong.",
        "row 7, column 'piece_used', empty: place 6 is recorded already with piece '3'; mend this "
        "row, or plans/B2_made.csv if that is wrong.",
    ]


def test_all_that_is_wrong_with_a_sessions_sheet_is_told_at_once(tmp_path):
    study = sealed(tmp_path / "study")
    rows = session_rows()
    rows[0] |= {"a4_hz": "4420", "hall": ""}
    rows[1] |= {"session_id": "B2-S1", "hall": "Wet", "hall (plan)": "dry", "room": "attic"}
    rows.append(rows[0] | {"session": "3"})
    rows.append(rows[0] | {"session_id": "", "hall": "dry", "a4_hz": ""})
    assert refusals(study, sheet(tmp_path / "s.csv", rows)) == [
        "row 2, column 'a4_hz', '4420': 4420 Hz is impossible (300 to 600 Hz); measure or type "
        "it again.",
        "row 2, column 'hall', empty: it is not said which hall the session had; write 'dry' if "
        "it was as planned.",
        "row 3, column 'session_id', 'B2-S1': 'B2-S1' comes twice; give each session its own id.",
        "row 3, column 'hall (plan)', 'dry': this was printed as 'wet'; cells may have been "
        "shifted or sorted; write 'wet' again and look at the whole row.",
        "row 3, column 'hall', 'Wet': 'Wet' differs from 'wet' only by case, space or accent "
        "code; they would count as two; write 'wet'.",
        "row 4, column 'session', '3': the plan has the sessions 1 to 2; write the number that "
        "was printed.",
        "row 4, column 'a4_hz', '4420': 4420 Hz is impossible (300 to 600 Hz); measure or type "
        "it again.",
        "row 5, column 'session_id', empty: the session has no id; give each session its own id.",
    ]


def test_a_session_that_is_recorded_otherwise_is_not_written_over(tmp_path):
    study = ready(tmp_path)
    rows = session_rows()
    rows[0]["player_id"] = "Ada"
    assert refusals(study, sheet(tmp_path / "s.csv", rows)) == [
        "row 2, column 'player_id', 'Ada': this is recorded already in sessions.csv, row 4, where "
        "player_id is 'Zoë'; mend this cell, or sessions.csv if that is wrong."
    ]


def test_a_code_for_missing_counts_as_missing(tmp_path):
    study = ready(tmp_path)
    descriptor = study.folder / "datapackage.json"
    text = descriptor.read_text("utf-8").replace('"missingValues": [\n          ""\n', "@")
    assert "@" in text
    descriptor.write_text(text.replace("@", '"missingValues": ["", "n.m."\n'), "utf-8")
    rows = filled_rows()
    rows[0]["crow_cents"] = "n.m."
    study = open_study(study.folder).record(sheet(tmp_path / "t.csv", rows))
    assert study.tables["tests"]["crow_cents"].isna().all()
    assert ",n.m." in (study.folder / "tests.csv").read_text("utf-8-sig")
    rows = made_rows()
    rows[2]["wire, second"] = "n.m."
    assert refusals(study, sheet(tmp_path / "m.csv", rows)) == [
        "row 4, column 'wire, second', 'n.m.': it is not said which wire, second the reed got; "
        "write it, or yes in as_planned if all is as planned ('tight' here)."
    ]


def test_a_protocol_may_ask_for_columns_of_its_own(tmp_path):
    study = ready(tmp_path)
    descriptor = study.folder / "datapackage.json"
    text = descriptor.read_text("utf-8").replace('"rating_overall"\n', '"rating_overall", "buzz"\n')
    descriptor.write_text(text, "utf-8")
    rows = [row | {"buzz": ""} for row in filled_rows()]
    rows[0]["buzz"] = "a little"
    study = open_study(study.folder).record(sheet(tmp_path / "t.csv", rows))
    assert study.tables["tests"]["buzz"].dropna().tolist() == ["a little"]
    assert outside_verdict(study.folder) == (True, [])


_WORDS = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), min_size=1
).filter(lambda text: text.strip() and text.strip() not in ("\ufeff",))


@settings(max_examples=20, deadline=None)
@given(_WORDS, _WORDS, _WORDS)
def test_any_words_come_back_as_they_were_typed(note, reason, room):
    with tempfile.TemporaryDirectory() as home:
        study = sealed(Path(home) / "study")
        sessions = session_rows()
        sessions[0]["room"] = room
        study = study.record(sheet(Path(home) / "s.csv", sessions))
        rows = filled_rows()
        rows[0] |= {"note": note}
        rows[1] |= {"fate_reason": reason}
        study = study.record(sheet(Path(home) / "t.csv", rows))
        made = made_rows()
        made[2]["note"] = note
        study = study.record(sheet(Path(home) / "m.csv", made)).unblind("B2")
        assert study.tables["tests"]["note"].dropna().tolist() == [note]
        reeds = study.tables["reeds"].set_index("reed_id")
        assert reeds.loc[rows[1]["blind_code"], "fate_reason"] == reason
        assert reeds.loc[CODES[2], "note"] == note
        assert study.tables["sessions"]["room"].dropna().tolist() == [room]
