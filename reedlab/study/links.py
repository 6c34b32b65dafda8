"""Rules that tie columns and tables together: orphans, fates, dates, sums.

Each rule speaks only where the columns that it needs are recorded.
"""

from collections.abc import Iterator, Sequence
from difflib import get_close_matches

import pandas as pd

from reedlab.schema import cents_from_band
from reedlab.study.faults import Fault
from reedlab.study.rules import cells_where, fault_at
from reedlab.study.study import Study

#: A pitch written to the nearest hertz is off by up to 3 cents at E4, and cents to the
#: nearest whole by half a cent; beyond this the two cells tell different stories.
CROW_TOLERANCE_CENTS = 5.0
RANGE_TOLERANCE_DB = 0.5


def orphans(study: Study) -> Iterator[Fault]:
    """Find references to ids that do not exist, and suggest the id that is meant."""
    for name, table in study.schema.items():
        for column, there in table.references.items():
            if not _has(study, there, column):
                continue
            ids = study.tables[there][column].dropna().tolist()
            known = list(dict.fromkeys([*ids, *_lost(study, there, column)]))
            cells = study.tables[name][column]
            hints: dict[str, str] = {}
            for row, value in cells_where(cells, cells.notna() & ~cells.isin(known)):
                if value not in hints:
                    hints[value] = hint(value, known, study.sheets[there].file)
                fault = f"{column} '{value}' does not exist in {study.sheets[there].file}"
                yield fault_at(study, name, row, column, "error", fault, hints[value])


def _has(study: Study, table: str, *columns: str) -> bool:
    return table in study.tables and set(columns) <= set(study.tables[table].columns)


def _lost(study: Study, table: str, column: str) -> list[str]:
    """Return ids in rows that could not be read: told once, they are no orphans' fault."""
    sheet = study.sheets[table]
    place = sheet.header.index(column)
    return [cells[place] for cells in sheet.broken if place < len(cells)]


def hint(value: str, known: Sequence[str], file: str) -> str:
    """Say what to do about an id that a file does not have: the one that is meant, or none."""
    alike = [name for name in known if _bare(name) == _bare(value)]
    near = alike or get_close_matches(value, known, n=1, cutoff=0.7)
    if near:
        return f"write '{near[0]}' as in {file}, if that is meant"
    return f"add it to {file}, or mend the id"


def _bare(name: str) -> str:
    """Strip what a spreadsheet does to an id: zeros in front, a point, capitals, spaces."""
    text = "".join(name.split()).casefold()
    try:
        return f"{float(text):.10g}"
    except ValueError:
        return text.lstrip("0")


def fates(study: Study) -> Iterator[Fault]:
    """Find reeds that are kept and given up at once."""
    if not _has(study, "reeds", "fate"):
        return
    reeds = study.tables["reeds"]
    kept, discarded = reeds["fate"] == "kept", reeds["fate"] == "discarded"
    if "fate_reason" in reeds:
        for row, _ in cells_where(reeds["fate"], kept & reeds["fate_reason"].notna()):
            fault, remedy = (
                "the reed is kept, yet a reason for giving it up is told",
                "mend one of the two",
            )
            yield fault_at(study, "reeds", row, "fate_reason", "warning", fault, remedy)
    if "kept" in study.sheets["reeds"].header:
        clash = (kept & (reeds["kept"] == False)) | (discarded & reeds["kept"])  # noqa: E712
        for row, fate in cells_where(reeds["fate"], clash):
            fault, remedy = f"the fate is '{fate}', but kept says otherwise", "mend one of the two"
            yield fault_at(study, "reeds", row, "kept", "error", fault, remedy)
    if _has(study, "life", "reed_id"):
        if "spared" in reeds:
            discarded &= ~reeds["spared"].fillna(False).astype(bool)
        used = study.tables["life"]["reed_id"]
        for row, reed in cells_where(used, used.isin(reeds.loc[discarded, "reed_id"])):
            fault = f"reed '{reed}' is discarded in reeds.csv, yet it has a life in use"
            remedy = "mend its fate, or mark it as spared"
            yield fault_at(study, "life", row, "reed_id", "error", fault, remedy)


def dates(study: Study) -> Iterator[Fault]:
    """Find what happened to a reed before it was made, and lives that end before they begin."""
    if _has(study, "reeds", "made_on"):
        made = _by_id(study, "reeds", "reed_id", "made_on")
        for name, what in (("tests", "tested"), ("adjustments", "adjusted")):
            if _has(study, name, "session_id") and _has(study, "sessions", "started_at"):
                started = _by_id(study, "sessions", "session_id", "started_at").dt.normalize()
                when = _looked_up(study.tables[name]["session_id"], started)
                yield from _too_early(study, name, "session_id", when, made, what)
        if _has(study, "life", "first_played"):
            when = study.tables["life"]["first_played"]
            yield from _too_early(study, "life", "first_played", when, made, "first played")
    if _has(study, "life", "first_played", "last_played"):
        first, last = (study.tables["life"][name] for name in ("first_played", "last_played"))
        for row, day in cells_where(first, last < first):
            fault = f"last played before it was first played ({day:%Y-%m-%d})"
            remedy = "mend one of the dates"
            yield fault_at(study, "life", row, "last_played", "error", fault, remedy)


