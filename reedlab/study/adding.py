"""Adding a planned batch to a study: its checks, its files, its rows.

While the batch is sealed, ``reeds.csv`` holds of each reed its code and its batch and
nothing else, in the order of the codes, so that neither a cell nor its place tells what
was made of it.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from reedlab.errors import CallError, listed
from reedlab.schema import STRATUM_KEY, Factor, read_code
from reedlab.study.draft import Draft
from reedlab.study.lock import one_at_a_time
from reedlab.study.plans import key_file, level_text, making_file, records, testing_file
from reedlab.study.settings import BatchRecord
from reedlab.study.study import Study

_SAFE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
# Names that a spreadsheet's machine keeps for its devices.
_DEVICES = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])", re.IGNORECASE)
_NEEDED = {
    "making": ("place", "tube_id", "piece", "spare_pieces"),
    "testing": ("session", "place", "blind_code"),
    "key": ("place", "blind_code"),
}
#: What the sheets and tables use for other things, so no factor may be called so.
_TAKEN = frozenset(
    name
    for names in (
        ("place", "tube_id", "lot_id", "piece", "spare_pieces", "shuffled_among", "piece_used"),
        ("as_planned", "made_on", "minutes_spent", "lost", "note", "batch_id", "blind_code"),
        ("session", "session_id", "started_at", "reed_id", "stage", "trial"),
        ("fate", "fate_stage", "fate_reason", "spared", "kept"),
    )
    for name in names
)


@one_at_a_time
def add_plan(
    study: Study,
    record: BatchRecord,
    factors: Sequence[Factor],
    making: pd.DataFrame,
    testing: pd.DataFrame,
    key: pd.DataFrame,
) -> Study:
    """Write the plan of a batch into a study and seal its key.

    Parameters
    ----------
    study : Study
    record : BatchRecord
        What is randomised and how; it is kept as sealed.
    factors : sequence of Factor
        Those of the batch. One that the study declares and has used stays as it is there;
        the others are declared as the batch has them. So a gouge that was declared for
        reeds, and never recorded, can be given to whole tubes.
    making : pandas.DataFrame
        A row a place: place, tube_id, lot_id (optional), piece, spare_pieces, one column
        a factor of a lot, tube or reed, shuffled_among (optional).
    testing : pandas.DataFrame
        A row a reed and session: session, place, blind_code, one column a factor of a
        session.
    key : pandas.DataFrame
        place and blind_code.

    Returns
    -------
    Study
        Opened again, with a row for each reed under its code.

    Raises
    ------
    CallError
        Listing all of: a batch that exists, a name that no file can have, tables that do
        not fit each other, unknown tubes, codes in use, factors that contradict those
        declared, tubes recorded with another level. Nothing is written then.
    RecordError
        If the study cannot be read or written.

    Examples
    --------
    >>> import tempfile
    >>> import numpy as np
    >>> from reedlab.schema import draw_codes
    >>> from reedlab.study import Settings, write_study
    >>> tubes = pd.DataFrame({"tube_id": ["T1"]})
    >>> study = write_study(tempfile.mkdtemp(), {"tubes": tubes}, Settings())
    >>> making = pd.DataFrame({"place": [1, 2], "tube_id": "T1", "piece": [1, 2]})
    >>> making = making.assign(spare_pieces="", shape=["wide", "narrow"])
    >>> codes = draw_codes(2, np.random.default_rng(1))
    >>> key = pd.DataFrame({"place": [1, 2], "blind_code": codes})
    >>> testing = key.assign(session=1)
    >>> shape = Factor("shape", ("narrow", "wide"))
    >>> study = add_plan(study, BatchRecord("B1", ["shape"]), [shape], making, testing, key)
    >>> study.plan("B1").making["shape"].tolist(), list(study.tables["reeds"].columns[:3])
    (['wide', 'narrow'], ['reed_id', 'blind_code', 'batch_id'])
    """
    draft = Draft(study.folder)
    frames = {"making": making, "testing": testing, "key": key}
    problems = [*_name_faults(draft.study, record), *_frame_faults(frames, factors)]
    if not problems:
        problems = [
            *_code_faults(draft.study, frames),
            *_factor_faults(draft, record, factors),
            *_cane_faults(draft.study, factors, making),
        ]
    if problems:
        raise CallError("\n".join(dict.fromkeys(problems)))
    draft.add_table("reeds")
    for factor in factors:
        draft.add_table(factor.table)
    known = {factor.name: factor for factor in draft.study.settings.factors}
    fresh = [factor for factor in factors if factor.name not in known]
    moved = [
        replace(known[factor.name], stratum=factor.stratum)
        for factor in factors
        if factor.name in known and factor.stratum != known[factor.name].stratum
    ]
    draft.declare([*fresh, *moved])
    draft.keep_batch(replace(record, sealed=True, unblinded=""))
    for name in ("blind_code", "batch_id"):
        draft.add_column("reeds", name)
    for code in sorted(key["blind_code"]):
        cells = {"reed_id": code, "blind_code": code, "batch_id": record.batch_id}
        draft.append("reeds", cells)
    for path, frame in zip((making_file, testing_file, key_file), frames.values(), strict=True):
        for row in records(frame):
            cells = {name: level_text(value) for name, value in row.items()}
            draft.append_beside(path(record.batch_id), cells)
    return draft.save(f"plan {record.batch_id}")


def _name_faults(study: Study, record: BatchRecord) -> Iterator[str]:
    name = record.batch_id
    if not _SAFE.fullmatch(name) or _DEVICES.fullmatch(name):
        yield (
            f"The batch '{name}' cannot give its name to files; use up to 40 letters a to z, "
            "digits, - and _, such as B2."
        )
        return
    ids = [batch.batch_id for batch in study.settings.batches]
    reeds = study.tables.get("reeds", pd.DataFrame())
    ids += reeds["batch_id"].dropna().unique().tolist() if "batch_id" in reeds else []
    # A disk may take B2 and b2 for one file.
    for taken in dict.fromkeys(ids):
        if taken.casefold() == name.casefold():
            yield f"The study has a batch '{taken}' already; give this one another name."
    for path in (making_file, testing_file, key_file):
        if (study.folder / path(name)).exists():
            yield f"{path(name)} lies in the study already; take it away or rename the batch."


def _frame_faults(frames: dict[str, pd.DataFrame], factors: Sequence[Factor]) -> Iterator[str]:
    """Find what the three tables lack, and where they do not fit each other."""
    for name, frame in frames.items():
        wanted = list(_NEEDED[name])
        if name != "key":
            wanted += [
                factor.name
                for factor in factors
                if (factor.stratum == "session") == (name == "testing")
            ]
        if name == "making" and any(factor.stratum == "lot" for factor in factors):
            wanted.append("lot_id")
        lacking = [column for column in wanted if column not in frame]
        if lacking:
            yield f"The {name} table lacks {listed(lacking)}."
            return
    making, testing, key = frames.values()
    if making["place"].tolist() != list(range(1, len(making) + 1)):
        yield "The making table must list the places 1, 2, 3 and so on, each once."
    if sorted(key["place"]) != sorted(making["place"]):
        yield "The key must give a code to each place of the making table, once."
    if key["blind_code"].duplicated().any():
        yield "The key gives one code to two reeds."
    for session, part in testing.groupby("session"):
        if sorted(part["blind_code"]) != sorted(key["blind_code"]):
            yield f"Session {session} of the testing table must list each code of the key once."


def _code_faults(study: Study, frames: dict[str, pd.DataFrame]) -> Iterator[str]:
    reeds = study.tables.get("reeds", pd.DataFrame())
    used = {
        str(value).casefold()
        for name in ("reed_id", "blind_code")
        if name in reeds
        for value in reeds[name].dropna()
    }
    for code in frames["key"]["blind_code"]:
        try:
            read = read_code(code)
        except CallError as error:
            yield str(error)
            continue
        if read != code:
            yield f"The code '{code}' must be written '{read}'."
        elif code.casefold() in used:
            yield f"The code '{code}' is carried by another reed in reeds.csv; draw another."


def _factor_faults(draft: Draft, record: BatchRecord, factors: Sequence[Factor]) -> Iterator[str]:
    """Find factors that contradict what the study declares under the same name."""
    names = [factor.name for factor in factors]
    for name in sorted({name for name in names if names.count(name) > 1}):
        yield f"The factor '{name}' is given twice."
    for name in record.randomised:
        if name not in names:
            yield f"'{name}' is said to be randomised, but is no factor of the batch."
    settings = draft.study.settings
    responses = {item.name for item in settings.responses}
    declared = {factor.name: factor for factor in settings.factors}
    for factor in factors:
        name = factor.name
        if not name.strip() or name != name.strip():
            yield f"'{name}' cannot head a column; give the factor a name without spaces around it."
        if name in _TAKEN or name in responses:
            yield f"A factor cannot be called '{name}', for the record uses that name; rename it."
        missing = draft.resource(factor.table).missing
        for level in factor.levels:
            if level_text(level).strip() == "" or level_text(level) in missing:
                yield f"Factor '{name}' has the level '{level}', which means 'not recorded' here."
        if name in declared:
            yield from _contradictions(
                factor, declared[name], used=_is_used(draft.study, declared[name])
            )


def _is_used(study: Study, factor: Factor) -> bool:
    """Say whether a declared factor has a recorded value, or a level in another batch."""
    table = study.tables.get(factor.table, pd.DataFrame())
    recorded = factor.name in table and bool(table[factor.name].notna().any())
    batches = study.settings.batches
    return recorded or any(factor.name in (*one.randomised, *one.given) for one in batches)


def _contradictions(factor: Factor, known: Factor, *, used: bool) -> Iterator[str]:
    name = factor.name
    for what, ours, theirs in (
        ("stratum", known.stratum, factor.stratum if used else known.stratum),
        ("unit", known.unit, factor.unit or known.unit),
        ("kind", known.kind, factor.kind),
    ):
        if ours != theirs:
            yield (
                f"The study declares the factor '{name}' with the {what} '{ours or 'none'}', the "
                f"batch with '{theirs}'; use one of the two, or give the batch's another name."
            )
    strange = [level for level in factor.levels if level not in known.levels]
    if known.levels and strange:
        yield (
            f"The study declares '{name}' with the levels {listed(known.levels)}; the batch also "
            f"has {listed(strange)}. Declare them in datapackage.json first, or take them out."
        )


def _cane_faults(study: Study, factors: Sequence[Factor], making: pd.DataFrame) -> Iterator[str]:
    """Find cane that the study does not have or has recorded with another level."""
    lots = any(factor.stratum == "lot" for factor in factors)
    for stratum in ("lot", "tube") if lots else ("tube",):
        key = STRATUM_KEY[stratum]
        table = study.tables.get(f"{stratum}s", pd.DataFrame(columns=[key]))
        unknown = sorted(set(making[key]) - set(table[key].dropna()))
        if unknown:
            yield (
                f"The {stratum}{'' if len(unknown) == 1 else 's'} {listed(unknown)} cannot be "
                f"found in {stratum}s.csv; write them in there first."
            )
        for factor in factors:
            if factor.stratum == stratum:
                yield from _level_faults(study, factor, table, making)
    if "lot_id" in making and "lot_id" in study.tables.get("tubes", ()):
        known = study.tables["tubes"].dropna(subset=["tube_id", "lot_id"])
        lot_of = dict(zip(known["tube_id"], known["lot_id"], strict=True))
        for tube, lot in making.groupby("tube_id")["lot_id"].first().items():
            if lot_of.get(tube, lot) != lot:
                yield f"tubes.csv has tube '{tube}' in lot '{lot_of[tube]}', the batch in '{lot}'."


def _level_faults(
    study: Study, factor: Factor, table: pd.DataFrame, making: pd.DataFrame
) -> Iterator[str]:
    key, name = STRATUM_KEY[factor.stratum], factor.name
    recorded: dict[Any, Any] = {}
    if name in table:
        known = table.dropna(subset=[key, name])
        recorded = dict(zip(known[key], known[name], strict=True))
    for unit, levels in making.groupby(key)[name]:
        given = list(dict.fromkeys(map(level_text, levels)))
        if len(given) > 1:
            yield (
                f"The batch gives the {factor.stratum} '{unit}' several levels of '{name}' "
                f"({listed(given)}); such a level is given to a whole {factor.stratum}."
            )
        elif unit in recorded and level_text(recorded[unit]) != given[0]:
            file = study.sheets[factor.table].file
            yield (
                f"{file} has the {factor.stratum} '{unit}' with {name} "
                f"'{level_text(recorded[unit])}', the batch gives it '{given[0]}'; "
                "mend one of the two."
            )
