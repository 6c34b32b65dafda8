"""Small words that the sentences, pictures and files of this room share."""

from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from reedlab.answer import counted, number_text, percent_text


def with_unit(label: str, unit: str) -> str:
    """Write what an axis shows with its unit, if it has one.

    Examples
    --------
    >>> with_unit("crow", "cents"), with_unit("rating", "")
    ('crow, cents', 'rating')
    """
    return f"{label}, {unit}" if unit else label


def share_with_interval(row: Mapping[Any, Any] | pd.Series) -> str:
    """Write the share of a row of a table with its interval.

    Examples
    --------
    >>> share_with_interval({"share": 0.284, "conf_low": 0.21, "conf_high": 0.37})
    '28 % (95 % 21 % to 37 %)'
    """
    low, high = percent_text(row["conf_low"]), percent_text(row["conf_high"])
    return f"{percent_text(row['share'])} (95 % {low} to {high})"


def effect_text(row: Mapping[Any, Any]) -> str:
    """Write an effect of a row of a table with its unit, interval, grade and units.

    What the row does not say is left out; without an estimate there is no text.

    Examples
    --------
    >>> row = {"contrast": "+0.05 mm", "estimate": -16.2, "unit": "cents", "conf_low": -20.7,
    ...     "conf_high": -11.8, "evidence": "observed", "n_units": 8, "stratum": "tube"}
    >>> effect_text(row)
    '+0.05 mm: −16.2 cents (95 % −20.7 to −11.8; observed, 8 tubes)'
    >>> effect_text({"estimate": 2.0, "conf_low": 1.0, "conf_high": 3.0})
    '2 (95 % 1 to 3)'
    """
    told = {name: value for name, value in row.items() if not pd.isna(value) and value != ""}
    if "estimate" not in told:
        return ""
    opening = f"{with_minus(told['contrast'])}: " if "contrast" in told else ""
    unit = f" {told['unit']}" if "unit" in told else ""
    interval = "no interval"
    if {"conf_low", "conf_high"} <= set(told):
        interval = f"95 % {number_text(told['conf_low'])} to {number_text(told['conf_high'])}"
    rests_on = [told["evidence"]] if "evidence" in told else []
    if {"n_units", "stratum"} <= set(told):
        rests_on.append(counted(told["n_units"], told["stratum"]))
        if told["stratum"] != "reed" and told.get("n_reeds"):
            rests_on.append(counted(told["n_reeds"], "reed"))
    inside = f"{interval}; {', '.join(rests_on)}" if rests_on else interval
    return f"{opening}{number_text(told['estimate'])}{unit} ({inside})"


def opening(looked: int, strong: int, what: str, evidence: Iterable[str]) -> str:
    """Say how many factors stand beyond chance; only what chance assigned moves anything.

    Parameters
    ----------
    looked, strong : int
        Factors looked at, and those beyond chance.
    what : str
        Words for the response.
    evidence : iterable of str
        Grades of the effects that are told.

    Examples
    --------
    >>> opening(3, 2, "crow", ["randomised", "randomised"])
    'Of 3 factors looked at, 2 move crow beyond chance'
    >>> opening(3, 0, "crow", ["observed"])
    'None of 3 factors looked at goes with crow beyond chance; the strongest'
    """
    one, many = ("moves", "move") if set(evidence) == {"randomised"} else ("goes with", "go with")
    if strong:
        verb = one if strong == 1 else many
        return f"Of {counted(looked, 'factor')} looked at, {strong} {verb} {what} beyond chance"
    if looked == 1:
        return f"The one factor looked at does not {many} {what} beyond chance"
    return f"None of {looked} factors looked at {one} {what} beyond chance; the strongest"


def with_minus(contrast: str) -> str:
    """Write a contrast with a real minus sign.

    Examples
    --------
    >>> with_minus("wide - narrow"), with_minus("-0.05 mm")
    ('wide − narrow', '−0.05 mm')
    """
    return contrast.replace("-", "−") if contrast[:1] in "+-" else contrast.replace(" - ", " − ")


def unique_names(headers: Iterable[str]) -> dict[str, str]:
    """Make headers into plain parts of file names, no two alike.

    Examples
    --------
    >>> unique_names(["crow_cents", "Thickness (Å)", "Thickness [mm]"])
    {'crow_cents': 'crow_cents', 'Thickness (Å)': 'Thickness', 'Thickness [mm]': 'Thickness_mm'}
    >>> unique_names(["size-1", "size 1"])
    {'size-1': 'size_1', 'size 1': 'size_1_2'}
    """
    named: dict[str, str] = {}
    for header in dict.fromkeys(headers):
        plain = "".join(c if c.isalnum() and c.isascii() else " " for c in header)
        name = "_".join(plain.split()) or "column"
        same = sum(other == name for other in named.values())
        number = 2
        while same and f"{name}_{number}" in named.values():
            number += 1
        named[header] = f"{name}_{number}" if same else name
    return named
