"""A translation is one file: with another catalogue no English phrase of this room is left."""

import re
import tomllib
from datetime import date

import pytest

from reedlab import analyse
from reedlab.errors import CallError
from reedlab.publish import handout
from reedlab.publish.phrases import FOLDER, read_phrases
from reedlab.schema import cautions_for
from tests.publish.conftest import DAY
from tests.publish.reading import parsed, texts, words

#: Code is no language.
CODE = ("study = reedlab.", "reedlab.analyse.")
ENGLISH = (FOLDER / "en.toml").read_text(encoding="utf-8")


def catalogue(folder, change=lambda key, text: text, name="xx", more=""):
    """Write a catalogue in which each phrase is changed; names in braces stay."""
    path = folder / f"{name}.toml"
    lines = []
    for key, text in read_phrases().texts.items():
        text = change(key, text).replace("\\", "\\\\").replace('"', '\\"')
        lines.append((key, text))
    path.write_text("".join(_toml(lines)) + more, encoding="utf-8")
    return path


def _toml(lines):
    for key, text in lines:
        yield f'{key} = "{text}"\n'


def marked(key, text):
    """Put each run of words between marks and turn its letters: no English word is left."""
    if key == "language":
        return "xx"
    if key == "decimal_mark":
        return ","
    parts = re.split(r"(\{[^}]*\})", text)
    return "".join(part if part.startswith("{") else part.translate(TURNED) for part in parts)


TURNED = {ord("a") + i: 0x03B1 + i % 17 for i in range(26)} | {
    ord("A") + i: 0x03B1 + i % 17 for i in range(26)
}


def test_no_english_phrase_is_left(tmp_path, batch, some_answers):
    answers = [*some_answers, analyse.keep_rate(batch)]
    path = catalogue(tmp_path, marked)
    for audience in ("students", "colleagues"):
        told = handout(batch, answers, "1", audience=audience, language=path, made_on=DAY)
        left = [text for text in texts(told.page) if not text.startswith(CODE)]
        # What others say is English still: the answers, the record, the usual cautions.
        for theirs in sorted(_of_others(batch, answers), key=len, reverse=True):
            left = [text.replace(theirs, "") for text in left]
        left = [re.sub(r"[A-Za-z]+ [0-9.]+[0-9]", "", text) for text in left]  # versions
        assert [text for text in left if re.search("[A-Za-z]{3}", text)] == []
        tree = parsed(told.html)
        assert tree.get("lang") == "xx"
        assert "−56,1" in words(tree)


def _of_others(study, answers):
    yield from (study.title, study.folder.name, *cautions_for("bench"), *cautions_for("testing"))
    for item in study.settings.declared:
        yield from (item.label, item.unit, item.name)
    for factor in study.settings.factors:
        rows = study.tables[factor.table]
        if factor.name in rows:
            yield from map(str, rows[factor.name].dropna().unique())
    from reedlab.publish import data_hash

    yield data_hash(study)
    for answer in answers:
        yield from (answer.question, answer.sentence, answer.looked, *answer.cautions)
        for column in answer.table:
            yield column.replace("_", " ")
            yield from (
                str(cell)
                for cell in answer.table[column].dropna()
                if isinstance(cell, str) and cell
            )
        if "contrast" in answer.table:
            yield from answer.table["contrast"].str.replace(" - ", " − ")


def test_every_phrase_is_used(tmp_path):
    source = "\n".join(path.read_text("utf-8") for path in FOLDER.parent.rglob("*.py"))
    source += "\n".join(path.read_text("utf-8") for path in FOLDER.parent.rglob("*.j2"))
    source += "\n".join(path.read_text("utf-8") for path in FOLDER.parent.rglob("*.typ"))
    by_part = ("month", "count", "heading", "audience", "grade", "grade_means", "column", "limit")
    for key in read_phrases().texts:
        part = key.split(".")[0]
        known = re.search(rf"""["']{key.removesuffix("_once")}["']""", source)
        assert known or part in by_part or key == "language", key
    for key, _ in read_phrases().under("heading"):
        assert f"heads.{key}" in source, key


def test_numbers_and_days_are_written_as_the_catalogue_says(tmp_path):
    say = read_phrases(catalogue(tmp_path, marked))
    assert say.number(-16.25) == "−16,2"
    assert say.p_value(0.0412) == "0,041"
    assert say.percent(0.284).startswith("28")
    assert say.number(float("nan")) == say.percent(float("nan")) == ""
    english = read_phrases("en")
    assert english.day(date(2026, 5, 4)) == "4 May 2026"
    assert english.percent(-0.284) == "−28 %"
    assert english.joined(["a"]) == "a"
    assert english.joined(["a", "b", "c"]) == "a, b and c"


def test_a_catalogue_that_is_not_whole_is_told(tmp_path):
    def fails(path, message):
        with pytest.raises(CallError, match=message):
            read_phrases(path)

    assert tomllib.loads(ENGLISH)
    fails(catalogue(tmp_path, more='spare = "x"\n'), r"'spare' is no phrase of a handout")
    without = catalogue(tmp_path, name="short")
    lines = without.read_text("utf-8").splitlines(keepends=True)
    without.write_text("".join(line for line in lines if "decimal_mark" not in line), "utf-8")
    fails(without, r"short\.toml: 'decimal_mark' is missing\.")
    nosy = catalogue(
        tmp_path, lambda key, text: "{day.__class__}" if key == "day" else text, name="nosy"
    )
    fails(nosy, r"'day' must name day, month, year in braces")
    broken = catalogue(tmp_path, lambda key, text: "{" if key == "percent" else text, name="open")
    fails(broken, r"'percent' must name number in braces")
    (tmp_path / "not.toml").write_text("a = = 1", "utf-8")
    fails(tmp_path / "not.toml", "is no catalogue of phrases")
    fails(tmp_path / "gone.toml", "cannot be read: No such file")
    fails("klingon", r"There is no language 'klingon'\..* Present: en\.")
    with pytest.raises(CallError, match="There is no phrase 'nothing'"):
        read_phrases()("nothing")
