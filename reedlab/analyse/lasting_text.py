"""The sentence of how long reeds last, made from its table."""

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from reedlab.analyse.evidence import LEVEL
from reedlab.answer import counted, number_text


def lasting_text(table: pd.DataFrame, label: Callable[[str], str]) -> str:
    """Tell the medians, then the factors beyond chance, or the one nearest to it.

    Parameters
    ----------
    table : DataFrame
        As in :class:`reedlab.analyse.Lasting`.
    label : callable
        From a factor's name to words for it.
    """
    is_median = table["quantity"] == "median"
    medians = medians_text(table[is_median & (table["term"] == "")].to_dict("records"))
    effects = table[~is_median]
    return f"{medians} {_effects_text(effects, label)}" if len(effects) else medians


def medians_text(rows: Sequence[dict[Any, Any]]) -> str:
    """Tell the median of each scale.

    Examples
    --------
    >>> row = {"estimate": np.inf, "conf_low": 5.0, "conf_high": np.inf, "unit": "hours"}
    >>> counts = {"longest": 30.0, "n_reeds": 10, "n_worn_out": 3, "evidence": "observed"}
    >>> medians_text([row | counts])
    'Median life: not reached by 30 hours (lower limit 5 hours); observed, 10 reeds, 3 worn out.'
    """
    counts = [f"{row['evidence']}, {_reeds(row)}" for row in rows]
    medians = [_median(row) for row in rows]
    if len(set(counts)) == 1:
        return f"Median life: {', '.join(medians)}; {counts[0]}."
    each = [f"{median}; {count}" for median, count in zip(medians, counts, strict=True)]
    return f"Median life: {'; '.join(each)}."


def _median(row: dict[Any, Any]) -> str:
    unit = row["unit"]
    if not np.isinf(row["estimate"]):
        return f"{number_text(row['estimate'])} {unit} ({_interval(row)})"
    if np.isinf(row["conf_low"]):
        return f"not reached by {number_text(row['longest'])} {unit}, nor its lower limit"
    return (
        f"not reached by {number_text(row['longest'])} {unit} "
        f"(lower limit {number_text(row['conf_low'])} {unit})"
    )


def _effects_text(effects: pd.DataFrame, label: Callable[[str], str]) -> str:
    looked = effects["term"].nunique()
    strong = effects[effects["p_adjusted"] < LEVEL]
    count = strong["term"].nunique()
    if looked == 1:
        verb = "goes" if count else "does not go"
        opening = f"The one factor looked at {verb} with it beyond chance"
    elif count:
        verb = "goes" if count == 1 else "go"
        opening = f"Of {looked} factors looked at, {count} {verb} with it beyond chance"
    else:
        opening = f"None of {looked} factors looked at goes with it beyond chance; the strongest"
    shown = strong if count else effects.nsmallest(1, "p_value")
    told = [_effect(row, label) for row in shown.to_dict("records")]
    return f"{opening}: {'; '.join(told)}."


def _effect(row: dict[Any, Any], label: Callable[[str], str]) -> str:
    counts = _reeds(row)
    if row["stratum"] != "reed":
        counts = f"{counted(row['n_units'], row['stratum'])}, {counts}"
    contrast = str(row["contrast"])
    signed = contrast.replace("-", "−") if contrast[:1] == "-" else contrast.replace(" - ", " − ")
    return (
        f"{label(row['term'])} {signed} wears out {number_text(row['estimate'])} {row['unit']} "
        f"({_interval(row)}; {row['evidence']}, {counts})"
    )


def _interval(row: dict[Any, Any]) -> str:
    if np.isnan(row["conf_low"]):
        return "no interval"
    low = number_text(row["conf_low"])
    if np.isinf(row["conf_high"]):
        return f"95 % {low} to no upper limit"
    return f"95 % {low} to {number_text(row['conf_high'])}"


def _reeds(row: dict[Any, Any]) -> str:
    return f"{counted(row['n_reeds'], 'reed')}, {row['n_worn_out']:.0f} worn out"
