"""The figures that README.md and DEVELOPERS.md quote: those of the last run on an idle machine.

``python -m tests.bench --keep`` writes `printed.csv` beside this file and puts its figures
between the marks in both texts; a test compares them. Figures have two digits, as the runs do.
"""

import csv
import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from tests.bench.report import time_text

KEPT = Path(__file__).parent / "printed.csv"
HOME = Path(__file__).parents[2]
COMMAND = "python -m tests.bench"
_END = "<!-- end of measured -->"
#: What a maker's reader is told: rows, their words, and the side to set beside ours.
FOR_MAKERS = {
    "power": ("chance of finding an effect, a simulated batch", "R lme4 and pbkrtest"),
    "drivers": ("what drives the crow of 120 reeds", "mixedlm alone"),
    "pooled record": ("the same of 100,000 tests, pooled", "mixedlm alone"),
    "crow": ("the crow of a recording of 10 s", "librosa pyin"),
    "import": ("an old sheet of 100,000 rows", "pandas and pandera"),
    "start: check": ("`reedlab check` on the demo", "pandas read, pandera loaded"),
    "start: season": ("`reedlab season` on the demo", "loading statsmodels, pingouin, seaborn"),
}
Line = Mapping[str, str]


def kept(path: Path = KEPT) -> list[Line]:
    """Return the lines of the run that is quoted."""
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def for_makers(lines: Sequence[Line]) -> str:
    """Return the README's table: how long ours takes, and one alternative."""
    rows = ["| what | `reedlab` | instead | it takes |", "|---|---|---|---|"]
    for name, (words, other) in FOR_MAKERS.items():
        own = [line for line in lines if line["row"] == name and line["compared"] == "True"]
        beside = next((line for line in own if line["side"] == other), None)
        if beside is not None:
            longer = f": {_times(beside)} times as long" if float(beside["times"]) > 1 else ""
            rows.append(f"| {words} | {_seconds(own[0])} | {other} | {_seconds(beside)}{longer} |")
    return "\n".join(rows)


def for_developers(lines: Sequence[Line]) -> str:
    """Return the whole table of DEVELOPERS.md."""
    head = "| row | side | size | time | times ours | growth | peak MB |"
    rows = [head, "|---|---|---|---|---|---|---|"]
    rows += [
        f"| {line['row']} | {line['side']} | {int(line['size']):,} {line['counts']} "
        f"| {_seconds(line)} | {_times(line)} | {float(line['exponent']):.1f} "
        f"| {float(line['peak_mb']):.0f} |"
        for line in lines
        if line["compared"] == "True"
    ]
    return "\n".join(rows)


#: The texts that quote, and what stands between their marks.
QUOTING: dict[str, Callable[[Sequence[Line]], str]] = {
    "README.md": for_makers,
    "DEVELOPERS.md": for_developers,
}


def between_marks(text: str, command: str = COMMAND) -> str:
    """Return what a text quotes of a command.

    Raises
    ------
    ValueError
        If its marks do not stand there once.
    """
    begin = _begin(command)
    found = re.findall(f"{re.escape(begin)}\n(.*?)\n{re.escape(_END)}", text, re.DOTALL)
    if len(found) != 1:
        raise ValueError(f"The marks '{begin}' and '{_END}' must stand there once.")
    return str(found[0])


def outside_marks(text: str) -> str:
    """Return a text without what it quotes."""
    return text.replace(between_marks(text), "")


def quote(lines: Sequence[Line]) -> None:
    """Put the figures into both texts."""
    for file, of in QUOTING.items():
        put(file, of(lines))


def put(file: str, figures: str, command: str = COMMAND) -> None:
    """Put the figures of a command between its marks in a text."""
    text = (HOME / file).read_text(encoding="utf-8")
    begin = _begin(command)
    quoted = f"{begin}\n{between_marks(text, command)}\n{_END}"
    fresh = text.replace(quoted, f"{begin}\n{figures}\n{_END}")
    (HOME / file).write_text(fresh, encoding="utf-8")


def _begin(command: str) -> str:
    return f"<!-- measured: {command} -->"


def _seconds(line: Line) -> str:
    return time_text(float(line["seconds"]), 2)


def _times(line: Line) -> str:
    """Two digits, without a power of ten."""
    times = float(f"{float(line['times']):.2g}")
    return f"{times:,.0f}" if times >= 10 else f"{times:g}"
