"""Bringing an old sheet into a study: read, map, route, write; or ask first.

Nothing is guessed and nothing is half done. While a question is open, or before the maker
has confirmed the mapping, only the proposal of the mapping is written; then all rows that
can be right go in together, and those that cannot are named. The same sheet may be brought
in again: what the study says already is left out.
"""

import gc
import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import pandas as pd

from reedlab.answer import counted
from reedlab.errors import ReedlabError, listed
from reedlab.study.bring.brought import Brought
from reedlab.study.bring.dividing import Divider
from reedlab.study.bring.journey import OUTCOMES, Journey, trace
from reedlab.study.bring.keeping import journey_file, mapping_path, save_mapping, save_rows
from reedlab.study.bring.mapping import SheetMapping, mapping_files, require_headers, setting
from reedlab.study.bring.mapping_file import mapping_text, read_mapping
from reedlab.study.bring.opening import SheetTable, open_table
from reedlab.study.bring.proposing import propose, targets
from reedlab.study.bring.reading import ReadColumn
from reedlab.study.bring.routing import Routed, route
from reedlab.study.bring.settling import settle
from reedlab.study.bring.trade_words import taken_apart
from reedlab.study.draft import Draft
from reedlab.study.lock import one_at_a_time
from reedlab.study.study import Study

Tell = Callable[[int, int], None]


def bring_in(
    study: Study,
    path: str | os.PathLike[str],
    mapping: str | os.PathLike[str] | SheetMapping | None = None,
    *,
    answers: Mapping[str, str] | None = None,
    confirmed: bool | None = None,
    sheet: str | None = None,
    dry_run: bool = False,
    progress: Tell | None = None,
) -> Brought:
    r"""Bring an old sheet into a study.

    Parameters
    ----------
    study : Study
    path : path
        XLSX, ODS, CSV, TSV or Parquet, as it was typed.
    mapping : path or SheetMapping, optional
        How its columns are read. Left out, the one of the study that has the same headers
        is taken; if there is none, one is proposed and kept as ``bring/<name>.toml``.
    answers : mapping of str to str, optional
        Answers to its questions, by their keys; see :meth:`SheetMapping.answered`.
    confirmed : bool, optional
        Say yes to the mapping here instead of in its file.
    sheet : str, optional
        Which sheet of a workbook.
    dry_run : bool, optional
        Tell what would happen and write nothing.
    progress : callable, optional
        Called with how much is done, and of how much.

    Returns
    -------
    Brought
        With the counts, the journey of every cell, the questions, and the study opened
        again. It came in if ``written``.

    Raises
    ------
    CallError
        For a mapping that does not fit the sheet or the study, an answer to no question,
        or several sheets that may be meant.
    RecordError
        If the sheet, the mapping or the study cannot be read, or the study not be written.

    Examples
    --------
    >>> import tempfile
    >>> from reedlab.study import new_study
    >>> home = Path(tempfile.mkdtemp())
    >>> study = new_study(home / "autumn")
    >>> _ = (home / "old.csv").write_text("Rohr-Nr.;Höhlung mm\n007;1,30\n008;1,25 mm\n")
    >>> print(bring_in(study, home / "old.csv", dry_run=True).sentence)
    old.csv: 2 of 2 rows would come in (2 reeds), 2 cells changed. Nothing is written before
    the mapping is confirmed.
    >>> bring_in(study, home / "old.csv", confirmed=True).study.tables["reeds"]["reed_id"].tolist()
    ['007', '008']
    """
    call = _brought if dry_run else one_at_a_time(_brought)
    with _undisturbed():
        return call(study, Path(path), mapping, answers or {}, confirmed, sheet, dry_run, progress)


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Put off the search for unreachable objects, which takes a third of a large import.

    It walks over millions of cells again and again, and they are all in use.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _brought(
    study: Study,
    path: Path,
    given: str | os.PathLike[str] | SheetMapping | None,
    answers: Mapping[str, str],
    confirmed: bool | None,
    sheet: str | None,
    dry_run: bool,
    progress: Tell | None,
) -> Brought:
    draft = Draft(study.folder)
    kept = [read_mapping(file) for file in mapping_files(draft.study.folder)]
    if given is not None and not isinstance(given, SheetMapping):
        given = read_mapping(Path(given))
    table, how = _opened(path, sheet, given, kept, progress)
    mapping = _chosen(given, path, table, draft, kept, how)
    if confirmed is not None:
        mapping = replace(mapping, confirmed=confirmed)
    mapping, columns = settle(mapping, dict(answers), table, draft)
    routed = Routed()
    if not mapping.open:
        numbers = [record[0].row for record in table.found.records]
        routed = route(Divider([*columns.values()], mapping, draft), numbers, draft, progress)
    traced = trace(table, columns, routed.rows)
    result = _result(draft, table, mapping, columns, routed, traced)
    if dry_run:
        return result
    save_mapping(study.folder, mapping, result.mapping_text)
    if result.waits or not (routed.fresh or routed.filled):
        return result
    report = journey_file(study.folder, mapping, traced)
    fresh = save_rows(draft, routed, path.name, report)
    return replace(result, study=fresh, written=True)


