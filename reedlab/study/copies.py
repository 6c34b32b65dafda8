"""Files beside the record that look like copies of it: warned of, never read.

Cloud folders, mail programs and file managers keep a second file where two were written at
once or one was saved twice: ``tests (conflicted copy 2026-11-03).csv``, ``tests-BENCH.csv``,
``tests (1).csv``. Rows that stand only there are missing from the record.
"""

import re
from collections.abc import Iterator
from pathlib import Path

from reedlab.study.descriptor import DESCRIPTOR
from reedlab.study.faults import Fault
from reedlab.study.study import Study

#: Where files of the record lie, and how such files end.
_PLACES = ("", "plans", "keys", "journal")
_ENDS = (".csv", ".parquet", ".json", ".jsonl")
_MONTH = re.compile(r"\d{4}-\d{2}")


def copies(study: Study) -> Iterator[Fault]:
    """Find files that look like a copy of one of the study's.

    Examples
    --------
    >>> import tempfile
    >>> from reedlab.study import new_study
    >>> study = new_study(tempfile.mkdtemp())
    >>> _ = (study.folder / "tests (1).csv").write_text("reed_id")
    >>> [(fault.file, fault.fault) for fault in copies(study)]
    [('tests (1).csv', 'it looks like a copy of tests.csv, and is not read')]
    """
    # The log of what was looked at is no table, but a copy of it is as telling.
    own = {sheet.file for sheet in study.sheets.values()} | {DESCRIPTOR, "looks.csv"}
    for place in _PLACES:
        for path in sorted((study.folder / place).glob("*")):
            if path.suffix.lower() not in _ENDS or path.name.startswith("."):
                continue
            file = path.relative_to(study.folder).as_posix()
            known = _beside(study, place, own)
            original = None if path.name in known else _original(path, known)
            if original is not None:
                fault = f"it looks like a copy of {original}, and is not read"
                remedy = "see which rows stand only there, write them into the record, move it away"
                yield Fault(file, None, "", "", "warning", fault, remedy)


def _beside(study: Study, place: str, own: set[str]) -> set[str]:
    """Return the names that files of the record have in one of its folders."""
    if not place:
        return {Path(file).name for file in own if "/" not in file}
    batches = [batch.batch_id for batch in study.settings.batches]
    if place == "keys":
        return {f"{batch}.csv" for batch in batches}
    if place == "plans":
        return {
            f"{batch}_{kind}.csv" for batch in batches for kind in ("making", "testing", "made")
        }
    found = (study.folder / place).glob("*.jsonl")
    return {path.name for path in found if _MONTH.fullmatch(path.stem)}


def _original(path: Path, known: set[str]) -> str | None:
    """Return the file of which a file looks like a copy; the longest name that fits.

    Examples
    --------
    >>> known = {"tests.csv", "lots.csv"}
    >>> [_original(Path(name), known) for name in ("tests-BENCH.csv", "Copy of lots.csv", "x.csv")]
    ['tests.csv', 'lots.csv', None]
    """
    fits = []
    for name in known:
        stem, end = Path(name).stem.casefold(), Path(name).suffix
        own = path.stem.casefold()
        # A word that only begins alike, as "testset", is another word.
        behind = own.startswith(stem) and own[len(stem) : len(stem) + 1] not in _letters(own)
        before = re.search(rf"(^|[\s_(-]){re.escape(stem)}$", own)
        if end == path.suffix.lower() and own != stem and (behind or before):
            fits.append(name)
    return max(fits, key=lambda name: (len(name), name), default=None)


def _letters(text: str) -> set[str]:
    return {letter for letter in text if letter.isalnum()}
