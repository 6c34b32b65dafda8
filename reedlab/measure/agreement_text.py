"""The sentence that tells how well readings agree, made from the table of figures."""

import pandas as pd

from reedlab.answer import number_text, percent_text
from reedlab.measure.agreement_rows import ALL, KAPPA, figure
from reedlab.measure.readings import Readings


def say_agreement(table: pd.DataFrame, readings: Readings, enough: float) -> str:
    """Tell limits, shares, the least steady rater, two raters' difference, and kappas.

    Parameters
    ----------
    table : DataFrame
        As in :class:`reedlab.measure.Agreement`.
    readings : Readings
        For the words.
    enough : float
        Share of one rater's spread that the repeat may have.
    """
    parts = (
        _limits(table, readings),
        _shares(table, readings, enough),
        _least_steady(table, readings, enough),
        _two(table, readings),
        _kappas(table, readings),
    )
    return " ".join(part for part in parts if part)


def _limits(table: pd.DataFrame, read: Readings) -> str:
    if not _has(table, "repeatability limit") or read.kind == "ordered":
        return ""
    own = _with_unit(table, "repeatability limit")
    text = f"Two readings of one {read.unit} differ by less than {own} in 95 of 100"
    if not _has(table, "reproducibility limit"):
        return f"{text}."
    other = _with_unit(table, "reproducibility limit")
    return (
        f"{text} if the same {read.rater} took them, and by less than {other} if two different "
        "ones did."
    )


def _shares(table: pd.DataFrame, read: Readings, enough: float) -> str:
    if not _has(table, "gauge share of variance"):
        return ""
    if len(read.raters) == 1:
        own = "Your own repeat" if read.rater == "player" else "The repeat"
        what = "your ratings" if _rated(read) else read.label
        return (
            f"{own} explains {_share(table, 'repeat share')} of the spread of {what}: "
            f"{_advice(table, read, ALL, enough)}."
        )
    classes = figure(table, "distinct classes")["estimate"]
    told = "" if pd.isna(classes) else f": {classes:.0f} classes can be told apart"
    if classes < 2:
        told = ": not even two classes can be told apart"
    return (
        f"{read.rater.capitalize()}s and repeats together make "
        f"{_share(table, 'gauge share of variance')} of the variance{told}."
    )


def _least_steady(table: pd.DataFrame, read: Readings, enough: float) -> str:
    own = table[(table["term"] == "repeat share") & (table["rater"] != ALL)]
    if own.empty:
        return ""
    who = str(own.nlargest(1, "estimate")["rater"].iloc[0])
    share = _share(table, "repeat share", who)
    return (
        f"Of the {read.rater}s, {who} repeats least well: the repeat explains {share} of "
        f"the spread of {who}'s readings: {_advice(table, read, who, enough)}."
    )


def _advice(table: pd.DataFrame, read: Readings, rater: str, enough: float) -> str:
    needed = figure(table, "tries to average", rater)["estimate"]
    if pd.isna(needed):
        return "no number of tries helps, for nothing else is seen to differ"
    if needed == 1:
        return f"one try is enough to stay within {percent_text(enough)}"
    recording = ", or rate from the recording" if _rated(read) else ""
    return f"average {needed:.0f} tries to come within {percent_text(enough)}{recording}"


def _rated(read: Readings) -> bool:
    return read.kind == "ordered" and read.rater == "player"


def _two(table: pd.DataFrame, read: Readings) -> str:
    lower = table[table["term"] == "lower limit"]
    if len(read.raters) != 2 or lower.empty:
        return ""
    who = str(lower["rater"].iloc[0])
    low, high = (_with_unit(table, f"{end} limit", who) for end in ("lower", "upper"))
    return f"The difference {who} lies between {low} and {high} for 95 of 100 readings."


def _kappas(table: pd.DataFrame, read: Readings) -> str:
    """Kappa of all raters, or of two, and each rater's with its own repeat."""
    names = [str(who) for who in read.raters]
    wanted = KAPPA["squared"] if read.kind == "ordered" else KAPPA["none"]
    rows = table[table["term"] == wanted]
    if len(names) > 2:
        fleiss = table[table["term"] == "Fleiss's kappa"]
        rows = pd.concat([fleiss, rows[rows["rater"].isin(names)]])
    if rows.empty:
        return ""
    told = []
    for row in rows.to_dict("records"):
        who = f"{row['rater']} with own repeat" if row["rater"] in names else row["rater"]
        if row["rater"] == ALL:
            who = "with own repeat" if len(names) == 1 else f"all {read.rater}s"
        told.append(f"{who} {_with_interval(row)}")
    return f"Agreement beyond chance (kappa, 1 is perfect): {'; '.join(told)}."


def _has(table: pd.DataFrame, term: str) -> bool:
    return bool(((table["term"] == term) & (table["rater"] == ALL)).any())


def _with_unit(table: pd.DataFrame, term: str, rater: str = ALL) -> str:
    row = figure(table, term, rater)
    return f"{number_text(row['estimate'])} {row['unit']}".strip()


def _share(table: pd.DataFrame, term: str, rater: str = ALL) -> str:
    row = figure(table, term, rater)
    low, high = percent_text(row["conf_low"]), percent_text(row["conf_high"])
    return f"{percent_text(row['estimate'])} (95 % {low} to {high})"


def _with_interval(row: dict) -> str:
    if pd.isna(row["estimate"]):
        return "undefined"
    if pd.isna(row["conf_low"]):
        return number_text(row["estimate"])
    low, high = number_text(row["conf_low"], 2), number_text(row["conf_high"], 2)
    return f"{number_text(row['estimate'], 2)} (95 % {low} to {high})"
