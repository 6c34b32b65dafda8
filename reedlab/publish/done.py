"""What was done, in paragraphs: how many reeds, chance or choice, blind or not, when, by whom.

Everything is read from the record, in counts of its rows; a thing that the record does not
say is said not to be recorded. Players are counted, never named.
"""

from collections.abc import Iterator, Sequence

import pandas as pd

from reedlab.analyse.looked import label_of
from reedlab.answer import Answer
from reedlab.publish.phrases import Phrases
from reedlab.schema import Response
from reedlab.study import BatchRecord, Study

#: What is counted: its noun, the table, and its key.
_COUNTED = (
    ("maker", "reeds", "maker_id"),
    ("reed", "reeds", "reed_id"),
    ("tube", "tubes", "tube_id"),
    ("lot", "lots", "lot_id"),
    ("test", "tests", ""),
    ("session", "sessions", "session_id"),
)


def done_paragraphs(study: Study, answers: Sequence[Answer], say: Phrases) -> tuple[str, ...]:
    """Write what was done: the record, chance and blinding, measuring.

    Parameters
    ----------
    study : Study
    answers : sequence of Answer
    say : Phrases
    """
    paragraphs = [
        [say("done.invented")] if study.settings.invented else [],
        _record(study, say),
        [*_chance(study, say), *_blinding(study, say)],
        _measuring(study, answers, say),
    ]
    return tuple(" ".join(lines) for lines in paragraphs if lines)


def _record(study: Study, say: Phrases) -> list[str]:
    counts = []
    for noun, table, key in _COUNTED:
        rows = study.tables.get(table)
        if rows is None or (key and key not in rows):
            continue
        count = rows[key].nunique() if key else len(rows)
        if count:
            counts.append(say.count(int(count), noun))
    lines = [say("done.holds", things=say.joined(counts))] if counts else []
    lines += _days(study, "reeds", "made_on", "done.made", say)
    return lines + _days(study, "sessions", "started_at", "done.played", say)


def _days(study: Study, table: str, column: str, key: str, say: Phrases) -> list[str]:
    rows = study.tables.get(table, pd.DataFrame())
    days = rows[column].dropna() if column in rows else pd.Series(dtype="datetime64[ns]")
    if days.empty:
        return []
    first, last = days.min().date(), days.max().date()
    if first == last:
        return [say(f"{key}_once", day=say.day(first))]
    return [say(key, first=say.day(first), last=say.day(last))]


def _chance(study: Study, say: Phrases) -> Iterator[str]:
    batches = [batch for batch in study.settings.batches if batch.randomised]
    if not batches:
        yield say("done.chosen")
        return
    for batch in batches:
        factors = say.joined([label_of(study, name) for name in batch.randomised])
        if batch.seed is None:
            yield say("done.randomised", batch=batch.batch_id, factors=factors)
        else:
            yield say(
                "done.randomised_seed", batch=batch.batch_id, factors=factors, seed=batch.seed
            )
    reeds = study.tables.get("reeds", pd.DataFrame())
    planned = [batch.batch_id for batch in batches]
    others = (~reeds["batch_id"].isin(planned)).sum() if "batch_id" in reeds else len(reeds)
    if others:
        yield say("done.chosen_rest", n=int(others), all=say.count(len(reeds), "reed"))


def _blinding(study: Study, say: Phrases) -> Iterator[str]:
    told = [line for batch in study.settings.batches for line in _blind(batch, say)]
    yield from told
    reeds = study.tables.get("reeds", pd.DataFrame())
    coded = "blind_code" in reeds and reeds["blind_code"].notna().any()
    if not told:
        yield say("done.coded" if coded else "done.not_blind")


def _blind(batch: BatchRecord, say: Phrases) -> Iterator[str]:
    if batch.sealed:
        yield say("done.sealed", batch=batch.batch_id)
    elif batch.unblinded:
        day = say.day(pd.Timestamp(batch.unblinded).date())
        yield say("done.unblinded", batch=batch.batch_id, day=day)


def _measuring(study: Study, answers: Sequence[Answer], say: Phrases) -> list[str]:
    sessions = study.tables.get("sessions", pd.DataFrame())
    players = sessions["player_id"].nunique() if "player_id" in sessions else 0
    count = say.count(players, "player")
    lines = [say("done.players", players=count) if players else say("done.players_unknown")]
    asked = _responses(study, answers)
    if asked:
        named = [
            say("labelled", label=one.label, unit=one.unit) if one.unit else one.label
            for one in asked
        ]
        lines.append(say("done.measured", responses=say.joined(named)))
    tests = study.tables.get("tests", pd.DataFrame())
    recorded = int(tests["recording"].notna().sum()) if "recording" in tests else 0
    if recorded:
        everything = say.count(len(tests), "test")
        lines.append(say("done.from_recordings", n=recorded, all=everything))
    elif len(tests):
        lines.append(say("done.typed"))
    if any(one.name.startswith("crow") for one in asked):
        low, high = study.settings.crow_target
        target = low if low == high else say("from_to", low=low, high=high)
        lines.append(say("done.tuning", a4=say.number(study.settings.a4_hz), target=target))
    return lines


def _responses(study: Study, answers: Sequence[Answer]) -> list[Response]:
    """Return the responses that were asked about, each once."""
    names: dict[str, None] = {}
    for answer in answers:
        given = answer.asked.get("arguments", {})
        asked = given.get("response", given.get("responses", ()))
        one_or_more = [asked] if isinstance(asked, str) else [*asked]
        names |= dict.fromkeys(map(str, one_or_more))
    known = {response.name: response for response in study.settings.responses}
    return [known[name] for name in names if name in known]
