"""Which columns of a table go into the package: free words only where the maker allows them."""

from collections.abc import Collection, Iterator

import pandas as pd

from reedlab.publish.package.choices import RECORDING
from reedlab.publish.package.naming import PEOPLE
from reedlab.schema import Column, tables_for
from reedlab.study import Study

#: Columns in which anything may be written.
FREE = ("note", "notes", "reason", "fate_reason", "comment", "remark")


def published_columns(
    study: Study, name: str, notes: bool, recordings: bool, hidden: Collection[str] = ()
) -> tuple[list[Column], list[str]]:
    """Part the columns of a table into those that are published and those that stay at home.

    Parameters
    ----------
    study : Study
    name : str
        Name of the table.
    notes, recordings : bool
        Whether free words and the names of recordings are published.
    hidden : collection of str
        Columns whose words are replaced, so that they need not be left out.

    Returns
    -------
    list of Column
    list of str
        Names of columns that are left out for their free words.
    """
    table = study.schema[name]
    known = {
        column.name
        for usual in tables_for(study.settings.instrument)
        if usual.name == name
        for column in usual.columns
    }
    declared = {item.name for item in study.settings.declared if item.table == name}
    published, left = [], []
    for column in table.columns:
        if column.name not in study.sheets[name].header or not column.name.strip():
            continue  # derived from others, or a column without a header
        bound = {*table.key, *table.references, *declared, *hidden} | (known - {*FREE})
        if column.name == RECORDING and name == "tests":
            if recordings:
                published.append(column)
        elif (
            notes
            or column.type != "text"
            or column.levels
            or column.name in bound
            or PEOPLE.fullmatch(column.name)
        ):
            published.append(column)
        else:
            left.append(column.name)
    return published, left


def words(study: Study) -> Iterator[tuple[str, list[str]]]:
    """Yield the name and the different words of each column of text in any table."""
    for frame in study.tables.values():
        for column in frame.columns:
            if pd.api.types.is_string_dtype(frame[column]):
                yield str(column), sorted(frame[column].dropna().unique())
