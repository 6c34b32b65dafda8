"""Run `reedlab season` inside the test's own process, and read what it printed."""

import re
import sys
from pathlib import Path

import pandas as pd
import pytest

from reedlab import cli

HEADINGS = (
    *("Where the variation", "What drives", "What to do", "What this record"),
    "Before you believe",
)


def season(folder: Path, *more: str) -> int:
    """Run the command; return its exit code. Its output is on sys.stdout and sys.stderr."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", ["reedlab", "season", str(folder), *more])
        with pytest.raises(SystemExit) as left:
            cli.main()
    return int(left.value.code or 0)


def printed_table(text: str, heading: str) -> pd.DataFrame:
    """Return the plain table below a heading as texts; cells are two spaces or more apart."""
    lines = text.splitlines()
    start = next(place for place, line in enumerate(lines) if line.startswith(heading))
    # Where each column begins is told by the header.
    names = list(re.finditer(r"\S+(?: \S+)*", lines[start + 1]))
    places = [name.start() for name in names]
    rows = []
    for line in lines[start + 2 :]:
        cells = [line[a:b].strip() for a, b in zip(places, [*places[1:], None], strict=True)]
        if line.startswith(HEADINGS):
            break
        rows.append(cells)
    return pd.DataFrame(rows, columns=[name[0] for name in names])
