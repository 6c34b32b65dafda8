"""Bench sheets of a planned batch: to print and fill by pencil, or to fill in a spreadsheet.

Making, labelling, testing and sessions sheets, as PDF on A4 or letter paper and (but for
the labels) as CSV. The key is read for the labelling sheet alone.
"""

import os
from pathlib import Path

from reedlab.errors import RecordError, listed
from reedlab.plan.bench.pages import Bench, labels_page, making_page, sessions_page, testing_page
from reedlab.plan.bench.sheets_csv import making_csv, sessions_csv, testing_csv
from reedlab.plan.bench.typeset import require_paper, typeset
from reedlab.schema import Column, table_named
from reedlab.study import Study
from reedlab.study.files import replace_files


def write_sheets(
    study: Study, batch_id: str, to: str | os.PathLike[str] | None = None, paper: str = "A4"
) -> list[Path]:
    """Write all sheets that a batch needs at the bench and at the music stand.

    Parameters
    ----------
    study : Study
        Holds the plan of the batch.
    batch_id : str
    to : path, optional
        Folder for the sheets; ``sheets`` in the study's folder if left out. It is made if
        it is not there.
    paper : {"A4", "letter"}

    Returns
    -------
    list of Path
        ``<batch>_making``, ``<batch>_labels``, ``<batch>_testing_1`` ... (one a session) and
        ``<batch>_sessions``, each as ``.pdf`` and all but the labels as ``.csv``.

    Raises
    ------
    CallError
        For an unknown paper, or a batch that the study does not know.
    RecordError
        If the folder cannot be written, or holds a CSV sheet that somebody has filled in;
        nothing is written then.

    Notes
    -----
    Testing and sessions sheets tell nothing of tubes or settings, the making sheet nothing
    of codes. ``<batch>_labels.pdf`` tells which code belongs to which reed: who judges the
    reeds should let somebody else print it.

    The same plan gives the same bytes, except for characters that the sheets' own fonts
    lack (Chinese, for one): these come from the machine's fonts.

    Examples
    --------
    >>> import tempfile
    >>> import pandas as pd
    >>> from reedlab.plan import design_batch
    >>> from reedlab.schema import Factor
    >>> from reedlab.study import default_settings, write_study
    >>> tubes = pd.DataFrame({"tube_id": ["T1", "T2"], "pieces": 5})
    >>> folder = Path(tempfile.mkdtemp()) / "autumn"
    >>> study = write_study(folder, {"tubes": tubes}, default_settings())
    >>> batch = design_batch([Factor("shape", ("narrow", "wide"))], tubes, reeds=8, seed=1)
    >>> [path.name for path in write_sheets(batch.write(study), "B1")][:3]
    ['B1_making.pdf', 'B1_making.csv', 'B1_labels.pdf']
    """
    require_paper(paper)
    bench = _bench(study, batch_id)
    folder = study.folder / "sheets" if to is None else Path(to)
    contents = _contents(bench, paper)
    _make_folder(folder)
    _keep_what_is_filled(folder, contents)
    replace_files(folder, contents)
    return [folder / name for name in contents]


def _bench(study: Study, batch_id: str) -> Bench:
    plan = study.plan(batch_id)
    factors = [
        factor
        for factor in study.settings.factors
        if (factor.name in plan.making or factor.name in plan.testing)
        and factor.name not in plan.record.given
    ]
    return Bench(
        study.title,
        batch_id,
        plan.making,
        plan.testing,
        study.labels(batch_id),
        factors,
        study.settings.protocol,
        _columns(study),
        study.settings.responses,
    )


def _columns(study: Study) -> list[Column]:
    """Return the columns of tests and sessions, as declared where the study has them."""
    found: dict[str, Column] = {}
    for name in ("tests", "sessions"):
        for table in (table_named(name), study.schema.get(name)):
            found |= {column.name: column for column in (table.columns if table else ())}
    return list(found.values())


def _contents(bench: Bench, paper: str) -> dict[str, bytes]:
    """Return the files by name, in the order in which they are needed."""
    pages = {"making": making_page(bench), "labels": labels_page(bench)}
    texts = {"making": making_csv(bench)}
    for session in bench.sessions:
        pages[f"testing_{session}"] = testing_page(bench, session)
        texts[f"testing_{session}"] = testing_csv(bench, session)
    pages["sessions"], texts["sessions"] = sessions_page(bench), sessions_csv(bench)
    contents: dict[str, bytes] = {}
    for kind, page in pages.items():
        contents[f"{bench.batch_id}_{kind}.pdf"] = typeset(page, paper)
        if kind in texts:
            contents[f"{bench.batch_id}_{kind}.csv"] = texts[kind]
    return contents


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordError(
            f"{folder} cannot be made: {error.strerror}; name another folder with to=."
        ) from None


def _keep_what_is_filled(folder: Path, contents: dict[str, bytes]) -> None:
    """Refuse to write over CSV sheets that are not as they were printed."""
    filled = [
        name
        for name, content in contents.items()
        if name.endswith(".csv")
        and (folder / name).exists()
        and (folder / name).read_bytes() != content
    ]
    if filled:
        raise RecordError(
            f"{folder} holds sheets that have been filled in ({listed(filled)}); record them and "
            "move them away first, or name another folder with to=."
        )
