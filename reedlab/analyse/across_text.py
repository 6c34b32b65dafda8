"""The sentence of across_makers: what holds, what is one maker's hand, what is not shown."""

from collections.abc import Mapping
from typing import Any

import pandas as pd

from reedlab.analyse.words import with_minus
from reedlab.answer import counted, number_text


def sentence_of(
    table: pd.DataFrame, makers: pd.DataFrame, labels: Mapping[str, str], what: str
) -> str:
    """Say of each effect what the table says; of those not shown the count alone."""
    rows = table.to_dict("records")
    told = [row for row in rows if row["holds"] != "not shown"]
    parts = [_told(row, makers, labels, what) for row in told]
    rest = len(rows) - len(told)
    if not told:
        first = rows[0]
        parts = [
            f"Of {counted(len(rows), 'effect')} on {what} none is shown to hold across makers; the "
            f"nearest to it: {_named(first, labels)} {_mean(first)}."
        ]
    elif rest:
        parts.append(f"Of {counted(rest, 'other effect')} nothing is shown.")
    return " ".join(parts)


def _told(
    row: Mapping[Any, Any], makers: pd.DataFrame, labels: Mapping[str, str], what: str
) -> str:
    named = _named(row, labels)
    if row["holds"] == "one maker's hand":
        hands = _hands(row, makers)
        return f"{named} is one maker's hand: {hands}; the mean says little: {_mean(row)}."
    if row["holds"] == "by hand":
        return (
            f"{named} differs from hand to hand, though one way: {_hands(row, makers)}; too few "
            f"makers to tell the mean: {_mean(row)}."
        )
    verb = "moves" if row["evidence"] == "randomised" else "goes with"
    opening = f"{named} {verb} {what}"
    expect = (
        f"for a new maker expect between {number_text(row['new_low'])} and "
        f"{number_text(row['new_high'])}{_unit(row)}"
    )
    makers_told, mean = counted(row["n_makers"], "maker"), _mean(row)
    if row["holds"] == "across makers":
        return f"{opening}, and that holds across {makers_told}: {mean}; {expect}."
    return (
        f"{opening} on average of {makers_told}: {mean}; but {expect}, so try it in your own hand."
    )


def _named(row: Mapping[Any, Any], labels: Mapping[str, str]) -> str:
    text = f"{labels[row['term']]} {with_minus(row['contrast'])}"
    return text[:1].upper() + text[1:]


def _mean(row: Mapping[Any, Any]) -> str:
    return (
        f"{number_text(row['estimate'])}{_unit(row)} (95 % {number_text(row['conf_low'])} to "
        f"{number_text(row['conf_high'])}; {row['evidence']}, {counted(row['n_makers'], 'maker')}, "
        f"{counted(row['n_tubes'], 'tube')}, {counted(row['n_reeds'], 'reed')})"
    )


def _hands(row: Mapping[Any, Any], makers: pd.DataFrame) -> str:
    own = makers[(makers["term"] == row["term"]) & (makers["contrast"] == row["contrast"])]
    own = own.sort_values("estimate")
    least, most = own.iloc[0], own.iloc[-1]
    return (
        f"from {number_text(least['estimate'])} ({least['maker_id']}) to "
        f"{number_text(most['estimate'])}{_unit(row)} ({most['maker_id']}), with a standard "
        f"deviation between makers of {number_text(row['sd_makers'])} (95 % "
        f"{number_text(row['sd_low'])} to {number_text(row['sd_high'])})"
    )


def _unit(row: Mapping[Any, Any]) -> str:
    return f" {row['unit']}" if row["unit"] else ""
