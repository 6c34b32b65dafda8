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

    Examples
    --------
    >>> effect_text({"contrast": "+0.05 mm", "estimate": -16.2, "unit": "cents", "conf_low": -20.7,
    ...     "conf_high": -11.8, "evidence": "observed", "n_units": 8, "stratum": "tube"})
    '+0.05 mm: −16.2 cents (95 % −20.7 to −11.8; observed, 8 tubes)'
    """
    unit = f" {row['unit']}" if row["unit"] else ""
    low, high = number_text(row["conf_low"]), number_text(row["conf_high"])
    count = counted(row["n_units"], row["stratum"])
    if row["stratum"] != "reed" and row.get("n_reeds"):
        count += f", {counted(row['n_reeds'], 'reed')}"
    return (
        f"{with_minus(row['contrast'])}: {number_text(row['estimate'])}{unit} "
        f"(95 % {low} to {high}; {row['evidence']}, {count})"
    )


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
