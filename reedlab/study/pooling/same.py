"""The same study twice: a copy would count every reed double."""

import hashlib
import json
from collections.abc import Mapping
from itertools import combinations

from reedlab.errors import RecordError
from reedlab.study.study import Study

#: From so many tests on, two studies of which one has half of its tests in the other are
#: one and its older copy; two makers' tests are never alike in every cell.
_FEW = 5


def require_different(studies: Mapping[str, Study]) -> None:
    """Refuse a study that is there twice, whole or as an older copy.

    Raises
    ------
    RecordError
        Naming every such pair.
    """
    faults = []
    for (name, study), (other, second) in combinations(studies.items(), 2):
        if content_hash(study) == content_hash(second):
            faults.append(f"{name} and {other} are the same study: every cell is the same.")
            continue
        mine, theirs = _tests(study), _tests(second)
        fewer = min(len(mine), len(theirs))
        if fewer >= _FEW and 2 * len(mine & theirs) > fewer:
            faults.append(
                f"{name} and {other} share {len(mine & theirs)} of {fewer} tests, cell by cell: "
                "one looks like an older copy of the other."
            )
    if faults:
        raise RecordError("\n".join([*faults, "Leave one of the two out; a reed counts once."]))


def content_hash(study: Study) -> str:
    """Return a mark of all cells of a study as typed, whatever its title or folder.

    Examples
    --------
    >>> from reedlab.demo import example_study
    >>> len(content_hash(example_study("batch")))
    64
    """
    cells = {
        name: [sheet.header, *map(list, sorted(sheet.rows))] for name, sheet in study.sheets.items()
    }
    return hashlib.sha256(json.dumps(cells, sort_keys=True).encode()).hexdigest()


def _tests(study: Study) -> set[tuple[str, ...]]:
    sheet = study.sheets.get("tests")
    return {tuple(row) for row in sheet.rows} if sheet else set()