def _by_id(study: Study, table: str, key: str, column: str) -> pd.Series:
    """Return a column by id; of an id that comes twice, the first."""
    frame = study.tables[table].dropna(subset=key).drop_duplicates(key)
    return frame.set_index(key)[column]


def _looked_up(ids: pd.Series, by_id: pd.Series) -> pd.Series:
    """Return what belongs to each id, missing where there is none, even if all are."""
    return pd.Series(by_id.reindex(ids).array, ids.index)


def _too_early(
    study: Study, name: str, column: str, when: pd.Series, made: pd.Series, what: str
) -> Iterator[Fault]:
    reed = study.tables[name]["reed_id"]
    born = _looked_up(reed, made)
    for row, day in cells_where(when, when < born):
        fault = (
            f"reed '{reed[row]}' was {what} on {day:%Y-%m-%d}, before it was made "
            f"({born[row]:%Y-%m-%d})"
        )
        where = "here" if column == "first_played" else "in sessions.csv"
        remedy = f"mend the date {where}, or made_on in reeds.csv"
        yield fault_at(study, name, row, column, "error", fault, remedy)


def sums(study: Study) -> Iterator[Fault]:
    """Find derived values that disagree with what they are derived from."""
    if _has(study, "tests", "crow_hz", "crow_cents"):
        low, high = study.settings.crow_band_hz
        target = " to ".join(dict.fromkeys(study.settings.crow_target))
        tests = study.tables["tests"]
        hertz, a4_hz = tests["crow_hz"], _tunings(study, tests)
        # A target is written in notes, so it moves with the tuning of the session.
        at_target = hertz * study.settings.a4_hz / a4_hz
        expected = at_target[hertz > 0].map(lambda hz: cents_from_band(hz, low, high))
        off = (tests["crow_cents"] - expected).abs() > CROW_TOLERANCE_CENTS
        for row, hz in cells_where(hertz, off):
            fault = (
                f"crow_hz {hz:g} is {expected[row]:.0f} cents from the target {target} at "
                f"A4 = {a4_hz[row]:g} Hz"
            )
            remedy = f"write {expected[row]:.0f}, or mend crow_hz or the target"
            yield fault_at(study, "tests", row, "crow_cents", "warning", fault, remedy)
    if _has(study, "tests", "soft_db", "loud_db", "dynamic_range_db"):
        tests = study.tables["tests"]
        expected = tests["loud_db"] - tests["soft_db"]
        off = (tests["dynamic_range_db"] - expected).abs() > RANGE_TOLERANCE_DB
        for row, span in cells_where(expected, off):
            fault = f"loud_db minus soft_db is {span:.1f} dB"
            remedy = f"write {span:.1f}, or mend soft_db or loud_db"
            yield fault_at(study, "tests", row, "dynamic_range_db", "warning", fault, remedy)


def _tunings(study: Study, tests: pd.DataFrame) -> pd.Series:
    """Return the tuning of each test, by its session."""
    if "session_id" not in tests:
        return pd.Series(study.settings.a4_hz, tests.index)
    own = pd.Series(dtype=float)
    if _has(study, "sessions", "session_id", "a4_hz"):
        sessions = study.tables["sessions"].dropna(subset=["session_id", "a4_hz"])
        own = sessions.drop_duplicates("session_id").set_index("session_id")["a4_hz"]
    return tests["session_id"].map(own).astype(float).fillna(study.settings.a4_hz)


def counts(study: Study) -> Iterator[Fault]:
    """Find tubes with more reeds than pieces, and marks that two reeds of a batch share."""
    if _has(study, "tubes", "pieces") and _has(study, "reeds", "tube_id"):
        tubes = study.tables["tubes"]
        made = study.tables["reeds"]["tube_id"].value_counts()
        number = tubes["tube_id"].map(made).astype(float).fillna(0)
        for row, reeds in cells_where(number, number > tubes["pieces"]):
            fault = f"{reeds:.0f} reeds are recorded from this tube, more than its pieces"
            remedy = "mend pieces, or tube_id in reeds.csv"
            yield fault_at(study, "tubes", row, "pieces", "warning", fault, remedy)
    if _has(study, "reeds", "blind_code"):
        marked = study.tables["reeds"].dropna(subset="blind_code")
        same = [name for name in ("batch_id", "blind_code") if name in marked]
        for row, code in cells_where(marked["blind_code"], marked[same].duplicated()):
            fault, remedy = f"two reeds of one batch carry the mark '{code}'", "mark one anew"
            yield fault_at(study, "reeds", row, "blind_code", "error", fault, remedy)


LINKS = (orphans, fates, dates, sums, counts)
