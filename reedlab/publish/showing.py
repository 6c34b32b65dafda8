"""What of an answer's numbers is shown: the table, the picture, the picture's words.

All numbers are the answer's own; here they are chosen and written. A picture is drawn by
the answer, with its raw points where it has them, and has the words that a reader needs who
does not see it.
"""

import re
import tempfile
import warnings
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from reedlab.analyse.looked import label_of
from reedlab.analyse.words import with_minus
from reedlab.answer import P_VALUES, Answer
from reedlab.errors import ModelError
from reedlab.publish.content import Picture, ShownTable
from reedlab.publish.phrases import Phrases
from reedlab.study import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: The columns of a table of estimates that are shown, in this order.
_SHOWN = (
    *("source", "term", "contrast", "level", "rule", "quantity", "share", "estimate"),
    *("interval", "new_interval", "unit", "holds", "mixed_with"),
    *("statistic", "num_df", "den_df", "p_value", "p_adjusted", "method"),
    *("n_units", "stratum", "n_tubes", "n_reeds", "n_tests", "evidence"),
)
#: Two columns of limits are read as one interval.
_INTERVALS = {"interval": ("conf_low", "conf_high"), "new_interval": ("new_low", "new_high")}
#: So many rows and columns are shown, and so many rows told in the words of a picture.
_MOST_ROWS, _MOST_COLUMNS, _MOST_TOLD = 30, 12, 8
_SHARES = ("share", "keep_low", "keep_high", "power")


def shown_table(study: Study, answer: Answer, say: Phrases) -> ShownTable | None:
    """Return the table of an answer as it is read; None if it is empty.

    Parameters
    ----------
    study : Study
    answer : Answer
    say : Phrases
    """
    table = answer.table
    names = _columns(table)
    rows = [
        tuple(_cell(study, row, name, say) for name in names)
        for row in table.head(_MOST_ROWS).to_dict("records")
    ]
    if not rows:
        return None
    caption = say("table.caption")
    limits = [limit for name in names for limit in _INTERVALS.get(name, ())]
    others = [str(name) for name in table if name not in (*names, *limits)]
    left = [name for name in others if _filled(table[name]) and not _told_by_claim(table, name)]
    if left:
        columns = ", ".join(name.replace("_", " ") for name in left)
        caption = f"{caption} {say('table.more', columns=columns)}"
    if len(table) > _MOST_ROWS:
        everything = say.count(len(table), "row")
        caption = f"{caption} {say('table.first', shown=_MOST_ROWS, rows=everything)}"
    return ShownTable(
        tuple(_header(name, say) for name in names),
        tuple(rows),
        tuple(name in _INTERVALS or _is_number(table[name]) for name in names),
        caption,
    )


def picture_of(study: Study, answer: Answer, say: Phrases) -> Picture | None:
    """Draw an answer; None if it has no picture.

    Parameters
    ----------
    study : Study
    answer : Answer
    say : Phrases
    """
    from reedlab.charts import save

    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        # The browser's fonts hold what the drawing's own lacks.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        warnings.filterwarnings("ignore", message="Matplotlib currently does not support")
        try:
            svg, png = save(_drawn(answer), Path(folder) / "picture")
        except ModelError:
            # An answer that cannot be drawn says so in its sentence.
            return None
        drawing, dots = svg.read_text(encoding="utf-8"), png.read_bytes()
    return Picture(
        _bare(drawing),
        dots,
        _alt(study, answer, say),
        say("picture.caption"),
    )


def effect_label(study: Study, row: Mapping[Any, Any], say: Phrases) -> str:
    """Name the row of a table: factor, source or step, and the change or level."""
    first = next((name for name in ("term", "source", "quantity") if _has(row, name)), "")
    parts = [label_of(study, str(row[first]))] if first else []
    parts += [with_minus(str(row["contrast"]))] if _has(row, "contrast") else []
    if _has(row, "level"):
        # A level beside a contrast is that of a rating, and stands for the higher ones too.
        level = str(row["level"])
        parts.append(say("or_higher", level=level) if _has(row, "contrast") else level)
    return " ".join(parts)


def interval_text(
    row: Mapping[Any, Any], say: Phrases, as_share: bool = False, name: str = "interval"
) -> str:
    """Write an interval of a row; empty if it has none."""
    low, high = _INTERVALS[name]
    if not _has(row, low) or not _has(row, high):
        return ""
    write = say.percent if as_share else say.number
    return say("from_to", low=write(row[low]), high=write(row[high]))


