"""An old sheet of 100,000 rows into a study.

Ours guesses what the columns are, reads dates and decimal commas, writes the study's tables and
the journey of every cell. The alternative reads the same file with pandas, told all that ours
finds out, and checks it with a pandera schema; it writes nothing.
"""

import tempfile
from itertools import count
from pathlib import Path
from typing import Any

from tests.bench.frame import Row, Run, Side, home

ROWS = (12_500, 25_000, 50_000, 100_000)


def _sheet(rows: int) -> Path:
    """Write an invented sheet as a spreadsheet program in a land of decimal commas does."""
    path = home("bring") / f"{rows}.csv"
    if not path.exists():
        lines = ["reed;made;gouge mm;shape;kept"]
        for number in range(rows):
            day = f"{1 + number % 28:02}.{1 + number % 12:02}.2024"
            shape, kept = ("wide", "narrow")[number % 2], ("ja", "nein")[number % 3 == 0]
            lines.append(f"R{number:06};{day};1,{20 + number % 30};{shape};{kept}")
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def _ours(rows: int) -> Run:
    from reedlab.study import bring_in, new_study

    path, studies = _sheet(rows), count()
    folder = tempfile.mkdtemp(dir=home("bring"))

    def run() -> object:
        study = new_study(Path(folder) / str(next(studies)))
        found = bring_in(study, path, confirmed=True)
        return found.rows_kept, float(found.study.tables["reeds"]["gouge_centre_mm"].sum())

    return run


def _pandas(rows: int) -> Run:
    import pandas as pd
    import pandera.pandas as pa

    path = _sheet(rows)
    schema = pa.DataFrameSchema(
        {
            "reed": pa.Column(str, unique=True),
            "made": pa.Column("datetime64[us]"),
            "gouge mm": pa.Column(float, pa.Check.in_range(0.5, 2.5)),
            "shape": pa.Column(str, pa.Check.isin(["wide", "narrow"])),
            "kept": pa.Column(bool),
        }
    )

    def run() -> object:
        table = pd.read_csv(path, sep=";", decimal=",", true_values=["ja"], false_values=["nein"])
        made = pd.to_datetime(table["made"], format="%d.%m.%Y").astype("datetime64[us]")
        table = schema.validate(table.assign(made=made), lazy=True)
        return len(table), float(table["gouge mm"].sum())

    return run


def _same(ours: Any, other: Any) -> None:
    assert ours[0] == other[0]
    assert abs(ours[1] - other[1]) < 1e-6 * other[1]


BRING = Row(
    "import",
    "100,000 rows of CSV: ours into a study with every cell's journey, the other in memory",
    "rows",
    Side("reedlab bring_in", _ours, ROWS, ROWS[-1]),
    (Side("pandas and pandera", _pandas, ROWS, ROWS[-1], ("pandera",)),),
    agree=_same,
)
