"""One answer as a section: its claim with the grade beside it, and what it does not show.

The sentence is the answer's own. Its grade is the weakest of its table's rows, and a text
that says more than that is refused. Students and colleagues read the same sentences;
colleagues get the table of tests as well.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd

from reedlab.analyse.evidence import CAUTIONS, LEVEL
from reedlab.analyse.framed import GAPS
from reedlab.answer import Answer
from reedlab.publish.claims import require_no_overclaim
from reedlab.publish.content import Claim, Section
from reedlab.publish.phrases import Phrases
from reedlab.publish.showing import effect_label, interval_text, picture_of, shown_table
from reedlab.study import Study

#: From the weakest grade to the strongest.
GRADES = ("exploratory", "observed", "randomised")
#: What an answer rests on, in its table, and the noun of it.
_COUNTED = (("n_makers", "maker"), ("n_tubes", "tube"), ("n_reeds", "reed"))
#: So many effects, or reasons for leaving rows out, are named.
_MOST_NAMED = 4
#: Effects of these units are none where they are 1, or are told in another unit as well.
_NOT_ABOUT_ZERO = ("times as fast", "log odds")


def section_of(study: Study, answer: Answer, audience: str, say: Phrases) -> Section:
    """Write the section of an answer.

    Parameters
    ----------
    study : Study
    answer : Answer
    audience : {"students", "colleagues"}
    say : Phrases

    Raises
    ------
    ModelError
        If a sentence says more than its grade allows.
    """
    grades = _grades(answer.table)
    grade = grades[0] if grades else ""
    sentence = require_no_overclaim(answer.sentence, grade, own_words(study))
    means = say(f"grade_means.{grade or 'none'}")
    claim = Claim(
        sentence,
        say(f"grade.{grade or 'none'}"),
        f"{means} {say('grade_means.mixed')}" if len(grades) > 1 else means,
        _rests_on(answer, say),
        grade,
    )
    limits = [say(f"limit.{grade or 'none'}"), *_zero(study, answer, say), *_smallest(answer, say)]
    return Section(
        answer.question,
        (claim,),
        picture_of(study, answer, say),
        shown_table(study, answer, say) if audience == "colleagues" else None,
        tuple(dict.fromkeys((*limits, *_own_cautions(answer)))),
        answer.asked,
    )


def own_words(study: Study) -> set[str]:
    """Return the maker's own words: labels, names and levels, which claim nothing."""
    words = {text for item in study.settings.declared for text in (item.name, item.label)}
    for factor in study.settings.factors:
        words |= {str(level) for level in factor.levels}
        rows = study.tables.get(factor.table)
        if rows is not None and factor.kind == "categorical" and factor.name in rows:
            words |= set(rows[factor.name].dropna().astype(str))
    return words


def _grades(table: pd.DataFrame) -> list[str]:
    """Return the grades of a table, the weakest first."""
    found = set(table["evidence"].dropna()) if "evidence" in table else set()
    return [grade for grade in GRADES if grade in found]


def _rests_on(answer: Answer, say: Phrases) -> str:
    """Write how many tubes, reeds and rows it rests on, and which rows could not be used."""
    table, counts = answer.table, []
    for column, noun in _COUNTED:
        # Where rows rest on different numbers, none of them is that of the whole answer.
        if column in table and table[column].nunique() == 1 and table[column].max() > 0:
            counts.append(say.count(int(table[column].max()), noun))
    rests = say.joined(counts)
    if answer.rows_used:
        rows = say.count(answer.rows_used, "row")
        rests = say("rests_on.counts", counts=rests, rows=rows) if counts else rows
    if not rests or answer.left_out.empty:
        return rests
    found = answer.left_out["fault"].value_counts()
    reasons = [f"{count} × {fault}" for fault, count in found.head(_MOST_NAMED).items()]
    if len(found) > _MOST_NAMED:
        reasons.append(say("and_more", n=len(found) - _MOST_NAMED))
    left = say.count(len(answer.left_out), "row")
    return say("rests_on.left_out", rests=rests, rows=left, reasons="; ".join(reasons))


def _own_cautions(answer: Answer) -> Iterator[str]:
    """Give the cautions of an answer but those that the claim and its grade tell already."""
    for caution in answer.cautions:
        if caution not in CAUTIONS.values() and not (len(answer.left_out) and GAPS in caution):
            yield caution


def _zero(study: Study, answer: Answer, say: Phrases) -> Iterator[str]:
    """Say which effects may be none, and what else would fit."""
    tested = _tested(answer.table)
    strong = {row["term"] for row in tested if row["p_adjusted"] < LEVEL}
    rows = [row for row in tested if row["conf_low"] <= 0 <= row["conf_high"]]
    # Of a rating, told level by level, the first level stands for its factor.
    first = {row["term"]: row for row in reversed(rows) if row["term"] not in strong}
    rows = [*reversed(first.values())]
    if not rows:
        return
    named = [_effect(study, row, say) for row in rows]
    if len(named) > _MOST_NAMED:
        named = [*named[:_MOST_NAMED], say("and_more", n=len(named) - _MOST_NAMED)]
    yield say("limit.zero" if strong else "limit.zero_all", effects="; ".join(named))


def _tested(table: pd.DataFrame) -> Sequence[Mapping[Any, Any]]:
    if not {"term", "estimate", "conf_low", "conf_high", "p_adjusted"} <= set(table):
        return []
    about_zero = ~table["unit"].isin(_NOT_ABOUT_ZERO) & table["p_adjusted"].notna()
    return table[about_zero & table["conf_low"].notna()].to_dict("records")


def _effect(study: Study, row: Mapping[Any, Any], say: Phrases) -> str:
    interval = interval_text(row, say)
    if row["unit"]:
        interval = say("with_unit", number=interval, unit=row["unit"])
    return say("limit.effect", label=effect_label(study, row, say), interval=interval)


def _smallest(answer: Answer, say: Phrases) -> Iterator[str]:
    if "smallest_effect" not in answer.table:
        return
    for row in answer.table.dropna(subset=["smallest_effect"]).to_dict("records"):
        effect = say.number(row["smallest_effect"])
        yield say("limit.smallest", label=row["term"], effect=effect)
