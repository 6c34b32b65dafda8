"""An invented study in memory: its tables, its settings and the truth behind it."""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from reedlab.demo.bench import CROW_TARGET
from reedlab.demo.truth import LEVELS, Truth
from reedlab.schema import FACTORS, RESPONSES, Factor, table_named
from reedlab.study import BatchRecord, Settings, Stage, Study, write_study
from reedlab.study.cells import DTYPES


@dataclass(frozen=True, eq=False)
class Demo:
    """An invented study.

    Attributes
    ----------
    title : str
        Says that it is invented.
    tables : dict of str to DataFrame
        As an opened study holds them, but without the derived column ``kept``.
    settings : Settings
    truth : Truth
        Effects and variances that the tables were made from.
    keepers : Series of bool, optional
        By reed_id, whether it would be kept if it were finished: what no record can tell.
    """

    title: str
    tables: dict[str, pd.DataFrame]
    settings: Settings
    truth: Truth
    keepers: pd.Series | None = None

    def write(self, folder: str | os.PathLike[str]) -> Study:
        """Write it as a study into a new or empty folder and open it."""
        return write_study(folder, self.tables, self.settings, self.title)


def settings_for(
    factors: Sequence[str],
    batches: Sequence[BatchRecord] = (),
    tube: str = "",
    stages: Sequence[Stage] = (),
    cane_minutes: float = 0.0,
) -> Settings:
    """Return the settings of an invented bassoon study.

    Parameters
    ----------
    factors : sequence of str
        Which of the usual factors are declared.
    batches : sequence of BatchRecord
    tube : str
        A factor that was given to whole tubes, though usually to reeds.
    stages : sequence of Stage
    cane_minutes : float

    Returns
    -------
    Settings

    Examples
    --------
    >>> [factor.stratum for factor in settings_for(["shape"]).factors]
    ['reed']
    """
    usual = {factor.name: factor for factor in FACTORS}
    declared = [_declared(usual[name], name == tube) for name in factors]
    return Settings(
        "bassoon",
        crow_target=CROW_TARGET,
        invented=True,
        factors=declared,
        responses=RESPONSES,
        batches=batches,
        stages=stages,
        cane_minutes=cane_minutes,
    )


def _declared(usual: Factor, whole_tube: bool) -> Factor:
    levels = LEVELS.get(usual.name, usual.levels)
    stratum = "tube" if whole_tube else usual.stratum
    return Factor(usual.name, levels, stratum, usual.unit, usual.label, usual.kind, usual.step)


def recorded(tables: Mapping[str, pd.DataFrame], settings: Settings) -> dict[str, pd.DataFrame]:
    """Return the tables as an opened study holds them.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Beside the record's columns they may hold numbers to work with, which go.
    settings : Settings
        Its factors may add columns to a table.

    Returns
    -------
    dict of str to DataFrame
        Columns in the order of the schema, typed, rows numbered from 2.
    """
    return {name: _recorded(name, frame, settings) for name, frame in tables.items()}


def _recorded(name: str, frame: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    table = table_named(name)
    kinds: dict[str, Any] = {column.name: DTYPES[column.type] for column in table.columns}
    # What the invented makers add of their own is always a number.
    kinds |= {
        f.name: "float64" for f in settings.factors if f.table == name and f.name not in kinds
    }
    values = {
        column: frame[column].astype(kind) for column, kind in kinds.items() if column in frame
    }
    rows = pd.Index(range(2, len(frame) + 2), dtype="int64", name="row")
    return pd.DataFrame(values).set_axis(rows)
