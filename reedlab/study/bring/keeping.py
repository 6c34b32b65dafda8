"""What is written: the rows through a draft, and beside them the mapping and the journey.

Mappings and journeys lie in the folder ``bring`` of a study. A mapping is written over by
its next state; a journey never is, and it is written in the same save as its rows.
"""

import csv
import io
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from reedlab.errors import RecordError
from reedlab.study.bring.journey import COLUMNS, Journey
from reedlab.study.bring.mapping import FOLDER, SheetMapping
from reedlab.study.bring.routing import Routed
from reedlab.study.draft import Draft
from reedlab.study.exporting import harmless
from reedlab.study.files import replace_files
from reedlab.study.study import Study


def save_rows(draft: Draft, routed: Routed, file: str, report: Mapping[str, bytes]) -> Study:
    """Write what the rows of a sheet add to a study, with the report, and open it again."""
    for name, rows in routed.fresh.items():
        draft.add_table(name)
        draft.append_rows(name, rows)
    for name, row, column, text in routed.filled:
        draft.add_column(name, column)
        draft.put(name, row, column, text)
    return draft.save(f"bring {file}", beside=report)


def save_mapping(folder: Path, mapping: SheetMapping, text: str) -> None:
    """Write a mapping where it is kept, unless it lies there as it is."""
    path, content = mapping_path(folder, mapping), text.encode("utf-8")
    try:
        same = path.is_file() and path.read_bytes() == content
    except OSError as error:
        raise RecordError(f"{path} cannot be read: {error.strerror}.") from None
    if not same:
        replace_files(folder, {path.relative_to(folder).as_posix(): content})


def journey_file(folder: Path, mapping: SheetMapping, traced: Journey) -> dict[str, bytes]:
    """Return the file of a journey, named beside its mapping, as a spreadsheet may open it."""
    number = 1
    while (folder / FOLDER / f"{mapping.name}_{number}.csv").exists():
        number += 1
    safe = cache(harmless)  # the same words come again and again
    text = io.StringIO(newline="")
    report = csv.writer(text)
    report.writerow(COLUMNS)
    report.writerows([file, row, *map(safe, texts)] for file, row, *texts in traced.steps)
    content = text.getvalue().encode("utf-8-sig")
    return {f"{FOLDER}/{mapping.name}_{number}.csv": content}


def mapping_path(folder: Path, mapping: SheetMapping) -> Path:
    """Return where a mapping is kept."""
    return folder / FOLDER / f"{mapping.name}.toml"
