"""What the command line shows while and after it works: progress, and tables of texts.

Progress goes to the error stream of a terminal, so that what is piped is the answer alone.
"""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    import pandas as pd


@contextmanager
def progress(what: str) -> Iterator[Callable[[int, int], None]]:
    """Show on the error stream of a terminal how many parts of the work are done."""
    from rich.console import Console
    from rich.progress import Progress

    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(what)
        yield lambda done, of: bar.update(task, completed=done, total=of)


@contextmanager
def working() -> Iterator[Callable[[str], None]]:
    """Show on the error stream of a terminal what is being worked on."""
    from rich.console import Console

    console = Console(stderr=True)
    with console.status("opening the study") as status:
        yield status.update


def show_table(table: "pd.DataFrame") -> None:
    """Show a table of texts: ruled in a terminal, plain aligned text when piped.

    No value is ever cut short; a terminal folds it, a pipe gets its full width.
    """
    headers = [str(name) for name in table.columns]
    cells = table.astype("str").fillna("").to_numpy().tolist()
    rows = [[" ".join(cell.splitlines()) for cell in row] for row in cells]
    if sys.stdout.isatty():
        from rich.box import SIMPLE_HEAD
        from rich.console import Console
        from rich.table import Table
        from rich.text import Text

        ruled = Table(box=SIMPLE_HEAD, pad_edge=False)
        for header in headers:
            ruled.add_column(header, overflow="fold")
        for row in rows:
            ruled.add_row(*(Text(cell) for cell in row))
        Console().print(ruled)
        return
    widths = [max(map(len, column)) for column in zip(headers, *rows, strict=True)]
    for row in (headers, *rows):
        padded = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        typer.echo("  ".join(padded).rstrip())
