"""A season on one screen: the lines and small tables that a person reads first."""

from collections.abc import Iterator
from dataclasses import dataclass

import pandas as pd

from reedlab.analyse.drivers import Drivers
from reedlab.analyse.framed import GAPS
from reedlab.analyse.season import Season
from reedlab.analyse.sources import Sources
from reedlab.answer import number_text, p_text, percent_text

DRIVERS = (
    "What drives it (each factor given the others; in brackets: nothing beyond chance, the nearest)"
)
DECISIONS = "What to do (each with cautions of its own: cautions.csv, beside the tables)"


@dataclass(frozen=True)
class Block:
    """One part of the summary: a heading, lines of text, a table of texts."""

    heading: str
    lines: tuple[str, ...] = ()
    table: pd.DataFrame | None = None


def blocks(found: Season) -> list[Block]:
    """Make the summary of a season, in the order in which it is read."""
    counted = ", ".join(f"{count} {name}" for name, count in found.counts.items())
    about = [counted, *([found.kept.sentence] if found.kept else []), found.faults.sentence]
    made = [Block(found.title, tuple(about))]
    if found.sources:
        made.append(
            Block("Where the variation comes from (share, 95 % interval)", (), _shares(found))
        )
    if found.drivers:
        made.append(Block(DRIVERS, (), _drivers(found)))
    if found.decided:
        lines = [f"{found.words[name]}: {one.sentence}" for name, one in found.decided.items()]
        made.append(Block(DECISIONS, tuple(lines)))
    if found.refused:
        lines = [f"{what}: {' '.join(why.splitlines())}" for what, why in found.refused.items()]
        made.append(Block("What this record cannot answer", tuple(lines)))
    cautions = [text for text in found.cautions if GAPS not in text]
    gaps = [_gaps(answer) for answer in found.drivers.values() if len(answer.left_out)]
    if gaps:
        cautions.append(f"Rows left out for gaps: {', '.join(gaps)}; reasons in each finding.")
    if cautions:
        made.append(Block("Before you believe it", tuple(cautions)))
    return made


def _gaps(answer: Drivers) -> str:
    everything = answer.rows_used + len(answer.left_out)
    return f"{answer.response.label} {len(answer.left_out)} of {everything}"


def _shares(found: Season) -> pd.DataFrame:
    rows = {answer_label(answer): _row(answer) for answer in found.sources.values()}
    table = pd.DataFrame.from_dict(rows, orient="index").fillna("")
    order = [n for n in ("lot", "tube", "reed", "session", "player", "test") if n in table]
    return table[order].rename_axis("response").reset_index()


def answer_label(answer: Sources) -> str:
    """Words for the response that an answer is about."""
    return answer.frame.response.label if answer.frame else ""


def _row(answer: Sources) -> dict[str, str]:
    written = {}
    for row in answer.table.to_dict("records"):
        low, high = (percent_text(row[end]).removesuffix(" %") for end in ("conf_low", "conf_high"))
        written[row["source"]] = f"{percent_text(row['share'])} ({low}–{high})"
    return written


def _drivers(found: Season) -> pd.DataFrame:
    return pd.DataFrame([row for answer in found.drivers.values() for row in _effects(answer)])


def _effects(answer: Drivers) -> Iterator[dict[str, str]]:
    for row in answer.shown.to_dict("records"):
        label = answer.label(row["term"])
        unit = f" {row['unit']}" if row["unit"] else ""
        low, high = number_text(row["conf_low"]), number_text(row["conf_high"])
        yield {
            "response": answer.response.label,
            "factor": label if row["term"] in answer.strong else f"({label})",
            "change": row["contrast"],
            "effect (95 %)": f"{number_text(row['estimate'])}{unit} ({low} to {high})",
            "test": _test(row),
            "p": p_text(row["p_value"]),
            "p, Holm": p_text(row["p_adjusted"]),
            "p, season": p_text(row["p_season"]),
            "units": f"{row['n_units']} {row['stratum']}s",
            "evidence": row["evidence"],
        }


def _test(row: dict) -> str:
    """Write a term's test: F with its degrees of freedom, or a likelihood ratio."""
    name, df = "F", f"{row['num_df']:g}, {number_text(row['den_df'])}"
    if pd.isna(row["den_df"]):
        name, df = "χ²", f"{row['num_df']:g}"
    return f"{name}({df}) = {number_text(row['statistic'])}"
