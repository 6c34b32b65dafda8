"""One walk over every table of every measure: a column that is not declared is a stranger."""

from dataclasses import fields

import pandas as pd
import pytest
from joblib import parallel_config

from reedlab import measure
from reedlab.answer import Answer
from reedlab.demo.sound import (
    crow_sound,
    hairpin_sound,
    register_sound,
    slur_sound,
    whole_test_sound,
)
from tests.analyse.test_vocabulary import strangers

#: Every table of an answer, the finding and those beside it.
TABLES = {
    "Agreement": {"table", "left_out", "sources", "anova"},
    "Blades": {"table", "left_out", "thickness", "gauge", "profile"},
    "Measured": {"table", "left_out", "details"},
    "WholeTest": {"table", "left_out", "steps"},
}


def tables_of(name, answer):
    for one in fields(answer):
        value = getattr(answer, one.name)
        if isinstance(value, pd.DataFrame):
            yield f"{name}: {one.name}", value


def readings():
    rows = [
        (reed, player, value + lean + again)
        for reed, value in (("R1", 331), ("R2", 340), ("R3", 352), ("R4", 345))
        for player, lean in (("P1", 0), ("P2", 3))
        for again in (0, len(reed) + lean)
    ]
    return pd.DataFrame([*rows, ("R5", "P1", None)], columns=["reed_id", "player_id", "crow_hz"])


def thicknesses():
    names = ["reed_id", "session_id", "blade", "from_tip_mm", "across_mm", "thickness_mm", "trial"]
    rows = [
        ("R1", "S1", blade, place, across, 0.4 + 0.02 * place + 0.01 * (trial - 1), trial)
        for blade in ("up", "down")
        for place in (2, 6, 10, 14, 18)
        for across in (-3, 0, 3)
        for trial in (1, 2)
    ]
    table = pd.DataFrame(rows, columns=names)
    table.loc[len(table) - 1, "thickness_mm"] = None
    return table


@pytest.fixture(scope="module")
def answers(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sounds")
    sounds = {
        "crow": crow_sound(),
        "hairpin": hairpin_sound(),
        "slur": slur_sound(notes=["C3", "F3", "C3"]),
        "register": register_sound(notes=["F2", "D2", "C2"]),
        "test": whole_test_sound(),
    }
    paths = {kind: made.write(folder / f"{kind}.wav") for kind, made in sounds.items()}
    (folder / "text.wav").write_text("no sound", "utf-8")
    ask = {
        "crow": measure.crow,
        "hairpin": measure.hairpin,
        "slur": measure.slur,
        "register": measure.register,
        "test": measure.whole_test,
    }
    found = {kind: ask[kind](path) for kind, path in paths.items()}
    mapping = pd.DataFrame(
        [(name, "R1", "S1", "new", 1) for name in ("crow.wav", "test.wav", "text.wav")],
        columns=["file", "reed_id", "session_id", "stage", "trial"],
    )
    with parallel_config(n_jobs=1):
        for kind in ("crow", "test"):
            several = [paths[kind], folder / "text.wav"]
            found[f"{kind} files"] = measure.measure_files(kind, several, mapping=mapping)
    ratings = readings().dropna().assign(crow_hz=lambda rows: (rows["crow_hz"] // 10).astype(int))
    found["readings"] = measure.agreement(readings(), "crow_hz")
    found["ratings"] = measure.agreement(ratings, "crow_hz", kind="ordered")
    found["blades"] = measure.blades(thicknesses())
    return found


def test_measures_use_declared_columns_only(answers):
    tables = dict(pair for name, answer in answers.items() for pair in tables_of(name, answer))
    assert len(tables) > 2 * len(answers)
    assert strangers(tables.items()) == {}


def test_every_answer_of_the_room_is_walked_over(answers):
    exported = [getattr(measure, name) for name in measure.__all__]
    classes = {one for one in exported if isinstance(one, type) and issubclass(one, Answer)}
    assert classes == {type(answer) for answer in answers.values()}
    for answer in answers.values():
        wanted = TABLES.get(type(answer).__name__, {"table", "left_out"})
        assert {name.split(": ")[1] for name, _ in tables_of("", answer)} == wanted


def test_what_was_left_out_is_walked_over_too(answers):
    for name in ("crow files", "readings", "blades"):
        assert len(answers[name].left_out) == 1
