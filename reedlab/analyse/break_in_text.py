"""The words of a break-in: sentence and cautions, made from the table."""

import pandas as pd

from reedlab.analyse.evidence import LEVEL
from reedlab.analyse.frame import Frame
from reedlab.answer import counted, number_text, p_text
from reedlab.schema import Response
from reedlab.study import Study


def break_in_sentence(table: pd.DataFrame, response: Response) -> str:
    """Say how much the response changes in all and by when, and when it has settled."""
    whole, settled = table.iloc[0], table.iloc[-1]
    p = p_text(whole["p_value"])
    n = f"{counted(whole['n_tests'], 'test')} of {counted(whole['n_reeds'], 'reed')}"
    if whole["p_value"] < LEVEL:
        opening = f"{response.label} changes with playing"
    else:
        opening = f"{response.label} shows no change with playing beyond chance"
    told = [_change(row) for row in table.iloc[:-1].to_dict("records")]
    found = f"{opening} (p {p if p.startswith('<') else '= ' + p}; observed, {n}): "
    found += "; ".join(told)
    if whole["p_value"] < LEVEL:
        low, high = number_text(settled["conf_low"]), number_text(settled["conf_high"])
        found += (
            f". It stays {settled['contrast']} from {number_text(settled['estimate'])} minutes on "
            f"(95 % {low} to {high})"
        )
    return f"{found}."


def _change(row: dict) -> str:
    unit = f" {row['unit']}" if row["unit"] else ""
    low, high = number_text(row["conf_low"]), number_text(row["conf_high"])
    return f"{number_text(row['estimate'])}{unit} from {row['contrast']} (95 % {low} to {high})"


def break_in_cautions(study: Study, frame: Frame) -> list[str]:
    """What must be known of every such curve."""
    cautions = [
        "Reeds that were given up early have no later tests: the curve allows for what their "
        "tests had shown, not for what was seen or heard besides.",
    ]
    adjusted = study.tables.get("adjustments", pd.DataFrame())
    if "reed_id" in adjusted:
        reeds = frame.data["reed_id"].isin(adjusted["reed_id"].dropna())
        count = frame.data.loc[reeds, "reed_id"].nunique()
        if count:
            cautions.append(
                f"{count} of these reeds were adjusted between tests: what that did is part of "
                "the curve."
            )
    if frame.response.kind == "ordinal":
        cautions.append(
            f"{frame.response.label} is a scale of ordered levels, taken here as evenly spaced "
            "numbers."
        )
    if len(frame.left_out):
        cautions.append(
            f"{counted(len(frame.left_out), 'row')} of the record could not be used: see left_out."
        )
    return cautions
