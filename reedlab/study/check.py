"""All rules over one study: every fault at once, one line per cell."""

from collections.abc import Iterator

from reedlab.study.belonging import strays
from reedlab.study.copies import copies
from reedlab.study.descriptor import DESCRIPTOR
from reedlab.study.faults import Fault, Faults, collect
from reedlab.study.journal import FOLDER, journal_files, last_entry
from reedlab.study.links import LINKS
from reedlab.study.rules import bounds_and_levels, duplicates, spellings
from reedlab.study.study import Study

#: Rules over one table. The first that speaks of a cell is the one that is told, so the
#: more telling rule comes first: of a level spelled two ways, not that it is no level.
_TABLE_RULES = (duplicates, spellings, bounds_and_levels)


def check_study(study: Study) -> Faults:
    """Return every fault of a study.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Faults
    """
    found = [*_faults(study)]
    headers = {DESCRIPTOR: ()} | {sheet.file: sheet.header for sheet in study.sheets.values()}
    headers |= {fault.file: () for fault in found if fault.file not in headers}
    whole_rows = [fault for fault in study.reading if fault.column == "" and fault.row is not None]
    left_out = [fault for fault in whole_rows if fault.severity == "error"]
    return Faults(
        question="Is the record sound?",
        table=collect(found, headers),
        rows_used=sum(len(table) for table in study.tables.values()),
        left_out=collect(left_out, headers)[["file", "row", "fault"]],
        n_tables=len(study.tables),
    )


def _faults(study: Study) -> Iterator[Fault]:
    yield from study.reading
    if study.read_only:
        remedy = "work on a copy, or open it where you may write"
        if study.in_parquet:
            remedy = "record in the CSV study that it was written from, and write it anew"
        fault = f"nothing can be recorded: {study.read_only}"
        yield Fault(DESCRIPTOR, None, "", "", "warning", fault, remedy)
    for name in study.tables:
        for table_rule in _TABLE_RULES:
            yield from table_rule(study, name)
    for link in LINKS:
        yield from link(study)
    yield from strays(study)
    yield from copies(study)
    yield from _cut_off_journal(study)


def _cut_off_journal(study: Study) -> Iterator[Fault]:
    """Find a journal whose last line was not written to its end, as a power cut leaves it."""
    files = journal_files(study.folder)
    if files and last_entry(study.folder) is None:
        fault = "its last line is no entry of a journal, as after a power cut"
        remedy = "see that what was recorded last is in the tables; it cannot be taken back by undo"
        yield Fault(f"{FOLDER}/{files[-1].name}", None, "", "", "warning", fault, remedy)