def _opened(
    path: Path,
    sheet: str | None,
    given: SheetMapping | None,
    kept: Sequence[SheetMapping],
    tell: Tell | None,
) -> tuple[SheetTable, SheetMapping | None]:
    """Open the table, with the header and encoding that a mapping says; return that mapping.

    It is the one given, the one named like the sheet, or one whose columns are then found.
    """
    own = given or next((one for one in kept if one.name == _safe(path.stem) and _says(one)), None)
    if own is not None:
        table = open_table(path, sheet or own.sheet or None, tell, own.header, own.encoding)
        return table, own if _says(own) else None
    for one in filter(_says, kept):
        with suppress(ReedlabError):  # it speaks of another sheet
            table = open_table(path, sheet, tell, one.header, one.encoding)
            if _fits(one, table):
                return table, one
    return open_table(path, sheet, tell), None


def _says(mapping: SheetMapping) -> bool:
    """Say whether a mapping tells where the header is or what the encoding is."""
    return bool(mapping.header or mapping.encoding)


def _fits(mapping: SheetMapping, table: SheetTable) -> bool:
    return sorted(mapping.headers) == sorted(table.names)


def _chosen(
    given: SheetMapping | None,
    path: Path,
    table: SheetTable,
    draft: Draft,
    kept: Sequence[SheetMapping],
    how: SheetMapping | None,
) -> SheetMapping:
    """Return the mapping that was given, the one of the study that fits, or a proposal."""
    if how is not None and not _fits(how, table):
        # Its columns are those of a header or of letters that were found wrongly.
        fresh = propose(how.name, table.names, table.found.records, table.title, draft, how.sheet)
        return replace(fresh, header=how.header, encoding=how.encoding)
    if given is not None:
        require_headers(given, table.names, table.file)
        others = [one.name for one in kept if sorted(one.headers) != sorted(given.headers)]
        return replace(given, name=_free_name(given.name, others))
    if how is not None:
        return how
    fitting = [one for one in kept if _fits(one, table) and not _says(one)]
    if fitting:
        # Of several, the one that is named like the sheet, else the one said yes to.
        return max(fitting, key=lambda one: (one.name == _safe(path.stem), one.confirmed))
    name = _free_name(path.stem, [one.name for one in kept])
    chosen = table.grid.name if table.several else ""
    return propose(name, table.names, table.found.records, table.title, draft, chosen)


def _free_name(stem: str, taken: Sequence[str]) -> str:
    """Return a name for the file of a mapping that no other mapping has."""
    name, number = _safe(stem), 1
    while name in taken:
        number += 1
        name = f"{_safe(stem)}_{number}"
    return name


def _safe(stem: str) -> str:
    """Return a name that every disk takes."""
    return re.sub(r"[^\w-]+", "_", stem).strip("_")[:40] or "sheet"


def _result(
    draft: Draft,
    table: SheetTable,
    mapping: SheetMapping,
    columns: Mapping[str, ReadColumn],
    routed: Routed,
    traced: Journey,
) -> Brought:
    told = [one.outcome for one in routed.rows]
    meanings = {name: one.meaning for name, one in targets(draft).items()}
    return Brought(
        f"What comes of {table.file}?",
        _by_column(table.names, mapping, traced),
        (*table.notes, *_assumed(columns), *_as_frequencies(mapping, draft)),
        told.count("kept"),
        traced.left_out,
        study=draft.study,
        mapping=mapping,
        mapping_file=mapping_path(draft.study.folder, mapping),
        mapping_text=mapping_text(mapping, meanings),
        journey=traced,
        file=table.file,
        rows_in=len(table.found.records) + len(table.found.left_out),
        rows_kept=told.count("kept"),
        rows_refused=told.count("refused"),
        rows_left_out=told.count("left out") + len(table.found.left_out),
        added={name: len(rows) for name, rows in routed.fresh.items()},
        filled=len(routed.filled),
    )


def _by_column(names: Sequence[str], mapping: SheetMapping, traced: Journey) -> pd.DataFrame:
    rows = []
    for name in names:
        rule, counts = mapping.column(name), traced.by_column[name]
        place = {"column": name, "becomes": setting(rule, "to"), "stage": rule.stage}
        rows.append(place | {outcome.replace(" ", "_"): counts[outcome] for outcome in OUTCOMES})
    return pd.DataFrame(rows)


def _assumed(columns: Mapping[str, ReadColumn]) -> list[str]:
    """Say how many bare numbers were given the unit of the mapping."""
    said = []
    for name, column in columns.items():
        units = [read.assumed for read in column.reads if read.assumed]
        if units and not taken_apart(name).unit:
            numbers = counted(len(units), "number")
            said.append(f"{numbers} of '{name}' without a unit, read as {units[0]}.")
    return said


def _as_frequencies(mapping: SheetMapping, draft: Draft) -> list[str]:
    """Say which cents are kept as frequencies, and why."""
    notes: dict[str, list[str]] = {}
    for rule in mapping.columns:
        if rule.column == "crow_hz" and rule.unit == "cents" and rule.from_note:
            notes.setdefault(rule.from_note, []).append(f"'{rule.header}'")
    target = " to ".join(dict.fromkeys(draft.study.settings.crow_target))
    return [
        f"The cents of {listed(headers)} are counted from {note} and the study's crow target is "
        f"{target}, so they are kept as frequencies (crow_hz), which bends none of them."
        for note, headers in notes.items()
    ]
