"""The race's figures in words: tables for a terminal of 100 columns and for the texts.

Rates are good reeds for 100 bench hours, shares are in percent; in brackets or below stands
the 95 % interval.
"""

from collections.abc import Sequence
from typing import NamedTuple

import pandas as pd

from tests.bench.report import aligned
from tests.bench.workshop.judge import figures, shared
from tests.bench.workshop.makers import MAKERS
from tests.bench.workshop.outcomes import of, settings_in
from tests.bench.workshop.settings import ORDINARY, SENSITIVITY, Setting, setting


class Words(NamedTuple):
    """What a figure of the judge is called, in two lines, and how it is written."""

    first: str
    second: str
    times: int = 1
    digits: int = 1


class Told(NamedTuple):
    """An estimate and its interval, as they are written."""

    estimate: str = ""
    interval: str = ""

    def __str__(self) -> str:
        """Write both in one line."""
        return f"{self.estimate} ({self.interval})" if self.interval else self.estimate


Cells = dict[tuple[str, str], Told]
WORDS = {
    "late rate": Words("good reeds in 100 hours,", "last third"),
    "rate": Words("good reeds in 100 hours,", "whole season"),
    "rate against habit's": Words("% of habit's good reeds,", "whole season", 100, 0),
    "late share of the oracle's gain": Words("% of the oracle's gain,", "last third", 100, 0),
    "share of the oracle's gain": Words("% of the oracle's gain,", "whole season", 100, 0),
    "beats plain ANOVA": Words("% of worlds better than", "plain ANOVA, last third", 100, 0),
    "false beliefs": Words("false beliefs in a world,", "at the end", 1, 2),
    "worlds with a false belief": Words("% of worlds with one", "false belief or more", 100, 0),
    "true beliefs": Words("true beliefs in a world,", "at the end", 1, 2),
    "good thrown away early": Words("% of good reeds", "thrown away early", 100, 0),
    "pieces of cane": Words("pieces of cane", "", 1, 0),
}
_LATE, _BEATS, _FALSE = "late share of the oracle's gain", "beats plain ANOVA", "false beliefs"
#: What the sensitivity shows of whom, and what that is called.
_COMPACT = [
    *(("gain", _LATE, maker) for maker in ("one at a time", "plain ANOVA", "reedlab")),
    ("better", _BEATS, "reedlab"),
    *(("false", _FALSE, maker) for maker in ("plain ANOVA", "reedlab")),
]
_CAPTION = (
    "Ordinary worlds with one thing changed. gain: % of the oracle's gain over habit in the last\n"
    "third; better: % of the n worlds in which it beats plain ANOVA; false: false beliefs in one."
)
#: What the README quotes of ordinary worlds, and of those where the recipe does nothing.
_QUOTED = ("late rate", "rate", _LATE, _BEATS, _FALSE, "good thrown away early")
_QUOTED_HOPELESS = ("rate against habit's", "worlds with a false belief")


def cells(outcomes: pd.DataFrame) -> Cells:
    """Return what is written of each figure and maker, for the rows of one setting."""
    found = {}
    for row in figures(outcomes).to_dict("records"):
        words = WORDS[row["figure"]]
        estimate, low, high = (
            f"{words.times * row[name]:z.{words.digits}f}".replace("-", "−")
            for name in ("estimate", "conf_low", "conf_high")
        )
        sure = low == high  # by definition, as the oracle's own share, or for want of any case
        told = Told(estimate, "" if sure else f"{low} to {high}")
        found[row["figure"], row["maker"]] = told if pd.notna(row["estimate"]) else Told()
    return found


def report(outcomes: pd.DataFrame) -> str:
    """Write a table a setting; what is changed one by one has lines in one table instead."""
    present = sorted(settings_in(outcomes), key=lambda one: one != ORDINARY)
    changed = {one for _, one in SENSITIVITY if one in present and one != ORDINARY}
    together = changed if len(changed) > 1 else set()
    parts = []
    for one in present:
        if one not in together:
            rows = shared(of(outcomes, one))
            parts.append(f"{_named(one)}: {rows['seed'].nunique()} worlds\n\n{table(rows)}")
    if together:
        parts.append(sensitivity(outcomes))
    return "\n\n\n".join(parts)


def table(outcomes: pd.DataFrame) -> str:
    """Write the figures of one setting: makers side by side, the interval below."""
    found = cells(outcomes)
    makers = [maker for maker in MAKERS if ("rate", maker) in found]
    lines = [("", *makers)]
    for figure, words in WORDS.items():
        told = [found.get((figure, maker), Told()) for maker in makers]
        if any(one.estimate for one in told):
            lines.append((words.first, *(one.estimate for one in told)))
            lines.append((f"  {words.second}", *(one.interval for one in told)))
    return aligned(lines)


def sensitivity(outcomes: pd.DataFrame) -> str:
    """Write a line a changed setting."""
    heads = [("", *heads) for heads in zip(*_sensitivity_heads(), strict=True)]
    return f"{_CAPTION}\n\n{aligned([*heads, *_sensitivity_rows(outcomes)])}"


def for_makers(outcomes: pd.DataFrame) -> str:
    """Return the README's table: ordinary worlds, and two lines on hopeless ones."""
    lines: list[Sequence[str]] = [("", *MAKERS)]
    for kind, quoted in (("ordinary", _QUOTED), ("hopeless", _QUOTED_HOPELESS)):
        found = cells(of(outcomes, setting(kind)))
        for figure in quoted:
            told = [str(found.get((figure, maker), "")) for maker in MAKERS]
            where = "" if kind == "ordinary" else "where the recipe does nothing: "
            lines.append((f"{where}{WORDS[figure].first} {WORDS[figure].second}", *told))
    return _markdown(lines)


def for_developers(outcomes: pd.DataFrame) -> str:
    """Return the table of DEVELOPERS.md: the sensitivity."""
    heads = ("", *(": ".join(filter(None, heads)) for heads in _sensitivity_heads()))
    return _markdown([heads, *_sensitivity_rows(outcomes)])


def _sensitivity_heads() -> list[tuple[str, str]]:
    return [("n", ""), *((name, who.removeprefix("plain ")) for name, _, who in _COMPACT)]


def _sensitivity_rows(outcomes: pd.DataFrame) -> list[Sequence[str]]:
    """Intervals stand with all but the false beliefs, for want of room."""
    lines = []
    for words, changed in SENSITIVITY:
        rows = of(outcomes, changed)
        if rows.empty:
            continue
        found, line = cells(rows), [words, str(shared(rows)["seed"].nunique())]
        for _, figure, maker in _COMPACT:
            told = found.get((figure, maker), Told())
            line.append(told.estimate if figure == _FALSE else str(told))
        lines.append(line)
    return lines


def _named(one: Setting) -> str:
    stated = setting(one.kind)
    changed = [
        f"{name} {value:g}" for name, value in one.columns.items() if value != getattr(stated, name)
    ]
    return ", ".join([f"{one.kind} worlds", *changed])


def _markdown(lines: Sequence[Sequence[str]]) -> str:
    head, *rows = (f"| {' | '.join(line)} |" for line in lines)
    return "\n".join([head, "|" + "---|" * len(lines[0]), *rows])