def _columns(table: pd.DataFrame) -> list[str]:
    names = [str(name) for name in table.columns]
    names += [name for name, limits in _INTERVALS.items() if set(limits) <= set(names)]
    if {"estimate", "share"} & set(names):
        names = [name for name in _SHOWN if name in names]
        # A share beside an estimate is a share of the variance; the sentence tells the estimate.
        names = [name for name in names if name != "share" or "estimate" not in names]
        names = [name for name in names if name in _INTERVALS or _filled(table[name])]
        return [name for name in names if not _told_by_claim(table, name)]
    limits = [limit for pair in _INTERVALS.values() for limit in pair]
    return [name for name in names if name not in limits][:_MOST_COLUMNS]


def _told_by_claim(table: pd.DataFrame, name: str) -> bool:
    """Say whether a count is that of the whole answer, which stands beside the sentence."""
    return name in ("n_tubes", "n_reeds", "n_tests") and table[name].nunique() == 1


def _filled(cells: pd.Series) -> bool:
    return bool((cells.notna() & (cells.astype(str) != "")).any())


def _is_number(cells: pd.Series) -> bool:
    return pd.api.types.is_numeric_dtype(cells) and not pd.api.types.is_bool_dtype(cells)


def _header(name: str, say: Phrases) -> str:
    known = dict(say.under("column"))
    # A measure's own column is named as in the record.
    return known.get(name, name.replace("_", " "))


def _cell(study: Study, row: Mapping[Any, Any], name: str, say: Phrases) -> str:
    if name in _INTERVALS:
        return interval_text(row, say, "share" in row and "estimate" not in row, name)
    value = row[name]
    if value is None or (pd.api.types.is_scalar(value) and pd.isna(value)):
        return ""
    if name == "evidence":
        return say(f"grade.{value}") if value else ""
    if name == "term":
        return label_of(study, str(value))
    if name == "contrast":
        return with_minus(str(value))
    if isinstance(value, bool) or not isinstance(value, float | int):
        return str(value)
    # The statistic of a term that is nearly none is written like a p value of that size.
    if name in P_VALUES or (name == "statistic" and 0 <= value < 0.001):
        return say.p_value(value)
    if isinstance(value, int):
        return f"{value}".replace("-", "−")
    return say.percent(value) if name in _SHARES else say.number(value)


def _drawn(answer: Answer) -> "Axes":
    """Draw the strongest effect with its raw points, where an answer tells several."""
    plot_factor = getattr(answer, "plot_factor", None)
    strong: Sequence[str] = getattr(answer, "strong", ())
    shown = getattr(answer, "shown", None)
    if plot_factor and len(strong):
        return plot_factor(strong[0])
    if plot_factor and isinstance(shown, pd.DataFrame):
        return plot_factor(str(shown["term"].iloc[0]))
    return answer.plot()


def _bare(svg: str) -> str:
    """Take off what a picture inside a page must not have: prolog, comments, metadata."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<!--.*?-->\s*", "", svg, flags=re.DOTALL)
    return re.sub(r"<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL).strip()


def _alt(study: Study, answer: Answer, say: Phrases) -> str:
    told = say("picture.alt", question=answer.question, sentence=answer.sentence)
    rows = _rows_told(study, answer.table.to_dict("records"), say)
    return f"{told} {say('picture.numbers', rows='; '.join(rows))}" if rows else told


def _rows_told(study: Study, rows: Sequence[Mapping[Any, Any]], say: Phrases) -> list[str]:
    told = []
    for row in rows:
        name = "estimate" if _has(row, "estimate") else "share"
        interval = interval_text(row, say, as_share=name == "share")
        if not interval or not _has(row, name):
            continue
        value = say.percent(row[name]) if name == "share" else say.number(row[name])
        if name == "estimate" and _has(row, "unit"):
            value = say("with_unit", number=value, unit=row["unit"])
        label = effect_label(study, row, say)
        told.append(say("picture.row", label=label, value=value, interval=interval).strip())
    if len(told) > _MOST_TOLD:
        told = [*told[:_MOST_TOLD], say("and_more", n=len(told) - _MOST_TOLD)]
    return told


def _has(row: Mapping[Any, Any], name: str) -> bool:
    value = row.get(name)
    return not (value is None or (pd.api.types.is_scalar(value) and pd.isna(value)) or value == "")
