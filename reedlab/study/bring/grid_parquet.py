"""A Parquet file to a grid: its names as the header row, below it every value as its text.

Values keep their kinds, so that nothing has two readings; blank cells are missing values.
"""

import io
from collections.abc import Callable
from pathlib import Path

from reedlab.study.bring.grid import Grid, GridRows
from reedlab.study.parquet import batches, opened


def parquet_grid(path: Path, data: bytes, tell: Callable[[int, int], None]) -> Grid:
    """Read a Parquet file.

    Parameters
    ----------
    path : Path
        Of the file; its stem names the grid.
    data : bytes
    tell : callable
        Told how many bytes are read, and of how many.

    Raises
    ------
    RecordError
        If the file is damaged, or holds lists or the like, or more than is read.
    """
    rows = GridRows(path.name)
    with opened(path.name, io.BytesIO(data)) as table:
        names = table.schema_arrow.names
        rows.check(table.metadata.num_rows + 1, len(names))
        rows.add(names, ["text" if name.strip() else "blank" for name in names])
        row = 1
        for batch in batches(path.name, table):
            for cells in batch:
                row += 1
                for column, cell in enumerate(cells, start=1):
                    rows.put(row, column, *cell)
            tell(len(data) * row // (table.metadata.num_rows + 1), len(data))
    return Grid(path.stem, rows.done(), False, "Parquet")
